"""The music of the room changes while a child plays: steps go on in the new beat, none twice, none skipped, nothing left."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from router.conditioning.switch import SwitchConditioner, SwitchSettings
from router.engine import PartPlan, Plan
from router.events import Route, SwitchSample
from router.harmony import Progression
from router.ledger import Limits
from router.music import Chord, Grid, Music, Span, chord_symbol, length
from router.rules import RULES
from router.testing import MILLISECOND, VirtualTime, plan_rule
from router.units import NANOSECONDS

WIDE = Limits(notes_at_once=64, notes_per_second=1000, note_length=10**14)


def player(*rules: tuple[str, dict], progression: Progression | None = None, tempo: int = 60) -> VirtualTime:
    made = tuple(plan_rule(RULES[name], written) for name, written in rules)
    part = PartPlan("tune", ("pad",), made, Route("out", 1))
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    return VirtualTime(Plan(Music(tempo=Fraction(tempo)), WIDE, inputs, (part,), progression or Progression()))


def press(player: VirtualTime, now: int, *, down: bool = True) -> None:
    player.give(now, SwitchSample("pad", down))


def begun(player: VirtualTime) -> list[int]:
    return [when for when, message in player.played if message.data[0] & 0xF0 == 0x90]


def milliseconds(player: VirtualTime, kind: int = 0x90) -> list[float]:
    return [when / MILLISECOND for when, message in player.played if message.data[0] & 0xF0 == kind]


# --- grids ------------------------------------------------------------------------------------------------------

STEPS = st.fractions(10**6, 10**10, max_denominator=1000)


@given(st.integers(0, 10**12), STEPS, STEPS, st.integers(0, 10**13))
def test_a_retimed_grid_keeps_its_phase(start, before, after, later):
    now = start + later
    old = Grid(start, before)
    new = old.retimed(now, after)
    phase = Fraction(now - old.start) / before - Fraction(now - new.start) / after
    assert abs(phase) * after <= 1
    assert new.latest(now) in (old.latest(now), old.next(now + 1))


@given(STEPS, st.integers(0, 10**13), st.sampled_from([Fraction(1, 2), Fraction(2, 3), Fraction(3, 4)]))
def test_the_nearest_place_is_the_nearest(step, when, swing):
    grid = Grid(0, step, swing)
    place = grid.nearest(when)
    assert abs(grid.exactly(place) - when) == min(abs(grid.exactly(place + by) - when) for by in range(-3, 4))


# --- what keeps a grid ------------------------------------------------------------------------------------------

ROOMS = st.lists(
    st.tuples(
        st.integers(1, 3000).map(lambda later: later * MILLISECOND + 1),
        st.fractions(20, 400, max_denominator=50),
        st.integers(-(10**10), 10**10),
    ),
    min_size=1,
    max_size=25,
)
GRIDDED = [
    ("arpeggio", {"begin": "at once", "rate": "1/8"}),
    ("arpeggio", {"begin": "on the beat", "rate": "1/8"}),
    ("repeat", {"begin": "at once", "rate": "1/8"}),
    ("repeat", {"begin": "on the beat", "rate": "1/8"}),
]
NAMES = [f"{name} {written['begin']}" for name, written in GRIDDED]


@pytest.mark.parametrize("rule", GRIDDED, ids=NAMES)
@settings(max_examples=60, deadline=None)
@given(rooms=ROOMS)
def test_whatever_the_tempo_does_steps_are_between_half_and_one_and_a_half(rule, rooms):
    """Never two within half the shortest step since the one before, never none for one and a half of the longest."""
    child = player(("note", {}), rule)
    press(child, 0)
    now, steps = 0, [(0, Fraction(500 * MILLISECOND))]
    for later, tempo, origin in rooms:
        now += later
        child.follow(Music(tempo=tempo, origin=origin), now)
        steps.append((now, 30 * NANOSECONDS / tempo))
    child.go_on(now + 3 * NANOSECONDS)
    times = begun(child)
    for one, two in zip(times, [*times[1:], child.now], strict=True):
        held = [step for (since, step), until in zip(steps, [*(s for s, _ in steps[1:]), child.now], strict=True)
                if until >= one and since <= two]  # fmt: skip
        if two != child.now:
            assert two - one >= min(held) / 2 - 2
        assert two - one <= max(held) * (1 + len(held)) + 2
    press(child, child.now, down=False)
    child.go_on(child.now + 10 * NANOSECONDS)
    assert child.engine.sounding == ()
    assert child.engine.next_deadline() is None


@pytest.mark.parametrize("rule", GRIDDED, ids=NAMES)
@settings(max_examples=40, deadline=None)
@given(moves=st.lists(st.tuples(st.integers(1, 900), st.integers(-5, 5)), min_size=1, max_size=40))
def test_a_small_change_gives_just_as_many_steps(rule, moves):
    """The room's grid moves by up to 5 ms and the tempo by as little, at any moment."""
    child = player(("note", {}), rule)
    press(child, 0)
    now = 0
    for later, by in moves:
        now += later * MILLISECOND
        child.follow(Music(tempo=60 + Fraction(by, 1000), origin=by * MILLISECOND), now)
    child.follow(Music(tempo=Fraction(60), origin=0), now + MILLISECOND)
    child.go_on(now + 2 * NANOSECONDS)
    times = begun(child)
    assert all(480 <= (two - one) / MILLISECOND <= 520 for one, two in pairwise(times))
    assert abs(len(times) - 1 - child.now // (500 * MILLISECOND)) <= 1


def test_two_arpeggios_on_the_beat_lie_on_the_rooms_grid_again():
    child = player(("note", {}), ("arpeggio", {"begin": "on the beat", "rate": "1/4"}))
    press(child, 0)
    child.follow(Music(tempo=Fraction(120), origin=130 * MILLISECOND), 1400 * MILLISECOND)
    child.go_on(4 * NANOSECONDS)
    assert milliseconds(child)[2:5] == [1630, 2130, 2630]


def test_what_sounds_keeps_its_share_of_the_step():
    child = player(("note", {}), ("arpeggio", {"rate": "1/4", "gate": "100 %"}))
    press(child, 0)
    child.follow(Music(tempo=Fraction(30)), 500 * MILLISECOND)
    child.go_on(NANOSECONDS * 2)
    assert milliseconds(child, 0x80) == [1500]
    assert milliseconds(child) == [0, 1500]


def test_a_rate_in_hertz_goes_on_as_it_was():
    for begin in ("at once", "on the beat"):
        child = player(("note", {}), ("arpeggio", {"rate": "4 Hz", "begin": begin}))
        press(child, 0)
        child.follow(Music(tempo=Fraction(77), origin=-12345), 100 * MILLISECOND)
        child.go_on(NANOSECONDS)
        assert milliseconds(child) == [0, 250, 500, 750, 1000]


def test_echoes_come_in_the_new_tempo():
    child = player(("note", {}), ("echo", {"apart": "1/4", "times": 2}))
    press(child, 0)
    child.follow(Music(tempo=Fraction(120)), 500 * MILLISECOND)
    child.go_on(3 * NANOSECONDS)
    assert milliseconds(child) == [0, 750, 1250]


def test_a_note_that_waits_for_the_beat_sounds_on_the_new_one_and_as_long_as_it_was_played():
    child = player(("note", {}), ("quantize", {"to": "1/4", "most": "900 ms"}))
    press(child, 600 * MILLISECOND)
    child.follow(Music(tempo=Fraction(60), origin=50 * MILLISECOND), 700 * MILLISECOND)
    press(child, 800 * MILLISECOND, down=False)
    child.go_on(3 * NANOSECONDS)
    assert milliseconds(child) == [1050]
    assert milliseconds(child, 0x80) == [1250]


def test_a_note_that_waits_is_not_kept_for_longer_than_it_may_wait():
    child = player(("note", {}), ("quantize", {"to": "1/4", "most": "500 ms"}))
    press(child, 600 * MILLISECOND)
    child.follow(Music(tempo=Fraction(20)), 700 * MILLISECOND)
    child.go_on(3 * NANOSECONDS)
    assert milliseconds(child) == [1100]


def test_a_note_sounds_to_the_end_of_the_rooms_bar():
    child = player(("note", {}), ("release", {"when": "bar"}))
    press(child, 0)
    press(child, 100 * MILLISECOND, down=False)
    child.follow(Music(tempo=Fraction(60), origin=30 * MILLISECOND), 3990 * MILLISECOND)
    child.go_on(9 * NANOSECONDS)
    assert milliseconds(child, 0x80) == [4030]


# --- harmony ----------------------------------------------------------------------------------------------------

FOLLOWS = (("note", {}), ("chord", {"follow": True}))


def chords(child: VirtualTime) -> list[tuple[int, str]]:
    return [(now // MILLISECOND, fields["chord"]) for now, _, fields in child.log.named("chord")]


def test_a_progression_goes_on_in_the_rooms_beat_and_no_chord_comes_twice():
    names = ("C", "F", "G")
    child = player(*FOLLOWS, progression=Progression(tuple(map(chord_symbol, names)), every=length("1/4")))
    child.follow(Music(tempo=Fraction(60), origin=5 * MILLISECOND), 1002 * MILLISECOND)
    child.follow(Music(tempo=Fraction(60)), 2002 * MILLISECOND)
    child.go_on(3500 * MILLISECOND)
    assert chords(child) == [(1000, "F"), (2002, "G"), (3000, "C")]


def test_the_chord_of_the_room_goes_before_the_profiles_own():
    child = player(*FOLLOWS, progression=Progression((chord_symbol("C"), chord_symbol("F")), every=length("1/4")))
    press(child, 0)
    room = Music(tempo=Fraction(60), chord=Chord("Am", 9, (0, 3, 7)))
    child.follow(room, 500 * MILLISECOND)
    assert {note % 12 for _, _, note in child.engine.sounding} == {9, 0, 4}
    child.go_on(2500 * MILLISECOND)
    assert chords(child) == [(500, "Am")]
    child.follow(Music(tempo=Fraction(60)), 2600 * MILLISECOND)
    assert {note % 12 for _, _, note in child.engine.sounding} == {0, 4, 7}


def test_another_tempo_strikes_no_held_chord_and_no_drone_again():
    child = player(*FOLLOWS, ("drone", {"follow": True}))
    press(child, 0)
    before = len(child.played)
    child.follow(Music(tempo=Fraction(99), origin=77), NANOSECONDS)
    assert len(child.played) == before


def test_a_span_is_a_bar_of_the_room():
    assert Music(beats=3, tempo=Fraction(60)).lasts(Span(bars=Fraction(1))) == 3 * NANOSECONDS
