"""Our clock goes out in its time: never early, and nothing is left to do when the time of a tick has come."""

from __future__ import annotations

from contextlib import nullcontext
from fractions import Fraction
from types import SimpleNamespace

import pytest

from router.core.midi import CLOCK, START, STOP
from router.core.music import Music
from router.core.units import NANOSECONDS
from router.devices.descriptions import MidiPort
from router.devices.outputs import Output
from router.files.configuration import Ports
from router.live.room_ports import EARLY, RoomPorts
from router.room.room import Room, RoomPlan
from router.system import clock
from router.system.agenda import AT_ONCE, Agenda
from tests.shared.rooms import SAYS


class Kept(Output):
    """What was sent, and when, by a clock that goes on by some microseconds whenever somebody looks at it."""

    description = "kept"

    def __init__(self) -> None:
        self.now, self.sent = 0, []

    def look(self) -> int:
        self.now += 7_000
        return self.now

    def send(self, data: tuple[int, ...], now: int) -> None:
        assert now <= self.now, "not before its time"
        self.sent.append((self.now, data))

    def close(self) -> None:
        pass


@pytest.fixture
def wired(monkeypatch):
    kept = Kept()
    monkeypatch.setattr(clock, "now", kept.look)
    silent = SimpleNamespace(info=lambda *_, **__: None, warning=lambda *_, **__: None)
    agenda = Agenda(pytest.fail)
    around = SimpleNamespace(
        loop=SimpleNamespace(agenda=agenda),
        outputs=SimpleNamespace(open=lambda *_: kept),
        log=silent,
        midi_used=lambda: None,
        contained=nullcontext,
    )
    room = Room(RoomPlan(Music(tempo=Fraction(150)), SAYS), 0, lambda *_: ports.another_beat())
    ports = RoomPorts(Ports(clock_to=MidiPort("x")), room, around, 0)
    ports.open(0)
    agenda.ring(0)
    kept.sent.clear()
    return room, ports, kept, agenda


STEP = Fraction(NANOSECONDS * 60, 150 * 24)


def test_each_tick_is_waited_for_and_goes_out_within_a_look_at_the_clock(wired):
    *_, kept, agenda = wired
    while len(kept.sent) < 200:
        kept.now = max(kept.now, agenda.next())  # asleep until then
        agenda.ring(kept.now)
    starts = [when for when, data in kept.sent if data == (START,)]
    ticks = [when for when, data in kept.sent if data == (CLOCK,)]
    assert len(starts) == 1
    assert len(ticks) == 199
    first = round(ticks[0] / STEP)
    for place, when in enumerate(ticks):
        assert 0 <= when - (first + place) * STEP <= 14_000


def test_what_is_not_due_soon_is_not_waited_for_and_what_is_late_goes_at_once(wired):
    *_, kept, agenda = wired
    due = agenda.next() + EARLY
    agenda.ring(due - EARLY - 1)
    assert kept.sent == []
    kept.now = due + 3_000_000
    looked = kept.now
    agenda.ring(kept.now)
    assert [data for _, data in kept.sent] == [(CLOCK,)]
    assert kept.sent[0][0] - looked <= 14_000


def test_another_beat_is_told_after_the_ticks_before_it(wired):
    room, ports, kept, agenda = wired
    for tap in range(4):
        kept.now = max(kept.now, tap * NANOSECONDS // 2)
        room.tap(kept.now)
        assert (agenda.next() == AT_ONCE) == (tap > 1), "another beat is told in this pass"
        agenda.ring(kept.now)
    kept.sent.clear()
    while kept.now < 4 * NANOSECONDS:
        kept.now = max(kept.now, agenda.next())
        agenda.ring(kept.now)
    ticks = [when for when, data in kept.sent if data == (CLOCK,)]
    assert abs((ticks[-1] - ticks[0]) / (len(ticks) - 1) / (NANOSECONDS / 48) - 1) < 0.01
    ports.close(kept.now)
    assert kept.sent[-1][1] == (STOP,)
