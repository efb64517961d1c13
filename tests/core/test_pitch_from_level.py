"""The rule ``pitch_from_level``: how hard she blows chooses the step, steadily, and at rest nothing sounds."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.engine import PartPlan, Plan
from router.core.events import Bend, Level, Lost, NoteOff, NoteOn, Press, PressureSample, Release, Route
from router.core.midi import BEND_CENTRE
from router.core.music import Music
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.files import profile
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule

NOTES = ["C4", "D4", "E4", "F4", "G4"]
PITCHES = [60, 62, 64, 65, 67]
FROM, STEP = 0.1, (1 - 0.1) / len(NOTES)


def bench(**settings: object) -> Bench:
    return Bench(RuleUnderTest(RULES["pitch_from_level"], {"notes": NOTES, **settings}, "level"))


def levels(rule: Bench, *values: float, apart: int = 100) -> None:
    """One level after another, so many milliseconds apart."""
    for value in values:
        rule.give(Level("cheek.above", value), rule.now + apart * MILLISECOND)


def begun(rule: Bench) -> list[int]:
    return [event.pitch for _, event in rule.out if isinstance(event, NoteOn)]


def at_most_one_at_a_time(rule: Bench) -> bool:
    on = 0
    for _, event in rule.out:
        on += isinstance(event, NoteOn) - isinstance(event, NoteOff)
        if on not in (0, 1):
            return False
    return True


def test_the_way_from_rest_to_full_plays_every_step_and_back_again():
    rule = bench()
    levels(rule, *(place / 100 for place in range(101)), *(place / 100 for place in range(100, -1, -1)))
    assert begun(rule) == [*PITCHES, *PITCHES[-2::-1]]
    assert at_most_one_at_a_time(rule)
    assert not rule.on


@pytest.mark.parametrize(("level", "pitch"), [(0.05, None), (0.099, None), (0.1, 60), (0.3, 62), (0.99, 67), (1.0, 67)])
def test_a_level_has_its_step_and_at_rest_nothing_sounds(level, pitch):
    rule = bench()
    levels(rule, level)
    rule.go_on(60 * NANOSECONDS)
    assert begun(rule) == ([] if pitch is None else [pitch])


def test_it_ends_where_half_of_its_beginning_is_left():
    rule = bench()
    levels(rule, 0.1, 0.051)
    assert rule.on
    levels(rule, 0.049)
    assert not rule.on


@given(
    centre=st.floats(0.2, 1.0),
    hysteresis=st.sampled_from([5, 25, 50]),
    tremor=st.lists(st.floats(-0.99, 0.99), min_size=5, max_size=60),
    apart=st.sampled_from([0, 10, 100]),
)
def test_a_tremor_below_the_hysteresis_never_changes_a_step_to_and_fro(centre, hysteresis, tremor, apart):
    rule = bench(hysteresis=f"{hysteresis} %")
    size = hysteresis / 100 * STEP
    levels(rule, *(min(max(centre + size * by, 0.11), 1.0) for by in tremor), apart=apart)
    rule.go_on(rule.now + NANOSECONDS)
    heard = begun(rule)
    assert len(heard) == len(set(heard)) <= 2


@given(centre=st.sampled_from([FROM + STEP * border for border in range(1, 5)]))
def test_without_hysteresis_it_would(centre):
    rule = bench(hysteresis="0 %")
    levels(rule, *([centre - 0.01, centre + 0.01] * 4))
    assert len(begun(rule)) == 8


LEVELS = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 300)), min_size=1, max_size=40)


@given(
    hand=LEVELS,
    settle=st.sampled_from([0, 60, 250]),
    glide=st.sampled_from([0, 80, 500]),
    late=st.sampled_from([0, 7, 900]),
)
def test_one_note_at_a_time_no_sooner_than_it_settles_and_in_tune_at_the_end(hand, settle, glide, late):
    rule = bench(settle=f"{settle} ms", glide=f"{glide} ms")
    for value, later in [*hand, (0.0, 50)]:
        rule.give(Level("cheek.above", value), rule.now + later * MILLISECOND, late * MILLISECOND)
    assert not rule.on  # at rest it ends at once
    rule.go_on(rule.now + 5 * NANOSECONDS, late * MILLISECOND)
    assert at_most_one_at_a_time(rule)
    assert not rule.waiting
    changes = [now for now, event in rule.out if isinstance(event, NoteOff)]
    starts = [now for now, event in rule.out if isinstance(event, NoteOn)]
    assert all(then - now >= settle * MILLISECOND for now, then in pairwise(starts) if then in changes)
    bends = [event.value for _, event in rule.out if isinstance(event, Bend)]
    assert not bends or bends[-1] == BEND_CENTRE
    assert bool(bends) <= bool(glide)


def test_a_quick_push_does_not_run_through_all_between():
    rule = bench(settle="60 ms")
    levels(rule, *(place / 20 for place in range(21)), apart=5)
    rule.go_on(rule.now + NANOSECONDS)
    assert begun(rule)[0] == 60  # at once
    assert begun(rule)[-1] == 67
    assert len(begun(rule)) <= 3


@pytest.mark.parametrize(
    ("first", "then", "starts"), [(0.1, 0.35, 0), (0.35, 0.1, 16383), (0.1, 1.0, 0), (0.5, 0.7, 4096)]
)
def test_a_note_slides_in_from_the_one_before_two_semitones_at_most(first, then, starts):
    """From C to D the bend begins a whole tone below, from E to F a semitone."""
    rule = bench(glide="100 ms")
    levels(rule, first)
    rule.out.clear()
    levels(rule, then)
    rule.go_on(rule.now + NANOSECONDS)
    bends = [event.value for _, event in rule.out if isinstance(event, Bend)]
    kinds = [type(event) for _, event in rule.out if not isinstance(event, Level)]
    assert kinds[:3] == [NoteOff, Bend, NoteOn]  # bent before it begins
    assert bends[0] == starts
    assert bends[-1] == BEND_CENTRE
    assert len(bends) == 11
    assert bends in (sorted(bends), sorted(bends, reverse=True))


def test_the_first_note_of_an_effort_does_not_slide():
    rule = bench(glide="100 ms")
    levels(rule, 0.1, 0.0, 1.0)
    assert not [event for _, event in rule.out if isinstance(event, Bend)]


def test_a_press_that_counts_sounds_however_gentle_it_is():
    rule = bench()
    levels(rule, 0.02)
    rule.give(Press("cheek.above", 1), rule.now + MILLISECOND)
    assert begun(rule) == [60]
    rule.give(Release("cheek.above", 1), rule.now + MILLISECOND)
    assert not rule.on


def test_while_pressed_the_level_only_chooses():
    rule = bench(sounds="while pressed")
    levels(rule, 0.7)
    assert begun(rule) == []
    rule.give(Press("pad", 1), rule.now)
    levels(rule, 0.9)
    rule.give(Release("pad", 1), rule.now)
    levels(rule, 0.5)
    assert begun(rule) == [65, 67]
    assert not rule.on


def test_the_note_of_a_level_knows_how_strong_it_is_and_what_follows_still_hears_the_level():
    rule = bench()
    given_ = rule.give(Level("cheek.above", 0.6), MILLISECOND)
    assert isinstance(given_[0], NoteOn)
    assert given_[0].strength == 0.6
    assert given_[-1] == Level("cheek.above", 0.6)


# --- in a part ------------------------------------------------------------------------------------------------------


def blown(**limits: int) -> VirtualTime:
    side = Side(on=100, off=60, full=1100)
    made = plan_rule(RULES["pitch_from_level"], {"degrees": [1, 2, 3], "glide": "200 ms"})
    settings = PressureSettings(side, None, track=None, levels=frozenset({"cheek.above"}))
    inputs = {"cheek": lambda voice, alarm: PressureConditioner("cheek", settings, voice, alarm)}
    part = PartPlan("tune", ("cheek.above",), (made,), Route("out", 1))
    played = VirtualTime(Plan(Music(), replace(Bench.WIDE, **limits), inputs, (part,)))
    for at in range(0, 1000, 10):
        played.give(at * MILLISECOND, PressureSample("cheek", 0.0))
    return played


def blow(played: VirtualTime, pascal: float, until: int) -> None:
    for at in range(played.now // MILLISECOND + 10, until, 10):
        played.give(at * MILLISECOND, PressureSample("cheek", pascal))


def test_a_lost_sensor_ends_the_note_and_the_bend():
    played = blown()
    blow(played, 300, 1500)
    blow(played, 1000, 1600)
    assert len(played.engine.sounding) == 1
    assert played.played[-1][1].data[0] == 0xE0  # it is gliding
    played.give(1605 * MILLISECOND, Lost("cheek"))
    assert played.played[-1][1].data == (0xE0, 0, 64)
    played.go_on(1700 * MILLISECOND)
    assert played.engine.sounding == ()
    assert played.engine.next_deadline() is None


def test_what_a_limit_has_ended_sounds_again_with_another_step_or_effort_and_not_before():
    played = blown(note_length=NANOSECONDS)
    blow(played, 300, 4000)
    ons = [data[1] for _, (_, data) in played.played if data[0] == 0x90]
    assert ons == [60]
    blow(played, 1000, 4500)
    blow(played, 0, 5000)
    blow(played, 300, 5500)
    ons = [data[1] for _, (_, data) in played.played if data[0] == 0x90]
    assert ons[0] == ons[-1] == 60
    assert len(ons) >= 3


def test_in_another_key_the_next_step_is_in_it():
    played = blown()
    blow(played, 300, 1500)
    played.follow(Music(tonic=2, tempo=Fraction(90)), 1500 * MILLISECOND)
    blow(played, 1000, 2000)
    ons = [data[1] for _, (_, data) in played.played if data[0] == 0x90]
    assert ons[0] == 60
    assert ons[-1] == 66


# --- what the check says --------------------------------------------------------------------------------------------

PROFILE = """\
profile: 1
child: wren
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
  head: {{type: pointer, device: {{evdev: "*"}}}}
parts:
  tune:
    input: {input}
    rules:
{rules}
    output: {{port: synth}}
outputs:
  synth: {{midi: "*"}}
"""
CHOSEN = "      - pitch_from_level: {degrees: [1, 2, 3], sounds: while pressed, glide: 50 ms}\n"
BENDS = "      - control: {message: bend}\n"
OTHER = "  other: {input: [pad, head], rules: [note: {}], output: {port: synth}}\noutputs:"


@pytest.mark.parametrize(
    ("sources", "rules", "told"),
    [
        ("[head.x, pad]", CHOSEN, None),
        ("[pad]", CHOSEN, '"pitch_from_level" follows how hard or how far, and "pad" only says pressed or not'),
        ("[head.x]", CHOSEN, 'this sounds while an input is pressed, and "head.x" gives no presses'),
        ("[head.x, pad]", BENDS + CHOSEN, 'moves what the "control" in line 10 moves already'),
    ],
)
def test_the_check_says_when_a_level_or_a_press_is_missing(tmp_path, sources, rules, told):
    path = tmp_path / "wren.yaml"
    path.write_text(PROFILE.format(input=sources, rules=rules).replace("outputs:", OTHER))
    problems = profile.check(path)
    assert len(problems) == (told is not None), [str(problem) for problem in problems]
    assert told is None or told in problems[0].message
