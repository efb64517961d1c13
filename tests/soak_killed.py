"""Killed while it plays, and nothing sounds on: in each round a process plays and is killed (SIGKILL) at a random moment.

Then ``python -m router.hush`` runs, and a listener on the synth's side must have no note on and no pedal down. In every other
round the outputs are ports of the process's own, to which the listener was connected: nobody can say so afterwards.

    python -m tests.soak_killed --count 1000

A JACK server of its own is started, as hush speaks to every port of it.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

SERVER = "router-tests-killed"
WAIT = 30.0
"""Seconds for what takes a fraction of one."""
CHANNELS = (1, 2, 10)
LONGEST_PLAYING = 0.08
"""Seconds after which the process is killed, at most: enough for some forty messages."""
ARRIVED = 0.02
"""Seconds after which the listener has heard the last message of a process that is no more: many cycles of JACK."""


class Ear:
    """Hears what comes to its port, and knows which notes are on and which pedals are down."""

    def __init__(self, client: str = "ear", port: str = "in") -> None:
        import rtmidi

        self.name = f"{client}:{port}"
        self.notes: set[tuple[int, int]] = set()
        self.pedals: set[int] = set()
        self._port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=client)
        self._port.set_callback(self._hear)
        self._port.open_virtual_port(port)

    @property
    def silent(self) -> bool:
        return not self.notes and not self.pedals

    def _hear(self, event: tuple[list[int], float], _data: object) -> None:
        status, number, value = (*event[0], 0, 0)[:3]
        kind, channel = status & 0xF0, (status & 0x0F) + 1
        if kind == 0x90 and value:
            self.notes.add((channel, number))
        elif kind in (0x80, 0x90):
            self.notes.discard((channel, number))
        elif kind == 0xB0 and number == 64:
            (self.pedals.add if value >= 64 else self.pedals.discard)(channel)

    def close(self) -> None:
        time.sleep(0.1)  # python-rtmidi may wait for ever if a message comes while it closes
        self._port.cancel_callback()
        self._port.close_port()
        self._port.delete()


def play(record: Path, port: str, seed: int) -> None:
    """What the process that is killed does: notes and pedals at random, through two outputs, until it is killed."""
    from router.devices import MidiPort
    from router.outputs import open_output
    from router.sounding import Sounding

    sounding = Sounding(record)
    outputs = [sounding.record(open_output(name, MidiPort(port), client=f"killed-{name}")) for name in ("one", "two")]
    sys.stdout.write("open\n")
    sys.stdout.flush()
    sys.stdin.readline()
    rng = random.Random(seed)
    while True:
        channel = rng.choice(CHANNELS) - 1
        kind = rng.choices((0x90, 0x80, 0xB0), (5, 4, 1))[0]
        number = 64 if kind == 0xB0 else rng.randrange(36, 84)
        rng.choice(outputs).send((kind | channel, number, rng.randrange(1, 128)), time.monotonic_ns())
        time.sleep(rng.uniform(0, 0.002))


def one_round(ear: Ear, client: object, record: Path, seed: int) -> str:
    """Play, kill, hush; what was on at the kill ("silence", "notes").

    Raises:
        AssertionError: something sounds on, or hush failed.
    """
    from router.marks import parse

    rng = random.Random(seed)
    own = seed % 2 == 1
    command = [sys.executable, __file__, "--play", str(record), "no such synth" if own else ear.name, str(seed)]
    player = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert player.stdout.readline() == b"open\n"
        if own:
            for name in ("one", "two"):
                client.connect(f"killed-{name}:{name}", ear.name)
        player.stdin.write(b"play\n")
        player.stdin.flush()
        time.sleep(rng.uniform(0, LONGEST_PLAYING))
    finally:
        player.send_signal(signal.SIGKILL)
        player.communicate()
    time.sleep(ARRIVED)
    on = set(ear.notes)
    left, problem = parse(record.read_bytes())
    assert not problem, problem
    assert on <= {note for one in left for note in one.notes}, f"{on} sound, and {left} is marked"
    hushed = subprocess.run(
        [sys.executable, "-m", "router.hush", str(record)], capture_output=True, text=True, timeout=WAIT, check=False
    )
    assert hushed.returncode == 0, hushed
    deadline = time.monotonic() + WAIT
    while not ear.silent and time.monotonic() < deadline:
        time.sleep(0.001)
    assert ear.silent, f"{sorted(ear.notes)} sound on, pedals {ear.pedals}; {hushed.stdout}"
    assert parse(record.read_bytes()) == ([], "")
    return "notes were on" if on else "nothing was on"


def soak(count: int, first: int = 0, *, progress: bool = False) -> Counter[str]:
    """``count`` rounds; in how many notes were on when the process was killed."""
    import jack
    from parts import Server

    jack.set_error_function(lambda _message: None)  # while the server starts
    jack.set_info_function(lambda _message: None)
    became: Counter[str] = Counter()
    os.environ |= {"ROUTER_MIDI": "jack", "JACK_DEFAULT_SERVER": SERVER}
    server = Server(None, SERVER)
    ear, client = Ear(), jack.Client("connects")
    try:
        with tempfile.TemporaryDirectory() as folder:
            for seed in range(first, first + count):
                try:
                    became[one_round(ear, client, Path(folder) / "sounding", seed)] += 1
                except BaseException as error:
                    error.add_note(f"seed {seed}")
                    raise
                if progress and (seed - first + 1) % 50 == 0:
                    print(f"{seed - first + 1} of {count}: {dict(became)}", file=sys.stderr)  # noqa: T201 - a command shows how far it is
    finally:
        ear.close()
        client.close()
        server.close()
    return became


def main() -> None:
    """From the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="the first round's seed")
    parser.add_argument("--play", nargs=3, metavar=("RECORD", "PORT", "SEED"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.play:
        play(Path(args.play[0]), args.play[1], int(args.play[2]))
    started = time.monotonic()
    became = soak(args.count, args.first, progress=True)
    print(dict(became), f"{time.monotonic() - started:.0f} s")  # noqa: T201 - what the command found


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))  # the parts that the tests share
    main()
