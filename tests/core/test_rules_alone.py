"""Rules, each alone: what golden timelines of whole parts pass over."""

from __future__ import annotations

import statistics
from fractions import Fraction

import pytest

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import check_all
from router.core.engine import PartPlan, Plan
from router.core.events import Control, Lost, NoteOff, NoteOn, Press, Program, Route, SwitchSample
from router.core.music import Music, Span
from router.core.rules import RULES
from router.core.rules.quantize import QuantizeRule
from router.core.units import NANOSECONDS
from router.files import declared
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule


def bench(name: str, **settings: object) -> Bench:
    return Bench(RuleUnderTest(RULES[name], settings, "alone"))


def one_part(*rules: tuple[str, dict], music: Music | None = None) -> VirtualTime:
    """A switch that plays through these rules, without limits."""
    made = tuple(plan_rule(RULES[name], written) for name, written in rules)
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    part = PartPlan("tune", ("pad",), made, Route("out", 1))
    return VirtualTime(Plan(music or Music(), Bench.WIDE, inputs, (part,)))


def begun(events) -> list[int]:
    """The pitches that begin."""
    return [event.pitch for event in events if isinstance(event, NoteOn)]


@pytest.mark.parametrize("name", RULES)
def test_our_rules_say_their_settings_as_those_of_others_must(name):
    """Closed above all: a misspelt setting is told, and not passed over."""
    assert declared.fault(RULES[name]) is None


@pytest.mark.parametrize(
    ("name", "settings"), [("echo", {}), ("quantize", {"to": "1/4", "longest_wait": "2 s"}), ("drone", {})]
)
def test_what_lets_go_waits_for_nothing_more(name, settings):
    rule = bench(name, **settings)
    rule.give(NoteOn(1, 60), 10 * MILLISECOND)
    rule.give(NoteOff(1), 11 * MILLISECOND)
    assert rule.waiting
    rule.let_go(rule.now)
    assert not rule.waiting


@pytest.mark.parametrize("event", [Program(128), Program(-1), Control(7, 128), Control(128, 1), NoteOn(1, 128)])
def test_what_no_midi_message_can_say_is_refused(event):
    with pytest.raises(ValueError, match=r"12[78]|-1"):
        check_all([event])
    check_all([Program(127), Control(7, 127), NoteOn(1, 127)])


# --- range ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lowest", "octaves"), [(0, 1), (48, 1), (48, 2), (60, 3), (24, 8)])
def test_a_range_moves_by_octaves_and_only_what_lies_outside_it(lowest, octaves):
    rule = bench("range", lowest=lowest, octaves=octaves)
    for pitch in range(128):
        (played,) = begun(rule.give(NoteOn(pitch, pitch), pitch))
        inside = [note for note in range(pitch % 12, 128, 12) if lowest <= note < lowest + 12 * octaves]
        assert played == (pitch if pitch in inside else inside[0] if pitch < lowest else inside[-1])
        rule.give(NoteOff(pitch), pitch)


# --- arpeggio ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lets_go", [False, True])
def test_what_is_tapped_and_held_before_the_first_step_goes_on_stepping(lets_go):
    """The tap is heard in the first step all the same;
    the note that is held again under its voice is no tap any more.
    """
    rule = bench("arpeggio", rate="1/4", begin="on the beat")
    step = Music().grid(Span(whole=Fraction(1, 4))).step
    rule.give(NoteOn(1, 60), MILLISECOND)
    rule.give(NoteOff(1), 2 * MILLISECOND)
    if lets_go:
        rule.let_go(2 * MILLISECOND)
    rule.give(NoteOn(1 + lets_go, 60), 3 * MILLISECOND)
    rule.go_on(int(5 * step))
    assert rule.begins >= 4
    assert rule.sounding <= 1


# --- chord ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("way", [24, -24])
def test_a_chord_with_smooth_voice_leading_goes_along_into_another_register(way):
    """The child plays two octaves away, and is heard there."""
    chord = bench("chord", voice_leading="smooth")
    for voice, pitch in enumerate((60, 60 + way, 60)):
        played = begun(chord.give(NoteOn(voice, pitch), chord.now))
        assert {note % 12 for note in played} == {0, 4, 7}
        assert abs(statistics.mean(played) - (pitch + 4)) <= 7
        chord.give(NoteOff(voice), chord.now + NANOSECONDS)


def test_a_chord_with_smooth_voice_leading_stays_where_it_is_for_an_octave():
    chord = bench("chord", voice_leading="smooth")
    first, second = (begun(chord.give(NoteOn(voice, 60 + 12 * voice), voice)) for voice in range(2))
    assert first == second == [60, 64, 67]


# --- strum ------------------------------------------------------------------------------------------------------------


def test_a_strum_whose_input_was_lost_begins_upwards_again():
    played = one_part(("note", {}), ("chord", {}), ("strum", {"order": "up and down"}))
    for begin in (0, NANOSECONDS):
        played.give(begin, SwitchSample("pad", True))
        played.go_on(begin + 500 * MILLISECOND)
        assert [message.data[1] for _, message in played.played if message.data[0] == 0x90] == [60, 64, 67]
        played.give(played.now, Lost("pad"))
        played.played.clear()


# --- quantize ---------------------------------------------------------------------------------------------------------


def test_the_beat_may_change_before_the_first_note_comes():
    quantize = bench("quantize", to="1/4", longest_wait="500 ms")
    assert isinstance(quantize.rule, QuantizeRule)
    quantize.play_in(Music(tempo=Fraction(60)), 10 * MILLISECOND)
    quantize.give(NoteOn(1, 60), 700 * MILLISECOND)
    quantize.go_on(NANOSECONDS)
    assert [(now, event) for now, event in quantize.out] == [(NANOSECONDS, NoteOn(1, 60))]


@pytest.mark.parametrize(("apart", "together"), [(50 * MILLISECOND, True), (50 * MILLISECOND + 1, False)])
def test_what_comes_within_a_twentieth_of_a_second_is_one_chord(apart, together):
    quantize = bench("quantize", to="1/4", longest_wait="700 ms")
    first = 640 * MILLISECOND  # the next beat is at 666.7 ms
    quantize.give(NoteOn(1, 60), first)
    quantize.give(NoteOn(2, 64), first + apart)
    quantize.go_on(2 * NANOSECONDS)
    times = [now for now, _ in quantize.out]
    assert times[0] == 666_666_667
    assert (times[1] == first + apart) is together  # with the chord that sounds, or on a place of its own


# --- repeat -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("tempo", "then"), [(120, [750, 1250, 1750]), (30, [1500, 3500, 5500])])
def test_the_next_stroke_of_a_repeat_comes_in_the_new_tempo(tempo, then):
    """A quarter that is half over when the tempo changes has half a new one to go."""
    repeat = bench("repeat", rate="1/4")
    repeat.play_in(Music(tempo=Fraction(60)), 0)
    repeat.give(NoteOn(1, 60), 0)
    repeat.play_in(Music(tempo=Fraction(tempo)), NANOSECONDS // 2)
    repeat.go_on(6 * NANOSECONDS)
    strokes = [now // MILLISECOND for now, event in repeat.out if isinstance(event, NoteOn)]
    assert strokes[:4] == [0, *then]


def test_a_stroke_that_would_be_over_as_it_begins_is_left_out():
    """Woken half a second late, at the very end of its gate of half a second."""
    repeat = bench("repeat", rate="1/4", gate="50 %")
    repeat.play_in(Music(tempo=Fraction(60)), 0)
    repeat.give(NoteOn(1, 60), 0)
    repeat.go_on(NANOSECONDS * 9 // 10)
    repeat.out.clear()
    repeat.go_on(NANOSECONDS * 3 // 2, late=NANOSECONDS // 2)
    assert repeat.out == []


# --- program ----------------------------------------------------------------------------------------------------------


def test_sounds_follow_one_another_in_the_order_that_is_written():
    program = bench("program", sounds=[1, 20, 41], every=2)
    given = [event for n in range(7) for event in program.give(Press("bench", n), n * NANOSECONDS)]
    changes = [event.program for event in given if isinstance(event, Program)]
    assert [number - changes[0] for number in changes] == [0, 19, 40, 0]


# --- release ----------------------------------------------------------------------------------------------------------


def test_what_fades_comes_back_to_the_most_that_a_controller_can_say():
    release = bench("release", fade="200 ms")
    release.give(NoteOn(1, 60), 0)
    release.give(NoteOff(1), NANOSECONDS)
    release.go_on(2 * NANOSECONDS)
    levels = [event.value for _, event in release.out if isinstance(event, Control)]
    assert levels[0] == levels[-1] == 127
    assert levels[1:-1] == sorted(levels[1:-1], reverse=True)


def test_what_begins_anew_before_its_bar_ends_with_its_own_release():
    release = bench("release", when="bar")
    release.give(NoteOn(1, 60), 101 * MILLISECOND)
    release.give(NoteOff(1), 203 * MILLISECOND)
    release.give(NoteOn(1, 64), 307 * MILLISECOND)
    release.go_on(30 * NANOSECONDS)
    assert not [event for _, event in release.out if isinstance(event, NoteOff)]
    release.give(NoteOff(1), 31 * NANOSECONDS)
    release.go_on(60 * NANOSECONDS)
    assert [event for _, event in release.out if isinstance(event, NoteOff)] == [NoteOff(1)]


# --- velocity ---------------------------------------------------------------------------------------------------------


def test_how_quick_the_efforts_were_is_forgotten_when_the_rule_lets_go():
    """The first effort after an input was lost is as soft as the first of all."""
    velocity = bench("velocity", **{"from": "speed", "fast": "200 ms", "slow": "2 s", "low": 20, "high": 120})
    played = []
    for voice in range(4):
        if voice == 3:
            velocity.let_go(velocity.now)
        played += [event.velocity for event in velocity.give(NoteOn(voice, 60), velocity.now + 100 * MILLISECOND)]
        velocity.give(NoteOff(voice), velocity.now)
    assert played == [20, 120, 120, 20]
