"""Garbage into the control socket: no exception, no descriptor left, and the loop's timer goes on meanwhile.

    python -m tests.fuzz_control --bytes 1000000
    python -m tests.fuzz_control --socket /run/router/control      (into a router that runs)

The bytes come in random pieces over many connections, some of them at once: noise, lines of noise, requests with bytes
changed, requests without end. A connection that the server gives up is begun anew; some are left without reading, or in
the middle of an answer. ``--seed`` plays the same bytes again. A tenth runs with the other tests (``test_control.py``).
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import json
import random
import select
import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

from router.bedside import control, control_request
from router.bedside.control_client import ask
from router.core.units import NANOSECONDS
from router.system import clock
from tests.shared.serving import Serving, serving

REQUESTS = [
    {"do": "status"},
    {"do": "use", "child": "wren", "seat": "bed"},
    {"do": "panic"},
    {"do": "mark", "text": "smiled"},
    {"do": "watch", "inputs": ["cheek", "pad"]},
]
AT_ONCE = 12
"""Connections at one time: more than are let in."""


def pieces(chance: random.Random, count: int) -> Iterator[bytes]:
    """Garbage, ``count`` bytes in all."""
    while count > 0:
        kind = chance.randrange(4)
        if kind == 0:
            piece = chance.randbytes(chance.randrange(1, 300))
        elif kind == 1:
            piece = chance.randbytes(chance.randrange(1, 200)) + b"\n"
        elif kind == 2:
            letters = bytearray(json.dumps(chance.choice(REQUESTS)).encode())
            for _ in range(chance.randrange(3)):
                letters[chance.randrange(len(letters))] = chance.choice(b'{}[]":,\\ \n\x000aZ\xff')
            piece = bytes(letters) + b"\n" * chance.randrange(2)
        else:
            piece = chance.choice([b"[", b'{"do":', b"\x00", b" ", b'"\\ud800"', b"\n"]) * chance.randrange(1, 200)
        piece = piece[:count]
        count -= len(piece)
        yield piece


def throw(count: int, seed: int, path: Path) -> Counter[str]:
    """Send so many bytes of garbage to whoever listens there; what became of it."""
    chance = random.Random(seed)
    became: Counter[str] = Counter()
    lines: list[socket.socket] = []
    for piece in pieces(chance, count):
        if len(lines) < AT_ONCE and (not lines or chance.random() < 0.1):
            line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            line.connect(str(path))
            line.settimeout(30)
            lines.append(line)
            became["connections"] += 1
        line = chance.choice(lines)
        try:
            line.sendall(piece)
            if chance.random() < 0.8:  # some do not read
                while select.select([line], [], [], 0)[0]:
                    if not (said := line.recv(65536)):
                        raise BrokenPipeError
                    became["problems"] += said.count(b'"problem"')
                    became["answers"] += said.count(b'"ok": true')
            if chance.random() < 0.02:
                raise BrokenPipeError  # some go, whatever they have asked
        except (BrokenPipeError, ConnectionResetError):
            with contextlib.suppress(OSError):  # the server may have said why
                line.setblocking(False)
                became["problems"] += line.recv(65536).count(b'"problem"')
            line.close()
            lines.remove(line)
    for line in lines:
        line.close()
    return became


def fuzz(count: int, seed: int, folder: Path) -> Counter[str]:
    """The same to servers of our own. Half of it to one that minds no haste, so that it reads more."""
    became = _fuzz(count // 2, seed, folder / "strict")
    with mock.patch.object(control, "RATE", 1_000_000), mock.patch.object(control_request, "RATE", 1_000_000):
        return became + _fuzz(count - count // 2, seed + 1, folder / "patient")


def _fuzz(count: int, seed: int, path: Path) -> Counter[str]:
    def frame(_now: int) -> dict[str, object]:
        return {"bed": {"inputs": {"cheek": {"now": 1.0}}, "events": []}}

    with serving(path, frame=frame) as served:
        gc.collect()  # what other tests left behind is not closed meanwhile
        before = _descriptors()
        became = throw(count, seed, path)
        _all_gone(served)
        assert ask(served.path, {"do": "panic"}, 30)["ok"] is True
        _all_gone(served)
        deadline = clock.now() + 30 * NANOSECONDS
        while (left := _descriptors()) > before:  # the server forgets a client just before it closes the connection
            assert clock.now() < deadline, f"{left} descriptors are open, and {before} were"
            time.sleep(0.01)
        became["ticks"] = served.ticks
    return became


def _descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def _all_gone(served: Serving) -> None:
    """Wait until the server has let go of everybody."""
    deadline = clock.now() + 30 * NANOSECONDS
    while served.control._clients:
        assert clock.now() < deadline, "clients that have gone are still kept"
        time.sleep(0.01)


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--bytes", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--socket", type=Path, help="of a router that runs, instead of servers of our own")
    args = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        if args.socket is not None:
            became = throw(args.bytes, args.seed, args.socket)
        else:
            became = fuzz(args.bytes, args.seed, Path(folder))
    print(  # noqa: T201 - a command
        f"{args.bytes} bytes, seed {args.seed}, {time.monotonic() - begun:.0f} s: {dict(became)}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
