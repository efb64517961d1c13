"""The music of the room changes while a child plays:
steps go on in the new beat, none twice, none skipped, nothing left.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import Kind, Rule
from router.core.engine import HARMONY, PartPlan, Plan, RulePlan
from router.core.events import Route, SwitchSample
from router.core.harmony import Progression
from router.core.ledger import Limits
from router.core.music import SCALES, Chord, Grid, Music, Span, TimeSignature, chord_symbol, length
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, VirtualTime, plan_rule

WIDE = Limits(notes_at_once=64, notes_per_second=1000, note_length=10**14)


def player(
    *rules: tuple[str, dict],
    progression: Progression | None = None,
    tempo: int = 60,
    follows: frozenset[str] = frozenset(),
) -> VirtualTime:
    made = tuple(plan_rule(RULES[name], written) for name, written in rules)
    part = PartPlan("tune", ("pad",), made, Route("out", 1))
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    return VirtualTime(Plan(Music(tempo=Fraction(tempo)), WIDE, inputs, (part,), progression or Progression(), follows))


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
    child = player(("note", {}), ("echo", {"delay": "1/4", "times": 2}))
    press(child, 0)
    child.follow(Music(tempo=Fraction(120)), 500 * MILLISECOND)
    child.go_on(3 * NANOSECONDS)
    assert milliseconds(child) == [0, 750, 1250]


def test_a_note_that_waits_for_the_beat_sounds_on_the_new_one_and_as_long_as_it_was_played():
    child = player(("note", {}), ("quantize", {"to": "1/4", "longest_wait": "900 ms"}))
    press(child, 600 * MILLISECOND)
    child.follow(Music(tempo=Fraction(60), origin=50 * MILLISECOND), 700 * MILLISECOND)
    press(child, 800 * MILLISECOND, down=False)
    child.go_on(3 * NANOSECONDS)
    assert milliseconds(child) == [1050]
    assert milliseconds(child, 0x80) == [1250]


def test_a_note_that_waits_is_not_kept_for_longer_than_it_may_wait():
    child = player(("note", {}), ("quantize", {"to": "1/4", "longest_wait": "500 ms"}))
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


def test_who_follows_the_harmony_alone_keeps_the_beat_of_its_own():
    child = player(*FOLLOWS, ("arpeggio", {"rate": "1/4", "begin": "on the beat"}), follows=frozenset({HARMONY}))
    press(child, 400 * MILLISECOND)
    child.follow(Music(9, SCALES["minor"], Fraction(77), origin=12345), 1500 * MILLISECOND)
    child.go_on(5000 * MILLISECOND)
    assert milliseconds(child) == [1000, 2000, 3000, 4000, 5000]
    assert {message.data[1] % 12 for when, message in child.played if when > 2 * NANOSECONDS} == {9, 0, 4}


def test_another_tempo_strikes_no_held_chord_and_no_drone_again():
    child = player(*FOLLOWS, ("drone", {"follow": True}))
    press(child, 0)
    before = len(child.played)
    child.follow(Music(tempo=Fraction(99), origin=77), NANOSECONDS)
    assert len(child.played) == before


# --- another key ------------------------------------------------------------------------------------------------

ARPEGGIO = ("arpeggio", {"rate": "1/8"})
ON_THE_BEAT = ("arpeggio", {"rate": "1/8", "begin": "on the beat"})
REPEAT = ("repeat", {"rate": "1/8"})
TRIAD = ("chord", {"kind": "triad"})
HELD = {
    "note": [("note", {"degree": 3})],
    "sequence": [("sequence", {"degrees": [1, 3, 5]})],
    "chords by number": [("sequence", {"chords": [2, 5]})],
    "random": [("random", {"degrees": [1, 2, 5]})],
    "triad": [("note", {}), TRIAD],
    "followed": [("note", {}), ("chord", {"follow": True})],
    "to a step": [("note", {}), ("chord", {"to": 4, "voice_leading": "smooth"})],
    "locked": [("note", {"pitch": 61}), ("scale_lock", {})],
    "moved": [("note", {"degree": 2}), ("transpose", {"steps": 2, "octaves": -1}), TRIAD],
    "all between": [
        ("note", {}),
        TRIAD,
        ("velocity", {"from": "speed"}),
        ("range", {}),
        ("release", {"when": "bar"}),
    ],
    "quantized": [("note", {}), TRIAD, ("quantize", {"to": "1/4"})],
    "for a time": [("note", {}), ("release", {"when": "after", "time": "2500 ms"}), TRIAD],
    "until the next": [("sequence", {"degrees": [1, 2]}), ("release", {"when": "next"})],
    "a drone": [("note", {}), ("drone", {"linger": "100 ms"}), TRIAD],
}
KEYS = st.builds(
    lambda tonic, scale: Music(tonic, SCALES[scale], Fraction(60)),
    st.integers(0, 11),
    st.sampled_from(["major", "minor", "dorian", "minor pentatonic", "major blues"]),
)


IN_C = Music(0, SCALES["major"], Fraction(60))


def is_on(data):
    return data[0] & 0xF0 == 0x90


@pytest.mark.parametrize("held", HELD)
@settings(max_examples=20, deadline=None)
@given(
    changes=st.lists(st.tuples(st.integers(1, 1200), KEYS), min_size=1, max_size=6),
    down=st.integers(1, 2600),
    again=st.sampled_from([ARPEGGIO, ON_THE_BEAT, REPEAT]),
)
@example(  # the time of "for a time" is over just when the next step is due, and the key changed after the step before
    changes=[(1, IN_C), (901, IN_C), (1200, Music(1, SCALES["major"], Fraction(60)))], down=2001, again=ARPEGGIO
)
def test_what_is_held_and_repeated_goes_on_in_another_key(held, again, changes, down):
    """At the very times at which it would have played without; each note fits the key in which it begins; nothing is
    left.

    What nobody holds any more stays as it was played: a tap that waits for its beat, a voice that only lingers.
    """
    musics, first = [(0, changes[0][1])], changes[0][1]
    for later, music in changes[1:]:
        musics.append((musics[-1][0] + later * MILLISECOND, music))

    def played(musics):
        child = player(*HELD[held], again)
        child.follow(first, 0)
        steps = [(100 * MILLISECOND, True), ((100 + down) * MILLISECOND, False)]
        while musics or steps:
            if musics and (not steps or musics[0][0] <= steps[0][0]):
                now, music = musics.pop(0)
                child.follow(music, now)
            else:
                now, is_down = steps.pop(0)
                press(child, now, down=is_down)
        child.go_on(24 * NANOSECONDS)
        if held == "until the next":
            child.stop()
        return child

    changed, same = played(list(musics)), played([])
    assert changed.engine.sounding == ()
    on = set()
    for when, message in changed.played:
        if is_on(message.data):
            assert message.data[1] not in on, "a note twice"
            on.add(message.data[1])
            music = next(music for since, music in reversed(musics) if since <= when)
            notes = music.notes
            if any(
                "chord" in name or "chords" in written for name, written in HELD[held]
            ):  # chords are those of the key
                fifth = music.chord_on(5)
                notes = (*notes, *((music.tonic + step) % 12 for step in music.parent), *fifth.classes)
            assert message.data[1] % 12 in notes or when >= (100 + down) * MILLISECOND
        elif message.data[0] & 0xF0 == 0x80:
            on.discard(message.data[1])
    if held != "a drone":  # it begins anew with the key
        assert begun(changed) == begun(same)


@pytest.mark.parametrize(
    "rules",
    [
        [("note", {})],
        [("note", {}), TRIAD],
        [("sequence", {"chords": [1, 4]})],
        [("note", {"pitch": 61}), ("scale_lock", {})],
        [("note", {"pitch": 60}), ARPEGGIO],
        [("sequence", {"chords": ["Dm"]}), REPEAT],
        [("drum", {"sounds": ["low tom"]}), REPEAT],
        [ARPEGGIO, ("note", {})],
    ],
)
def test_what_just_sounds_and_what_is_no_note_of_the_key_stays(rules):
    """To the message: as if the key had not changed."""
    heard = []
    for key in (0, 3):
        child = player(*rules)
        press(child, 0)
        child.follow(Music(key, SCALES["minor"], Fraction(60)), 700 * MILLISECOND)
        press(child, 1600 * MILLISECOND, down=False)
        child.go_on(5 * NANOSECONDS)
        heard.append([(when, message.data) for when, message in child.played])
    assert heard[0] == heard[1]
    assert heard[0]


def test_a_drone_goes_on_at_once_in_another_key_and_stays_where_its_notes_do():
    child = player(("note", {}), ("drone", {"degrees": [1, 5]}))
    press(child, 0)
    child.follow(Music(0, SCALES["minor pentatonic"], Fraction(60)), 100 * MILLISECOND)
    assert len(child.played) == 3, "the fifth is the same note in both"
    before = len(child.played)
    child.follow(Music(0, SCALES["minor pentatonic"], Fraction(61)), 200 * MILLISECOND)
    assert len(child.played) == before
    child.follow(Music(2, SCALES["minor pentatonic"], Fraction(60)), 300 * MILLISECOND)
    drones = {note for _, _, note in child.engine.sounding if note < 55}
    assert {note % 12 for note in drones} == {2, 9}
    press(child, 400 * MILLISECOND, down=False)
    child.go_on(9 * NANOSECONDS)
    assert child.engine.sounding == ()


@pytest.mark.parametrize("again", [ARPEGGIO, ON_THE_BEAT, REPEAT], ids=["arpeggio", "on the beat", "repeat"])
def test_a_step_on_the_beat_of_a_new_chord_is_of_that_chord_and_what_was_due_before_of_the_old(again):
    """As it is for the engine's own progression."""
    am, f = Chord("Am", 9, (0, 3, 7)), Chord("F", 5, (0, 4, 7))
    own = player(*FOLLOWS, again, progression=Progression((am, f), every=length("1/4")))
    roomy = player(*FOLLOWS, again)
    roomy.follow(Music(tempo=Fraction(60), chord=am), 0)
    for child in (own, roomy):
        press(child, 0)
    for beat in range(1, 5):
        own.go_on(beat * NANOSECONDS)
        chord = Music(tempo=Fraction(60), chord=(am, f)[beat % 2])
        roomy.follow(chord, beat * NANOSECONDS)
    for child in (own, roomy):
        child.go_on(4900 * MILLISECOND)
        for when, message in child.played:
            if is_on(message.data):
                chord = (am, f)[when // NANOSECONDS % 2]
                assert message.data[1] % 12 in chord.classes, (when, message.data)
        assert {when // MILLISECOND for when in begun(child)} == set(range(0, 4901, 500))
    assert [(w, m) for w, m in roomy.played if is_on(m.data)] == [(w, m) for w, m in own.played if is_on(m.data)]


@pytest.mark.parametrize("order", ["up", "down", "as played"])
@pytest.mark.parametrize("held", ["triad", "followed"])
def test_what_waits_for_the_beat_on_which_the_key_changes_begins_in_the_new_one(held, order):
    child = player(*HELD[held], ("arpeggio", {"rate": "1/8", "begin": "on the beat", "order": order}))
    press(child, 900 * MILLISECOND)
    child.follow(Music(3, SCALES["minor"], Fraction(60)), NANOSECONDS)
    child.go_on(2900 * MILLISECOND)
    notes = [message.data[1] % 12 for _, message in child.played if is_on(message.data)]
    triad = {"up": [3, 6, 10], "down": [10, 6, 3], "as played": [3, 6, 10]}[order]
    assert begun(child) == [NANOSECONDS + step * NANOSECONDS // 2 for step in range(4)]
    assert notes == [*triad, triad[0]]


def test_a_rule_of_others_is_told_of_a_key_too_and_only_of_what_is_new():
    told = []

    class Told(Rule):
        name, takes, gives, settings = "told", Kind.NOTES, Kind.NOTES, {}

        def music_changed(self, now):
            told.append((now - VirtualTime.started, self.context.music.notes))
            return ()

    made = RulePlan("told", lambda context: Told({}, context), "x:1")
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    child = VirtualTime(Plan(Music(), WIDE, inputs, (PartPlan("tune", ("pad",), (made,), Route("out", 1)),)))
    chord = Chord("C", 0, (0, 4, 7))
    child.follow(Music(chord=chord), 1)
    told.clear()
    child.follow(Music(tempo=Fraction(60), chord=chord), 2)
    child.follow(Music(scale=SCALES["minor"], chord=chord), 3)
    child.follow(Music(2, SCALES["minor"], chord=chord), 4)
    child.follow(Music(2, SCALES["minor"], chord=chord), 5)
    assert told == [(3, (0, 2, 3, 5, 7, 8, 10)), (4, (2, 4, 5, 7, 9, 10, 0))]


def test_a_span_is_a_bar_of_the_room():
    assert (
        Music(time_signature=TimeSignature(3, 4), tempo=Fraction(60)).lasts(Span(bars=Fraction(1))) == 3 * NANOSECONDS
    )
