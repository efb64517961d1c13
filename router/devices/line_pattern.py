"""The pattern that finds a number in a sensor's line: a regular expression whose time grows with the line only.

Python's own matcher may take hours on one line, and holds the interpreter's lock meanwhile, so RE2 matches. Any
expression is matched in one pass; ``LARGEST`` bounds what each character of the line costs.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import re2

LONGEST_LINE = 256
"""Bytes of a line; a longer one is noise or comes at the wrong speed. Our choice: eight numbers take a third of it."""

LARGEST = 200
"""Steps of a compiled pattern, as RE2 counts them.

Ten numbers between commas are 110 (``python -m tests.hostile_lines``)."""

_MEMORY = 1 << 18
"""Bytes that RE2 may use for one pattern. With less it forgets what it knows of a line before the next one comes."""

EXAMPLE = r"A pattern that finds the first number of a line: '(?P<value>-?\d+(\.\d+)?)'"
_BESIDE = r"Write what stands beside the number outside the group: 'P=(?P<value>\d+)Pa'"
_SMALLER = "Describe only what stands around the number, or let {} stand for the rest.".format('".*"')

_REFUSALS = {
    "missing )": (
        'a bracket "(" is not closed',
        "Each ( needs its ); a bracket of the line itself is written \\( or \\).",
    ),
    "unexpected )": ('a bracket ")" closes nothing', "A bracket of the line itself is written \\( or \\)."),
    "missing ]": (
        'a set that begins with "[" is not closed',
        "Each [ needs its ]; a bracket of the line itself is written \\[.",
    ),
    "invalid character class range": ('"{}" is no set of characters', "A range goes upward, as in [0-9]."),
    "no argument for repetition operator": (
        '"{}" stands where there is nothing to repeat',
        "For the sign itself write \\{}.",
    ),
    "bad repetition operator": ('"{}" repeats what repeats already', "Write one sign of repetition: * or + or ?."),
    "invalid repetition size": (
        '"{}" is no number of repetitions',
        "From 0 to 1000, the smaller number first, as in {{1,3}}.",
    ),
    "invalid named capture group": ('the name of the group at "{}" cannot be read', EXAMPLE),
    "trailing \\": ("a single \\ stands at the end", "For the sign itself write \\\\."),
    "pattern too large": ("this pattern is too large", _SMALLER),
}
"""The messages of RE2, and ours for them: message and remedy. ``{}`` is the piece that it complains of."""

_LOOKS = ("(?=", "(?!", "(?<")


@dataclass
class PatternRefused(Exception):  # a refusal is no failure of ours
    """A pattern that cannot be used: why, the remedy, and the ``piece`` of it that is meant (empty: all of it)."""

    message: str
    hint: str
    piece: str = ""


class LinePattern:
    """A checked pattern.

    Raises:
        PatternRefused: it cannot be read, has no group called ``value`` or two, or is larger than ``LARGEST``.
    """

    def __init__(self, text: str) -> None:
        _differs(text)
        try:
            self._compiled = re2.compile(text.encode(), _options())
        except UnicodeEncodeError:
            raise PatternRefused("this pattern cannot be read", EXAMPLE) from None
        except re2.error as error:
            raise _refused(error.args[0].decode("utf-8", "replace")) from None
        if b"value" not in self._compiled.groupindex:
            raise PatternRefused('this pattern has no group called "value", so no number is found', EXAMPLE)
        if text.count("<value>") > 1:
            raise PatternRefused(
                'two groups of this pattern are called "value"', "One number of a line is meant.", "<value>"
            )
        self._value = self._compiled.groupindex[b"value"]
        if self.size > LARGEST:
            raise PatternRefused("this pattern is too large: a line would have to wait for it", _SMALLER)

    @property
    def size(self) -> int:
        """Steps of the compiled pattern; a character of a line costs at most as many."""
        return int(self._compiled.programsize)

    def find(self, line: str) -> str | None:
        """Return the first match of the group ``value`` in a line of at most ``LONGEST_LINE`` bytes, or None."""
        found = self._compiled.search(line.encode("utf-8", "replace"))
        value = None if found is None else found[self._value]
        return None if value is None else value.decode("utf-8", "replace")


def _options() -> re2.Options:
    options = re2.Options()
    options.max_mem = _MEMORY
    options.log_errors = False
    return options


def _differs(text: str) -> None:
    """Refuse what RE2 accepts and understands in another way than people who know regular expressions."""
    bare = text.replace(r"\\", "  ")
    if few := re.search(r"(?<!\\)\{,(\d{1,4})\}", bare):
        raise PatternRefused(f'"{few[0]}" does not say where it begins', f'Write "{{0,{few[1]}}}".', few[0])
    if many := re.search(r"(?<!\\)\{\d*,?\d{5,}", bare):
        raise _refused(f"invalid repetition size: {many[0]}")
    if r"\C" in bare:
        raise PatternRefused(r'"\C" means half a character', "For any character write a dot.", r"\C")


def _refused(said: str) -> PatternRefused:
    """Translate what RE2 says of a pattern: "bad repetition operator: ++"."""
    kind, _, piece = said.removesuffix(" - compile failed").partition(": ")
    if kind == "invalid perl operator":
        if piece.startswith(_LOOKS):
            return PatternRefused(f'a pattern cannot look ahead or back, as "{piece}" does', _BESIDE, piece)
        if piece == "(?P":
            return PatternRefused('a pattern cannot ask for what it found before, as "(?P=" does', _BESIDE, "(?P=")
        return PatternRefused(
            f'a pattern cannot hold "{piece}"', r"A group that counts for nothing begins with (?:", piece
        )
    if kind == "invalid escape sequence":
        if piece[1:2].isdigit():
            return PatternRefused(f'a pattern cannot ask for what it found before, as "{piece}" does', _BESIDE, piece)
        other = {r"\Z": "The end of the line is $."}.get(
            piece, "Without \\ a letter is itself; \\d is a digit, \\s a space."
        )
        return PatternRefused(f'"{piece}" means nothing in a pattern', other, piece)
    message, hint = _REFUSALS.get(kind, ("this pattern cannot be read", EXAMPLE))
    narrow = piece if "{}" in message else ""
    return PatternRefused(message.format(piece), hint.format(piece), narrow)
