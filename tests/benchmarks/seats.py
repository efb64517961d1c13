"""What one effort costs at a seat that is alone in the room, and at one of sixteen of whom each holds a note.

    python -m tests.benchmarks.seats                 half a minute
    python -m tests.benchmarks.seats --rounds 20

An effort is a switch that is pressed and let go: conditioning, three rules, the ledger with its share in the room's
balance, the message.
*core*: room and engines alone. *daemon*: a whole pass of the daemon's loop for each of both samples, with the log and
with what the loop asks for before it sleeps. The room's limits are counted and not met: only there is anybody looked
for who gives way. One seat and sixteen take turns, in blocks, in one process; times are the processor's. The ratio is
that of the blocks that stood beside one another, its median. The aim: 1.2 at most."""

from __future__ import annotations

import argparse
import gc
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from router.core.events import Message, SwitchSample
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.devices.outputs.base import Output
from router.files.profile import Profile, load
from router.live.daemon import Daemon
from router.offline.together import VirtualSeat
from router.room.room import Room, RoomPlan
from router.system import clock

SEATS = 16
BLOCK = 200
"""Efforts a block."""
APART = NANOSECONDS // 10
"""From one sample to the next, of the music's own time: no limit of a child is met."""

PROFILE = """
profile: 1
child: wren
music: {key: D, scale: minor pentatonic}
limits: {note_length: 60 s}
inputs:
  pad: {type: switch, device: {serial: "nothing there"}, debounce: 0 ms}
  held: {type: switch, device: {serial: "nor there"}, debounce: 0 ms}
parts:
  tune:
    input: pad
    rules:
      - sequence: {degrees: [1, 2, 3, 5]}
      - scale_lock: {}
      - velocity: {from: strength, low: 40, high: 90}
    output: {port: synth, channel: 1}
  drone:
    input: held
    rules:
      - note: {degree: 1, octave: 3}
    output: {port: synth, channel: 2}
outputs:
  synth: {midi: "*"}
"""


class Core:
    """Room and engines; an effort does what a pass does with it."""

    def __init__(self, profile: Profile, seats: int) -> None:
        self.now = 0
        self.room = Room(RoomPlan(), 0, lambda *_: None)
        sents: list[list[tuple[str, Message]]] = [[] for _ in range(seats)]
        self.players = [VirtualSeat(f"seat {seat}", profile.plan, self.room, sents[seat]) for seat in range(seats)]
        self._sent = sents[0]
        for player in self.players:
            player.begin(0)

    def hold(self) -> None:
        for pressed in (False, True):
            self.now += APART
            for player in self.players[1:]:
                player.take(SwitchSample("held", pressed), self.now)
                player.told.clear()

    def move(self, pressed: bool) -> None:
        self.now += APART
        room, player = self.room, self.players[0]
        due = room.deadline()
        if due is not None and due <= self.now:
            room.wake(self.now)
        player.take(SwitchSample("pad", pressed), self.now)
        if room.listens:
            for now, event, fields in player.told:
                room.heard(player.name, event, fields, now)
        player.told.clear()
        earliest((room.deadline(), player.engine.next_deadline()))

    @property
    def sent(self) -> int:
        return len(self._sent)

    def close(self) -> None:
        """Do nothing, as nothing is open."""


class Nowhere(Output):
    """Takes everything, and counts it."""

    description = "nowhere"

    def __init__(self) -> None:
        self.sent = 0

    def send(self, data: tuple[int, ...], now: int) -> None:
        self.sent += 1

    def close(self) -> None:
        """Do nothing, as nothing is open."""


class Quiet:
    """A log that nobody reads."""

    def info(self, event: str, **fields: Any) -> None:
        """A thing that happened."""

    warning = error = debug = info


class Loop:
    """The daemon's passes; outputs that lead nowhere, so that no driver is measured."""

    def __init__(self, profile: Profile, seats: int) -> None:
        self.daemon = Daemon({f"seat {n}": profile for n in range(seats)}, Quiet(), lambda *_: None, room=RoomPlan())
        self.now = clock.now()
        self.out = Nowhere()
        for number, seat in enumerate(self.daemon.seats):
            for attached in seat.outputs.values():
                attached.there = Nowhere() if number else self.out
            for device in seat.devices:
                device.search.end()
            seat.now = self.now
            seat._begin()
            seat.rest()

    def hold(self) -> None:
        for pressed in (False, True):
            self.now += APART
            for seat in self.daemon.seats[1:]:
                self._give(seat, "held", pressed)
            self.daemon.loop.agenda.ring(self.now)

    def move(self, pressed: bool) -> None:
        self.now += APART
        self._give(self.daemon.seats[0], "pad", pressed)
        self.daemon.loop.agenda.next()
        self.daemon.loop.agenda.ring(self.now)

    def _give(self, seat: Any, name: str, pressed: bool) -> None:
        device = next(device for device in seat.devices if name in device.devices)
        device.came.append((self.now, SwitchSample(name, pressed)))
        seat.touch()

    @property
    def sent(self) -> int:
        return self.out.sent

    def close(self) -> None:
        self.daemon.loop.close()


def block(world: Core | Loop) -> float:
    """Microseconds of the processor that one effort takes."""
    world.hold()
    before, began = world.sent, time.process_time_ns()
    for number in range(2 * BLOCK):
        world.move(number % 2 == 0)
    took = time.process_time_ns() - began
    assert world.sent == before + 2 * BLOCK, "each effort is one note, and its end"
    return took / 1000 / BLOCK


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=100, help="blocks of each (default 100)")
    args = parser.parse_args(argv)
    table = Table(title=f"one effort, in microseconds of the processor: {args.rounds} blocks of {BLOCK} each")
    for name in ("", "one seat", "sixteen", "ratio", "5 % to 95 %"):
        table.add_column(name)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wren.yaml"
        path.write_text(PROFILE, encoding="utf-8")
        profile = load(path)
    for name, kind in (("core", Core), ("daemon", Loop)):
        one, many = kind(profile, 1), kind(profile, SEATS)
        block(one), block(many)  # what is done only once is done
        gc.collect()
        pairs = []
        for turn in range(args.rounds):
            first, second = (one, many) if turn % 2 else (many, one)
            got = {first: block(first), second: block(second)}
            pairs.append((got[one], got[many]))
        ratios = sorted(sixteen / alone for alone, sixteen in pairs)
        alone, sixteen = (statistics.median(figures) for figures in zip(*pairs, strict=True))
        ends = (ratios[round(share * (len(ratios) - 1))] for share in (0.05, 0.95))
        table.add_row(
            name,
            f"{alone:.1f}",
            f"{sixteen:.1f}",
            f"{statistics.median(ratios):.2f}",
            " to ".join(f"{end:.2f}" for end in ends),
        )
        one.close()
        many.close()
    Console(width=130).print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
