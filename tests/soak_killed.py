"""Killed while it plays, and nothing sounds on: again and again the router is killed (SIGKILL) at a random moment.

Hands at random on two switches make it play. After each kill, one time in two, what the service does then happens
(``python -m router.bedside.hush``); always the router is started again, as the service would, which ends what was left
by itself. After each of these a listener on the synth's side must have no note on. One time in two the router's outputs
are ports of its own, to which the listener was connected: nobody can say so once the router is gone.

    python -m tests.soak_killed --count 1000

A JACK server of its own is started, as hush speaks to every port of it.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any
from unittest.mock import patch

from router.bedside.deaths import LEDGER
from tests.shared.ear import Ear

SERVER = "router-tests-killed"
WAIT = 60.0
"""Seconds for what takes one or two."""
PLAYING = 0.1, 0.4
"""Seconds of hands at random before the kill: at least, at most."""
ARRIVED = 0.02
"""Seconds after which the listener has heard the last message of a process that is no more: many cycles of JACK."""
LIFTED = 0.2
"""Seconds after which a router that has begun takes a press for an effort;
what was pressed before was not meant for it.
"""

CONFIGURATION = """
configuration: 1
folders: {{profiles: {folder}/profiles, state: {folder}/state, records: {folder}/records, runtime: {folder}/run}}
seats: {{bed: {{profile: wren}}}}
chime: no
"""
PROFILE = """
profile: 1
child: wren
music: {{key: D, scale: minor pentatonic, tempo: 200 bpm}}
inputs:
  left: {{type: switch, device: {{serial: "{left}"}}, debounce: 0 ms}}
  right: {{type: switch, device: {{serial: "{right}"}}, debounce: 0 ms}}
parts:
  tune:
    input: left
    rules:
      - sequence: {{degrees: [1, 2, 3, 5]}}
      - chord: {{kind: open fifth}}
    output: {{port: one, channel: 1}}
  run:
    input: right
    rules:
      - note: {{degree: 1, octave: 3}}
      - chord: {{kind: triad}}
      - arpeggio: {{order: up, rate: 1/16}}
    output: {{port: two, channel: 2}}
outputs:
  one: {{midi: "{synth}-one:in"}}
  two: {{midi: "{synth}-two:in"}}
"""
SYNTH, NONE = "ear", "no such synth"
"""With the second the router has ports of its own."""


class Bedside:
    """A router as the service runs it, its folders, two switches on serial lines, and who listens."""

    def __init__(self, folder: Path, client: Any) -> None:
        self.ears = {name: Ear(f"{SYNTH}-{name}") for name in ("one", "two")}
        self._client, self._folder = client, folder
        self._lines = {name: os.openpty() for name in ("left", "right")}
        self._router: subprocess.Popen[bytes] | None = None
        self.record = folder / "run" / "sounding"
        (folder / "profiles").mkdir()
        (folder / "router.yaml").write_text(CONFIGURATION.format(folder=folder), encoding="utf-8")

    def start(self, synth: str) -> None:
        """Start it, and wait until it plays."""
        lines = {name: os.ttyname(slave) for name, (_, slave) in self._lines.items()}
        profile = PROFILE.format(synth=synth, **lines)
        (self._folder / "profiles" / "wren.yaml").write_text(profile, encoding="utf-8")
        with (self._folder / "said").open("ab") as said:
            self._router = subprocess.Popen(
                [sys.executable, "-m", "router", "run", "--config", str(self._folder / "router.yaml")],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=said,
                env={**os.environ, "STATE_DIRECTORY": str(self._folder)},
            )
        assert self._router.stdout is not None
        assert self._router.stdout.readline() == b"ready\n", (self._folder / "said").read_text()
        if synth == NONE:
            for name, ear in self.ears.items():
                self._client.connect(self._port(f"^router[^:]*:{name}$"), ear.name)
        time.sleep(LIFTED)

    def _port(self, pattern: str) -> Any:
        """A port of the router's, which is not listed in the very moment in which it was opened."""
        deadline = time.monotonic() + WAIT
        while not (ports := self._client.get_ports(pattern, is_midi=True, is_output=True)):
            assert time.monotonic() < deadline, pattern
            time.sleep(0.01)
        return ports[0]

    def play(self, rng: random.Random) -> None:
        """Hands at random, for a random time."""
        end = time.monotonic() + rng.uniform(*PLAYING)
        while (left := end - time.monotonic()) > 0:
            self.press(rng.choice(("left", "right")), rng.random() < 0.6)
            time.sleep(min(left, rng.uniform(0, 0.03)))

    def notes(self) -> set[tuple[int, int]]:
        """What sounds, as the synths have heard it: channel and note."""
        return {note for ear in self.ears.values() for note in list(ear.notes)}

    def press(self, name: str, pressed: bool) -> None:
        os.write(self._lines[name][0], b"1\n" if pressed else b"0\n")

    def kill(self) -> None:
        """As a crash would."""
        if self._router is not None:
            for folder in (
                "state",
                "run",
            ):  # so many deaths in a minute would be a crash loop, and another profile would play
                (self._folder / folder / LEDGER).unlink(missing_ok=True)
            self._router.kill()
            self._router.communicate()
            self._router = None

    def close(self) -> None:
        self.kill()
        for ear in self.ears.values():
            ear.close()
        for ends in self._lines.values():
            for end in ends:
                os.close(end)


def hush(record: Path) -> None:
    """What the service does when the router has ended."""
    done = subprocess.run(
        [sys.executable, "-m", "router.bedside.hush", str(record)],
        capture_output=True,
        text=True,
        timeout=WAIT,
        check=False,
    )
    assert done.returncode == 0, done


def one_round(bedside: Bedside, seed: int) -> str:
    """Play, kill, and what follows; what was on at the kill.

    Raises:
        AssertionError: something sounds on.
    """
    from router.devices.outputs.sounding_notes import parse

    rng = random.Random(seed)
    synth = NONE if seed % 2 else SYNTH
    bedside.start(synth)
    bedside.play(rng)
    bedside.kill()
    time.sleep(ARRIVED)
    on = bedside.notes()
    left, problem = parse(bedside.record.read_bytes())
    assert not problem, problem
    assert on <= {note for one in left for note in one.notes}, f"{on} sound, and {left} is marked"
    for name in ("left", "right"):
        bedside.press(name, False)
    if seed // 2 % 2:
        hush(bedside.record)
        _until_silent(bedside, "hush")
        assert parse(bedside.record.read_bytes()) == ([], "")
    bedside.start(synth)
    _until_silent(bedside, "the next start")
    assert not any(one.notes for one in parse(bedside.record.read_bytes())[0])
    bedside.kill()
    return "notes were on" if on else "nothing was on"


def _until_silent(bedside: Bedside, after: str) -> None:
    deadline = time.monotonic() + WAIT
    while on := bedside.notes():
        assert time.monotonic() < deadline, f"after {after} {sorted(on)} sound on"
        time.sleep(0.001)


def soak(count: int, first: int = 0, *, progress: bool = False) -> Counter[str]:
    """``count`` rounds; in how many notes were on when the router was killed."""
    import jack

    from tests.shared.parts import Server

    jack.set_error_function(lambda _message: None)  # while the server starts
    jack.set_info_function(lambda _message: None)
    became: Counter[str] = Counter()
    with (
        patch.dict(os.environ, {"ROUTER_MIDI": "jack", "JACK_DEFAULT_SERVER": SERVER}),
        tempfile.TemporaryDirectory() as folder,
    ):
        server = Server(None, SERVER)
        client = jack.Client("connects")
        bedside = Bedside(Path(folder), client)
        try:
            for seed in range(first, first + count):
                try:
                    became[one_round(bedside, seed)] += 1
                except BaseException as error:
                    error.add_note(f"seed {seed}")
                    raise
                if progress and (seed - first + 1) % 20 == 0:
                    print(f"{seed - first + 1} of {count}: {dict(became)}", file=sys.stderr)  # noqa: T201 - a command shows how far it is
        finally:
            bedside.close()
            client.close()
            server.close()
    return became


def main() -> None:
    """From the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="the first round's seed")
    args = parser.parse_args()
    started = time.monotonic()
    became = soak(args.count, args.first, progress=True)
    print(dict(became), f"{time.monotonic() - started:.0f} s")  # noqa: T201 - what the command found


if __name__ == "__main__":
    main()
