"""Pitch names, scales, chords and tempo: tables and arithmetic, nothing else.

Note numbers are MIDI's: 60 is middle C and is written C4 here (the number is fixed by the MIDI standard, the
octave's name is not), 69 is A4 = 440 Hz. Scales and chords are semitones above their root; each set is held in
the tests against at least two reference libraries in all twelve keys.
"""

from __future__ import annotations

import functools
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from types import MappingProxyType
from typing import NamedTuple

from router.core.units import (
    FREQUENCY,
    NANOSECONDS,
    QuantityError,
    nearest,
    note_value,
    parse,
    time_ns,
    whole_number,
)

LETTERS: Mapping[str, int] = MappingProxyType({"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11})
_ACCIDENTALS: Mapping[str, int] = MappingProxyType(
    {"": 0, "#": 1, "b": -1, "##": 2, "bb": -2, "\u266f": 1, "\u266d": -1, " sharp": 1, " flat": -1}
)
NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


class Mode(tuple[int, ...]):
    """A scale whose chords use its own notes only; in plain minor, a key, the chord on the fifth step is major."""

    __slots__ = ()


SCALES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "major": (0, 2, 4, 5, 7, 9, 11),
        "minor": (0, 2, 3, 5, 7, 8, 10),
        "natural minor": Mode((0, 2, 3, 5, 7, 8, 10)),
        "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
        "melodic minor": (0, 2, 3, 5, 7, 9, 11),  # the ascending set, both ways: a scale lock has no direction
        "ionian": (0, 2, 4, 5, 7, 9, 11),
        "dorian": (0, 2, 3, 5, 7, 9, 10),
        "phrygian": (0, 1, 3, 5, 7, 8, 10),
        "lydian": (0, 2, 4, 6, 7, 9, 11),
        "mixolydian": (0, 2, 4, 5, 7, 9, 10),
        "aeolian": Mode((0, 2, 3, 5, 7, 8, 10)),
        "locrian": (0, 1, 3, 5, 6, 8, 10),
        "major pentatonic": (0, 2, 4, 7, 9),
        "minor pentatonic": (0, 3, 5, 7, 10),
        "major blues": (0, 2, 3, 4, 7, 9),
        "minor blues": (0, 3, 5, 6, 7, 10),
        "whole tone": (0, 2, 4, 6, 8, 10),
        "chromatic": tuple(range(12)),
    }
)

PARENTS: Mapping[tuple[int, ...], tuple[int, ...]] = MappingProxyType(
    {SCALES[f"{mode} {kind}"]: SCALES[mode] for mode in ("major", "minor") for kind in ("pentatonic", "blues")}
)
"""The seven-note scale from which the chords of a pentatonic or blues scale are taken. Common practice, no source."""

CHORDS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "open fifth": (0, 7),
        "octave": (0, 12),
        "major": (0, 4, 7),
        "minor": (0, 3, 7),
        "diminished": (0, 3, 6),
        "augmented": (0, 4, 8),
        "sus2": (0, 2, 7),
        "sus4": (0, 5, 7),
        "6": (0, 4, 7, 9),
        "m6": (0, 3, 7, 9),
        "7": (0, 4, 7, 10),
        "maj7": (0, 4, 7, 11),
        "m7": (0, 3, 7, 10),
        "dim7": (0, 3, 6, 9),
        "m7b5": (0, 3, 6, 10),
        "mM7": (0, 3, 7, 11),
        "7#5": (0, 4, 8, 10),
        "maj7#5": (0, 4, 8, 11),
        "add9": (0, 4, 7, 14),
        "9": (0, 4, 7, 10, 14),
        "m9": (0, 3, 7, 10, 14),
        "maj9": (0, 4, 7, 11, 14),
        "69": (0, 4, 7, 9, 14),
        "7sus4": (0, 5, 7, 10),
        "7b9": (0, 4, 7, 10, 13),
        "7#9": (0, 4, 7, 10, 15),
    }
)
"""Chords of a fixed shape. Two more kinds, "triad" and "seventh", are stacked from the scale: see ``Music.stack``."""

_IN_SYMBOLS = {"major": "", "minor": "m", "diminished": "dim", "augmented": "aug", "open fifth": "5"}
SYMBOLS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {_IN_SYMBOLS.get(name, name): shape for name, shape in CHORDS.items() if name != "octave"}
)
"""Chords by what follows the root in their symbol: nothing in "C", "m7" in "Am7"."""

_PITCH = re.compile(r"\s*([A-Ga-g])( sharp| flat|##|bb|#|b|\u266f|\u266d)?\s*(-?[0-9]{1,2})\s*")
_KEY = re.compile(r"\s*([A-Ga-g])( sharp| flat|##|bb|#|b|\u266f|\u266d)?\s*")


def pitch_number(text: str | int) -> int:
    """A note name ("C4", "F#3", "Bb2") or a number, as a MIDI note number 0 to 127.

    Raises:
        QuantityError: no such note, or one outside MIDI's range.
    """
    text = str(text)
    number = whole_number(text)
    if number is None:
        found = _PITCH.fullmatch(text)
        if not found:
            hint = "Write a letter and an octave, for example C4 (middle C), F#3 or Bb2, or a number from 0 to 127."
            if _KEY.fullmatch(text):
                hint = f'Did you mean "{text.strip()}4"? ' + hint
            raise QuantityError(f'"{text}" is not a note', hint)
        number = LETTERS[found[1].upper()] + _ACCIDENTALS[found[2] or ""] + 12 * (int(found[3]) + 1)
    if not 0 <= number <= 127:
        raise QuantityError(
            f'the note "{text}" is outside the range of MIDI',
            "The lowest is C-1 (0), the highest G9 (127); middle C is C4 (60).",
        )
    return number


def pitch_name(number: int, names: Sequence[str] = NAMES) -> str:
    """The name of a MIDI note number: 60 is "C4". ``names``: the twelve notes as a key spells them."""
    name = names[number % 12]
    natural = number - name.count("#") + name.count("b")  # B#3 is 60, and Cb4 is 59
    return f"{name}{natural // 12 - 1}"


_IN_FIFTHS = "FCGDAEB"


def _by_fifths(place: int) -> str:
    """A note's name by its place in the circle of fifths: 0 is C, 1 is G, -1 is F, 6 is F#."""
    sharps, letter = divmod(place + 1, 7)
    return _IN_FIFTHS[letter] + ("#" * sharps if sharps > 0 else "b" * -sharps)


class Signature(NamedTuple):
    """The key signature of a key: ``sharps`` (flats: negative), and whether its third is minor.

    A mode has the signature of the major key with the same notes; a pentatonic or blues scale has its parent's.
    The whole tone and the chromatic scale count as the major or minor key of their tonic.
    """

    sharps: int
    minor: bool

    @property
    def key(self) -> str:
        """The major or minor key with this signature: "E", "F#m"."""
        return f"{_by_fifths(self.sharps + 3)}m" if self.minor else _by_fifths(self.sharps)


@functools.cache
def signature(tonic: int, scale: tuple[int, ...]) -> Signature:
    """The key signature of a scale on a tonic (0 to 11), of six accidentals at most: F# major and Eb minor have six."""
    minor = _MINOR_THIRD in scale and _MAJOR_THIRD not in scale
    parent = PARENTS.get(scale, scale)
    modes = {tuple(sorted((note - step) % 12 for note in SCALES["major"])): step for step in SCALES["major"]}
    above = modes.get(
        parent, modes[SCALES["minor"]] if minor else 0
    )  # from the tonic of the major key with these notes
    sharps = (tonic - above) * 7 % 12
    return Signature(sharps - 12 if sharps > 6 or (sharps == 6 and minor) else sharps, minor)


@functools.cache
def spelt(tonic: int, scale: tuple[int, ...]) -> tuple[str, ...]:
    """The names of the twelve notes in a key, from C on: E major has G#, C# and D#, F minor Ab, Db and Eb.

    Notes outside the scale are named as its nearest relatives in fifths, a minor key's leading tone among them; of
    those that would be E#, B#, Cb, Fb or have two accidentals, the plain names are taken. Common practice.
    """
    sharps, minor = signature(tonic, scale)
    tonic_at = next(place for place in range(sharps - 1, sharps + 6) if place * 7 % 12 == tonic)
    lowest = tonic_at - (6 if minor else 4)
    own = range(sharps - 1, sharps + 6)  # the seven notes of the signature
    leading = tonic_at + 5
    names = [""] * 12
    for place in range(lowest, lowest + 12):
        plain = place < 13 and (place in own or place == leading or -7 < place < 11)
        names[place * 7 % 12] = _by_fifths(place if plain else place - 12 if place > 0 else place + 12)
    return tuple(names)


def pitch_class(text: str) -> int:
    """A key's tonic ("D", "F#", "Bb") as 0 to 11."""
    found = _KEY.fullmatch(text)
    if not found:
        raise QuantityError(f'"{text}" is not a key', "Write a letter from A to G, with # or b if needed: D, F#, Bb.")
    return (LETTERS[found[1].upper()] + _ACCIDENTALS[found[2] or ""]) % 12


_NOTES_OF_A_NAME = re.compile(r"(?:^|(?<=[/ ]))[A-G](?:#|b)?")
"""The note names in a chord's name: its root, the bass after a slash, or every note if the chord has no symbol."""


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord in no particular octave: root (0 to 11), shape in semitones above it, and a slash chord's bass note."""

    name: str
    root: int
    shape: tuple[int, ...]
    bass: int | None = None

    def named(self, names: Sequence[str]) -> Chord:
        """Return this chord with its notes spelled as in ``names``; for recognized chords, which nobody has written."""
        return replace(self, name=_NOTES_OF_A_NAME.sub(lambda found: names[pitch_class(found[0])], self.name))

    def moved(self, semitones: int, names: Sequence[str]) -> Chord:
        """Return this chord so many semitones higher (lower: negative), its notes spelled as in ``names``."""
        root = (self.root + semitones) % 12
        bass = None if self.bass is None else (self.bass + semitones) % 12
        name = _NOTES_OF_A_NAME.sub(lambda found: names[(pitch_class(found[0]) + semitones) % 12], self.name)
        return replace(self, name=name, root=root, bass=bass)

    @property
    def classes(self) -> tuple[int, ...]:
        """The chord's notes as 0 to 11, without octaves."""
        notes = [(self.root + step) % 12 for step in self.shape]
        return tuple(dict.fromkeys(notes if self.bass is None else [self.bass, *notes]))

    def near(self, pitch: int) -> tuple[int, ...]:
        """The chord's notes, root nearest to ``pitch`` (of two the lower), bass below it, folded into MIDI's range."""
        root = pitch + (self.root - pitch + 6) % 12 - 6
        notes = [root + step for step in self.shape]
        if self.bass is not None:
            notes.insert(0, root - (root - self.bass) % 12)
        return tuple(dict.fromkeys(fold(note) for note in notes))


_SYMBOL = re.compile(r"([A-G])(##|bb|#|b|\u266f|\u266d)?([^/]*?)(?:/([A-G])(#|b|\u266f|\u266d)?)?")


def chord_symbol(text: str) -> Chord | int:
    """A chord by its symbol ("C", "Am7", "F#m7b5", "C/E"), or the triad on a step of the scale by its number.

    Raises:
        QuantityError: no such chord.
    """
    text = text.strip()
    number = whole_number(text)
    if number is not None and 1 <= number <= 12:
        return number
    found = _SYMBOL.fullmatch(text)
    if found and found[3] in SYMBOLS:
        root = (LETTERS[found[1]] + _ACCIDENTALS[found[2] or ""]) % 12
        bass = (LETTERS[found[4]] + _ACCIDENTALS[found[5] or ""]) % 12 if found[4] else None
        return Chord(text, root, SYMBOLS[found[3]], bass)
    hint = f"Write a letter from A to G and then nothing (major) or {', '.join(kind for kind in SYMBOLS if kind)}."
    capital = text[:1].upper() + text[1:]
    if capital != text and (again := _SYMBOL.fullmatch(capital)) and again[3] in SYMBOLS:
        hint = f'Did you mean "{capital}"?  {hint}'
    elif found and (near := nearest(found[3], list(SYMBOLS)[1:])):
        hint = f'Did you mean "{found[1]}{found[2] or ""}{near}"?  {hint}'
    raise QuantityError(f'"{text}" is not a chord', hint)


STRAYS = 7
"""Most semitones from home to the middle of a smoothly voiced chord: every chord has a close position within it."""


def middle(notes: Sequence[int]) -> Fraction:
    """The mean of some note numbers, which tells how high a chord lies."""
    return Fraction(sum(notes), len(notes))


def voice(previous: Sequence[int], chord: Sequence[int], home: Fraction) -> tuple[int, ...]:
    """The notes of ``chord`` in the close position that moves least from ``previous``.

    Its middle is within ``STRAYS`` of ``home``, so no progression, however long, wanders off; at the ends of MIDI's
    range it is as near to home as possible. A chord's move is the sum of the semitones between its notes and the
    previous ones, paired from the lowest up. Of two equal moves the one nearer home is taken, then the lower one.
    Common practice.
    """
    old = sorted(previous)
    close = sorted({note % 12 for note in chord})
    lowest = min(max(int(home), 0), 115) // 12 * 12 - 24  # a home may be written beyond MIDI's range
    found = (
        tuple(note + lowest + 12 * octave for note in invert(close, inversion))
        for inversion, octave in itertools.product(range(len(close)), range(5))
    )

    def cost(notes: tuple[int, ...]) -> tuple[Fraction, int, Fraction, tuple[int, ...]]:
        away = abs(middle(notes) - home)
        pairs = itertools.zip_longest(old, notes)
        moved = sum(abs((old[-1] if a is None else a) - (notes[-1] if b is None else b)) for a, b in pairs)
        return max(away - STRAYS, Fraction(0)), moved, away, notes

    return min((notes for notes in found if 0 <= notes[0] <= notes[-1] <= 127), key=cost)


class Span(NamedTuple):
    """A length of time in one of three units; the other two are 0. A sum of lengths may have several."""

    whole: Fraction = Fraction(0)
    """In whole notes: a quarter is 1/4."""
    bars: Fraction = Fraction(0)
    nanoseconds: Fraction = Fraction(0)


_BARS = re.compile(r"\s*([0-9]{1,3})\s*bars?\s*")


def length(text: str) -> Span:
    """Read a length: a note value ("1/8"), bars ("2 bars") or a time ("300 ms"), at least 10 ms.

    Raises:
        QuantityError: it is none of them.
    """
    if "/" in text:
        return Span(whole=note_value(text))
    if (bars := _BARS.fullmatch(text)) and int(bars[1]):
        return Span(bars=Fraction(bars[1]))
    try:
        nanoseconds = time_ns(text)
    except QuantityError as error:
        raise QuantityError(
            f'"{text}" is not a length',
            (error.meant if re.search(r"[^\W\d]", text) else "")
            + "Write a note value such as 1/8, bars such as 2 bars, or a time such as 300 ms.",
        ) from error
    if nanoseconds < NANOSECONDS // 100:
        raise QuantityError(f'a length must be at least 10 ms: "{text}"')
    return Span(nanoseconds=Fraction(nanoseconds))


class TimedChord(NamedTuple):
    """A chord of a progression, by symbol or by the step of the scale, and how long it lasts; None: as the others."""

    chord: Chord | int
    lasts: Span | None = None


def timed_chord(text: str) -> TimedChord:
    """Read a chord with or without a length of its own: "Am7", "C 2 bars", "5 1/2".

    Raises:
        QuantityError: it is no chord, or what follows it is no length.
    """
    symbol, _, lasts = text.strip().partition(" ")
    return TimedChord(chord_symbol(symbol), length(lasts) if lasts.strip() else None)


def rate(text: str) -> Span:
    """Read a rate: a note value ("1/8"), or so many a second ("4 Hz"), 0.1 to 50 Hz; as the time from one to the next.

    Raises:
        QuantityError: it is neither.
    """
    if "/" in text:
        return Span(whole=note_value(text))
    try:
        hertz = parse(text, FREQUENCY, "a rate")
    except QuantityError as error:
        raise QuantityError(
            f'"{text}" is not a rate', "Write a note value such as 1/8, or how many a second, such as 4 Hz."
        ) from error
    if not Fraction(1, 10) <= hertz <= 50:
        raise QuantityError(f'a rate is 0.1 Hz to 50 Hz: "{text}"')
    return Span(nanoseconds=NANOSECONDS / hertz)


@dataclass(frozen=True, slots=True)
class Grid:
    """Places in time from ``start`` on, ``step`` nanoseconds apart; exact, so that a thousand steps add up.

    ``swing`` delays the second of each pair to this share of the pair: 1/2 is even, 2/3 is a triplet feel. ``parts``:
    into how many equal places each step, long or short, is divided.
    """

    start: int
    step: Fraction
    swing: Fraction = Fraction(1, 2)
    parts: int = 1

    def exactly(self, place: int) -> Fraction:
        """The time of a place, in nanoseconds after the start."""
        if self.parts == 1:
            return self._exactly(place)
        step, part = divmod(place, self.parts)
        here = self._exactly(step)
        return here + (self._exactly(step + 1) - here) * part / self.parts

    def _exactly(self, step: int) -> Fraction:
        pair, second = divmod(step, 2)
        return 2 * self.step * (pair + (self.swing if second else 0))

    def at(self, place: int) -> int:
        """The time of a place: the first whole nanosecond that is not before it."""
        return self.start + math.ceil(self.exactly(place))

    def latest(self, now: int) -> int:
        """The last place that is not after ``now``."""
        step = 2 * int((now - self.start) // (2 * self.step))
        step += self._exactly(step + 1) <= now - self.start
        if self.parts == 1:
            return step
        here = self._exactly(step)
        into = (now - self.start - here) / (self._exactly(step + 1) - here)
        return step * self.parts + int(into * self.parts)

    def next(self, now: int) -> int:
        """The first place that is not before ``now``."""
        place = self.latest(now)
        return place if self.at(place) >= now else place + 1

    def nearest(self, when: int) -> int:
        """The place that is nearest to ``when``; of two equally near the earlier."""
        place = self.latest(when)
        after = self.exactly(place) + self.exactly(place + 1) < 2 * (when - self.start)
        return place + 1 if after else place

    def retimed(self, now: int, step: Fraction) -> Grid:
        """Return a grid that has another step from ``now`` on; the current step keeps the share of it that is over.

        No place moves from the past into the future or back, but for a fraction of a nanosecond.
        """
        return replace(self, start=math.floor(now - (now - self.start) * step / self.step), step=step)

    def onto(self, other: Grid, place: int, now: int) -> int:
        """The place of ``other`` that replaces ``place``, which is still to come when ``other`` takes over at ``now``.

        That is the place nearest to where ``place`` would be if only the step changed; if it was a moment ago, it is
        due now. So none comes twice or within half a step of the one before, and a small change skips none.
        """
        return other.nearest(self.retimed(now, other.step).at(place))

    def end(self, place: int, gate: Fraction) -> int:
        """The time at which this share of the way from a place to the next is over."""
        here = self.exactly(place)
        return self.start + math.ceil(here + gate * (self.exactly(place + 1) - here))


@dataclass(frozen=True, slots=True)
class Bars(Grid):
    """A grid that begins anew with each bar, which lasts ``bar`` nanoseconds and has ``columns`` places.

    So the first place of a bar is never late, whatever its time signature; a pair that would not fit does not swing.
    """

    bar: Fraction = Fraction(0)
    columns: int = 1

    def _exactly(self, step: int) -> Fraction:
        bar, column = divmod(step, self.columns)
        pair, second = divmod(column, 2)
        swing = self.swing if 2 * self.step * (pair + 1) <= self.bar else Fraction(1, 2)
        return bar * self.bar + 2 * self.step * (pair + (swing if second else 0))

    def latest(self, now: int) -> int:
        """The last place that is not after ``now``."""
        bar = int((now - self.start) // self.bar)
        into = now - self.start - bar * self.bar
        column = min(int(into // self.step), self.columns - 1)
        place = bar * self.columns + column
        return place - (self._exactly(place) > now - self.start)

    def retimed(self, now: int, step: Fraction) -> Bars:
        """Return a grid that has another step, and bars as much longer, from ``now`` on."""
        start = math.floor(now - (now - self.start) * step / self.step)
        return replace(self, start=start, step=step, bar=self.bar * step / self.step)


def frequency(number: int) -> float:
    """The frequency of a MIDI note number in hertz, equal temperament, A4 = 440 Hz."""
    return float(440.0 * 2.0 ** ((number - 69) / 12))


def scale_shape(name: str) -> tuple[int, ...]:
    """The semitones of a scale by name.

    Raises:
        QuantityError: no such scale.
    """
    if name in SCALES:
        return SCALES[name]
    if name == "blues":
        raise QuantityError(
            'there are two blues scales: write "minor blues" or "major blues"', 'The usual one is "minor blues".'
        )
    if name == "pentatonic":
        raise QuantityError('there are two pentatonic scales: write "major pentatonic" or "minor pentatonic"')
    near = nearest(name, SCALES)
    raise QuantityError(
        f'there is no scale called "{name}"',
        (f'Did you mean "{near}"?  ' if near else "") + "Scales: " + ", ".join(SCALES) + ".",
    )


_MINOR_THIRD, _MAJOR_THIRD, TRITONE, FIFTH, SEVENTH, LEADING_TONE = 3, 4, 6, 7, 10, 11
"""Semitones above the tonic."""


def _over(scale: tuple[int, ...], tonic: int, chord: Chord | None) -> tuple[int, ...]:
    """The scale over a chord: its seventh is raised where the chord has the leading tone, as in harmonic minor over V.

    Scales without a fifth stay, and so does a blues: there both sevenths at once are the style. Common practice.
    """
    if chord is None or SEVENTH not in scale or LEADING_TONE in scale or FIFTH not in scale or TRITONE in scale:
        return scale
    above = {(note - tonic) % 12 for note in chord.classes}
    if LEADING_TONE not in above or SEVENTH in above:
        return scale
    return tuple(LEADING_TONE if step == SEVENTH else step for step in scale)


@dataclass(frozen=True, slots=True)
class TimeSignature:
    """The time signature of a bar, with MusicXML's names: 6/8 has six ``beats`` of ``beat_type`` 8.

    ``groups``: the beats of each group where they are written, as MusicXML writes a composite one: 2+2+3 in 7/8.
    """

    beats: int = 4
    beat_type: int = 4
    groups: tuple[int, ...] = ()

    def __str__(self) -> str:
        return f"{'+'.join(map(str, self.groups)) or self.beats}/{self.beat_type}"

    @property
    def quarters(self) -> Fraction:
        """The length of a bar in quarter notes."""
        return Fraction(4 * self.beats, self.beat_type)

    @property
    def compound(self) -> bool:
        """Tell whether beats are dotted: 6/8, 9/8 and 12/8 are counted in threes. Common practice, no source."""
        threes = set(self.groups or (3,)) == {3}
        return threes and self.beat_type >= 8 and self.beats > 3 and self.beats % 3 == 0

    @property
    def strong(self) -> tuple[Fraction, ...]:
        """The places in the bar, in quarter notes, at which a group of beats begins: each is stressed.

        Groups that are written; else the dotted beats of 6/8, 9/8 and 12/8, twos in 4/4 (and 8/4), or the bar itself.
        Five and seven beats have many groupings, so without a written one only the first beat is strong. Common
        practice, no source.
        """
        sizes = self.groups or ((3,) * (self.beats // 3) if self.compound else (2,) * (self.beats // 2))
        if not self.groups and not self.compound and (self.beats % 2 or self.beats < 4):
            sizes = (self.beats,)
        return tuple(Fraction(4 * before, self.beat_type) for before in itertools.accumulate(sizes[:-1], initial=0))

    @property
    def beat(self) -> Fraction:
        """The length of what is tapped and clicked, in quarter notes: a dotted quarter in 6/8."""
        return Fraction(12 if self.compound else 4, self.beat_type)


BEAT_TYPES = (1, 2, 4, 8, 16)
MOST_BEATS = 16
"""Our choice: a bar of 16/1 is the longest."""
_TIME_SIGNATURE = re.compile(r"\s*([0-9]{1,2}(?:\s*\+\s*[0-9]{1,2}){0,15})\s*/\s*([0-9]{1,2})\s*")


def time_signature(text: str) -> TimeSignature:
    """A time signature from a text: "3/4", "6/8", or with its groups of beats "2+2+3/8".

    Raises:
        QuantityError: the text is none, or has more than ``MOST_BEATS`` beats.
    """
    found = _TIME_SIGNATURE.fullmatch(text)
    groups = tuple(map(int, found[1].split("+"))) if found else ()
    if not found or 0 in groups or sum(groups) > MOST_BEATS or int(found[2]) not in BEAT_TYPES:
        raise QuantityError(
            f'"{text}" is not a time signature',
            f"Write for example 4/4, 6/8 or 2+2+3/8: up to {MOST_BEATS} beats, of 1, 2, 4, 8 or 16.",
        )
    return TimeSignature(sum(groups), int(found[2]), groups if len(groups) > 1 else ())


class Coming(NamedTuple):
    """The next chord that differs from the current one, and when it comes, in nanoseconds; None: nobody knows when."""

    chord: Chord
    at: int | None = None


@dataclass(frozen=True, slots=True)
class Music:
    """The music that all parts share: tonic (0 to 11, 0 is C), the scale's semitones, tempo in quarter notes a minute.

    ``origin`` is when the first bar began, in nanoseconds, so that
    all parts are on one grid; ``chord`` is the current chord, None if there is none, and ``coming`` the next one.
    """

    tonic: int = 0
    scale: tuple[int, ...] = SCALES["major pentatonic"]
    tempo: Fraction = Fraction(90)
    time_signature: TimeSignature = TimeSignature()
    origin: int = 0
    chord: Chord | None = None
    coming: Coming | None = None
    sounds: tuple[int, ...] = field(init=False, repr=False, compare=False)
    """The scale over the current chord: its seventh is raised where the chord has the leading tone."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "sounds", _over(self.scale, self.tonic, self.chord))

    def degree(self, degree: int, octave: int) -> int:
        """The note number of a scale degree.

        Degree 1 is the tonic in ``octave``, degrees beyond the scale go on upwards.

        The result is folded by octaves into 0 to 127.
        """
        return self._degree(self.sounds, degree, octave)

    def contains(self, pitch: int) -> bool:
        """Tell whether this note is in the scale."""
        return (pitch - self.tonic) % 12 in self.sounds

    @property
    def notes(self) -> tuple[int, ...]:
        """The notes of the scale as 0 to 11, from the tonic up."""
        return tuple((self.tonic + step) % 12 for step in self.sounds)

    def lock(self, pitch: int) -> int:
        """The nearest note of the scale; of two equally near the lower one."""
        return nearest_of(self.notes, pitch)

    def move(self, pitch: int, steps: int) -> int:
        """Move a note by so many steps of the scale (down: negative), from the scale's note nearest to it."""
        locked = self.lock(pitch)
        octave, above = divmod(locked - self.tonic, 12)
        octaves, step = divmod(self.sounds.index(above) + steps, len(self.sounds))
        return fold(self.tonic + 12 * (octave + octaves) + self.sounds[step])

    def chord_at(self, now: int) -> Chord:
        """The chord at ``now``: that which has come, the current one, or the triad on the tonic if there is none."""
        if self.coming is not None and self.coming.at is not None and self.coming.at <= now:
            return self.coming.chord
        return self.chord or self.chord_on(1)

    @property
    def signature(self) -> Signature:
        """The key signature."""
        return signature(self.tonic, self.scale)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the twelve notes, from C on, as this key spells them."""
        return spelt(self.tonic, self.scale)

    @property
    def parent(self) -> tuple[int, ...]:
        """The scale that chords are taken from: for a pentatonic or blues scale, the seven notes that contain it."""
        return PARENTS.get(self.scale, self.scale)

    def chord_on(self, named: Chord | int) -> Chord:
        """The triad on a step of the parent scale; a chord is returned as it is."""
        if isinstance(named, Chord):
            return named
        pitch = self._degree(self.parent, named, 4)
        return Chord(str(named), pitch % 12, self._stack(self.parent, pitch, 3))

    def step(self, number: int, octave: int) -> int:
        """The note number of a step of the parent scale, counted as ``degree`` counts those of the scale."""
        return self._degree(_over(self.parent, self.tonic, self.chord), number, octave)

    def rooted(self, pitch: int) -> int:
        """The nearest note of the parent scale, on which a chord can stand; of two equally near the lower one."""
        scale = _over(self.parent, self.tonic, self.chord)
        return nearest_of([(self.tonic + step) % 12 for step in scale], pitch)

    def stack(self, pitch: int, count: int) -> tuple[int, ...]:
        """A chord of ``count`` notes on ``pitch``, every second step of the parent scale, as semitones above it.

        A ``pitch`` outside that scale is taken as ``rooted``. On the fifth step of a minor key the third is the raised
        leading tone, so the chord is a dominant. The chromatic scale belongs to no key: there it is a major chord or a
        dominant seventh.
        """
        return self._stack(_over(self.parent, self.tonic, self.chord), self.rooted(pitch), count)

    def _degree(self, scale: tuple[int, ...], degree: int, octave: int) -> int:
        octaves, step = divmod(degree - 1, len(scale))
        return fold(self.tonic + 12 * (octave + 1 + octaves) + scale[step])

    def _stack(self, scale: tuple[int, ...], pitch: int, count: int) -> tuple[int, ...]:
        root = (pitch - self.tonic) % 12
        if scale == SCALES["chromatic"] and count <= len(CHORDS["7"]):
            return CHORDS["7"][:count]
        if root == FIFTH and scale == SCALES["minor"] and not isinstance(self.scale, Mode):
            scale = SCALES["harmonic minor"]
        step = scale.index(root)
        shape = []
        for i in range(count):
            octaves, position = divmod(step + 2 * i, len(scale))
            shape.append(scale[position] + 12 * octaves - root)
        return tuple(shape)

    def duration(self, note_value: Fraction) -> Fraction:
        """The length of a note value in nanoseconds, exact: a quarter at 60 bpm is 1 000 000 000."""
        return note_value * 4 * 60 * NANOSECONDS / self.tempo

    def lasts(self, span: Span) -> Fraction:
        """The length of a span in nanoseconds, exact."""
        return span.nanoseconds + self.duration(span.whole + span.bars * self.time_signature.quarters / 4)

    def grid(self, span: Span, swing: Fraction = Fraction(1, 2)) -> Grid:
        """The grid that all parts share, with places a span apart."""
        return Grid(self.origin, self.lasts(span), swing)

    def bars(self, span: Span, swing: Fraction = Fraction(1, 2)) -> Bars:
        """The grid of all bars, each with places a span apart from its beginning on; a bar has at least one."""
        step, bar = self.lasts(span), self.lasts(Span(bars=Fraction(1)))
        step = min(step, bar)
        return Bars(self.origin, step, swing, bar=bar, columns=math.ceil(bar / step))


def nearest_of(classes: Sequence[int], pitch: int, direction: str = "nearest") -> int:
    """The note of these classes (0 to 11) nearest to a pitch, or the next one "up" or "down".

    If two are equally near, it is the lower.

    If there is none in that direction within MIDI's range, look in the other.
    """
    for distance in range(12):
        for candidate in (pitch - distance, pitch + distance):
            wrong_way = (direction == "up" and candidate < pitch) or (direction == "down" and candidate > pitch)
            if 0 <= candidate <= 127 and candidate % 12 in classes and not wrong_way:
                return candidate
    return pitch if direction == "nearest" or not classes else nearest_of(classes, pitch)


def fold(pitch: int) -> int:
    """Move a note by whole octaves into MIDI's range."""
    while pitch < 0:
        pitch += 12
    while pitch > 127:
        pitch -= 12
    return pitch


def invert(chord: Sequence[int], inversion: int) -> tuple[int, ...]:
    """Invert a chord: move its ``inversion`` lowest notes up an octave; no note stands twice."""
    notes = sorted(chord)
    for _ in range(inversion):
        notes.append(notes.pop(0) + 12)
    return tuple(sorted(set(notes)))
