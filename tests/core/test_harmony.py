"""Harmony: chords by symbol against music21, mingus and pychord;
a progression shared by all parts; one grid of beats.
"""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mingus.core import chords as mingus_chords
from mingus.core import notes as mingus_notes
from music21 import chord as m21_chord
from music21 import harmony as m21_harmony
from music21.analysis import neoRiemannian
from pychord import Chord as PychordChord

from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import PartPlan, Plan
from router.core.events import Lost, MidiSample, Route, SwitchSample
from router.core.harmony import Harmony, Progression
from router.core.ledger import Limits
from router.core.midi import DRUMS, drum_number
from router.core.music import (
    NAMES,
    SCALES,
    STRAYS,
    SYMBOLS,
    Chord,
    Coming,
    Grid,
    Music,
    Span,
    TimeSignature,
    chord_symbol,
    invert,
    length,
    middle,
    nearest_of,
    rate,
    timed_chord,
    voice,
)
from router.core.recognition import SETTLE, chord_of
from router.core.rules import RULES
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS, QuantityError, swing_ratio
from router.files import profile
from router.files.quantities import KINDS
from router.testing import MILLISECOND, VirtualTime, plan_rule

# --- chords by symbol ---------------------------------------------------------------------------------------------

MISREAD = {("music21", "maj9"), ("music21", "69"), ("mingus", "add9"), ("mingus", "7sus4")}
"""Symbols that a library has not, or reads wrongly: the others agree on them."""
SPELT = {
    ("music21", "5"): "power",
    ("mingus", "maj7"): "M7",
    ("mingus", "maj9"): "M9",
    ("mingus", ""): "M",
    ("mingus", "maj7#5"): "M7+",
    ("pychord", "maj7#5"): "M7+5",
}


@pytest.mark.parametrize(("root", "symbol"), [*itertools.product(NAMES, SYMBOLS)])
def test_symbols_against_music21_mingus_and_pychord(root, symbol):
    ours = chord_symbol(root + symbol)
    found = {}
    if ("music21", symbol) not in MISREAD:
        word = SPELT.get(("music21", symbol), symbol)
        theirs = m21_harmony.ChordSymbol(root.replace("b", "-") + word)
        found["music21"] = {p.midi % 12 for p in theirs.pitches}
    if ("mingus", symbol) not in MISREAD:
        names = mingus_chords.from_shorthand(root + SPELT.get(("mingus", symbol), symbol))
        found["mingus"] = {mingus_notes.note_to_int(name) for name in names}
    theirs = PychordChord(root + SPELT.get(("pychord", symbol), symbol))
    found["pychord"] = {number % 12 for number in theirs.components(visible=False)}
    assert len(found) >= 2
    assert all(classes == set(ours.classes) for classes in found.values()), found


def test_slash_chords_against_pychord():
    """pychord's C/E is E C G: the bass lies below, whatever is above it."""
    for text in ("C/E", "F/C", "Am7/G", "D/F#", "G/A"):
        chord = chord_symbol(text)
        assert set(chord.classes) == {number % 12 for number in PychordChord(text).components(visible=False)}
        notes = chord.near(60)
        assert notes[0] % 12 == chord.bass
        assert notes[0] < min(notes[1:])


@pytest.mark.parametrize(
    ("text", "hint"),
    [("dm", 'Did you mean "Dm"?'), ("Cmaj8", 'Did you mean "Cmaj'), ("H7", "A to G"), ("", "A to G"), ("13", "A to G")],
)
def test_what_is_no_chord(text, hint):
    with pytest.raises(QuantityError, match="is not a chord") as caught:
        chord_symbol(text)
    assert hint in caught.value.hint


@pytest.mark.parametrize(("root", "symbol"), [*itertools.product(range(48, 60), SYMBOLS)])
def test_what_is_held_is_the_chord_it_is(root, symbol):
    """In every inversion the same notes; in root position the name itself,
    except where two names have the same notes there.
    """
    shape = SYMBOLS[symbol]
    for inversion in range(len(shape)):
        held = invert([root + step for step in shape], inversion)
        chord = chord_of(held)
        assert set(chord.classes) == {pitch % 12 for pitch in held}
        assert chord.classes[0] == min(held) % 12
    named = chord_of([root + step for step in shape]).name
    assert named == NAMES[root % 12] + symbol


def test_what_is_held_may_have_no_name():
    assert chord_of([60]) is None
    assert chord_of([60, 72]) is None
    assert chord_of([]) is None
    cluster = chord_of([60, 61, 62])
    assert (cluster.name, cluster.classes) == ("C C# D", (0, 1, 2))


def test_the_nearest_voicing():
    """Common practice, no source: common notes stay, the others move by step.
    Written out: C, F, G, C in close position.
    """
    rows = [(60, 64, 67)]
    for symbol in ("F", "G", "C"):
        rows.append(voice(rows[-1], chord_symbol(symbol).near(60), middle(rows[0])))
    assert rows == [(60, 64, 67), (60, 65, 69), (59, 62, 67), (60, 64, 67)]
    assert voice((60, 64, 67), chord_symbol("Am").near(60), middle((60, 64, 67))) == (60, 64, 69)


@pytest.mark.parametrize(("root", "quality", "inversion"), [*itertools.product(range(55, 67), ("", "m"), range(3))])
def test_the_least_motion_between_triads_is_that_of_neo_riemannian_theory(root, quality, inversion):
    """P, L and R keep two notes and move the third by a step (Cohn, Journal of Music Theory 41,
    1997); music21 moves them.
    """
    before = invert([root + step for step in SYMBOLS[quality]], inversion)
    for change in (neoRiemannian.P, neoRiemannian.L, neoRiemannian.R):
        theirs = tuple(sorted(pitch.midi for pitch in change(m21_chord.Chord(list(before))).pitches))
        assert voice(before, theirs, middle(before)) == theirs, change.__name__


def motion(before, notes):
    longest = max(len(before), len(notes))
    a, b = ([*row, *[row[-1]] * longest][:longest] for row in (sorted(before), sorted(notes)))
    return sum(abs(x - y) for x, y in zip(a, b, strict=True))


@given(
    st.integers(30, 90),
    st.sampled_from(sorted(SYMBOLS)),
    st.integers(0, 11),
    st.sampled_from(sorted(SYMBOLS)),
    st.integers(-STRAYS, STRAYS),
)
def test_no_other_close_voicing_near_home_is_nearer(pitch, first, root, second, off):
    before = invert([pitch + step for step in SYMBOLS[first]], 1)
    home = middle(before) + off
    found = voice(before, [root + step for step in SYMBOLS[second]], home)
    classes = sorted({(root + step) % 12 for step in SYMBOLS[second]})
    assert sorted({note % 12 for note in found}) == classes
    others = [tuple(n + 12 * o for n in invert(classes, i)) for i in range(len(classes)) for o in range(-1, 11)]
    near = [notes for notes in others if abs(middle(notes) - home) <= STRAYS]
    assert found in near
    assert motion(before, found) == min(motion(before, notes) for notes in near)


@given(st.lists(st.integers(0, 127), min_size=1), st.sets(st.integers(0, 127), min_size=1), st.integers(-200, 400))
def test_at_the_ends_of_the_keyboard_there_is_a_voicing_too(before, chord, home):
    found = voice(before, sorted(chord), Fraction(home))
    assert {note % 12 for note in found} == {note % 12 for note in chord}
    assert 0 <= min(found) <= max(found) <= 127


FOLLOWS = ("note", {}), ("chord", {"follow": True, "voice_leading": "smooth"})
FAMILIAR = {
    "a blues": "C7 C7 C7 C7 F7 F7 C7 C7 G7 F7 C7 G7",
    "down in fourths": "Am G F E",
    "up in steps": "C Dm Em F G Am Bdim",
    "through all keys": "C F Bb Eb Ab Db F# B E A D G",
    "in semitones": "C C# D Eb E F F# G Ab A Bb B",
    "down in semitones": "C B Bb A Ab G F# F E Eb D C#",
    "the four of many songs": "C G Am F",
    "sevenths": "Dm7 G7 Cmaj7 Am7",
}


@pytest.mark.parametrize("chords", FAMILIAR.values(), ids=FAMILIAR)
def test_familiar_progressions_go_round_for_ever_where_they_began(chords):
    """What was found: the blues climbed two octaves in five minutes, Am G F E fell from 60 to 8 in 160 chords."""
    symbols = [chord_symbol(symbol) for symbol in chords.split()]
    player = VirtualTime(plan(part("a", "pad", 1, *FOLLOWS), progression=Progression((*symbols,), advance="pad")))
    for place in range(50 * len(symbols)):
        player.give((1000 * place + 1) * MILLISECOND, switch("pad", True))
        player.give((1000 * place + 500) * MILLISECOND, switch("pad", False))
    notes = [note for _, note in ons(player, 1)]
    size = len(notes) // (50 * len(symbols))
    chords_played = [notes[i : i + size] for i in range(0, len(notes), size)]
    home = middle(chords_played[0])
    assert all(abs(middle(chord) - home) <= STRAYS for chord in chords_played)
    assert max(notes) - min(notes) <= 24


def drone_roots(music, chords, rounds=4, then=None):
    """The lowest notes of a drone that follows these chords, one a second, and then a key."""
    rules = ("note", {}), ("drone", {"follow": True, "degrees": [1], "octave": 2})
    progression = Progression((*chords,), advance="pad2")
    player = VirtualTime(plan(part("a", "pad", 1, *rules), progression=progression, music=music))
    player.give(MILLISECOND, switch("pad", True))
    for place in range(1, rounds * len(chords)):
        player.give(place * NANOSECONDS, switch("pad2", True))
        player.give(place * NANOSECONDS + MILLISECOND, switch("pad2", False))
    for place, other in enumerate(then or ()):
        player.follow(other, (rounds * len(chords) + place) * NANOSECONDS)
    return [note for _, note in ons(player, 1) if note < 60]


@pytest.mark.parametrize(("tonic", "chords"), [*itertools.product((0, 5, 11), FAMILIAR.values())])
def test_a_drone_goes_from_chord_to_chord_by_the_shorter_way(tonic, chords):
    """What was found: from C to B it leapt up a seventh.
    Only what climbs by steps for ever must come back by a leap.
    """
    moved = [chord_symbol(name) for name in chords.split()]
    moved = [Chord(c.name, (c.root + tonic) % 12, c.shape) for c in moved]
    roots = drone_roots(Music(tonic, SCALES["major"]), moved)
    home = 36 + tonic
    assert len(roots) == 1 + sum(a != b for a, b in itertools.pairwise(moved * 4))
    assert all(abs(root - home) <= 9 for root in roots)
    leaps = [b - a for a, b in itertools.pairwise(roots) if abs(b - a) > 9]
    climbs = {"C Dm Em F G Am Bdim", "C C# D Eb E F F# G Ab A Bb B", "C B Bb A Ab G F# F E Eb D C#"}
    assert len(leaps) <= (4 if chords in climbs else 0), roots


@pytest.mark.parametrize(
    "scale", ["major pentatonic", "major blues", "minor pentatonic", "minor blues", "minor", "dorian"]
)
def test_a_drone_on_one_and_five_is_an_open_fifth_in_every_scale(scale):
    """As chords 1, 4, 5 are those of the key: the fifth note of C major pentatonic is A, and nobody means that."""
    rules = ("note", {}), ("drone", {"degrees": [1, 5, 8]})
    player = VirtualTime(plan(part("a", "pad", 1, *rules), music=Music(0, SCALES[scale])))
    player.give(MILLISECOND, switch("pad", True))
    assert {note for _, note in ons(player, 1) if note < 60} == {36, 43, 48}


def test_a_drone_moves_a_semitone_from_c_to_b_and_comes_home():
    symbols = [chord_symbol(name) for name in ("C", "B", "C", "F", "G", "C")]
    assert drone_roots(Music(0, SCALES["major"]), symbols, rounds=1) == [36, 35, 36, 41, 43, 36]


def test_a_drone_goes_into_another_key_by_the_shorter_way():
    keys = [Music(tonic, SCALES["major"]) for tonic in (11, 9, 0)]
    assert drone_roots(Music(0, SCALES["major"]), (), then=keys) == [36, 35, 33, 36]


REMEMBER = {
    "drone": [("note", {}), ("drone", {"follow": True, "degrees": [1, 5], "octave": 3})],
    "echo": [
        ("note", {}),
        ("chord", {"follow": True, "voice_leading": "smooth"}),
        ("echo", {"times": 2, "semitones": 5}),
    ],
    "transpose": [*FOLLOWS, ("transpose", {"steps": 2})],
    "range": [*FOLLOWS, ("range", {"lowest": "C4", "octaves": 1})],
    "repeat": [*FOLLOWS, ("repeat", {"rate": "4 Hz"})],
    "arpeggio": [*FOLLOWS, ("arpeggio", {"rate": "4 Hz"})],
    "latch": [("latch", {}), *FOLLOWS],
    "strum": [*FOLLOWS, ("strum", {})],
    "release": [*FOLLOWS, ("release", {"when": "next"})],
    "quantize": [*FOLLOWS, ("quantize", {})],
    "turned over": [
        ("note", {"octave": 3}),
        ("chord", {"follow": True, "voice_leading": "smooth", "inversion": 2, "position": "open"}),
    ],
    "sequence": [("sequence", {"degrees": [1, 4, 5, 8]}), ("chord", {"voice_leading": "smooth"})],
    "random": [("random", {"degrees": [1, 4, 5, 2]}), ("chord", {"kind": "seventh", "voice_leading": "smooth"})],
    "scale_lock": [("sequence", {"degrees": [1, 2, 7]}), ("scale_lock", {"to": "chord"})],
}
ANY_CHORD = st.builds(
    lambda root, symbol: chord_symbol(NAMES[root] + symbol), st.integers(0, 11), st.sampled_from(sorted(SYMBOLS))
)


@pytest.mark.parametrize("rules", REMEMBER.values(), ids=REMEMBER)
@settings(max_examples=8, deadline=None)
@given(chords=st.lists(ANY_CHORD, min_size=1, max_size=12), keys=st.lists(st.integers(0, 11), max_size=3))
def test_no_rule_wanders_off_in_any_progression(rules, chords, keys):
    """However long it goes on, through whatever chords and keys: from two octaves below middle C to three above it."""
    player = VirtualTime(plan(part("a", "pad", 1, *rules), progression=Progression((*chords,), advance="pad2")))
    now = MILLISECOND
    for place in range(6 * len(chords)):
        now += 700 * MILLISECOND
        player.give(now, switch("pad", True))
        player.give(now + 20 * MILLISECOND, switch("pad2", True))
        player.give(now + 40 * MILLISECOND, switch("pad2", False))
        if keys:
            tonic = keys[place % len(keys)]
            player.follow(Music(tonic, SCALES["major"], Fraction(120)), now + 60 * MILLISECOND)
        player.give(now + 400 * MILLISECOND, switch("pad", False))
    notes = [note for _, note in ons(player, 1)]
    assert notes
    assert 36 <= min(notes) <= max(notes) <= 96, (min(notes), max(notes))


def test_nearest_of_up_and_down():
    scale = (0, 2, 4, 7, 9)
    assert [nearest_of(scale, note) for note in (61, 65, 66)] == [60, 64, 67]
    assert [nearest_of(scale, note, "up") for note in (60, 61, 65, 66)] == [60, 62, 67, 67]
    assert [nearest_of(scale, note, "down") for note in (60, 61, 65, 66)] == [60, 60, 64, 64]
    assert nearest_of((6,), 127, "up") == 126, "there is nothing above it"
    assert nearest_of((), 61) == 61


def test_steps_of_the_scale():
    """A third up in C major: C to E, D to F, B to D; written out."""
    music = Music(0, SCALES["major"])
    assert [music.move(note, 2) for note in (60, 62, 71)] == [64, 65, 74]
    assert [music.move(note, -1) for note in (60, 62)] == [59, 60]
    for pitch, steps in itertools.product(range(128), (-14, -1, 0, 5, 14)):
        assert music.contains(music.move(pitch, steps))


# --- lengths, rates, grids ----------------------------------------------------------------------------------------


def test_lengths_and_rates_in_time():
    """MIDI clock: 24 to the quarter; 120 bpm is 20.8333 ms a clock, so 500 ms a quarter (MIDI 1.0)."""
    music = Music(tempo=Fraction(120), time_signature=TimeSignature(3, 4))
    clock = Fraction(500_000_000, 24)
    for text, clocks in {
        "1/4": 24,
        "1/8": 12,
        "1/16": 6,
        "1/4 dotted": 36,
        "1/8 triplet": 8,
        "1 bar": 72,
        "2 bars": 144,
    }.items():
        assert music.lasts(length(text)) == clocks * clock
    assert music.lasts(length("300 ms")) == 300 * MILLISECOND
    assert music.lasts(rate("4 Hz")) == 250 * MILLISECOND
    assert music.lasts(rate("1/8")) == 12 * clock


@pytest.mark.parametrize("text", ["", "2", "bar", "0 bars", "5 ms", "1/5", "2 Hz", "-1 s"])
def test_what_is_no_length(text):
    with pytest.raises(QuantityError):
        length(text)


@pytest.mark.parametrize("text", ["", "4", "0 Hz", "51 Hz", "300 ms", "1/5"])
def test_what_is_no_rate(text):
    with pytest.raises(QuantityError):
        rate(text)


@given(
    st.integers(0, 10**12),
    st.fractions(Fraction(NANOSECONDS, 100), Fraction(NANOSECONDS)),
    st.fractions(Fraction(1, 2), Fraction(3, 4), max_denominator=100),
    st.integers(0, 10**12),
    st.sampled_from((1, 2, 4, 8)),
)
def test_a_grid_finds_its_places(start, step, swing, later, parts):
    grid, now = Grid(start, step, swing, parts), start + later
    place = grid.latest(now)
    assert grid.at(place) <= now < grid.at(place + 1)
    following = grid.next(now)
    assert grid.at(following) >= now
    assert following in (place, place + 1)
    assert grid.at(place) <= grid.end(place, Fraction(1, 2)) <= grid.at(place + 1)
    whole = Grid(start, step, swing)
    assert [grid.exactly(parts * each) for each in range(5)] == [whole.exactly(each) for each in range(5)]


@pytest.mark.parametrize(("first", "second"), [(1, 1), (2, 1), (3, 1), (3, 2), (5, 3), (60, 40)])
def test_swing_is_musicxmls_ratio_of_the_first_note_to_the_second(first, second):
    """MusicXML 4.0, element swing: "The first and second elements are positive integers that specify the ratio between
    durations of consecutive notes. For example, a first element with a value of 2 and a second element with a value of
    1 applied to eighth notes specifies a quarter note / eighth note tuplet playback, where the first note is twice as
    long as the second note." From memory of the standard's text.
    """
    pair = Music(tempo=Fraction(97)).duration(Fraction(1, 4))
    grid = Music(tempo=Fraction(97)).grid(length("1/8"), swing_ratio(f"{first}:{second}"))
    places = [grid.exactly(place) for place in range(201)]
    assert {places[i + 1] - places[i] for i in range(0, 200, 2)} == {pair * Fraction(first, first + second)}
    assert {places[i + 2] - places[i + 1] for i in range(0, 200, 2)} == {pair * Fraction(second, first + second)}


# --- drums ----------------------------------------------------------------------------------------------------------


def test_drums_against_pretty_midi():
    pretty_midi = pytest.importorskip("pretty_midi")
    plain = str.maketrans({"-": "", " ": ""})
    ours = {number: name.casefold().translate(plain) for name, number in DRUMS.items()}
    theirs = {n: pretty_midi.note_number_to_drum_name(n).casefold().translate(plain) for n in range(35, 82)}
    assert ours == theirs
    assert drum_number("Hand Clap") == drum_number("39") == 39


# --- a progression that parts share -------------------------------------------------------------------------------

INPUTS = {
    **{
        name: lambda new, alarm, name=name: SwitchConditioner(name, SwitchSettings(), new, alarm)
        for name in ("pad", "pad2")
    },
    "keys": lambda new, alarm: MidiConditioner("keys", MidiSettings(), new, alarm),
}


def part(name, source, channel, *rules):
    steps = tuple(plan_rule(RULES[rule], written) for rule, written in rules)
    return PartPlan(name, (source,), steps, Route("out", channel))


def plan(*parts, progression=None, music=None):
    return Plan(
        music or Music(0, SCALES["major"], Fraction(120)), Limits(), INPUTS, parts, progression or Progression()
    )


def switch(name, pressed):
    return SwitchSample(name, pressed)


def ons(player, channel):
    return [(now // MILLISECOND, m.data[1]) for now, m in player.played if m.data[0] == 0x90 | channel - 1]


def test_a_chord_goes_on_before_the_parts_that_hear_the_same_press():
    progression = Progression((chord_symbol("C"), chord_symbol("F")), advance="pad")
    player = VirtualTime(plan(part("a", "pad", 1, ("note", {}), ("chord", {"follow": True})), progression=progression))
    player.give(MILLISECOND, switch("pad", True))
    assert [note for _, note in ons(player, 1)] == [60, 64, 67], "the first press has the first chord"
    player.give(500 * MILLISECOND, switch("pad", False))
    player.give(1000 * MILLISECOND, switch("pad", True))
    assert [note for _, note in ons(player, 1)][3:] == [65, 69, 72]
    assert [fields["chord"] for _, _, fields in player.log.named("chord")] == ["F"]


RESTARTS = """profile: 1
child: wren
music: {{scale: major, progression: {{chords: [C, F, G], advance: {advance}}}}}
inputs:
  pad: {{type: switch, device: {{terminal: space}}, debounce: 0 ms}}
  foot: {{type: switch, device: {{terminal: f}}, debounce: 0 ms}}
parts:
  tune: {{input: pad, rules: [{{sequence: {sequence}}}, {{scale_lock: {{to: chord}}}}], output: {{port: synth, channel: 1}}}}
  bass: {{input: pad, rules: [{{note: {{octave: 2}}}}, {{chord: {{follow: true}}}}], output: {{port: synth, channel: 2}}}}
  more: {{input: foot, rules: [{{note: {{}}}}], output: {{port: synth, channel: 3}}}}
outputs: {{synth: {{midi: "*"}}}}
"""


def roots_of_presses(tmp_path, times, *, advance="pad", sequence="{degrees: [1, 4, 5], restart_after: 10 s}", lost=()):
    """The lowest note of the second part at each press of the pad, at these seconds, of a profile as written."""
    path = tmp_path / "wren.yaml"
    path.write_text(RESTARTS.format(advance=advance, sequence=sequence), encoding="utf-8")
    player = VirtualTime(profile.load(path).plan)
    for time in sorted({*times, *lost}):
        now = round(time * NANOSECONDS)
        if time in lost:
            player.give(now, Lost("pad"))
            continue
        player.give(now, switch("pad", True))
        player.give(now + 200 * MILLISECOND, switch("pad", False))
    return [note % 12 for _, note in ons(player, 2)][::3]


def test_the_chords_begin_again_with_the_tune_after_its_pause(tmp_path):
    assert roots_of_presses(tmp_path, (1, 2, 3, 4)) == [0, 5, 7, 0]
    assert roots_of_presses(tmp_path, (1, 2, 13, 14)) == [0, 5, 0, 5], "what was found: the tune began again in G"
    assert roots_of_presses(tmp_path, (1, 2, 11.9, 12.9)) == [0, 5, 7, 0], "a shorter pause is none"


def test_the_chords_begin_again_where_a_tune_that_stops_does_so_by_itself(tmp_path):
    stops = "{degrees: [1, 4, 5, 1], end: stop}"
    assert roots_of_presses(tmp_path, (1, 2, 13, 14), sequence=stops) == [0, 5, 0, 5]


def test_a_tune_without_a_pause_goes_on_and_so_do_the_chords(tmp_path):
    assert roots_of_presses(tmp_path, (1, 2, 60, 61), sequence="{degrees: [1, 4, 5]}") == [0, 5, 7, 0]


def test_when_the_switch_is_pulled_out_tune_and_chords_begin_again(tmp_path):
    assert roots_of_presses(tmp_path, (1, 2, 4, 5), lost=(3,)) == [0, 5, 0, 5]


def test_chords_that_another_movement_moves_on_do_not_wait_for_the_tune(tmp_path):
    assert roots_of_presses(tmp_path, (1, 20, 40), advance="foot") == [0, 0, 0]


def test_all_parts_change_together_and_nothing_is_left():
    progression = Progression((1, 4, 5), every=Span(bars=Fraction(1)))
    parts = [
        part("a", "pad", 1, ("note", {}), ("chord", {"follow": True}), ("arpeggio", {"rate": "1/8"})),
        part("b", "pad", 2, ("note", {"octave": 2}), ("drone", {"follow": True, "degrees": [1]})),
        part("c", "pad2", 3, ("note", {"degree": 2}), ("scale_lock", {"to": "chord"})),
    ]
    player = VirtualTime(plan(*parts, progression=progression))
    player.give(0, switch("pad", True))
    for bar in range(6):
        player.give((2000 * bar + 100) * MILLISECOND, switch("pad2", True))
        player.give((2000 * bar + 400) * MILLISECOND, switch("pad2", False))
    player.give(12_100 * MILLISECOND, switch("pad", False))
    player.go_on(20_000 * MILLISECOND)
    chords = [{0, 4, 7}, {5, 9, 0}, {7, 11, 2}]
    for when, note in ons(player, 1):
        assert note % 12 in chords[when // 2000 % 3], (when, note)
    assert [note % 12 for _, note in ons(player, 3)] == [0, 0, 2, 0, 0, 2]
    # On each bar the drone of the second part stands on the next root.
    roots = dict(ons(player, 2))
    assert [roots[2000 * bar] % 12 for bar in range(1, 7)] == [5, 7, 0, 5, 7, 0]
    assert player.engine.sounding == ()
    player.stop()
    assert player.engine.next_deadline() is None


def test_an_arpeggio_goes_on_in_time_through_a_change_of_chord():
    progression = Progression((chord_symbol("C"), chord_symbol("Am")), every=length("1 bar"))
    rules = ("note", {}), ("chord", {"follow": True}), ("arpeggio", {"rate": "1/8"})
    player = VirtualTime(plan(part("a", "pad", 1, *rules), progression=progression))
    player.give(100 * MILLISECOND, switch("pad", True))
    player.go_on(6000 * MILLISECOND)
    assert [when for when, _ in ons(player, 1)] == list(range(100, 6001, 250))


def test_the_specialists_chord_is_followed_while_the_child_holds():
    rules = ("note", {}), ("chord", {"follow": True, "voice_leading": "smooth"})
    player = VirtualTime(plan(part("a", "pad", 1, *rules), progression=Progression(follow="keys")))
    player.give(0, switch("pad", True))
    for now, data in enumerate(((0x90, 50, 9), (0x90, 53, 9), (0x90, 57, 9)), 1):
        player.give(now * MILLISECOND, MidiSample("keys", data))
    player.go_on(3 * MILLISECOND + SETTLE)
    assert {note % 12 for _, _, note in player.engine.sounding} == {2, 5, 9}
    player.give(NANOSECONDS, Lost("keys"))
    assert {note % 12 for _, _, note in player.engine.sounding} == {2, 5, 9}, "the chord stays"
    player.give(2 * NANOSECONDS, switch("pad", False))
    assert player.engine.sounding == ()
    assert [fields["chord"] for _, _, fields in player.log.named("chord")] == ["Dm"]


def told(player):
    return [(now // MILLISECOND, fields["chord"]) for now, _, fields in player.log.named("chord")]


def test_a_chord_that_comes_twice_is_no_change():
    """Told as one, it would strike an arpeggio or a drone again, and stand in the log."""
    chords = tuple(chord_symbol(name) for name in ("C", "C", "F"))
    parts = part("a", "pad", 1, ("note", {}), ("chord", {"follow": True}))
    player = VirtualTime(plan(parts, progression=Progression(chords, every=Span(whole=Fraction(1, 4)))))
    player.go_on(3200 * MILLISECOND)
    assert told(player) == [(1000, "F"), (1500, "C"), (2500, "F"), (3000, "C")]
    player = VirtualTime(plan(parts, progression=Progression(chords, advance="pad2")))
    for place in range(1, 5):
        player.give(1000 * place * MILLISECOND, switch("pad2", True))
        player.give((1000 * place + 500) * MILLISECOND, switch("pad2", False))
    assert told(player) == [(2000, "F"), (3000, "C")]
    player = VirtualTime(plan(parts, progression=Progression((chords[0],), every=Span(bars=Fraction(1)))))
    player.go_on(9000 * MILLISECOND)
    assert told(player) == []


def test_while_the_specialist_holds_a_chord_presses_move_on_unheard():
    progression = Progression((chord_symbol("C"), chord_symbol("F")), advance="pad2", follow="keys")
    player = VirtualTime(plan(part("a", "pad", 1, ("note", {}), ("chord", {"follow": True})), progression=progression))
    for now, data in enumerate(((0x90, 50, 9), (0x90, 53, 9), (0x90, 57, 9)), 1):
        player.give(now * MILLISECOND, MidiSample("keys", data))
    player.go_on(100 * MILLISECOND)
    player.give(1000 * MILLISECOND, switch("pad2", True))
    assert [chord for _, chord in told(player)] == ["Dm"]


def test_another_key_moves_the_chords_that_are_steps_of_the_scale():
    progression = Progression((1, 5), advance="pad2")
    player = VirtualTime(plan(part("a", "pad", 1, ("note", {}), ("chord", {"follow": True})), progression=progression))
    player.follow(Music(2, SCALES["major"]), 0)
    player.give(0, switch("pad", True))
    assert {note % 12 for _, _, note in player.engine.sounding} == {2, 6, 9}


def test_all_parts_are_on_one_grid_of_beats():
    """Two parts pressed at odd moments strike together, on the eighths counted from the start of the engine."""
    rules = ("note", {}), ("arpeggio", {"rate": "1/8", "begin": "on the beat", "gate": "50 %"})
    player = VirtualTime(plan(part("a", "pad", 1, *rules), part("b", "pad2", 2, *rules)))
    player.give(130 * MILLISECOND, switch("pad", True))
    player.give(333 * MILLISECOND, switch("pad2", True))
    player.go_on(2000 * MILLISECOND)
    assert [when for when, _ in ons(player, 1)] == list(range(250, 2001, 250))
    assert [when for when, _ in ons(player, 2)] == list(range(500, 2001, 250))


def test_latches_of_a_group_replace_one_another_in_any_part():
    rules = [("latch", {"group": "drones"}), ("note", {})]
    player = VirtualTime(plan(part("a", "pad", 1, *rules), part("b", "pad2", 2, *rules)))
    for now, name in enumerate(("pad", "pad2", "pad", "pad")):
        player.give(100 * (now + 1) * MILLISECOND, switch(name, True))
        player.give((100 * (now + 1) + 50) * MILLISECOND, switch(name, False))
        on = {channel for _, channel, _ in player.engine.sounding}
        assert on == ({1}, {2}, {1}, set())[now]


def test_a_repeat_of_a_hundred_thousand_strokes_is_exactly_on_its_grid():
    music = Music(tempo=Fraction(77))
    limits = Limits(notes_per_second=1000, note_length=10**18)
    rules = ("note", {}), ("repeat", {"rate": "1/16 triplet", "gate": "50 %"})
    player = VirtualTime(Plan(music, limits, INPUTS, (part("a", "pad", 1, *rules),)))
    step, start, count = music.lasts(rate("1/16 triplet")), 123_456_789, 100_000
    player.give(start, switch("pad", True))
    player.go_on(start + int(step * (count - 1)) + 1)
    times = [now for now, m in player.played if m.data[0] == 0x90]
    assert times == [start + math.ceil(place * step) for place in range(count)]


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 900), st.integers(1, 900)), min_size=1, max_size=6),
    st.sampled_from(["1/4", "1/8 triplet", "1/16", "1/16 triplet", "1/2"]),
    st.integers(1, 127),
)
def test_on_the_beat_every_stroke_stands_on_the_shared_grid(presses, strong, velocity):
    """The first one too, and of any strength: all are places of the grid of quarters, or divide it evenly."""
    rules = ("note", {}), ("repeat", {"rate": "1/4", "strong": strong, "begin": "on the beat", "gate": "10 %"})
    player = VirtualTime(plan(part("a", "keys", 1, *rules)))
    now = 0
    for rest, held in presses:
        now += rest * MILLISECOND
        player.give(now, MidiSample("keys", (0x90, 60, velocity)))
        now += held * MILLISECOND
        player.give(now, MidiSample("keys", (0x80, 60, 0)))
    player.go_on(now + 2 * NANOSECONDS)
    begun = [when for when, message in player.played if message.data[0] == 0x90]
    assert begun
    quarter = 500 * MILLISECOND
    steps = [quarter // n if quarter % n == 0 else quarter / n for n in (1, 2, 3, 4, 6)]
    fits = [step for step in steps if all((when - round(when / step) * step) < 2 for when in begun)]
    assert fits, begun
    assert player.engine.sounding == ()


GAPS = st.lists(st.tuples(st.integers(51, 700), st.integers(1, 300)), min_size=1, max_size=20)


@settings(max_examples=60, deadline=None)
@given(GAPS, st.sampled_from(["1/4", "1/8", "1/16", "1 bar"]), st.sampled_from([0, 200, 500, 1000]))
def test_a_quick_tune_through_quantize_stays_a_tune(gaps, to, most):
    """Each note is heard, once, in the order played, none later than ``longest_wait``, and no two at the same time."""
    rules = ("note", {}), ("quantize", {"to": to, "longest_wait": f"{most} ms"})
    limits = Limits(notes_per_second=1000, notes_at_once=128)
    music = Music(0, SCALES["major"], Fraction(120))
    player = VirtualTime(Plan(music, limits, INPUTS, (part("a", "keys", 1, *rules),)))
    now, played = 7, []
    for place, (gap, held) in enumerate(gaps):
        now += gap * MILLISECOND
        played.append((now, 40 + place))
        player.give(now, MidiSample("keys", (0x90, 40 + place, 64)))
        player.go_on(now + min(held, gap // 2) * MILLISECOND)
        player.give(now + min(held, gap // 2) * MILLISECOND, MidiSample("keys", (0x80, 40 + place, 0)))
    player.go_on(now + 3 * NANOSECONDS)
    begun = [(when, message.data[1]) for when, message in player.played if message.data[0] == 0x90]
    assert [pitch for _, pitch in begun] == [pitch for _, pitch in played]
    assert all(0 <= b - a <= most * MILLISECOND for (a, _), (b, _) in zip(played, begun, strict=True))
    if to in ("1/8", "1/16"):  # an eighth of a longer step is further away than some efforts
        assert all(a < b for (a, _), (b, _) in itertools.pairwise(begun)), begun
    assert player.engine.sounding == ()


@settings(max_examples=40, deadline=None)
@given(GAPS, st.lists(st.tuples(st.integers(0, 19), st.integers(40, 200), st.integers(0, 900)), max_size=4))
def test_a_tune_that_waits_keeps_its_order_in_another_tempo(gaps, changes):
    rules = ("note", {}), ("quantize", {"to": "1/8", "longest_wait": "1 s"})
    limits = Limits(notes_per_second=1000, notes_at_once=128)
    player = VirtualTime(
        Plan(Music(0, SCALES["major"], Fraction(120)), limits, INPUTS, (part("a", "keys", 1, *rules),))
    )
    now, times = 7, []
    for place, (gap, _held) in enumerate(gaps):
        now += gap * MILLISECOND
        times.append(now)
        player.give(now, MidiSample("keys", (0x90, 40 + place, 64)))
        player.give(now + 20 * MILLISECOND, MidiSample("keys", (0x80, 40 + place, 0)))
        for at, tempo, origin in changes:
            if at == place:
                music = Music(0, SCALES["major"], Fraction(tempo), origin=origin * MILLISECOND)
                player.follow(music, now + 21 * MILLISECOND)
    player.go_on(now + 3 * NANOSECONDS)
    begun = [(when, message.data[1]) for when, message in player.played if message.data[0] == 0x90]
    assert [pitch for _, pitch in begun] == [*range(40, 40 + len(gaps))]
    assert all(0 <= b - a <= NANOSECONDS for a, (b, _) in zip(times, begun, strict=True))
    assert player.engine.sounding == ()


def test_late_strokes_are_left_out_and_never_bunch():
    rules = ("note", {}), ("repeat", {"rate": "4 Hz", "gate": "50 %"})
    player = VirtualTime(plan(part("a", "pad", 1, *rules)))
    player.give(0, switch("pad", True))
    player.wake_late(1260 * MILLISECOND)
    assert [when for when, _ in ons(player, 1)] == [0, 1260]
    player.wake_late(1900 * MILLISECOND)
    player.go_on(2250 * MILLISECOND)
    assert [when for when, _ in ons(player, 1)] == [0, 1260, 2000, 2250]


# --- arpeggio orders ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("order", "octaves", "notes"),
    [
        ("up", 1, "C E G C E G C"),
        ("down", 1, "G E C G E C G"),
        ("up and down", 1, "C E G E C E G"),
        ("as played", 1, "G C E G C E G"),
        ("up", 2, "C E G C' E' G' C"),
        ("down", 2, "G' E' C' G E C G'"),
        ("up and down", 2, "C E G C' E' G' E'"),
    ],
)
def test_arpeggio_orders_written_out(order, octaves, notes):
    """Common practice, no source."""
    names = {"C": 60, "E": 64, "G": 67, "C'": 72, "E'": 76, "G'": 79}
    rules = ("note", {}), ("arpeggio", {"order": order, "octaves": octaves, "rate": "4 Hz"})
    player = VirtualTime(plan(part("a", "keys", 1, *rules)))
    for pitch in (67, 60, 64):
        player.give(0, MidiSample("keys", (0x90, pitch, 9)))
    player.go_on(9 * NANOSECONDS)
    played = [note for _, note in ons(player, 1)][1:]  # the first step came before the other keys
    wanted = [names[name] for name in notes.split()]
    assert any(played[at : at + len(wanted)] == wanted for at in range(12)), played


# --- chords with lengths of their own, and the chord that comes next -----------------------------------------------------

BAR = TimeSignature().quarters * NANOSECONDS / 2  # at 120 quarter notes a minute


def harmony_of(*chords: str, every: str | None = None, music: Music) -> tuple[Harmony, Timers]:
    """A harmony of these chords as a profile writes them, begun."""
    timed = [timed_chord(chord) for chord in chords]
    spans = tuple(chord.lasts or length(every or "1 bar") for chord in timed)
    timers = Timers()
    harmony = Harmony(Progression(tuple(chord.chord for chord in timed), None, spans), Alarm(timers, 0))
    harmony.start(music)
    return harmony, timers


def chords_by_bar(harmony: Harmony, timers: Timers, music: Music, bars: int) -> str:
    """The chord in the middle of each bar."""
    found = []
    for bar in range(bars):
        middle_of_bar = music.origin + math.floor(BAR * (bar + Fraction(1, 2)))
        while (due := timers.next()) is not None and due <= middle_of_bar:
            timers.pop(due)
            harmony.wake(due, None)
        chord = harmony.chord(music)
        found.append("" if chord is None else chord.name)
    return " ".join(found)


def test_each_chord_lasts_as_long_as_is_written_and_the_others_as_long_as_every():
    music = Music(tempo=Fraction(120), origin=123_456_789)
    harmony, timers = harmony_of("A7 4 bars", "D7 2 bars", "A7 2 bars", "E7", "D7", "A7 2 bars", music=music)
    blues = "A7 A7 A7 A7 D7 D7 A7 A7 E7 D7 A7 A7"
    assert chords_by_bar(harmony, timers, music, 36) == f"{blues} {blues} {blues}"


@given(
    st.lists(st.sampled_from(["1/4", "1/2", "3/8", "1/8 triplet", "1 bar", "2 bars", "1/4 dotted"]), min_size=2),
    st.fractions(20, 300, max_denominator=97),
)
@settings(max_examples=60, deadline=None)
def test_lengths_add_up_exactly_round_after_round(lengths, tempo):
    """No chord comes a nanosecond early, nor as much as one late, in the hundredth round."""
    music = Music(tempo=tempo, origin=17)
    harmony, timers = harmony_of(*(f"{'CDEFGAB'[i % 7]} {each}" for i, each in enumerate(lengths)), music=music)
    exact = [music.lasts(length(each)) for each in lengths]
    (due,) = [timers.next()]
    assert due == 17 + math.ceil(exact[0])
    harmony.wake(17 + math.ceil(99 * sum(exact) + exact[0]), None)
    assert timers.next() == 17 + math.ceil(99 * sum(exact) + exact[0] + exact[1])
    harmony.wake(17 + math.ceil(100 * sum(exact)) - 2, None)  # late in the last chord of a round
    assert timers.next() == 17 + math.ceil(100 * sum(exact))


def test_the_next_other_chord_is_known_with_its_time():
    music = Music(tempo=Fraction(120))
    harmony, timers = harmony_of("C", "C", "F 2 bars", "G", music=music)
    found = []
    for _ in range(4):
        coming = harmony.coming(music)
        found.append((coming.chord.name, coming.at // (2 * NANOSECONDS)))
        due = timers.next()
        timers.pop(due)
        harmony.wake(due, None)
    assert found == [("F", 2), ("F", 2), ("G", 4), ("C", 5)]
    assert Harmony(Progression((chord_symbol("C"),), length("1 bar")), Alarm(Timers(), 0)).coming(music) is None


def test_chords_that_go_on_by_presses_come_nobody_knows_when():
    by_presses = Progression(tuple(map(chord_symbol, ("C", "F"))), advance="pad")
    harmony = Harmony(by_presses, Alarm(Timers(), 0))
    assert harmony.coming(Music()) == Coming(chord_symbol("F"))


def test_a_slower_beat_keeps_the_place_among_chords_of_different_lengths():
    music = Music(tempo=Fraction(120))
    harmony, timers = harmony_of("C 2 bars", "F", "G", music=music)
    for _ in range(1):
        timers.pop(timers.next())
        harmony.wake(4 * NANOSECONDS, None)
    assert harmony.chord(music).name == "F"
    slower = replace(music, tempo=Fraction(60), origin=-4 * NANOSECONDS)  # the third bar begins at 4 s in both
    harmony.beat_changed(slower, 5 * NANOSECONDS)
    assert harmony.chord(slower).name == "F"
    assert timers.next() == 8 * NANOSECONDS


@pytest.mark.parametrize(
    ("text", "chord", "lasts"),
    [
        ("Am7", "Am7", None),
        ("C/E 2 bars", "C/E", Span(bars=Fraction(2))),
        ("5 1/2", 5, Span(whole=Fraction(1, 2))),
        ("  F#m7b5   1/4 dotted ", "F#m7b5", Span(whole=Fraction(3, 8))),
    ],
)
def test_a_chord_is_read_with_its_length(text, chord, lasts):
    read = timed_chord(text)
    assert (read.chord if isinstance(read.chord, int) else read.chord.name, read.lasts) == (chord, lasts)
    assert re.search(KINDS["chord with its length"].published["anyOf"][1]["pattern"], text)


@pytest.mark.parametrize(
    ("music", "message"),
    [
        ("{chords: [C 2 bars, F]}", "this chord has no length, and others have one"),
        ("{chords: [C 2 bars, F], advance: pad}", 'these chords go on by "advance", so none has a length of its own'),
        ("{chords: [C 2 brs, F], every: 1 bar}", '"2 brs" is not a length'),
        ("{chords: [C, F]}", "nothing goes on to the next chord of this progression"),
    ],
)
def test_what_is_wrong_with_lengths_of_chords_is_said(tmp_path, music, message):
    path = tmp_path / "wren.yaml"
    path.write_text(f"""\
profile: 1
child: wren
music: {{progression: {music}}}
inputs: {{pad: {{type: switch, device: {{terminal: space}}}}}}
parts: {{tune: {{input: pad, rules: [note: {{}}, chord: {{follow: yes}}], output: {{port: synth}}}}}}
outputs: {{synth: {{midi: "*"}}}}
""")
    assert [problem.message for problem in profile.check(path)] == [message]
