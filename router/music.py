"""Pitch names, scales, chords and tempo: tables and arithmetic, nothing else.

Note numbers are MIDI's: 60 is middle C and is written C4 here (the number is fixed by the MIDI standard, the
octave's name is not), 69 is A4 = 440 Hz. Scales and chords are semitones above their root; each set is held in
the tests against at least two reference libraries in all twelve keys.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from router.units import NANOSECONDS, QuantityError, nearest, whole_number

LETTERS: Mapping[str, int] = MappingProxyType({"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11})
_ACCIDENTALS: Mapping[str, int] = MappingProxyType(
    {"": 0, "#": 1, "b": -1, "##": 2, "bb": -2, "\u266f": 1, "\u266d": -1, " sharp": 1, " flat": -1}
)
NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")

SCALES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "major": (0, 2, 4, 5, 7, 9, 11),
        "minor": (0, 2, 3, 5, 7, 8, 10),
        "natural minor": (0, 2, 3, 5, 7, 8, 10),
        "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
        "melodic minor": (0, 2, 3, 5, 7, 9, 11),  # the ascending set, both ways: a scale lock has no direction
        "ionian": (0, 2, 4, 5, 7, 9, 11),
        "dorian": (0, 2, 3, 5, 7, 9, 10),
        "phrygian": (0, 1, 3, 5, 7, 8, 10),
        "lydian": (0, 2, 4, 6, 7, 9, 11),
        "mixolydian": (0, 2, 4, 5, 7, 9, 10),
        "aeolian": (0, 2, 3, 5, 7, 8, 10),
        "locrian": (0, 1, 3, 5, 6, 8, 10),
        "major pentatonic": (0, 2, 4, 7, 9),
        "minor pentatonic": (0, 3, 5, 7, 10),
        "major blues": (0, 2, 3, 4, 7, 9),
        "minor blues": (0, 3, 5, 6, 7, 10),
        "whole tone": (0, 2, 4, 6, 8, 10),
        "chromatic": tuple(range(12)),
    }
)

CHORDS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "fifth": (0, 7),
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
        "add9": (0, 4, 7, 14),
        "9": (0, 4, 7, 10, 14),
        "m9": (0, 3, 7, 10, 14),
        "maj9": (0, 4, 7, 11, 14),
    }
)
"""Chords of a fixed shape. Two more kinds, "triad" and "seventh", are stacked from the scale: see ``Music.stack``."""

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


def pitch_name(number: int) -> str:
    """The name of a MIDI note number: 60 is "C4"."""
    return f"{NAMES[number % 12]}{number // 12 - 1}"


def pitch_class(text: str) -> int:
    """A key's tonic ("D", "F#", "Bb") as 0 to 11."""
    found = _KEY.fullmatch(text)
    if not found:
        raise QuantityError(f'"{text}" is not a key', "Write a letter from A to G, with # or b if needed: D, F#, Bb.")
    return (LETTERS[found[1].upper()] + _ACCIDENTALS[found[2] or ""]) % 12


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


@dataclass(frozen=True, slots=True)
class Music:
    """What all parts share: the tonic (0 to 11, 0 is C), the scale's semitones, and the tempo in quarters a minute."""

    tonic: int = 0
    scale: tuple[int, ...] = SCALES["major pentatonic"]
    tempo: Fraction = Fraction(90)

    def degree(self, degree: int, octave: int) -> int:
        """The note number of a scale degree; degree 1 is the tonic in ``octave``, degrees beyond the scale go on upwards.

        The result is folded by octaves into 0 to 127.
        """
        octaves, step = divmod(degree - 1, len(self.scale))
        return fold(self.tonic + 12 * (octave + 1 + octaves) + self.scale[step])

    def contains(self, pitch: int) -> bool:
        """Whether this note is in the scale."""
        return (pitch - self.tonic) % 12 in self.scale

    def lock(self, pitch: int) -> int:
        """The nearest note of the scale; of two equally near the lower one."""
        for distance in range(12):
            for candidate in (pitch - distance, pitch + distance):
                if 0 <= candidate <= 127 and self.contains(candidate):
                    return candidate
        return pitch  # a scale without notes cannot be built from SCALES

    def stack(self, pitch: int, count: int) -> tuple[int, ...]:
        """A chord of ``count`` notes on ``pitch`` by taking every second step of the scale, as semitones above it.

        A ``pitch`` outside the scale is taken as the nearest scale note.
        """
        root = (self.lock(pitch) - self.tonic) % 12
        step = self.scale.index(root)
        shape = []
        for i in range(count):
            octaves, position = divmod(step + 2 * i, len(self.scale))
            shape.append(self.scale[position] + 12 * octaves - root)
        return tuple(shape)

    def duration(self, note_value: Fraction) -> Fraction:
        """How long a note value lasts, in nanoseconds, exactly: a quarter at 60 bpm is 1 000 000 000."""
        return note_value * 4 * 60 * NANOSECONDS / self.tempo


def fold(pitch: int) -> int:
    """The same note name inside MIDI's range, moved by whole octaves."""
    while pitch < 0:
        pitch += 12
    while pitch > 127:
        pitch -= 12
    return pitch


def invert(chord: Sequence[int], inversion: int) -> tuple[int, ...]:
    """The inversion of a chord: its notes go up an octave, from the lowest on, ``inversion`` of them; no note stands twice."""
    notes = sorted(chord)
    for _ in range(inversion):
        notes.append(notes.pop(0) + 12)
    return tuple(sorted(set(notes)))
