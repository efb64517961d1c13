"""The rule ``layers``: what she has just played comes round again, as it was, until it is cleared."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import Lost, NoteOff, NoteOn, Route, SwitchSample
from router.core.music import SCALES, Music, TimeSignature
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.files import profile
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule

SECOND = NANOSECONDS
BAR = 4 * SECOND  # at 60 bpm
ROUGHLY = 10_000  # nanoseconds: a note is kept to a few microseconds


def bench(**settings: object) -> Bench:
    rule = Bench(RuleUnderTest(RULES["layers"], {"softer": "50 %", **settings}, "layers"))
    rule.play_in(Music(scale=SCALES["major"], tempo=Fraction(60)), 0)
    return rule


def play(rule: Bench, *notes: tuple[float, float, int], first: int = 1) -> None:
    """Notes one after another: when each begins and how long it lasts, in seconds, and its pitch."""
    for voice, (begins, lasts, pitch) in enumerate(notes, first):
        rule.give(NoteOn(voice, pitch), round(begins * SECOND))
        rule.give(NoteOff(voice), round((begins + lasts) * SECOND))


def again(rule: Bench) -> list[tuple[float, float | None, int]]:
    """What came again, in the same form, to the hundredth of a second."""
    ends = {event.voice: now for now, event in rule.out if isinstance(event, NoteOff)}
    found = []
    for now, event in rule.out:
        if isinstance(event, NoteOn) and event.voice >= 1_000_000:
            lasts = round((ends[event.voice] - now) / SECOND, 2) if event.voice in ends else None
            found.append((round(now / SECOND, 2), lasts, event.pitch))
    return found


def test_what_was_played_comes_again_a_round_later_as_long_as_it_was_and_softer():
    rule = bench(bars=1)
    play(rule, (0.5, 0.25, 60), (1.7, 1.1, 64))
    rule.go_on(round(10.1 * SECOND))
    assert again(rule) == [(4.5, 0.25, 60), (5.7, 1.1, 64), (8.5, 0.25, 60), (9.7, None, 64)]
    assert {event.velocity for _, event in rule.out if isinstance(event, NoteOn)} == {80, 40}


@pytest.mark.parametrize(
    ("notes", "comes"),
    [
        (((0.5, 1, 60), (2, 0.9, 64)), (4.5, 6)),  # one bar, known before it is over
        (((0.5, 2.4, 60), (3, 1.2, 64)), (8.5, 11)),  # it ends a little after the bar, and the next bar has begun
        (((2, 4.5, 60), (7, 0.8, 64)), (10, 15)),  # two bars
        (((3.9, 2.7, 60), (7, 0.5, 64)), (11.9, 15)),  # a little before the bar, to which it belongs
        (((5, 0.2, 60),), (9,)),
    ],
)
def test_a_first_phrase_says_how_long_the_round_is(notes, comes):
    rule = bench(quiet="1 s")
    play(rule, *notes)
    rule.go_on(round((comes[-1] + 0.1) * SECOND))
    assert [(begins, pitch) for begins, _, pitch in again(rule)] == [
        (when, pitch) for when, (_, _, pitch) in zip(comes, notes, strict=True)
    ]


def test_who_never_rests_has_a_round_of_eight_bars():
    rule = bench()
    play(rule, *((place, 0.9, 60 + place % 12) for place in range(36)))
    assert again(rule)[0] == (32, 0.9, 60)


def test_layer_upon_layer_and_then_the_oldest_ends():
    rule = bench(bars=1, layers_at_once=2)
    play(rule, (0, 0.5, 60), (5, 0.5, 62), (10, 0.5, 64))
    rule.go_on(16 * SECOND)
    heard = Counter((begins // 4, pitch) for begins, _, pitch in again(rule))
    assert set(heard) == {(1, 60), (2, 60), (2, 62), (3, 62), (3, 64)}
    assert max(heard.values()) == 1


def test_or_what_is_new_is_heard_and_not_kept():
    rule = bench(bars=1, layers_at_once=2, when_full="newest is not kept")
    play(rule, (0, 0.5, 60), (5, 0.5, 62), (10, 0.5, 64))
    rule.go_on(30 * SECOND)
    assert {pitch for _, _, pitch in again(rule)} == {60, 62}
    assert NoteOn(3, 64) in [event for _, event in rule.out]


def test_what_is_still_held_when_it_would_come_again_waits_for_its_next_time():
    rule = bench(bars=1)
    rule.give(NoteOn(1, 60), SECOND)
    rule.give(NoteOff(1), 8 * SECOND)
    rule.go_on(13 * SECOND)
    assert [begins for begins, _, _ in again(rule)] == [9, 13]
    assert again(rule)[0][1] == 4  # it never meets itself


def test_it_ends_by_itself_when_nobody_has_played_for_long():
    rule = bench(bars=1, longest="20 s")
    play(rule, (0, 0.5, 60), (9, 0.5, 62))
    rule.go_on(120 * SECOND)
    assert max(begins for begins, _, _ in again(rule)) <= 29
    assert not rule.on
    assert not rule.waiting
    play(rule, (121, 0.5, 64))  # and a new one begins
    rule.go_on(126 * SECOND)
    assert again(rule)[-1] == (125, 0.5, 64)


def test_in_another_key_it_goes_on_in_that_one():
    rule = bench(bars=1)
    play(rule, (0, 0.5, 64), (1, 0.5, 61))  # the third, and a note outside the scale
    rule.play_in(Music(tonic=2, scale=SCALES["minor"], tempo=Fraction(60)), 3 * SECOND)
    rule.go_on(6 * SECOND)
    assert [pitch for _, _, pitch in again(rule)] == [65, 63]  # the minor third of D, and as far outside
    drums = bench(bars=1, moves_with_key=False)
    play(drums, (0, 0.5, 38))
    drums.play_in(Music(tonic=2, tempo=Fraction(60)), 3 * SECOND)
    drums.go_on(5 * SECOND)
    assert [pitch for _, _, pitch in again(drums)] == [38]


def test_a_chord_that_is_held_into_another_key_comes_again_whole_and_as_long():
    """Its notes go on one by one under one voice (``NoteOn.instead``), and nobody has played anew."""
    rule = bench(bars=2)
    for pitch in (60, 64, 67):
        rule.give(NoteOn(1, pitch), SECOND)
    for pitch in (62, 65, 69):
        rule.give(NoteOn(2, pitch, instead=1), 2 * SECOND)
    rule.give(NoteOff(1), 2 * SECOND)
    rule.give(NoteOff(2), 3 * SECOND)
    rule.go_on(12 * SECOND)
    assert again(rule) == [(9, 2, 60), (9, 2, 64), (9, 2, 67)]


def test_in_another_tempo_it_keeps_to_the_bar():
    rule = bench(bars=2)
    play(rule, (0, 1, 60), (4, 1, 62))
    rule.play_in(Music(scale=SCALES["major"], tempo=Fraction(120), origin=8 * SECOND), 8 * SECOND)
    rule.go_on(13 * SECOND)
    assert again(rule)[:4] == [(8, 0.5, 60), (10, 0.5, 62), (12, 0.5, 60)]


HANDS = st.lists(
    st.tuples(st.integers(0, 6000), st.integers(1, 3000), st.integers(40, 80)), min_size=1, max_size=14
)  # the pause before each note, how long it is, in milliseconds, and its pitch


@given(
    hand=HANDS,
    bars=st.sampled_from([None, 1, 2]),
    at_once=st.integers(1, 3),
    when_full=st.sampled_from(["oldest ends", "newest is not kept"]),
)
def test_each_note_comes_again_exactly_a_round_later_and_there_are_never_more_layers(hand, bars, at_once, when_full):
    rule = bench(**({} if bars is None else {"bars": bars}), layers_at_once=at_once, when_full=when_full)
    played = []
    now = 0
    for voice, (pause, lasts, pitch) in enumerate(hand, 1):
        now += pause
        played.append((now / 1000, lasts / 1000, pitch))
        play(rule, played[-1], first=voice)
        now += lasts
        assert len(rule.rule._layers) <= at_once  # type: ignore[attr-defined]
    rule.go_on(rule.now + 70 * SECOND + MILLISECOND // 2)
    assert len(rule.rule._layers) <= at_once  # type: ignore[attr-defined]
    whole = rule.rule._round * 4 / 1_000_000  # type: ignore[attr-defined]
    # It was played some rounds ago, and as long; a phrase that says how long the round is comes again at some bar.
    unit = 4 if bars is None else whole
    heard = again(rule)
    for begins, lasts, pitch in heard:
        ago = [
            (begins - was) / unit
            for was, length, what in played
            if what == pitch and was < begins and (lasts is None or abs(min(length, whole) - lasts) < 0.011)
        ]
        assert any(abs(count - round(count)) * unit < 0.011 for count in ago)
    last = [pitch for begins, _, pitch in heard if begins > rule.now / SECOND - whole]
    assert sorted(last) == sorted(looped.note.pitch for looped in rule.rule._notes)  # type: ignore[attr-defined]
    rule.let_go(rule.now)
    assert not rule.on
    assert not rule.waiting


@pytest.mark.parametrize("late", [7 * MILLISECOND, 900 * MILLISECOND, 30 * SECOND])
def test_woken_late_it_leaves_out_what_is_over_and_nothing_stays(late):
    rule = bench(bars=1)
    play(rule, (0, 0.5, 60), (2, 1.5, 64))
    rule.go_on(300 * SECOND, late)
    rule.go_on(400 * SECOND)
    assert len(rule.out) < 4 + 2 * 2 * 80
    assert not rule.on


def test_a_change_of_metre_and_tempo_at_every_moment_leaves_nothing_on_and_bunches_nothing():
    rule = bench(bars=2)
    play(rule, *((place / 2, 0.4, 60 + place) for place in range(16)))
    for step in range(60):
        music = Music(tempo=Fraction(40 + 13 * (step % 11)), time_signature=TimeSignature(3 + step % 3, 4))
        rule.play_in(replace(music, origin=rule.now - 777_777_777 * (step % 5)), rule.now + 300 * MILLISECOND)
        assert len(rule.on) <= 6
    rule.go_on(rule.now + 400 * SECOND)
    assert not rule.on
    assert not rule.waiting


# --- in a part ------------------------------------------------------------------------------------------------------


def looped() -> VirtualTime:
    tune, layers = (
        plan_rule(RULES[name], written)
        for name, written in (("sequence", {"degrees": [1, 2, 3]}), ("layers", {"bars": 1, "clear": "pad.long"}))
    )
    settings = SwitchSettings(long=2 * SECOND, sources=frozenset({"pad.long"}))
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", settings, voice, alarm)}
    rules = (tune, replace(layers, told=frozenset({"pad.long"})))
    return VirtualTime(
        Plan(Music(tempo=Fraction(60)), Bench.WIDE, inputs, (PartPlan("tune", ("pad",), rules, Route("out", 1)),))
    )


def press(played: VirtualTime, begins: float, lasts: float = 0.5) -> None:
    played.give(round(begins * SECOND), SwitchSample("pad", True))
    played.give(round((begins + lasts) * SECOND), SwitchSample("pad", False))


def ons(played: VirtualTime) -> list[tuple[float, int]]:
    return [(now / SECOND, data[1]) for now, (_, data) in played.played if data[0] == 0x90]


def test_a_long_press_clears_it_and_plays_nothing_of_its_own():
    played = looped()
    press(played, 0)
    press(played, 1)
    press(played, 4.1, lasts=2.5)  # a note, and two seconds later the long press
    played.go_on(30 * SECOND)
    assert [pitch for _, pitch in ons(played)] == [60, 62, 60, 64, 62]
    assert max(at for at, _ in ons(played)) < 6.1
    assert played.engine.sounding == ()
    press(played, 31)
    played.go_on(36 * SECOND)
    assert ons(played)[-2:] == [(31, 60), (35, 60)]


def test_a_lost_input_ends_what_comes_round():
    played = looped()
    press(played, 0, lasts=1.5)
    played.go_on(round(4.5 * SECOND))
    assert len(played.engine.sounding) == 1
    played.give(played.now, Lost("pad"))
    assert played.engine.sounding == ()
    assert played.engine.next_deadline() is None


# --- what the check says --------------------------------------------------------------------------------------------

PROFILE = """\
profile: 1
child: wren
{music}
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
  button: {{type: switch, device: {{terminal: c}}}}
  other: {{type: listen, seat: anybody}}
parts:
  tune:
    input: pad
    rules: [note: {{}}, layers: {layers}]
    output: {{port: synth, channel: {channel}}}
  band: {{input: other, rules: [note: {{}}], output: {{port: synth, channel: 3}}}}
outputs:
  synth: {{midi: "*"}}
"""


def said(folder, layers: str, music: str = "music: {key: C}", channel: int = 1) -> list[str]:
    path = folder / "wren.yaml"
    path.write_text(PROFILE.format(layers=layers, music=music, channel=channel))
    return [problem.message for problem in profile.check(path)]


def test_a_button_of_the_specialist_clears_it_from_a_profile(tmp_path):
    assert said(tmp_path, "{bars: 1, clear: button}") == []
    plan = profile.load(tmp_path / "wren.yaml").plan
    played = VirtualTime(replace(plan, music=replace(plan.music, tempo=Fraction(60))))
    press(played, 0)
    played.go_on(round(4.2 * SECOND))
    assert len(played.engine.sounding) == 1
    played.give(round(4.3 * SECOND), SwitchSample("button", True))
    played.give(round(4.5 * SECOND), SwitchSample("button", False))
    assert played.engine.sounding == ()
    played.go_on(30 * SECOND)
    assert [at for at, _ in ons(played)] == [0, 4]


@pytest.mark.parametrize(
    ("layers", "told"),
    [
        ("{clear: pad.long}", ['no part uses the input "button"']),
        ("{clear: buton}", ['there is no input called "buton"']),
        ("{clear: pad}", ['this part plays by "pad", and its layers would end by it']),
        ("{clear: other}", ['"other" is played by others, who would end what she plays']),
    ],
)
def test_the_check_says_what_cannot_clear_it(tmp_path, layers, told):
    assert said(tmp_path, layers) == told


def test_layers_of_drums_that_would_move_with_the_key_are_warned_of(tmp_path):
    follows = "music: {key: C, follow: room}"
    used = "clear: button"
    assert len(said(tmp_path, f"{{{used}}}", follows, channel=10)) == 1
    assert said(tmp_path, f"{{{used}, moves_with_key: no}}", follows, channel=10) == []
    assert said(tmp_path, f"{{{used}}}", follows) == []
