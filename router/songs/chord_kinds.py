"""Chord symbols as MusicXML writes them: a root, a kind and degrees, as a chord.

Source: MusicXML 4.0, kind-value and degree. The augmented sixth chords are spelled above their flat sixth degree.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from router.core.music import CHORDS, LETTERS, NAMES, SYMBOLS, Chord
from router.songs.xml_tree import Element

KINDS: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "major": CHORDS["major"],
        "minor": CHORDS["minor"],
        "augmented": CHORDS["augmented"],
        "diminished": CHORDS["diminished"],
        "dominant": CHORDS["7"],
        "major-seventh": CHORDS["maj7"],
        "minor-seventh": CHORDS["m7"],
        "diminished-seventh": CHORDS["dim7"],
        "augmented-seventh": CHORDS["7#5"],
        "half-diminished": CHORDS["m7b5"],
        "major-minor": CHORDS["mM7"],
        "major-sixth": CHORDS["6"],
        "minor-sixth": CHORDS["m6"],
        "dominant-ninth": CHORDS["9"],
        "major-ninth": CHORDS["maj9"],
        "minor-ninth": CHORDS["m9"],
        "dominant-11th": (0, 4, 7, 10, 14, 17),
        "major-11th": (0, 4, 7, 11, 14, 17),
        "minor-11th": (0, 3, 7, 10, 14, 17),
        "dominant-13th": (0, 4, 7, 10, 14, 17, 21),
        "major-13th": (0, 4, 7, 11, 14, 17, 21),
        "minor-13th": (0, 3, 7, 10, 14, 17, 21),
        "suspended-second": CHORDS["sus2"],
        "suspended-fourth": CHORDS["sus4"],
        "power": CHORDS["open fifth"],
        "pedal": (0,),
        "Neapolitan": CHORDS["major"],
        "Italian": (0, 4, 10),
        "French": (0, 4, 6, 10),
        "German": CHORDS["7"],
    }
)
_NAMES: Mapping[tuple[int, ...], str] = MappingProxyType(
    {shape: symbol for symbol, shape in reversed([*SYMBOLS.items()])}
)
_ABOVE = (0, 2, 4, 5, 7, 9, 10)
"""Semitones of the degrees of a dominant scale: a degree that is added is counted in it."""


def chord_of(harmony: Element, transpose: int) -> Chord | None:
    """The chord of a ``harmony`` element, ``transpose`` semitones up; None for "no chord" and what names none.

    Raises:
        ValueError: it is malformed.
    """
    kind = harmony.text_of("kind")
    root = harmony.find("root")
    if root is None or kind == "none":
        return None
    tonic = _pitch(root, "root") + transpose
    shape = set(KINDS.get(kind, CHORDS["major"] if kind not in ("other", "") else (0,)))
    for degree in harmony.all("degree"):
        number = int(degree.text_of("degree-value") or 1)
        by = int(float(degree.text_of("degree-alter") or 0))
        if not 1 <= number <= 13 or not -2 <= by <= 2:
            raise ValueError(number)
        octave, place = divmod(number - 1, 7)
        plain = _ABOVE[place] + 12 * octave
        how = degree.text_of("degree-type")
        if how == "add":
            shape.add(max(plain + by, 0))
        else:
            there = next((step for step in sorted(shape) if abs(step - plain) <= 1 and step), None)
            if there is not None:
                shape.discard(there)
                if how == "alter":
                    shape.add(there + by)
    steps = tuple(sorted(shape | {0}))
    bass = harmony.find("bass")
    lowest = None if bass is None else (_pitch(bass, "bass") + transpose) % 12
    lowest = None if lowest == tonic % 12 else lowest
    name = _name(root, "root", transpose) + _NAMES.get(steps, kind.replace("-", " "))
    if bass is not None and lowest is not None:
        name += f"/{_name(bass, 'bass', transpose)}"
    return Chord(name, tonic % 12, steps, lowest)


def _pitch(place: Element, word: str) -> int:
    step = place.text_of(f"{word}-step")
    if step not in LETTERS:
        raise ValueError(step)
    return LETTERS[step] + int(float(place.text_of(f"{word}-alter") or 0))


def _name(place: Element, word: str, transpose: int) -> str:
    alter = int(float(place.text_of(f"{word}-alter") or 0))
    if transpose % 12 or not -2 <= alter <= 2:
        return NAMES[(_pitch(place, word) + transpose) % 12]
    return place.text_of(f"{word}-step") + ("#" * alter if alter > 0 else "b" * -alter)
