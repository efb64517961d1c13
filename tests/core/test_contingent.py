"""The rule ``contingent``: there is music for a time after each effort, it is renewed, it fades, and never piles up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import Control, Event, Lost, NoteOff, NoteOn, Press, Release, Route, SwitchSample
from router.core.midi import EXPRESSION
from router.core.music import Music
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.files import profile
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule

SECOND = NANOSECONDS


def bench(**settings: object) -> Bench:
    return Bench(RuleUnderTest(RULES["contingent"], settings, "contingent"))


def effort(rule: Bench, voice: int, begins: float, lasts: float = 0.2, source: str = "pad") -> list[Event]:
    """Press and release, at seconds; what the rule gives, as it comes."""
    given = rule.give(Press(source, voice), round(begins * SECOND))
    return [*given, *rule.give(Release(source, voice), round((begins + lasts) * SECOND))]


def ends(rule: Bench) -> list[float]:
    return [now / SECOND for now, event in rule.out if isinstance(event, Release)]


def expression(rule: Bench, since: float = 0, until: float = 1e9) -> list[int]:
    return [
        event.value
        for now, event in rule.out
        if isinstance(event, Control) and since * SECOND <= now <= until * SECOND and event.controller == EXPRESSION
    ]


def test_an_effort_is_answered_for_a_time_and_then_it_fades():
    rule = bench(lasts="10 s", fade="2 s")
    effort(rule, 1, 1)
    rule.go_on(60 * SECOND)
    assert [type(event) for _, event in rule.out if not isinstance(event, Control)] == [Press, Release]
    assert ends(rule) == [13.2]
    assert expression(rule, until=11.2) == [127]  # as loud as after a fade
    fade = expression(rule, 11.2, 13.2)
    assert fade == sorted(fade, reverse=True)
    assert fade[-1] == 0
    assert expression(rule, 13.3) == [127]  # and the channel is left as it was


@pytest.mark.parametrize(("counts_from", "until"), [("release", 18), ("press", 11)])
def test_a_long_effort_counts_from_its_end_or_from_its_beginning(counts_from, until):
    rule = bench(lasts="10 s", fade="0 ms", counts_from=counts_from)
    effort(rule, 1, 1, lasts=7)
    rule.go_on(60 * SECOND)
    assert ends(rule) == [until]
    assert expression(rule) == []


def test_each_further_effort_begins_the_time_again_and_adds_nothing_to_it():
    rule = bench(lasts="4 s", fade="0 ms")
    for place in range(10):
        effort(rule, place + 1, 1 + place / 4)
    rule.go_on(60 * SECOND)
    assert [now for now, event in rule.out if isinstance(event, Press)] == [SECOND]
    assert ends(rule) == [1 + 9 / 4 + 0.2 + 4]


def test_an_effort_while_it_fades_brings_it_back_without_a_second_sound():
    rule = bench(lasts="2 s", fade="4 s")
    effort(rule, 1, 1)
    effort(rule, 2, 5.2)  # half faded
    rule.go_on(round(7.3 * SECOND))
    assert [type(event) for _, event in rule.out if not isinstance(event, Control)] == [Press]
    back = expression(rule, 5.2, 5.4)
    assert back == sorted(back)
    assert back[-1] == 127
    assert len(back) > 2  # no jolt


def test_the_first_effort_after_a_fade_has_its_full_sound_at_once():
    rule = bench(lasts="1 s", fade="1 s")
    effort(rule, 1, 0)
    given = effort(rule, 2, 3)
    assert [type(event) for event in given][:2] == [Control, Press]
    assert given[0] == Control(EXPRESSION, 127)


@pytest.mark.parametrize(("restrike_after", "begins"), [(None, [0]), ("3 s", [0, 4])])
def test_what_dies_away_is_struck_again_if_it_is_old_enough(restrike_after, begins):
    rule = bench(lasts="10 s", **({} if restrike_after is None else {"restrike_after": restrike_after}))
    for voice, at in enumerate((0, 2, 4, 6)):
        effort(rule, voice, at)
    assert [now / SECOND for now, event in rule.out if isinstance(event, Press)] == begins
    assert len(rule.on) == 1


@pytest.mark.parametrize(("replace_it", "sounds"), [(False, ["one"]), (True, ["one", "two"])])
def test_another_input_replaces_it_only_if_that_is_asked_for(replace_it, sounds):
    rule = bench(lasts="10 s", replace=replace_it)
    effort(rule, 1, 0, source="one")
    effort(rule, 2, 1, source="two")
    effort(rule, 3, 2, source="two")
    assert [event.source for _, event in rule.out if isinstance(event, Press)] == sounds
    assert len(rule.on) == 1


EFFORTS = st.lists(
    st.tuples(st.integers(0, 5000), st.integers(1, 4000)), min_size=1, max_size=12
)  # the pause before each, and how long it is held


@given(
    efforts=EFFORTS,
    lasts=st.sampled_from([500, 2000, 5000]),
    fade=st.sampled_from([0, 70, 1000]),
    counts_from=st.sampled_from(["release", "press"]),
)
def test_there_is_one_sound_exactly_while_the_time_of_some_effort_has_not_run_out(efforts, lasts, fade, counts_from):
    rule = bench(lasts=f"{lasts} ms", fade=f"{fade} ms", counts_from=counts_from)
    wanted: list[list[int]] = []  # from when to when it sounds
    now = 0
    for voice, (pause, held) in enumerate(efforts):
        now += pause + 1
        begins, ended = now, now + held
        effort(rule, voice, begins / 1000, held / 1000)
        until = (ended if counts_from == "release" else begins) + lasts + fade
        if wanted and begins < wanted[-1][1]:
            wanted[-1][1] = until
        else:
            wanted.append([begins, until])
        now = ended
    rule.go_on(rule.now + 60 * SECOND)
    sounds = [(at // MILLISECOND, type(event)) for at, event in rule.out if not isinstance(event, Control)]
    assert sounds == [(at, kind) for span in wanted for at, kind in zip(span, (Press, Release), strict=True)]
    assert not rule.on
    assert not rule.waiting
    assert not expression(rule) or expression(rule)[-1] == 127


@pytest.mark.parametrize("late", [0, 7 * MILLISECOND, 900 * MILLISECOND, 20 * SECOND])
def test_woken_late_it_ends_at_once_and_leaves_the_channel_as_it_was(late):
    rule = bench(lasts="1 s", fade="1 s")
    rule.give(Press("pad", 1), 0)
    rule.give(Release("pad", 1), 1)
    rule.go_on(120 * SECOND, late)
    assert not rule.on
    assert not rule.waiting
    assert expression(rule)[-1] == 127


# --- in a part ------------------------------------------------------------------------------------------------------


def bed(**limits: int) -> VirtualTime:
    bed_rule = ("contingent", {"lasts": "10 s", "fade": "2 s"})
    rules = (bed_rule, ("note", {"degree": 1}), ("chord", {"kind": "open fifth"}))
    made = tuple(plan_rule(RULES[name], written) for name, written in rules)
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    return VirtualTime(
        Plan(Music(), replace(Bench.WIDE, **limits), inputs, (PartPlan("bed", ("pad",), made, Route("out", 1)),))
    )


def press(played: VirtualTime, begins: float) -> None:
    played.give(round(begins * SECOND), SwitchSample("pad", True))
    played.give(round(begins * SECOND) + 200 * MILLISECOND, SwitchSample("pad", False))


def notes(played: VirtualTime) -> list[tuple[float, int, int]]:
    return [(now / SECOND, data[0] & 0xF0, data[1]) for now, (_, data) in played.played if data[0] & 0xE0 == 0x80]


def test_ten_efforts_strike_a_chord_once_and_end_it_once():
    played = bed()
    for place in range(10):
        press(played, place)
    played.go_on(60 * SECOND)
    assert notes(played) == [(0, 0x90, 60), (0, 0x90, 67), (21.2, 0x80, 60), (21.2, 0x80, 67)]


def test_what_a_limit_has_ended_begins_again_with_the_next_effort():
    played = bed(note_length=5 * SECOND)
    press(played, 0)
    played.go_on(7 * SECOND)
    press(played, 8)
    assert [(at, kind) for at, kind, pitch in notes(played) if pitch == 60] == [(0, 0x90), (5, 0x80), (8, 0x90)]


def test_a_lost_input_ends_it_and_gives_the_channel_its_expression_back():
    played = bed()
    press(played, 0)
    played.go_on(round(11.5 * SECOND))  # half faded
    played.give(played.now, Lost("pad"))
    assert played.engine.sounding == ()
    assert played.played[-1][1].data == (0xB0, EXPRESSION, 127)
    before = len(played.played)
    played.go_on(60 * SECOND)
    assert len(played.played) == before


def test_notes_of_others_pass():
    rule = bench()
    assert rule.give(NoteOn(1, 60), 0) == [NoteOn(1, 60)]
    assert rule.give(NoteOff(1), 1) == [NoteOff(1)]


# --- over a song ----------------------------------------------------------------------------------------------------

SONG = """\
profile: 1
child: wren
limits: {note_length: 30 s}
songs:
  evening: {abc: "X:1\\nT:evening\\nL:1/4\\nQ:1/4=60\\nK:C\\nC D E F|G A B c|c B A G|F E D C|\\n"}
inputs:
  pad: {type: switch, device: {terminal: space}}
parts:
  tune:
    input: pad
    rules:
      - contingent: {lasts: 4 s, fade: 1 s}
      - song: SETTINGS
    output: {port: synth}
outputs:
  synth: {midi: "*"}
"""
STOPS = "{play: evening, press: start, stop_by: release, stop_at: at once}"
TUNE = [60, 62, 64, 65, 67, 69, 71, 72]


def song(folder: Path, settings: str) -> Path:
    path = folder / "wren.yaml"
    path.write_text(SONG.replace("SETTINGS", settings))
    return path


def test_a_song_goes_on_for_a_time_after_each_effort_and_from_there_with_the_next(tmp_path):
    path = song(tmp_path, STOPS)
    assert [str(problem) for problem in profile.check(path)] == []
    played = VirtualTime(profile.load(path).plan)
    press(played, 1)  # until 5.2, and faded at 6.2
    press(played, 4)  # renewed: until 9.2
    played.go_on(20 * SECOND)
    begun = [(at, pitch) for at, kind, pitch in notes(played) if kind == 0x90]
    assert [pitch for _, pitch in begun] == [*TUNE, 72]
    assert begun[-1][0] < 9.2
    assert played.engine.sounding == ()
    assert played.engine.next_deadline() is None
    press(played, 21)
    played.go_on(24 * SECOND)
    later = [(at, pitch) for at, kind, pitch in notes(played) if kind == 0x90][len(begun) :]
    assert [pitch for _, pitch in later][:2] == [71, 69]


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ("{play: evening, press: start}", "ends by a release, and this song does not"),
        ("{play: evening, press: note}", "keeps further presses to itself"),
    ],
)
def test_the_check_says_when_a_song_would_not_end_or_not_go_on(tmp_path, settings, told):
    (problem,) = profile.check(song(tmp_path, settings))
    assert told in problem.message
    assert not problem.warning
