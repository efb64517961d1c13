"""The band without a file: drums, bass and comping, alone and together, on virtual time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import TEMPO, PartPlan, Plan
from router.core.events import Lost, NoteOff, NoteOn, Press, Release, Route, SwitchSample
from router.core.harmony import Progression
from router.core.midi import DRUMS
from router.core.music import SCALES, Chord, Music, Span, length, time_signature, timed_chord
from router.core.rules import RULES
from router.core.strokes import drum_strokes, strokes, within
from router.core.units import NANOSECONDS, QuantityError
from router.files import profile
from router.testing import MILLISECOND, Bench, RuleUnderTest, VirtualTime, plan_rule
from router.testing.virtual_time import STARTED

SECOND = NANOSECONDS
Rules = Sequence[tuple[str, dict]]


def band(
    *parts: Rules, chords: Sequence[str] = (), music: Music | None = None, limits=Bench.WIDE, follows=()
) -> VirtualTime:
    """A switch that plays these parts, each on a channel of its own; chords last a bar if no length is written."""
    timed = [timed_chord(chord) for chord in chords]
    progression = Progression(
        tuple(chord.chord for chord in timed), lasts=tuple(chord.lasts or length("1 bar") for chord in timed)
    )
    inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
    made = tuple(
        PartPlan(
            f"part {number}",
            ("pad",),
            tuple(plan_rule(RULES[name], written) for name, written in rules),
            Route("out", number),
        )
        for number, rules in enumerate(parts, 1)
    )
    plan = Plan(music or Music(), limits, inputs, made, progression if chords else Progression())
    return VirtualTime(replace(plan, follows=frozenset(follows)))


def press(played: VirtualTime, at: int, lasts: int) -> None:
    played.give(at, SwitchSample("pad", True))
    played.give(at + lasts, SwitchSample("pad", False))


def begun(played: VirtualTime, channel: int = 1) -> list[tuple[int, int]]:
    """Time and pitch of each note that began on a channel."""
    return [(now, m.data[1]) for now, m in played.played if m.data[0] == 0x90 | channel - 1]


# --- when it begins and ends ------------------------------------------------------------------------------------------

BEAT = ("drums", {"pattern": ["bass drum 1 X---", "side stick -xxx"], "rate": "1/4", "linger": "2 s"})
BAR = 2 * SECOND  # four beats at 120
FAST = Music(tempo=Fraction(120))


def test_the_first_effort_is_bar_one_and_the_end_is_on_a_bar_line():
    played = band([BEAT], music=FAST)
    press(played, 1234 * MILLISECOND, 100 * MILLISECOND)
    played.go_on(20 * SECOND)
    times = [now - 1234 * MILLISECOND for now, _ in begun(played)]
    assert times == [beat * SECOND // 2 for beat in range(9)]  # two bars, and the stroke on the third
    assert [pitch for _, pitch in begun(played)] == [36, 37, 37, 37, 36, 37, 37, 37, 36]
    assert played.engine.sounding == ()


def test_what_follows_soon_renews_the_time_and_a_pause_begins_anew():
    played = band([BEAT], music=FAST)
    for at in (0, 1900, 3900, 12_345):
        press(played, at * MILLISECOND, 50 * MILLISECOND)
    played.go_on(30 * SECOND)
    times = [now for now, _ in begun(played)]
    first = [t for t in times if t < 12 * SECOND]
    assert first == [beat * SECOND // 2 for beat in range(len(first))]
    assert first[-1] == 3 * BAR  # 3.95 s and two more are 5.95 s
    assert next(t for t in times if t > 12 * SECOND) == 12_345 * MILLISECOND


def test_while_an_effort_is_held_it_does_not_end():
    played = band([BEAT], music=FAST)
    press(played, 0, 60 * SECOND)
    played.go_on(100 * SECOND)
    assert begun(played)[-1][0] == 62 * SECOND


def test_it_may_end_at_once():
    played = band([("drums", {**BEAT[1], "ending": "at once"})], music=FAST)
    press(played, 0, 100 * MILLISECOND)
    played.go_on(20 * SECOND)
    assert begun(played)[-1][0] == 2 * SECOND
    assert played.engine.sounding == ()


def test_behind_a_latch_a_press_is_for_on_and_one_for_off():
    played = band([("latch", {}), ("drums", {**BEAT[1], "linger": "0 s"})], music=FAST)
    press(played, 0, 100 * MILLISECOND)
    press(played, 20_100 * MILLISECOND, 100 * MILLISECOND)
    played.go_on(60 * SECOND)
    assert begun(played)[-1] == (22 * SECOND, 36)


def test_what_waits_for_the_beat_is_heard_at_once_with_the_first_effort():
    """The bars begin before the parts hear the press, so that a tune that is quantized does not come late."""
    played = band([("note", {}), ("quantize", {"to": "1/4", "longest_wait": "2 s"})], [BEAT], music=FAST)
    press(played, 777 * MILLISECOND, 100 * MILLISECOND)
    played.go_on(5 * SECOND)
    assert begun(played, 1)[0][0] == begun(played, 2)[0][0] == 777 * MILLISECOND


def test_all_of_the_band_count_the_same_bars_and_the_first_chord_begins_with_them():
    played = band([BEAT], [("bass", {"linger": "2 s"})], chords=("C", "F"), music=FAST)
    press(played, 5_500 * MILLISECOND, 100 * MILLISECOND)  # in bars counted from the start it would be F
    played.go_on(20 * SECOND)
    assert [pitch % 12 for _, pitch in begun(played, 2)] == [0, 7, 5, 0, 0]
    bars = [now for now, pitch in begun(played, 1) if pitch == 36]
    assert bars == [now for now, _ in begun(played, 2)][::2]


def test_in_a_room_the_bars_are_the_rooms():
    played = band([BEAT], music=FAST, follows={TEMPO})
    played.follow(replace(FAST, origin=100 * MILLISECOND), 200 * MILLISECOND)
    press(played, 3_000 * MILLISECOND, 100 * MILLISECOND)
    played.go_on(20 * SECOND)
    times = begun(played)
    assert times[0] == (3_100 * MILLISECOND, 37)  # the third beat of the second bar
    assert all((now - 100 * MILLISECOND) % (SECOND // 2) == 0 for now, _ in times)
    assert (times[-1][0] - 100 * MILLISECOND) % BAR == 0


def test_a_tap_just_before_a_bar_line_is_no_silent_effort():
    played = band([("drums", {**BEAT[1], "linger": "0 s"})], music=FAST, follows={TEMPO})
    played.follow(FAST, 0)
    press(played, 1_900 * MILLISECOND, 20 * MILLISECOND)
    played.go_on(20 * SECOND)
    assert [now for now, _ in begun(played)] == [beat * SECOND // 2 for beat in range(4, 9)]


def test_who_begins_while_others_play_moves_no_bar():
    """Two switches, two parts of the band: the second comes in on the first one's beat."""
    inputs = {
        name: lambda voice, alarm, name=name: SwitchConditioner(name, SwitchSettings(), voice, alarm)
        for name in ("pad", "pad2")
    }
    parts = tuple(
        PartPlan(name, (name,), (plan_rule(RULES["drums"], BEAT[1]),), Route("out", channel))
        for name, channel in (("pad", 1), ("pad2", 2))
    )
    played = VirtualTime(Plan(FAST, Bench.WIDE, inputs, parts))
    played.give(100 * MILLISECOND, SwitchSample("pad", True))
    played.give(1_234 * MILLISECOND, SwitchSample("pad2", True))
    played.go_on(10 * SECOND)
    assert {(now - 100 * MILLISECOND) % (SECOND // 2) for now, _ in begun(played, 1) + begun(played, 2)} == {0}
    assert begun(played, 2)[0][0] == 1_600 * MILLISECOND


def test_a_lost_device_ends_the_band_at_once():
    played = band([BEAT], [("bass", {})], [("comping", {})], chords=("C", "F"), music=FAST)
    played.give(0, SwitchSample("pad", True))
    played.go_on(5_100 * MILLISECOND)
    played.give(5_100 * MILLISECOND, Lost("pad"))
    assert played.engine.sounding == ()
    before = len(played.played)
    played.go_on(60 * SECOND)
    assert len(played.played) == before


# --- the bass ---------------------------------------------------------------------------------------------------------

CHORDS = st.lists(
    st.tuples(
        st.sampled_from(["C", "Am7", "F", "G7", "D/F#", "Bm7b5", "Ebmaj7", "C#m", "Aaug", "E7sus4"]),
        st.sampled_from(["", " 1/2", " 2 bars", " 1/4", " 3/4"]),
    ).map("".join),
    min_size=1,
    max_size=7,
)
METRES = st.sampled_from(["4/4", "3/4", "6/8", "2+2+3/8", "5/4", "2/2", "12/8"])


def ground(chord: Chord) -> int:
    return chord.root if chord.bass is None else chord.bass


def chord_then(chords: Sequence[str], at: Fraction, music: Music) -> Chord:
    """The chord at a time after the first bar began, in nanoseconds: added up by hand."""
    timed = [timed_chord(chord) for chord in chords]
    spans = [music.lasts(chord.lasts or Span(bars=Fraction(1))) for chord in timed]
    into, place = at % sum(spans), 0
    while into >= spans[place]:
        into -= spans[place]
        place += 1
    return timed[place].chord


@given(CHORDS, METRES, st.sampled_from(["root", "root and fifth", "walking"]), st.fractions(40, 260, max_denominator=7))
@settings(max_examples=60, deadline=None)
def test_the_root_is_on_each_bar(chords, metre, line, tempo):
    music = Music(7, SCALES["major"], tempo, time_signature(metre))
    played = band([("bass", {"line": line})], chords=chords, music=music)
    start = 333 * MILLISECOND
    played.give(start, SwitchSample("pad", True))
    bar = music.lasts(Span(bars=Fraction(1)))
    played.go_on(start + math.ceil(13 * bar) - 1)
    notes = dict(begun(played))
    for number in range(13):
        at = start + math.ceil(number * bar)
        assert at in notes, f"bar {number}"
        assert notes[at] % 12 == ground(chord_then(chords, number * bar, music)), f"bar {number}"
    assert len(played.engine.sounding) <= 1
    assert all(28 <= pitch < 60 for pitch in notes.values())  # E1 to B3


@given(CHORDS, METRES, st.fractions(40, 260, max_denominator=7))
@settings(max_examples=60, deadline=None)
def test_a_walking_line_ends_a_step_from_the_next_root(chords, metre, tempo):
    """Whatever the chords: where a bar or a chord begins the note is its root, and the one before it a step away."""
    music = Music(7, SCALES["major"], tempo, time_signature(metre))
    bar = music.lasts(Span(bars=Fraction(1)))
    beat = music.lasts(Span(whole=music.time_signature.beat / 4))
    assume(all(music.lasts(timed_chord(chord).lasts or Span(bars=Fraction(1))) % beat == 0 for chord in chords))
    played = band([("bass", {"line": "walking"})], chords=chords, music=music)
    played.give(0, SwitchSample("pad", True))
    played.go_on(math.ceil(16 * bar) - 1)
    notes = begun(played)
    assert len(notes) == math.ceil(16 * bar / beat)
    roots = 0
    for place, (now, pitch) in enumerate(notes):
        here = place * beat
        assert now == math.ceil(here)
        chord = chord_then(chords, here, music)
        before = chord_then(chords, here - beat, music) if place else None
        if here % bar == 0 or chord != before:
            assert pitch % 12 == ground(chord)
            if place and (here - beat) % bar != 0 and chord_then(chords, here - 2 * beat, music) == before:
                assert abs(pitch - notes[place - 1][1]) in (1, 2)  # the note before was no root itself
                roots += 1
        else:
            following = chord_then(chords, here + beat, music)
            leads = (here + beat) % bar == 0 or following != chord
            assert leads or pitch % 12 in chord.classes
    per_bar = bar / beat
    assert roots or per_bar < 3 or all(" 1/" in chord for chord in chords)


def test_a_chord_that_changes_at_the_moment_of_a_note_is_played_once_and_right():
    """The deadline of the bass, set before that of a quick change of chord, comes first: it knows what comes."""
    chords = ("C 1/8", "F 1/8", "G 1/8")
    for late in (0, 1):
        played = band([("bass", {"line": "root", "rate": "1/4"})], chords=chords, music=FAST)
        played.give(0, SwitchSample("pad", True))
        for place in range(1, 24):
            played.go_on(place * SECOND // 4 - 1)
            played.wake_late(place * SECOND // 4 + late)
        notes = begun(played)
        assert len({now for now, _ in notes}) == len(notes) == 24
        for now, pitch in notes:
            assert pitch % 12 == ground(chord_then(chords, Fraction(now), FAST))


def test_the_bass_goes_to_another_chord_at_once_when_a_press_changes_it():
    inputs = {
        name: lambda voice, alarm, name=name: SwitchConditioner(name, SwitchSettings(), voice, alarm)
        for name in ("pad", "pad2")
    }
    part = PartPlan("bass", ("pad",), (plan_rule(RULES["bass"], {"line": "root"}),), Route("out", 1))
    chords = tuple(timed_chord(chord).chord for chord in ("C", "C", "F"))
    played = VirtualTime(Plan(FAST, Bench.WIDE, inputs, (part,), Progression(chords, advance="pad2")))
    played.give(0, SwitchSample("pad", True))
    for at in (300, 400):
        played.give(at * MILLISECOND, SwitchSample("pad2", True))
        played.give((at + 50) * MILLISECOND, SwitchSample("pad2", False))
    played.go_on(3 * SECOND)
    notes = [(now // MILLISECOND, pitch % 12) for now, pitch in begun(played)]
    assert notes == [(0, 0), (400, 5), (1000, 5), (2000, 5), (3000, 5)]
    assert len(played.engine.sounding) == 1


# --- the drums --------------------------------------------------------------------------------------------------------


@given(
    st.lists(st.tuples(st.integers(1, 4000), st.fractions(40, 240, max_denominator=5)), max_size=5),
    st.sampled_from(["1:1", "2:1", "3:2", "3:1"]),
    METRES,
    st.sampled_from(["1/8", "1/16", "1/4", "1/8 triplet"]),
)
@settings(max_examples=80, deadline=None)
def test_the_grid_is_exact_under_swing_and_changes_of_tempo(changes, swing, metre, rate):
    """Each stroke stands at its place of the bars of that moment to the nanosecond; none comes twice, none is missing.

    A room's new tempo keeps the place in the bar, as the room does it.
    """
    music = Music(tempo=Fraction(120), time_signature=time_signature(metre))
    played = band(
        [("drums", {"pattern": ["closed hi-hat x"], "rate": rate, "swing": swing})], music=music, follows={TEMPO}
    )
    played.follow(music, 0)
    played.give(0, SwitchSample("pad", True))
    now, pieces = 0, [(0, music)]
    for after, tempo in changes:
        now += after * MILLISECOND
        before = pieces[-1][1]
        origin = math.floor(now - (now - before.origin) * before.tempo / tempo)  # the same place in the bar
        pieces.append((now, replace(before, tempo=tempo, origin=origin)))
        played.follow(pieces[-1][1], now)
    played.go_on(now + 5 * SECOND)
    times = [when for when, _ in begun(played)]
    span = length(rate)
    ratio = Fraction(*map(int, swing.split(":")))
    share = ratio / (1 + ratio)
    begins = [begin for begin, _ in pieces[1:]]
    for when in times:
        _, then = [piece for piece in pieces if piece[0] <= when][-1]
        grid = then.bars(span, share)
        assert grid.at(grid.nearest(when)) == when or when in begins  # one that was due as the tempo changed comes then
    fastest = replace(music, tempo=max(then.tempo for _, then in pieces)).bars(span, share)
    least = min(fastest.exactly(place + 1) - fastest.exactly(place) for place in range(2 * fastest.columns))
    slowest = replace(music, tempo=min(then.tempo for _, then in pieces)).bars(span, share)
    most = max(slowest.exactly(place + 1) - slowest.exactly(place) for place in range(2 * slowest.columns))
    for before, after in pairwise(times):
        assert least / 2 - 2 <= after - before <= most * Fraction(3, 2) + 2


@given(st.lists(st.integers(0, 6000), min_size=1, max_size=8), METRES)
@settings(max_examples=50, deadline=None)
def test_the_styles_mark_each_bar_whatever_the_hands_do(presses, metre):
    """The pattern of a style begins with each bar, also after late wake-ups, and nothing is left on."""
    played = band(
        [("drums", {"style": "beat", "linger": "500 ms"})],
        music=Music(tempo=Fraction(150), time_signature=time_signature(metre)),
    )
    at = 0
    for gap in presses:
        at += gap * MILLISECOND + 60 * MILLISECOND
        press(played, at, 30 * MILLISECOND)
        at += 30 * MILLISECOND
        if gap % 3 == 0:
            played.wake_late(at + gap * MILLISECOND // 2)
            at += gap * MILLISECOND // 2
    played.go_on(at + 60 * SECOND)
    assert played.engine.sounding == ()
    assert played.log.named("fault") == []
    bass_drum = DRUMS["bass drum 1"]
    assert begun(played)[-1][1] == bass_drum or any(gap % 3 == 0 for gap in presses)


def test_a_fill_comes_in_each_nth_bar_and_may_be_the_end_of_one():
    written = {
        "pattern": ["closed hi-hat xxxxxxxx", "bass drum 1 X-------"],
        "rate": "1/8",
        "fill_every": 2,
        "fill": ["low tom xX"],
        "crash": True,
    }
    played = band([("drums", written)], music=FAST)
    played.give(0, SwitchSample("pad", True))
    played.go_on(3 * BAR - 1)
    names = {number: name for name, number in DRUMS.items()}
    bars = [[names[pitch] for now, pitch in begun(played) if now // BAR == bar] for bar in range(3)]
    assert bars[0] == ["closed hi-hat", "bass drum 1", *["closed hi-hat"] * 7]
    assert bars[1] == ["closed hi-hat", "bass drum 1", *["closed hi-hat"] * 5, "low tom", "low tom"]
    assert bars[2] == ["crash cymbal 1", *bars[0]]


def test_patterns_of_several_bars_go_on_and_short_ones_begin_again():
    two_bars, short, odd = strokes("X--- x---"), strokes("x-"), strokes("X-x")
    assert [within(two_bars, bar, 0, 4) for bar in range(3)] == [3, 2, 3]
    assert [within(short, 0, column, 4) for column in range(4)] == [2, 0, 2, 0]
    assert [within(odd, bar, column, 4) for bar in range(2) for column in range(4)] == [3, 0, 2, 3] * 2


# --- nothing is left on -----------------------------------------------------------------------------------------------


@given(
    st.lists(
        st.tuples(
            st.integers(0, 3000),
            st.sampled_from(["down", "up", "late", "lost", "tempo", "key", "stop"]),
            st.fractions(30, 300, max_denominator=3),
        ),
        max_size=25,
    ),
    st.sampled_from(
        [Bench.WIDE, replace(Bench.WIDE, notes_at_once=2, note_length=300 * MILLISECOND, notes_per_second=6)]
    ),
)
@settings(max_examples=60, deadline=None)
def test_nothing_is_left_on_whatever_happens(happenings, limits):
    """Efforts, late wake-ups, a lost device, other tempos, metres and keys, limits that cut notes, a stop."""
    played = band(
        [("drums", {"style": "shuffle", "fill_every": 2, "crash": True, "linger": "1 s"})],
        [("bass", {"line": "walking", "linger": "1 s"})],
        [("comping", {"pattern": "X--x", "rate": "1/8", "swing": "2:1", "linger": "1 s", "ending": "at once"})],
        [("bass", {"line": "root and fifth", "pattern": "x--", "linger": "0 s"})],
        chords=("C", "F 1/2", "G7 2 bars"),
        limits=limits,
        follows={TEMPO},
    )
    now = 0
    for after, what, tempo in happenings:
        now += after * MILLISECOND
        if what in ("down", "up"):
            played.give(now, SwitchSample("pad", what == "down"))
        elif what == "late":
            played.wake_late(now)
        elif what == "lost":
            played.give(now, Lost("pad"))
        elif what == "stop":
            played.go_on(now)
            played.stop()
            assert played.engine.sounding == ()
        else:
            metre = time_signature("2+2+3/8" if after % 2 else "4/4")
            key = after % 12 if what == "key" else 0
            played.follow(Music(key, SCALES["major"], tempo, metre, now - after * 1000), now)
    played.give(now, SwitchSample("pad", True))
    played.give(now, SwitchSample("pad", False))
    played.go_on(now + 120 * SECOND)
    assert played.engine.sounding == ()
    assert played.log.named("fault") == []
    assert limits is not Bench.WIDE or played.log.named("limit") == []


def test_a_note_that_a_limit_took_is_forgotten():
    """The rule hears of it, and does not end the same voice again."""
    rule = Bench(RuleUnderTest(RULES["comping"], {"rate": "1/1", "linger": "0 s"}, "cut"))
    rule.give(Press("bench", 1), 0)
    voices = [event.voice for _, event in rule.out if isinstance(event, NoteOn)]
    assert len(voices) == 3
    for voice in voices:
        assert list(rule.rule.cut(voice, STARTED)) == []
    rule.go_on(2 * SECOND + SECOND // 2)  # a whole note is 2.67 s at 90, and the chord would have ended at 2.13 s
    rule.give(Release("bench", 1), rule.now)
    rule.let_go(rule.now)
    assert [event for _, event in rule.out if isinstance(event, NoteOff)] == []


# --- how patterns are written -----------------------------------------------------------------------------------------


def test_strokes_are_read_as_a_drummer_types_them():
    assert strokes("X--x |--g.") == (3, 0, 0, 2, 0, 0, 1, 0)
    assert drum_strokes("Bass Drum 1 X-o-") == (36, (3, 0, 2, 0))
    assert drum_strokes("closed hi-hat|x-x-|") == (42, (2, 0, 2, 0))
    assert drum_strokes("38 --X-") == (38, (0, 0, 3, 0))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x-y-", '"y" is no stroke'),
        ("----", "there is no stroke"),
        ("", "there is no stroke"),
        ("x" * 129, "128 columns at most"),
    ],
)
def test_what_are_no_strokes_is_told(text, said):
    with pytest.raises(QuantityError, match=said):
        strokes(text)


@pytest.mark.parametrize(
    ("text", "said", "hint"),
    [
        ("closed hihat x-x-", "does not begin with a General MIDI drum", 'Did you mean "closed hi-hat"?'),
        ("x-x-", "does not begin", "closed hi-hat x-x-x-x-"),
        ("99 x-x-", "drum 99 is outside 35 to 81", ""),
        ("cowbell", "there is no stroke", "Write x for a stroke"),
    ],
)
def test_what_is_no_drum_with_strokes_is_told(text, said, hint):
    with pytest.raises(QuantityError, match=said) as caught:
        drum_strokes(text)
    assert hint in caught.value.hint


# --- in a profile ----------------------------------------------------------------------------------------------------

PROFILE = """\
profile: 1
child: wren
music: {{key: C, scale: major, tempo: 120 bpm, progression: {{chords: [C, F], every: 1 bar}}}}
limits: {{notes_at_once: 16, notes_per_second: 40}}
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
  knee: {{type: switch, device: {{terminal: b}}}}
  friend: {{type: listen, seat: anybody}}
parts:
  tune: {{input: [pad, friend], rules: [note: {{}}], output: {{port: synth, channel: 1}}}}
  bell: {{input: knee, rules: [note: {{}}], output: {{port: synth, channel: 4}}}}
  drums: {{{input}rules: [drums: {{style: rock{starts}}}], output: {{port: synth, channel: 10}}}}
  bass: {{{input}rules: [bass: {{line: walking{starts}}}], output: {{port: synth, channel: 2}}}}
outputs:
  synth: {{midi: "*"}}
"""


def in_profile(folder: Path, **written: str) -> Path:
    path = folder / "wren.yaml"
    path.write_text(PROFILE.format(**{"input": "", "starts": "", **written}))
    return path


@pytest.mark.parametrize("switch", ["pad", "knee"])
def test_a_band_without_an_input_goes_with_every_movement_of_the_child(tmp_path, switch):
    path = in_profile(tmp_path)
    assert profile.check(path) == []
    played = VirtualTime(profile.load(path).plan)
    played.go_on(3 * SECOND)
    assert begun(played, 2) == []
    played.give(3_123 * MILLISECOND, SwitchSample(switch, True))
    played.give(3_200 * MILLISECOND, SwitchSample(switch, False))
    played.go_on(60 * SECOND)
    assert begun(played, 2)[0] == (3_123 * MILLISECOND, 36)
    assert begun(played, 10)[0][0] == 3_123 * MILLISECOND
    assert played.engine.sounding == ()


def test_a_band_that_starts_by_itself_plays_with_the_profile_and_until_it_ends(tmp_path):
    path = in_profile(tmp_path, starts=", starts: by itself")
    assert profile.check(path) == []
    played = VirtualTime(profile.load(path).plan)
    played.give(1_111 * MILLISECOND, SwitchSample("pad", True))  # moves no bar
    played.give(1_200 * MILLISECOND, Lost("pad"))
    played.go_on(40 * SECOND)
    assert [now for now, _ in begun(played, 2)] == [place * SECOND // 2 for place in range(81)]
    played.stop()
    assert played.engine.sounding == ()
    assert played.engine.next_deadline() is None


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ({"input": "input: pad, ", "starts": ", starts: by itself"}, "this band starts by itself, and needs no input"),
        ({"starts": ", starts: by accident"}, '"starts" cannot be "by accident"'),
    ],
)
def test_what_is_wrong_with_the_start_of_a_band_is_said(tmp_path, written, said):
    problems = [problem.message for problem in profile.check(in_profile(tmp_path, **written))]
    assert problems == [said, said]


def test_a_band_that_nothing_begins_is_refused(tmp_path):
    path = in_profile(tmp_path)
    lines = [
        line
        for line in path.read_text().splitlines()
        if not line.startswith(("  tune", "  bell", "  friend", "  knee"))
    ]
    path.write_text("\n".join(lines))
    said = "nothing begins this band: no part of this profile has an input"
    assert [problem.message for problem in profile.check(path) if "begins" in problem.message] == [said, said]
