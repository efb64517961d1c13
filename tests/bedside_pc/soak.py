"""The upsets of ``tests/bedside_pc`` as often as one likes, on one PC that is never switched off in between.

    python -m tests.bedside_pc.soak --unplug 100 --kill 200 --swaps 500 --reset 5

takes some hours, as the PC is emulated. At the end a row for the table in systemd/README.md is printed, with the date
and the commit; a failure ends it with what was wrong, the router's journal, and exit status 1.
"""

# ruff: noqa: T201 - printing is what a command does

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime

from rich.progress import Progress

from tests.bedside_pc import upsets
from tests.bedside_pc.image import ROOT, CannotBuild
from tests.bedside_pc.machine import GuestFailed
from tests.bedside_pc.room import Held, Room


def main() -> int:
    """Parse, run, and say what came of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--unplug", type=int, default=0, metavar="N", help="each device, and the synth")
    parser.add_argument(
        "--kill", type=int, default=0, metavar="N", help="the process, at random moments while it plays"
    )
    parser.add_argument("--swaps", type=int, default=0, metavar="N", help="of profiles, a fifth of them broken")
    parser.add_argument("--reset", type=int, default=0, metavar="N", help="of the whole PC, in the middle of a note")
    counts = parser.parse_args()
    try:
        room = Room()
    except CannotBuild as problem:
        print(problem, file=sys.stderr)
        return 1
    began = time.monotonic()
    try:
        measured = figures(room)
        before = room.held()
        kinds: list[tuple[str, int, Callable[[int], None]]] = [
            *((f"unplug the {name}", counts.unplug, unplugging(room, name)) for name in room.movements),
            ("unplug the synth", counts.unplug, lambda _: upsets.synth_unplugged_and_back(room)),
            ("kill", counts.kill, lambda number: upsets.killed(room, number)),
            ("swap", counts.swaps, lambda number: upsets.swapped(room, number)),
            ("reset", counts.reset, lambda number: upsets.reset(room, number)),
        ]
        with Progress() as progress:
            for name, count, once in kinds:
                for number in progress.track(range(count), description=f"{name} {count}", total=count):
                    once(number)
                room.at_rest()
                if count:
                    upsets.held_after(room, before)
    except GuestFailed as failed:
        print(f"{failed}\n{room.journal()}", file=sys.stderr)
        return 1
    finally:
        room.close()
    print(row(counts, measured, before, time.monotonic() - began))
    return 0


def unplugging(room: Room, name: str) -> Callable[[int], None]:
    """Unplugs that device, and puts it back."""
    return lambda _: upsets.unplug_and_back(room, room.movements[name])


def figures(room: Room) -> str:
    """What the emulated PC measures of itself; its seconds are those of an emulated processor."""
    room.at_rest()
    up = int(room.machine.run("systemctl show -P ActiveEnterTimestampMonotonic router.service")) / 1e6
    woken, cpu = upsets.idle(room, 30)
    return (
        f"power-on to ready {up:.1f} s (emulated), with nobody playing woken {woken} times in 30 s, {cpu:.0f} ms "
        "of the processor"
    )


def row(counts: argparse.Namespace, measured: str, held: Held, seconds: float) -> str:
    """For the table in systemd/README.md."""
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    done = [
        (counts.unplug, "switch, breath, pointer and synth unplugged while a note sounds, and back", "each"),
        (counts.kill, "SIGKILL while playing", ""),
        (counts.swaps, "swaps", ""),
        (counts.reset, "reset of the whole PC in the middle of a note", ""),
    ]
    what = "; ".join(said for count, said, _each in done if count)
    often = "; ".join(f"{count} {each}".strip() for count, _said, each in done if count)
    became = (
        f"no note left on; {held.descriptors} descriptors, {held.threads} threads and {held.clients} sequencer clients "
        f"before and after; {measured}; {seconds:.0f} s"
    )
    return f"| {what} | {often} | {became} | {datetime.now(UTC):%Y-%m-%d} | {commit.stdout.strip() or '?'} |"


if __name__ == "__main__":
    sys.exit(main())
