"""The fields of ABC that say something of the music: key, metre, unit length, tempo, the order of the sections."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from router.core.music import BEAT_TYPES, LETTERS, MOST_BEATS, SCALES, TimeSignature
from router.songs.abc.text import Line

MODES: Mapping[str, tuple[str, int]] = {
    "": ("major", 0),
    "maj": ("major", 0),
    "ion": ("major", 0),
    "mix": ("mixolydian", -1),
    "dor": ("dorian", -2),
    "m": ("minor", -3),
    "min": ("minor", -3),
    "aeo": ("aeolian", -3),
    "phr": ("phrygian", -4),
    "loc": ("locrian", -5),
    "lyd": ("lydian", 1),
}
"""Modes by their first three letters (ABC 2.1, 3.1.14), and how many sharps they have more than major."""

KNOWN = frozenset("ABCDFGHIKLMNOPQRSTUVWXZmrsw")
"""The fields that the standard has (ABC 2.1, section 3)."""
KNOWN_HINT = "The fields of a tune: T: title, M: metre, L: unit length, Q: tempo, K: key, and w: words."

ALTERS: Mapping[str, int] = {"^^": 2, "^": 1, "=": 0, "_": -1, "__": -2}
_FIFTHS = "FCGDAEB"
_TONIC = re.compile(r"([A-G])([#b]?)(?:\s*([A-Za-z]*))?(?=[\s=]|$)")
_ATTRIBUTE = re.compile(r"([A-Za-z]+)\s*=\s*(\"[^\"]*\"|\S+)")
_ACCIDENTAL = re.compile(r"(\^\^|\^|__|_|=)([A-Ga-g])")
_CLEF = re.compile(r"(?:treble|bass|alto|tenor|perc|none|soprano|mezzosoprano|baritone)[1-5]?([+-]8)?")
_KEY_EXAMPLES = "Write the tonic and the mode: K:G, K:Em, K:D dorian."


@dataclass(frozen=True, slots=True)
class VoiceKey:
    """A key: tonic (0 to 11), scale, and what it does to each letter; ``moved``: semitones by clef or transposition."""

    tonic: int = 0
    scale: tuple[int, ...] = SCALES["major"]
    alters: Mapping[str, int] = field(default_factory=dict)
    moved: int = 0


def key(line: Line, text: str, at: int, before: VoiceKey) -> VoiceKey:
    """Read a key; ``at``: where ``text`` begins in the line. Clefs and transpositions may stand beside it or alone.

    Raises:
        SongError: it is none.
    """
    moved = before.moved
    for found in _ATTRIBUTE.finditer(text):
        name, value = found[1].casefold(), found[2].strip('"')
        if name in ("octave", "transpose"):
            if not re.fullmatch(r"[+-]?[0-9]{1,2}", value):
                raise line.wrong(f'"{name}" takes a whole number, not "{value}"', "", at + found.start(2))
            moved = int(value) * (12 if name == "octave" else 1)
        elif name == "clef" and (clef := _CLEF.fullmatch(value)) and clef[1]:
            moved = 12 if clef[1] == "+8" else -12
    rest = _ATTRIBUTE.sub(lambda found: " " * len(found[0]), text)
    words = rest.split()
    if words and (clef := _CLEF.fullmatch(words[-1])) is not None and words[-1] != "none":
        moved = moved if clef[1] is None else 12 if clef[1] == "+8" else -12
        rest = rest[: rest.rindex(words.pop())]
    start = at + len(text) - len(text.lstrip())
    if not words:
        return VoiceKey(before.tonic, before.scale, before.alters, moved)
    if words[0] in ("none", "HP", "Hp"):  # the pipes: HP writes no signature, Hp two sharps; both sound as A mixolydian
        sharps = {"F": 1, "C": 1} if words[0] == "Hp" else {}
        return (
            VoiceKey(0, SCALES["major"], {}, moved)
            if words[0] == "none"
            else VoiceKey(9, SCALES["mixolydian"], sharps, moved)
        )
    tonic_found = _TONIC.match(rest.strip())
    if not tonic_found:
        raise line.wrong(f'"{text.strip()}" is not a key', _KEY_EXAMPLES, start)
    after = rest.strip()[tonic_found.end() :].strip()
    mode = tonic_found[3] or ""
    if not mode and (named := re.match(r"[A-Za-z]+", after)):
        mode, after = named[0], after[named.end() :].strip()
    explicit = mode.casefold() == "exp"
    short = "" if explicit else mode.casefold()[:3]
    if short not in MODES or (short == "m" and len(mode) > 1):
        raise line.wrong(f'"{text.strip()}" is not a key: there is no mode "{mode}"', _KEY_EXAMPLES, start)
    name, more = MODES[short]
    alters = {} if explicit else _signature(tonic_found[1], tonic_found[2], more)
    for sign, letter in _ACCIDENTAL.findall(after):
        alters[letter.upper()] = ALTERS[sign]
    if left := _ACCIDENTAL.sub("", after).strip():
        raise line.wrong(f'"{left}" cannot be understood in a key', _KEY_EXAMPLES, at + max(0, text.find(left)))
    tonic = (LETTERS[tonic_found[1]] + {"": 0, "#": 1, "b": -1}[tonic_found[2]]) % 12
    return VoiceKey(tonic, SCALES[name], {letter: alter for letter, alter in alters.items() if alter}, moved)


def _signature(letter: str, sign: str, more: int) -> dict[str, int]:
    """The accidentals of a major key with ``more`` sharps, by letter."""
    count = _FIFTHS.index(letter) - 1 + {"": 0, "#": 7, "b": -7}[sign] + more
    alters = dict.fromkeys(_FIFTHS, count // 7)
    for each in _FIFTHS[: count % 7]:
        alters[each] += 1
    return {each: alter for each, alter in alters.items() if alter}


_METRE = re.compile(r"\(?\s*([0-9]{1,2}(?:\s*\+\s*[0-9]{1,2})*)\s*\)?\s*/\s*([0-9]{1,2})")


def metre(line: Line, text: str, at: int = 0) -> TimeSignature | None:
    """Read a metre: "3/4", "C", "C|", "2+3/8"; None for "none".

    Raises:
        SongError: it is none, or one that this router cannot count.
    """
    said = text.strip()
    if said in ("none", ""):
        return None
    if said in ("C", "C|"):
        return TimeSignature(4, 4) if said == "C" else TimeSignature(2, 2)
    found = _METRE.fullmatch(said)
    beats = sum(map(int, found[1].split("+"))) if found else 0
    if not found or not 1 <= beats <= MOST_BEATS or int(found[2]) not in BEAT_TYPES:
        hint = f"Write for example M:4/4, M:3/4, M:6/8 or M:C; up to {MOST_BEATS} beats, of 1, 2, 4, 8 or 16."
        raise line.wrong(f'"{said}" is not a metre', hint, at + len(text) - len(text.lstrip()))
    return TimeSignature(beats, int(found[2]))


def unit(line: Line, text: str, at: int = 0) -> Fraction:
    """Read the unit note length ("1/8"), in quarter notes.

    Raises:
        SongError: it is none.
    """
    found = re.fullmatch(r"\s*([1-9][0-9]?)(?:\s*/\s*([1-9][0-9]{0,2}))?\s*", text)
    if not found or int(found[2] or 1) not in (1, 2, 4, 8, 16, 32, 64, 128, 256, 512):
        raise line.wrong(f'"{text.strip()}" is not a note length', "Write for example L:1/8 or L:1/4.", at)
    return Fraction(4 * int(found[1]), int(found[2] or 1))


def default_unit(signature: TimeSignature | None) -> Fraction:
    """The unit length where none is written, in quarters: a sixteenth below 3/4, else an eighth (ABC 2.1, 3.1.7)."""
    short = signature is not None and Fraction(signature.beats, signature.beat_type) < Fraction(3, 4)
    return Fraction(1, 4) if short else Fraction(1, 2)


SLOWEST, FASTEST = 10, 600
"""Quarter notes a minute; our choice."""


def tempo(line: Line, text: str, unit_length: Fraction, at: int = 0) -> Fraction | None:
    """Read a tempo in quarter notes a minute: "1/4=96", "3/8=60", "1/4 1/8=40", "96"; None if it has words alone.

    Raises:
        SongError: it is none, or one that nobody plays.
    """
    bare = re.sub(r'"[^"]*"', " ", text).strip()
    if not bare:
        return None
    found = re.fullmatch(r"(?:(C[0-9]?|(?:[0-9]+/[0-9]+\s*)+)\s*=\s*)?([0-9]{1,3}(?:\.[0-9]{1,3})?)", bare)
    hint = 'Write for example Q:1/4=96 (a quarter note 96 times a minute) or Q:"Andante" 3/8=60.'
    start = at + len(text) - len(text.lstrip())
    if not found:
        raise line.wrong(f'"{bare}" is not a tempo', hint, start)
    beat = unit_length
    if found[1] and found[1][0] != "C":
        parts = [tuple(map(int, part.split("/"))) for part in found[1].split()]
        if any(not above or not below for above, below in parts):
            raise line.wrong(f'"{bare}" is not a tempo', hint, start)
        beat = sum((Fraction(4 * above, below) for above, below in parts), Fraction(0))
    quarters = beat * Fraction(found[2])
    if not SLOWEST <= quarters <= FASTEST:
        raise line.wrong(f'nobody plays at "{bare}"', f"{hint}  {SLOWEST} to {FASTEST} quarter notes a minute.", start)
    return quarters


MOST_SECTIONS = 500


def order(line: Line) -> tuple[str, ...]:
    """The order in which sections are played, from a header's "P:" field: "AABB", "A2(BC)3", "A.B".

    Raises:
        SongError: it cannot be understood, or is too long.
    """
    text = line.text
    stack: list[list[str]] = [[]]
    last: list[str] = []
    at = 0
    while at < len(text):
        sign = text[at]
        if sign == "(":
            stack.append([])
            last = []
        elif sign == ")" and len(stack) > 1:
            last = stack.pop()
            stack[-1] += last
        elif sign.isdigit() and last:
            count = re.compile(r"[0-9]{1,2}").match(text, at)
            assert count is not None  # it begins with a digit
            stack[-1] += last * (int(count[0]) - 1)
            at, last = count.end() - 1, []
        elif sign.isalpha():
            last = [sign]
            stack[-1] += last
        elif sign not in " .\t":
            raise line.wrong(f'"{sign}" cannot be understood in the order of the sections', "For example P:AABB.", at)
        at += 1
        if sum(map(len, stack)) > MOST_SECTIONS:
            raise line.wrong("this order has too many sections", f"At most {MOST_SECTIONS}.", at)
    if len(stack) > 1:
        raise line.wrong("a bracket is not closed in the order of the sections", "For example P:A2(BC)2.")
    return tuple(stack[0])
