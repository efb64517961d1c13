"""What a pass of the loop costs, and a press's walk from descriptor to message: counted in calls, not in time.

A real service runs in this process, with real serial lines (pseudo-terminals) and JACK; ``sys.setprofile`` counts the
calls of the router's own functions in the loop's thread. The counts are ceilings: what makes a pass dearer fails here.

    python -m tests.live.test_calls_of_a_pass         prints the counts, and the walk
"""

from __future__ import annotations

import itertools
import os
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import pytest

import router
from router.bedside.service import Service
from router.files import configuration
from tests.shared.parts import unique

HERE = str(Path(router.__file__).parent) + "/"

PASS = {1: 105, 16: 105}
"""Calls of a pass in which one press becomes one note, by how many seats there are."""

IDLE = {1: 12, 16: 12}
"""Calls of a pass in which nothing is to be played, by seats."""

WALK, FILES = 67, 47
"""Calls of the router's functions from a press's descriptor to the driver's ``send``, and changes
of file between them.
"""

EFFORTS = 12

PROFILE = """
profile: 1
child: {child}
music: {{key: D, scale: minor pentatonic}}
inputs:
  pad:
    type: switch
    device: {{serial: "{line}", line: '(?P<value>[01])'}}
    debounce: 10 ms
parts:
  tune:
    input: pad
    rules:
      - note: {{degree: 1}}
    output: {{port: synth, channel: {channel}}}
outputs:
  synth: {{midi: "{port}"}}
"""


class Silent:
    """A log that nobody reads."""

    def info(self, event: str, **fields: Any) -> None:
        """Leave it out."""

    warning = error = debug = info


class Counted:
    """The calls of the router's functions, pass by pass: of each its file and its name."""

    def __init__(self) -> None:
        self.passes: list[list[tuple[str, str]]] = []

    def __call__(self, frame: Any, event: str, _argument: object) -> None:
        if event != "call":
            return
        code = frame.f_code
        if code.co_filename.startswith(HERE):
            name = (code.co_filename.removeprefix(HERE), code.co_qualname)
            if name == ("system/loop.py", "Loop._pass"):
                self.passes.append([])
            elif self.passes:
                self.passes[-1].append(name)


def began(walk: list[tuple[str, str]], name: str) -> int:
    """Where in a pass this was called first, or -1."""
    return next((place for place, each in enumerate(walk) if each[1] == name), -1)


def play(folder: Path, seats: int) -> list[list[tuple[str, str]]]:
    """The passes of a service with so many seats, while the child at the first one presses and releases a switch."""
    lines = [os.openpty() for _ in range(seats)]
    port = unique("nobody")
    beds = []
    for number, (_master, slave) in enumerate(lines):
        place = folder / f"seat{number}"
        place.mkdir()
        child = f"bird{'abcdefghijklmnop'[number]}"
        text = PROFILE.format(child=child, line=os.ttyname(slave), channel=number % 9 + 1, port=port)
        (place / f"{child}.yaml").write_text(text, encoding="utf-8")
        beds.append(f"  bed{number}: {{folder: {place}, profile: {child}}}\n")
    settings = folder / "router.yaml"
    folders = ", ".join(f"{name}: {folder / name}" for name in ("state", "runtime", "records"))
    settings.write_text(f"configuration: 1\nfolders: {{{folders}}}\nseats:\n{''.join(beds)}", encoding="utf-8")
    service = Service(configuration.load(settings), Silent())
    counted = Counted()

    def hand() -> None:
        time.sleep(0.5)  # what comes at the start has come
        for pressed in itertools.islice(itertools.cycle(b"1\n0\n".split(b"\n")[:2]), 2 * EFFORTS):
            os.write(lines[0][0], pressed + b"\n")
            time.sleep(0.06)
        service.daemon.loop.stop()
        os.write(lines[0][0], b"0\n")

    other = threading.Thread(target=hand)

    def ready() -> None:
        other.start()
        sys.setprofile(counted)

    try:
        service.run(ready)
    finally:
        sys.setprofile(None)
        other.join()
        for line in lines:
            for end in line:
                os.close(end)
    return counted.passes


def counts(passes: list[list[tuple[str, str]]]) -> dict[str, int]:
    """The median counts of the passes that play a press, and the fewest calls of a pass."""
    played = sorted((one for one in passes if began(one, "MidiPortOutput.send") >= 0 and is_press(one)), key=len)
    median = played[len(played) // 2]
    walk = walk_of(median)
    return {
        "press": len(median),
        "idle": min(len(one) for one in passes if began(one, "MidiPortOutput.send") < 0),
        "walk": len(walk),
        "files": sum(one[0] != other[0] for one, other in itertools.pairwise(walk)),
    }


def is_press(walk: list[tuple[str, str]]) -> bool:
    return began(walk, "Ledger.note_on") >= 0


def walk_of(walk: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """From the descriptor to the driver that sends the message."""
    return walk[began(walk, "AttachedInput._readable") : began(walk, "MidiPortOutput.send") + 1]


@pytest.mark.own_process  # a service changes its process for good: priority, locked memory, collector, threads
@pytest.mark.usefixtures("jack_server")
@pytest.mark.parametrize("seats", [1, 16])
def test_a_pass_makes_no_more_calls_than_it_did(tmp_path, seats):
    found = counts(play(tmp_path, seats))
    assert found["press"] <= PASS[seats]
    assert found["idle"] <= IDLE[seats]
    assert found["walk"] <= WALK
    assert found["files"] <= FILES


if __name__ == "__main__":
    for count in (1, 16):
        with tempfile.TemporaryDirectory() as where:
            found = play(Path(where), count)
        sys.stdout.write(f"{count} seats: {counts(found)}\n")
    for name in walk_of([one for one in found if is_press(one)][-1]):
        sys.stdout.write(f"  {' '.join(name)}\n")
