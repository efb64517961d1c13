"""The rule ``choice``: one after another goes by, softly, and a press takes the one of the moment."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import Lost, NoteOff, NoteOn, Press, Release, Route, SwitchSample
from router.core.music import Music, pitch_number
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.files import profile
from router.songs.example import EXAMPLE
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule
from router.testing.proof import AT_WORK

SECOND = NANOSECONDS
NOTES = ["C4", "E4", "G4"]
SOFT, FULL = 35, 80


def bench(**settings: object) -> Bench:
    return Bench(RuleUnderTest(RULES["choice"], {"notes": NOTES, "every": "2 s", **settings}, "choice"))


def press(rule: Bench, voice: int, at: float, lasts: float = 0.1) -> None:
    rule.give(Press("pad", voice), round(at * SECOND))
    rule.give(Release("pad", voice), round((at + lasts) * SECOND))


def begun(rule: Bench, velocity: int) -> list[tuple[float, int]]:
    return [
        (now / SECOND, event.pitch)
        for now, event in rule.out
        if isinstance(event, NoteOn) and event.velocity == velocity
    ]


def ended(rule: Bench) -> list[float]:
    return [now / SECOND for now, event in rule.out if isinstance(event, NoteOff)]


def test_a_press_begins_and_the_next_one_takes_what_is_there():
    rule = bench()
    press(rule, 1, 1)
    press(rule, 2, 6.5)
    rule.go_on(60 * SECOND)
    assert begun(rule, SOFT) == [(1, 60), (3, 64), (5, 67)]
    assert begun(rule, FULL) == [(6.5, 67)]
    assert ended(rule) == [2, 4, 6, 8.5]  # a hint for half of its step, the chosen one for two seconds
    assert not rule.waiting


def test_the_chosen_one_sounds_while_it_is_held():
    rule = bench()
    press(rule, 1, 1)
    press(rule, 2, 3.2, lasts=7)
    rule.go_on(60 * SECOND)
    assert begun(rule, FULL) == [(3.2, 64)]
    assert ended(rule)[-1] == 10.2


def test_a_tremor_plays_the_chosen_one_again_and_loses_nothing():
    rule = bench()
    press(rule, 1, 1)
    press(rule, 2, 1.5)
    press(rule, 3, 1.8)
    press(rule, 4, 2.9)
    rule.go_on(20 * SECOND)
    assert begun(rule, FULL) == [(1.5, 60), (1.8, 60), (2.9, 60)]
    press(rule, 5, 21)  # and when it is over, the list goes by again
    assert begun(rule, SOFT)[-1] == (21, 60)


@pytest.mark.parametrize(("lag", "taken"), [("0 ms", 64), ("300 ms", 60), ("5 s", 60)])
def test_whose_press_comes_late_takes_the_one_that_was_there(lag, taken):
    rule = bench(lag=lag)
    press(rule, 1, 1)
    press(rule, 2, 3.2)
    assert begun(rule, FULL) == [(3.2, taken)]


@pytest.mark.parametrize(("lag", "taken"), [("0 ms", []), ("700 ms", [(13.5, 67)])])
def test_a_late_press_still_takes_the_last_when_the_rounds_are_over(lag, taken):
    rule = bench(lag=lag, rounds=2)
    press(rule, 1, 1)
    press(rule, 2, 13.5)
    assert begun(rule, FULL) == taken


def test_the_first_stays_for_who_has_just_pressed():
    rule = bench(first_stays=3, rounds=2)
    press(rule, 1, 0)
    rule.go_on(60 * SECOND)
    assert begun(rule, SOFT) == [(0, 60), (6, 64), (8, 67), (10, 60), (16, 64), (18, 67)]


@pytest.mark.parametrize(
    ("settings", "until"), [({"rounds": 2}, 10), ({"rounds": 20}, 58), ({"rounds": 20, "longest_wait": "7 s"}, 6)]
)
def test_without_a_choice_it_comes_to_rest(settings, until):
    rule = bench(**settings)
    press(rule, 1, 0)
    rule.go_on(100 * SECOND)
    assert begun(rule, SOFT)[-1][0] == until
    assert not rule.on
    assert not rule.waiting
    press(rule, 2, 101)
    assert begun(rule, SOFT)[-1] == (101, 60)


def test_by_itself_the_list_goes_by_again_after_the_chosen_one():
    rule = bench(again="by itself", rounds=1)
    press(rule, 1, 0)
    press(rule, 2, 2.5)  # E, until 4.5
    rule.go_on(100 * SECOND)
    assert begun(rule, SOFT) == [(0, 60), (2, 64), (6.5, 60), (8.5, 64), (10.5, 67)]
    assert not rule.on


def test_on_the_beat_the_hints_lie_on_the_grid_and_follow_the_tempo():
    rule = bench(begin="on the beat", every="1/2")
    rule.play_in(Music(tempo=Fraction(60)), 0)
    press(rule, 1, 0.7)
    rule.play_in(Music(tempo=Fraction(30)), 5 * SECOND)
    rule.go_on(13 * SECOND)
    assert begun(rule, SOFT) == [(2, 60), (4, 64), (8, 67), (12, 60)]


@given(
    hand=st.tuples(st.integers(0, 3000), st.integers(0, 20_000), st.integers(1, 5000)),
    every=st.sampled_from([300, 1000, 1700]),
    lag=st.sampled_from([0, 200, 1500]),
    first_stays=st.integers(1, 4),
    late=st.sampled_from([0, 7, 900]),
)
def test_the_one_of_the_moment_is_taken_and_only_one_is_heard_at_a_time(hand, every, lag, first_stays, late):
    (begins, after, held), rounds = hand, 2
    gate = "100 %" if begins % 2 else "30 %"
    rule = bench(every=f"{every} ms", lag=f"{lag} ms", first_stays=first_stays, rounds=rounds, gate=gate)
    rule.give(Press("pad", 1), begins * MILLISECOND)
    rule.give(Release("pad", 1), begins * MILLISECOND + 1)
    rule.go_on((begins + after) * MILLISECOND, late * MILLISECOND)
    over = (2 + first_stays) * rounds * every + lag
    rule.give(Press("pad", 2), (begins + after) * MILLISECOND, late * MILLISECOND)
    rule.give(Release("pad", 2), (begins + after + held) * MILLISECOND, late * MILLISECOND)
    order = [0] * first_stays + [1, 2]
    step = min(max(0, after - lag) // every, rounds * len(order) - 1)
    if after < over:
        assert [pitch for _, pitch in begun(rule, FULL)] == [pitch_number(NOTES[order[step % len(order)]])]
    elif after > over + late:
        assert begun(rule, FULL) == []
        assert ((begins + after) / 1000, 60) in begun(rule, SOFT)
    rule.go_on(rule.now + 120 * SECOND, late * MILLISECOND)
    on = 0
    for _, event in rule.out:
        on += 1 if isinstance(event, NoteOn) else -1
        assert on in (0, 1)
    assert not rule.on
    assert not rule.waiting


def test_a_lost_input_ends_the_choice_and_the_next_press_begins_it_anew():
    plan = plan_rule(RULES["choice"], {"chords": ["C", "F"], "every": "1 s"})
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    played = VirtualTime(Plan(Music(), Bench.WIDE, inputs, (PartPlan("choose", ("pad",), (plan,), Route("out", 1)),)))
    for lost_at in (1100, 5100):  # while a hint sounds
        played.give((lost_at - 1100) * MILLISECOND, SwitchSample("pad", True))
        played.give((lost_at - 1000) * MILLISECOND, SwitchSample("pad", False))
        played.go_on(lost_at * MILLISECOND)
        assert len(played.engine.sounding) == 3
        played.give(lost_at * MILLISECOND, Lost("pad"))
        assert played.engine.sounding == ()
        assert played.engine.next_deadline() is None


# --- songs and phrases ----------------------------------------------------------------------------------------------


def of_songs(**settings: object) -> Bench:
    kept = {"every": "2 s", **settings}
    return Bench(RuleUnderTest(RULES["choice"], kept, "choice"))


def test_of_songs_the_beginning_is_hinted_and_the_chosen_one_is_played_to_its_end():
    rule = of_songs(songs=["evening", "morning"])
    press(rule, 1, 1)
    press(rule, 2, 3.1)
    rule.go_on(100 * SECOND)
    hints = [(0, 60), (0.6, 60), (2, 60)]  # a quarter note is 0.6 s, and a hint is a second
    assert begun(rule, SOFT) == [(1 + at, pitch) for at, pitch in hints]
    heard = begun(rule, FULL)
    assert [pitch for _, pitch in heard] == [note.pitch for note in EXAMPLE.tune.notes]
    assert [at for at, _ in heard[:4]] == pytest.approx([3.1, 3.7, 4.3, 4.9])
    assert ended(rule)[-1] == pytest.approx(3.1 + float(EXAMPLE.end) * 0.6)
    assert not rule.on
    assert not rule.waiting


def test_phrases_go_by_in_the_same_way():
    rule = of_songs(phrases_of="evening")
    press(rule, 1, 0)
    press(rule, 2, 3)  # the second
    rule.go_on(100 * SECOND)
    second = EXAMPLE.phrases[1]
    wanted = [note.pitch for step in EXAMPLE.tune.steps[second.first : second.after] for note in step.notes]
    assert [pitch for _, pitch in begun(rule, FULL)] == wanted
    assert not rule.waiting


def test_a_press_while_a_song_is_played_begins_to_choose_again():
    rule = of_songs(songs=["evening"])
    press(rule, 1, 0)
    press(rule, 2, 1.5)
    press(rule, 3, 2)  # a tremor: it begins again
    press(rule, 4, 9)
    rule.go_on(10 * SECOND)
    assert [at for at, pitch in begun(rule, FULL)][:3] == [1.5, 2, 2.6]
    assert max(at for at, _ in begun(rule, FULL)) < 9
    assert begun(rule, SOFT)[-2:] == [(9, 60), (9.6, 60)]


@pytest.mark.parametrize(
    "settings", [{"songs": ["evening", "evening"]}, {"phrases_of": "evening", "again": "by itself"}]
)
@pytest.mark.parametrize("name", ["ends", "letting go", "another music", "double presses", "repeatability", "cause"])
def test_songs_keep_the_contract_of_a_rule(settings, name):
    AT_WORK[name](RuleUnderTest(RULES["choice"], settings, name))


def test_a_profile_chooses_among_its_songs(tmp_path):
    path = tmp_path / "wren.yaml"
    path.write_text(SONGS)
    assert [str(problem) for problem in profile.check(path)] == []
    played = VirtualTime(profile.load(path).plan)
    for at in (0, 2.5):
        played.give(round(at * SECOND), SwitchSample("pad", True))
        played.give(round((at + 0.1) * SECOND), SwitchSample("pad", False))
    played.go_on(20 * SECOND)
    assert [data[1] for _, (_, data) in played.played if data[0] == 0x90] == [60, 67, 67, 65, 64]
    path.write_text(SONGS.replace("up, down]", "up, dawn]"))
    (problem,) = profile.check(path)
    assert 'Did you mean "down"?' in problem.hint


SONGS = """\
profile: 1
child: wren
songs:
  up: {abc: "X:1\\nT:up\\nL:1/1\\nQ:1/4=60\\nK:C\\nC|\\n"}
  down: {abc: "X:1\\nT:down\\nL:1/4\\nQ:1/4=60\\nK:C\\nG F E2|\\n"}
inputs:
  pad: {type: switch, device: {terminal: space}}
parts:
  tune:
    input: pad
    rules:
      - choice: {songs: [up, down], every: 2 s}
    output: {port: synth}
outputs:
  synth: {midi: "*"}
"""
