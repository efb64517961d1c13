"""The document that the daemon gives of itself: readings in the profile's units, and lateness in constant room."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from fractions import Fraction

import pytest

from router.core.engine import TEMPO
from router.core.events import Lost, Mark, MidiSample, PointerSample, PressureSample, SwitchSample
from router.core.harmony import Progression
from router.core.music import SCALES, Music, Span, TimeSignature, chord_symbol
from router.live.status import Lateness, RoomStatus, status_of_room, value_of
from router.room.lead import Leading
from router.room.room import KEY, SCALE, Room, RoomPlan


@pytest.mark.parametrize(
    ("sample", "unit", "value"),
    [
        (SwitchSample("pad", pressed=True), "", True),
        (PressureSample("cheek", 249.089), "inH2O", 1.0),
        (PressureSample("cheek", -61.3), "Pa", -61.3),
        (PressureSample("cheek", float("nan")), "Pa", None),  # JSON has no word for it
        (PressureSample("cheek", float("inf")), "Pa", None),
        (PointerSample("head", 0.25, 1.0), "", [0.25, 1.0]),
        (MidiSample("keys", (144, 60, 64)), "", [144, 60, 64]),
        (Lost("pad"), "", None),
        (Mark("cue"), "", None),
        (None, "", None),
    ],
)
def test_readings(sample, unit, value):
    assert value_of(sample, unit) == value
    json.dumps(value_of(sample, unit), allow_nan=False)


def test_nothing_was_due_yet():
    assert Lateness().status() == {"count": 0, "p50": 0.0, "p99": 0.0, "most": 0.0}


def test_lateness_of_one():
    lateness = Lateness()
    lateness.add(250_000)
    assert lateness.status() == {"count": 1, "p50": 0.25, "p99": 0.25, "most": 0.25}


def test_what_is_early_is_not_late():
    lateness = Lateness()
    lateness.add(-5)
    assert lateness.status() == {"count": 1, "p50": 0.0, "p99": 0.0, "most": 0.0}


def test_lateness_is_right_to_an_eighth():
    chance = random.Random(1)
    late = [round(chance.lognormvariate(12, 2)) for _ in range(10_000)]
    lateness = Lateness()
    for one in late:
        lateness.add(one)
    said, late = lateness.status(), sorted(late)
    assert said["count"] == 10_000
    assert said["most"] == round(late[-1] / 1e6, 3)
    for name, true in (("p50", late[4_999] / 1e6), ("p99", late[9_899] / 1e6)):
        assert true - 0.001 <= said[name] <= 1.126 * true + 0.001


def test_a_machine_that_slept_for_years_is_counted_too():
    lateness = Lateness()
    lateness.add(10**19)
    assert lateness.status() == {"count": 1, "p50": 1e13, "p99": 1e13, "most": 1e13}


# --- the room ---------------------------------------------------------------------------------------------------

SECOND = 1_000_000_000


def shared(plan: RoomPlan = RoomPlan(), does=()) -> RoomStatus:  # noqa: B008 - a plan never changes
    """What a room says after it was told some things, each at its second."""
    room = Room(plan, 0, lambda _now, _event, _fields: None)
    for seconds, method, *args in does:
        now = round(seconds * SECOND)
        while (due := room.deadline()) is not None and due <= now:
            room.wake(due)
        getattr(room, method)(*args, now)
    share = room.balance.share("bed", lambda _now: None)
    for velocity in (40, 50, 60):
        share.began(velocity)
    status = status_of_room(room, {}, {})
    json.dumps(status, allow_nan=False)
    return status


def test_a_room_that_says_nothing():
    said = shared()
    assert (said["tempo"], said["tempo_from"], said["key"], said["scale"], said["chord"]) == (None, "", "", "", "")
    assert (said["turn"], said["hold"], said["sounding"]) == ("", False, 3)


def test_what_the_configuration_says_of_the_room():
    plan = RoomPlan(Music(3, SCALES["dorian"], Fraction(191, 2), TimeSignature(3, 4)), frozenset({TEMPO, KEY, SCALE}))
    plan = replace(plan, progression=Progression((chord_symbol("Gm"),), Span(bars=1)))
    said = shared(plan)
    assert (said["tempo"], said["time_signature"], said["tempo_from"]) == (95.5, "3/4", "configuration")
    assert (said["key"], said["scale"], said["chord"]) == ("Eb", "dorian", "Gm")


def test_what_the_room_says_is_spelt_in_its_key():
    """G# minor and not Ab minor; the chord that is led with is one of E major's."""
    plan = RoomPlan(Music(8, SCALES["minor"]), frozenset({KEY, SCALE}))
    assert shared(plan)["key"] == "G#"
    plan = RoomPlan(Music(4, SCALES["major"]), frozenset({KEY, SCALE}), leading=Leading())
    chord = [(1, "key", (0x90, note, 80)) for note in (56, 59, 63)]
    assert shared(plan, [*chord, (2, "key", (0x80, 56, 0))])["chord"] == "G#m"


TAPS = [(second, "tap") for second in (1, 1.5, 2, 2.5)]
TICKS = [(4 + number / 40, "clock", (0xF8,)) for number in range(60)]  # 100 a minute


@pytest.mark.parametrize(
    ("does", "tempo", "source"),
    [
        (TAPS[:2], None, ""),  # two taps are no tempo yet
        (TAPS, 120, "taps"),
        ([*TAPS, (60, "tap")], 120, "taps"),  # a first tap of new ones
        (TICKS, 100, "clock"),
        ([*TICKS, (10, "tap")], 100, "clock lost"),
        ([*TICKS, *((second + 10, "tap") for second, _ in TAPS)], 120, "taps"),
        ([*TICKS, (5.5, "clock", (0xFC,)), (10, "tap")], 100, "clock"),  # it was stopped, and is not lost
    ],
)
def test_where_the_tempo_comes_from(does, tempo, source):
    said = shared(does=does)
    assert (said["tempo"], said["tempo_from"]) == (tempo, source)


def test_what_a_keyboard_leads_with_and_its_pedal():
    plan = RoomPlan(leading=Leading(key=True, hold=67))
    chord = [(1, "key", (0x90, note, 80)) for note in (62, 65, 69)]
    said = shared(plan, [*chord, (2, "key", (0xB0, 67, 127))])
    assert (said["chord"], said["hold"]) == ("Dm", True)
    assert shared(plan, chord)["hold"] is False
    scale = [
        (i / 4, "key", (status, note, 80))
        for i in range(64)
        for note in [(60, 64, 67, 62, 65, 71)[i % 6]]
        for status in (0x90, 0x80)
    ]
    said = shared(plan, scale)
    assert (said["key"], said["scale"]) == ("C", "major")
