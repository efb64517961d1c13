"""Strokes of a pattern as a musician types them, one mark a column: ``X--x --x-`` or ``closed hi-hat  x-x-x-x-``.

    X, O    an accent
    x, o    a stroke
    g       a ghost note, barely heard
    - .     a rest
    space, |    nothing: for the eye

Drummers write their parts so ("drum tab"); common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from router.core.midi import DRUMS, drum_number
from router.core.units import QuantityError, nearest

REST, GHOST, PLAIN, ACCENT = range(4)
"""How strong a stroke is."""
MARKS = {"X": ACCENT, "O": ACCENT, "x": PLAIN, "o": PLAIN, "g": GHOST, "-": REST, ".": REST}
MOST = 128
"""Columns of a pattern: eight bars of sixteenths. Our choice."""
_FOR_THE_EYE = " |"
_HINT = 'Write x for a stroke, X for an accent, g for a ghost note and - for a rest: "X--x --x-".'

Strokes = tuple[int, ...]
"""The strength of each column: ``REST``, ``GHOST``, ``PLAIN`` or ``ACCENT``."""


class DrumStrokes(NamedTuple):
    """A drum, by the number of its note, and its strokes."""

    drum: int
    strokes: Strokes


def strokes(text: str) -> Strokes:
    """Read the strokes of a pattern: "X--x --x-".

    Raises:
        QuantityError: there is another mark in it, no column, too many, or no stroke.
    """
    marks = [mark for mark in text if mark not in _FOR_THE_EYE]
    wrong = next((mark for mark in marks if mark not in MARKS), None)
    if wrong is not None:
        raise QuantityError(f'"{wrong}" is no stroke of a pattern: "{text.strip()}"', _HINT)
    read = tuple(MARKS[mark] for mark in marks)
    if not any(read):
        raise QuantityError(f'there is no stroke in this pattern: "{text.strip()}"', _HINT)
    if len(read) > MOST:
        raise QuantityError(f"a pattern has {MOST} columns at most, and this one {len(read)}")
    return read


def drum_strokes(text: str) -> DrumStrokes:
    """Read a drum and its strokes: "closed hi-hat x-x-x-x-", "38 --X---X-".

    Raises:
        QuantityError: there is no such drum, or what follows are no strokes.
    """
    text = text.strip()
    name = _drum(text)
    if name is None:
        word = text.rstrip("".join(MARKS) + _FOR_THE_EYE) or text
        near = nearest(word, DRUMS)
        hint = f'Did you mean "{near}"?  ' if near else ""
        raise QuantityError(
            f'this does not begin with a General MIDI drum: "{text}"',
            f'{hint}Write the name and then the strokes, "closed hi-hat x-x-x-x-". Drums: {", ".join(DRUMS)}.',
        )
    return DrumStrokes(drum_number(name), strokes(text[len(name) :]))


def _drum(text: str) -> str | None:
    """The drum that a text begins with, by name or number; of two names the longer."""
    number = text.partition(" ")[0]
    if number.isascii() and number.isdigit() and len(number) <= 3:
        return number
    folded = text.casefold()
    names = [name for name in DRUMS if folded.startswith(name) and folded[len(name) : len(name) + 1] in ("", *" |")]
    return max(names, key=len, default=None)


def within(pattern: Strokes, bar: int, column: int, columns: int) -> int:
    """The strength of a pattern at a column of a bar that has so many ``columns``.

    A pattern of several bars goes on bar by bar, a shorter one begins again within the bar and anew with each bar.
    """
    bars = max(1, len(pattern) // columns)
    return pattern[(bar % bars * columns + column) % len(pattern)]


def longest(patterns: Sequence[Strokes]) -> int:
    """The number of columns of the longest of these patterns."""
    return max(map(len, patterns))
