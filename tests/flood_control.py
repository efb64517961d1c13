"""A flood of connections to the control socket: panic is done all the while, and afterwards nothing is left of them.

    python -m tests.flood_control --count 10000

Two processes connect, as two users where that can be (as root): silent clients, clients that ask for status without
end, half requests, bursts that hang up at once. Meanwhile panic is asked for again and again, by a user of the flood's.
A tenth runs with the other tests (``test_control.py``).
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import socket
import subprocess
import sys
import tempfile
from contextlib import ExitStack, suppress
from pathlib import Path

from router.bedside.control_client import ask
from tests.shared.serving import serving

NOBODY = 65534
HELD = 200
"""Connections that one process of the flood keeps open."""
PATIENCE = 60.0
"""Seconds for an answer; it takes milliseconds where the machine does nothing else."""

SAYINGS = (b"", b'{"do": "status"}\n' * 60, b'{"do": "pan', b'{"do": "watch"}\n', b"\x00\n", b'{"do": "status"}\n')


def pour(path: Path, count: int, seed: int) -> None:
    """So many connections, in a process of their own."""
    chance = random.Random(seed)
    held: list[socket.socket] = []
    for _ in range(count):
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        line.connect(str(path))
        line.setblocking(False)
        with suppress(OSError):
            line.send(chance.choice(SAYINGS))
        held.append(line)
        if len(held) > HELD or chance.random() < 0.2:
            held.pop(chance.randrange(len(held))).close()
    for line in held:
        line.close()


def flood(count: int, seed: int) -> tuple[int, int]:
    """Of ``count`` connections, how often panic was done, and how often the timer beside the socket came."""
    panics = 0

    def answer(request: dict[str, object], reply: object) -> None:
        nonlocal panics
        panics += request["do"] == "panic"
        reply({"ok": True})  # type: ignore[operator]

    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        folder.chmod(0o755)  # for another user
        path = folder / "control"
        served = stack.enter_context(serving(path, answer))
        path.chmod(0o666)
        before = _descriptors()
        users = [None, NOBODY] if os.geteuid() == 0 else [None, None]
        code = (
            f"import sys; sys.path[:0] = {sys.path!r}; from tests.flood_control import pour; from pathlib import Path; "
        )
        processes = [
            subprocess.Popen(
                [sys.executable, "-c", f"{code}pour(Path({str(path)!r}), {count // 2}, {seed + number})"], user=user
            )
            for number, user in enumerate(users)
        ]
        asked = 0
        while any(process.poll() is None for process in processes) or not asked:
            said = ask(path, {"do": "panic"}, PATIENCE)
            assert said["ok"] is True, said
            asked += 1
        assert [process.wait() for process in processes] == [0, 0]
        said = ask(path, {"do": "panic"}, PATIENCE)
        assert said["ok"] is True, said
        assert panics == asked + 1
        ticks = served.ticks
        while served.control._clients:  # those that hung up are noticed one after another
            ask(path, {"do": "panic"}, PATIENCE)
            if len(served.control._clients) <= 1:
                break
        assert _descriptors() <= before + 1, "a descriptor is left"
        assert ticks > 0
    return panics, ticks


def _descriptors() -> int:
    return len([*Path("/proc/self/fd").iterdir()])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000, help="connections (default: 10,000)")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 4096)), hard))
    panics, ticks = flood(args.count, args.seed)
    print(f"{args.count} connections, panic done {panics} times meanwhile, the timer came {ticks} times: 0 failures")  # noqa: T201 - what a command says
    return 0


if __name__ == "__main__":
    sys.exit(main())
