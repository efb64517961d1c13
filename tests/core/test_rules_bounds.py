"""Bounds met exactly: what a rule does at the very number that its manual names, and one step beyond it."""

from __future__ import annotations

from fractions import Fraction

import pytest

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import Event, NoteOn, Press, Release, Route, SwitchSample
from router.core.harmony import Progression
from router.core.music import Music, chord_symbol
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime

NS = 1


def bench(name: str, **settings: object) -> Bench:
    return Bench(RuleUnderTest(RULES[name], settings, "bounds"))


def begun(events: list[Event]) -> list[int]:
    return [event.pitch for event in events if isinstance(event, NoteOn)]


@pytest.mark.parametrize(("pause", "then"), [(2 * NANOSECONDS - NS, 62), (2 * NANOSECONDS, 60)])
def test_a_sequence_begins_again_after_just_its_pause(pause, then):
    rule = bench("sequence", notes=["C4", "D4", "E4"], restart_after="2 s")
    rule.give(Press("pad", 1), 77 * MILLISECOND)
    assert begun(rule.give(Press("pad", 2), 77 * MILLISECOND + pause)) == [then]


@pytest.mark.parametrize(("pause", "then"), [(2 * NANOSECONDS - NS, "F"), (2 * NANOSECONDS, "C")])
def test_the_chords_begin_again_after_just_the_pause_of_the_tune(pause, then):
    progression = Progression((chord_symbol("C"), chord_symbol("F")), advance="pad", restart_after=2 * NANOSECONDS)
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(debounce=0), voice, alarm)}
    parts = (PartPlan("tune", ("pad",), (), Route("out", 1)),)
    player = VirtualTime(Plan(Music(), Bench.WIDE, inputs, parts, progression))
    for now in (77 * MILLISECOND, 77 * MILLISECOND + pause):
        player.give(now, SwitchSample("pad", True))
        player.give(now + MILLISECOND, SwitchSample("pad", False))
    told = ["C", *(fields["chord"] for _, _, fields in player.log.named("chord"))]
    assert told[-1] == then


@pytest.mark.parametrize(("pause", "then"), [(2 * NANOSECONDS - NS, 64), (2 * NANOSECONDS, 60)])
def test_an_answer_begins_again_after_just_its_pause(pause, then):
    rule = bench("answer", hears="keys", restart_after="2 s")
    for place, pitch in enumerate((60, 64, 67)):
        rule.give(Press("keys", place, pitch=pitch), (place + 1) * 200 * MILLISECOND)
        rule.give(Release("keys", place), (place + 1) * 200 * MILLISECOND + MILLISECOND)
    assert begun(rule.give(Press("pad", 11), 5 * NANOSECONDS)) == [60]
    assert begun(rule.give(Press("pad", 12), 5 * NANOSECONDS + pause)) == [then]


@pytest.mark.parametrize(("apart", "first"), [(50 * MILLISECOND, [60, 64]), (50 * MILLISECOND + NS, [60])])
def test_what_an_answer_takes_for_one_step(apart, first):
    rule = bench("answer", hears="keys")
    for place, pitch in enumerate((60, 64)):
        rule.give(Press("keys", place, pitch=pitch), NANOSECONDS + place * apart)
    for place in range(2):
        rule.give(Release("keys", place), 2 * NANOSECONDS)
    assert begun(rule.give(Press("pad", 11), 5 * NANOSECONDS)) == first


@pytest.mark.parametrize(("rule", "written", "note", "highest"), [
    ("chord", {"kind": "major"}, 120, 127),
    ("chord", {"kind": "major"}, 121, 125),
    ("arpeggio", {"octaves": 2, "rate": "20 Hz"}, 115, 127),
    ("arpeggio", {"octaves": 2, "rate": "20 Hz"}, 116, 116),
])  # fmt: skip
def test_the_highest_note_of_midi_is_played_and_none_beyond_it(rule, written, note, highest):
    played = bench(rule, **written)
    played.give(NoteOn(1, note), MILLISECOND)
    played.go_on(200 * MILLISECOND)
    assert max(begun([event for _, event in played.out])) == highest


@pytest.mark.parametrize(("velocity", "echoes"), [(2, 1), (1, 0)])
def test_the_softest_echo_has_the_lowest_velocity_that_sounds(velocity, echoes):
    """Half of 2 is 1, and half of 1 is rounded to 0, which would end a note (MIDI 1.0)."""
    rule = bench("echo", times=1, softer="50 %", delay="100 ms")
    rule.give(NoteOn(1, 60, velocity), MILLISECOND)
    rule.go_on(NANOSECONDS)
    assert rule.begins == 1 + echoes


@pytest.mark.parametrize(("later", "strikes"), [(8 * NANOSECONDS - NS, 0), (8 * NANOSECONDS, 2)])
def test_a_drone_is_struck_again_after_just_its_time(later, strikes):
    rule = bench("drone", restrike_after="8 s")
    rule.give(NoteOn(1, 72), MILLISECOND)
    assert len(begun(rule.give(NoteOn(2, 74), MILLISECOND + later))) == 1 + strikes


@pytest.mark.parametrize(("longest", "waits"), [("249 ms", True), ("248 ms", False)])
def test_a_note_waits_for_just_as_long_as_it_may(longest, waits):
    """A quarter at 60 bpm, and a note 249 ms before its end; where that is too long, it sounds at once."""
    rule = bench("quantize", to="1/4", longest_wait=longest)
    rule.play_in(Music(tempo=Fraction(60)), 0)
    assert (rule.give(NoteOn(1, 60), 751 * MILLISECOND) == []) == waits
    rule.go_on(NANOSECONDS - NS)
    assert rule.begins == (0 if waits else 1)
    rule.go_on(NANOSECONDS)
    assert rule.begins == 1


def test_where_only_one_may_be_drawn_it_comes_again():
    rule = bench("random", notes=["C4", "D4"], weights=[1, 0], allow_repeats=False)
    for number in range(1, 9):
        assert begun(rule.give(Press("pad", number), number * MILLISECOND)) == [60]


@pytest.mark.parametrize(("gap", "velocity"), [(200, 90), (201, 89), (1000, 40), (1001, 40), (1, 90)])
def test_the_quickest_effort_is_the_loudest(gap, velocity):
    rule = bench("velocity", **{"from": "speed"}, low=40, high=90, fast="200 ms", slow="1 s", curve="linear")
    rule.give(NoteOn(1, 60), 3 * NANOSECONDS)
    (note,) = rule.give(NoteOn(2, 60), 3 * NANOSECONDS + gap * MILLISECOND)
    assert abs(note.velocity - velocity) <= (1 if gap == 201 else 0)
    (again,) = rule.give(NoteOn(3, 64), 3 * NANOSECONDS + gap * MILLISECOND)
    assert again.velocity == note.velocity, "the notes of a chord are one effort"
