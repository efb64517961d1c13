"""The lines of an ABC text: what each holds, where it stands, and how a mistake in it is told."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from router.songs.error import SongError

LARGEST = 200_000
"""Letters; a long song with four voices has 10,000."""

HINT = "Correct it or leave it out; what is read here is ABC notation, version 2.1."
"""The hint where there is nothing more to say."""

_FIELD = re.compile(r"\[?([A-Za-z+]):(?![|:\]])")
_COMMENT = re.compile(r"(?<!\\)%")

MARKS = {"`": "\u0300", "'": "\u0301", "^": "\u0302", "~": "\u0303", '"': "\u0308", "c": "\u0327", "v": "\u030c"}
_ACCENT = re.compile(r"\\([`'^~\"cv])([A-Za-z])")
_LIGATURES = {
    r"\ss": "\u00df",
    r"\ae": "\u00e6",
    r"\AE": "\u00c6",
    r"\oe": "\u0153",
    r"\aa": "\u00e5",
    r"\/o": "\u00f8",
}


@dataclass(frozen=True, slots=True)
class Line:
    """A line: its number from 1, its ``field`` (``w`` of ``w:``; "" is music); ``text`` begins at ``column``."""

    number: int
    field: str
    text: str
    column: int = 1

    def wrong(self, what: str, hint: str = "", at: int = 0) -> SongError:
        """Return a mistake in this line; ``at`` counts the letters of ``text`` before it."""
        return SongError(what, hint or HINT, self.number, self.column + at)


def lines(text: str) -> Iterator[Line]:
    """The lines that say something; comments, stylesheet directives and blank lines say nothing.

    Raises:
        SongError: the text is too long.
    """
    if len(text) > LARGEST:
        raise SongError(f"this is too long for a song: over {LARGEST} letters", "Take one song, and one tune of it.")
    before: Line | None = None
    for number, whole in enumerate(text.splitlines(), 1):
        found = _COMMENT.search(whole)
        line = (whole[: found.start()] if found else whole).rstrip()
        if not line.strip():
            continue
        start = len(line) - len(line.lstrip())
        field = _FIELD.match(line, start)
        if not field or field[0].startswith("["):
            now = Line(number, "", line[start:], start + 1)
        elif field[1] == "+":
            if before is None:
                raise SongError("there is no line before this one to go on with", HINT, number, start + 1)
            now = Line(number, before.field, line[field.end() :], field.end() + 1)
        else:
            now = Line(number, field[1], line[field.end() :], field.end() + 1)
        before = now
        yield now


def readable(text: str) -> str:
    """A title or a word with its accents, which ABC may write in ASCII."""
    for written, letter in _LIGATURES.items():
        text = text.replace(written, letter)
    return unicodedata.normalize("NFC", _ACCENT.sub(lambda found: found[2] + MARKS[found[1]], text)).strip()


_LENGTH = re.compile(r"([0-9]{0,4})(/*)([0-9]{0,4})")


def length(text: str, at: int) -> tuple[Fraction, int] | None:
    """A note's length as a multiple of the unit ("3", "/2", "3/4", "//"), and where it ends; None if it is 0."""
    found = _LENGTH.match(text, at)
    assert found is not None  # it matches nothing at all, too
    above = int(found[1] or 1)
    below = int(found[3]) if found[3] and found[2] else 2 ** len(found[2])
    end = found.end() if found[2] or not found[3] else found.end(1)
    if not above or not below or below > 1024:
        return None
    return Fraction(above, below), end
