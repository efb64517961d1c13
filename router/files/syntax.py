"""Why a line cannot be read: what the YAML library says, told in the words of whoever wrote the line.

The library's own sentences speak of tokens and mappings. They and the line together nearly always show which of a
few slips it was: a colon forgotten, a bracket left open, a line that does not line up.
"""

from __future__ import annotations

import re
from collections.abc import Container, Sequence
from dataclasses import dataclass
from typing import Any

from router.files.diagnostics import Place, quoted

CURLY = "\u201c\u201d\u201e\u201f\u2018\u2019\u201a\u201b\u00ab\u00bb"
"""Quotes as a word processor makes them."""

_NAME = r"[\w.-]+"
_CLOSING = {"{": "}", "[": "]"}


@dataclass(frozen=True, slots=True)
class Slip:
    """Where and what; ``leave_out`` is the number of the line that spoils the reading."""

    place: Place
    message: str
    hint: str
    leave_out: int


@dataclass(frozen=True, slots=True)
class _Where:
    """The library's error with its two places, counted from 0.

    They are where it noticed, and where what it was reading began.
    """

    problem: str
    context: str
    line: int
    column: int
    from_line: int
    from_column: int
    lines: Sequence[str]
    known: Container[str]

    @property
    def text(self) -> str:
        return self.lines[self.line]

    @property
    def from_text(self) -> str:
        return self.lines[self.from_line]

    def slip(self, message: str, hint: str = "", *, column: int | None = None, width: int = 1) -> Slip:
        """A slip in the line where it was noticed."""
        at = self.column if column is None else column
        return Slip(Place(self.line + 1, at + 1, width), message, hint, self.line + 1)

    def earlier(self, message: str, hint: str = "", *, column: int | None = None, width: int = 1) -> Slip:
        """A slip where that began which could not be read to its end."""
        at = self.from_column if column is None else column
        return Slip(Place(self.from_line + 1, at + 1, width), message, hint, self.from_line + 1)


def explain(error: Any, lines: Sequence[str], known: Container[str]) -> Slip:
    """Explain an error of the YAML library (a ``MarkedYAMLError``); ``known``: the names of settings."""
    mark = error.problem_mark or error.context_mark
    start = error.context_mark or mark
    line, column = _inside(lines, mark)
    from_line, from_column = _inside(lines, start)
    where = _Where(error.problem or "", error.context or "", line, column, from_line, from_column, lines, known)
    for reason in _REASONS:
        slip = reason(where)
        if slip is not None:
            return slip
    return where.slip(
        "this line cannot be read from here on",
        "Compare it with the lines around it: does it line up, is there a colon and a space after the name, "
        "is each bracket and each quote closed?",
    )


def _inside(lines: Sequence[str], mark: Any) -> tuple[int, int]:
    """A place of the library; the end of the file counts as the end of the last line with something in it."""
    if mark.line < len(lines) and lines[mark.line].strip():
        return mark.line, mark.column
    line = min(mark.line, len(lines) - 1)
    while line > 0 and not lines[line].strip():
        line -= 1
    return line, len(lines[line].rstrip())


# --- the slips, the surest first --------------------------------------------------------------------------------


def _curly_quotes(where: _Where) -> Slip | None:
    for number in (where.line, where.from_line):
        for column, character in enumerate(where.lines[number]):
            if character in CURLY:
                return Slip(
                    Place(number + 1, column + 1),
                    "this is a curly quote, as a word processor makes it",
                    "Type plain quotes instead: \" or '",
                    number + 1,
                )
    return None


def _backslash(where: _Where) -> Slip | None:
    if "escape" not in where.problem:
        return None
    column = max(0, where.text.rfind("\\", 0, where.column + 1))
    return where.slip(
        'between double quotes (") a backslash has a meaning of its own',
        "Put this text between single quotes: '...'",
        column=column,
    )


def _open_quote(where: _Where) -> Slip | None:
    if "quoted" not in where.context:
        return None
    quote = where.from_text[where.from_column : where.from_column + 1] or '"'
    return where.earlier(
        "the quote that opens here is not closed", f"Put the same sign ({quote}) at the end of the text."
    )


def _sign(where: _Where) -> Slip | None:
    """A text that begins with a sign which YAML keeps for itself."""
    at = None
    if "alias" in where.context or "anchor" in where.context or "tag" in where.context:
        at = where.from_line, where.from_column
    elif "cannot start any" in where.problem or "directive" in where.context:
        at = where.line, where.column
    if at is None:
        return None
    text = where.lines[at[0]][at[1] :]
    sign = text[:1]
    rest = re.split(r"[,}\]]| #", text)[0].strip() or sign
    return Slip(
        Place(at[0] + 1, at[1] + 1, len(rest)),
        f'a text that begins with "{sign}" must stand in quotes',
        f"Write it with quotes: {quoted(rest)}",
        at[0] + 1,
    )


def _no_colon(where: _Where) -> Slip | None:
    """A line that ought to be ``name: value`` and has no colon with a space after it."""
    if "could not find expected ':'" not in where.problem:
        return None
    text = _content(where.from_text[where.from_column :])
    tight = re.match(rf"({_NAME}):(?=\S)", text)
    if tight:
        return where.earlier(
            "a space is needed after the colon",
            f"Did you mean {quoted(f'{tight[1]}: {text[tight.end() :]}')}?",
            column=where.from_column + len(tight[1]),
        )
    return where.earlier(*_colon(text), width=len(text))


def _colon(text: str) -> tuple[str, str]:
    """The message and hint for a line in which a colon is missing."""
    message = "a colon is missing after the name"
    equals = re.match(rf"(-?\s*{_NAME})\s*=\s*(.*)", text)
    if equals:
        return "a value comes after a colon, not after =", f"Did you mean {quoted(f'{equals[1]}: {equals[2]}')}?"
    words = re.match(rf"((?:- +)?{_NAME})\s*(.*)", text)
    if not words:
        return message, "Each line is a name, a colon, a space and a value."
    return message, f"Did you mean {quoted(f'{words[1]}: {words[2]}'.strip())}?"


def _second_colon(where: _Where) -> Slip | None:
    """``mapping values are not allowed here``: a colon where the value has begun already."""
    if "mapping values are not allowed" not in where.problem:
        return None
    before = where.text[: where.column]
    first = re.match(rf"\s*((?:- +)*)({_NAME}):(?=\s)\s*", before)
    name = _last_name(before)
    start = len(before.rstrip()) - len(name) if name else where.column
    width = max(1, len(name))
    if first:
        value = _content(where.text[first.end() :])
        if name in where.known:
            hint = (
                f"Did you mean {quoted(f'{first[2]}: {{{value}}}')}?  Or begin it on a line of its own, two spaces"
                " further right."
            )
        else:
            hint = f"If the colon belongs to the text, put the text in quotes: {quoted(value)}"
        return where.slip("a second colon on one line", hint, column=start, width=width)
    bracket = re.match(rf"\s*((?:- +)?{_NAME})\s*[{{\[]", before)
    if bracket:
        end = before.index(bracket[1]) + len(bracket[1])
        return where.slip(
            "a colon is missing after the name",
            f"Did you mean {quoted(bracket[1] + ': ' + _content(where.text[end:]))}?",
            column=before.index(bracket[1].lstrip("- ")),
            width=len(bracket[1].lstrip("- ")),
        )
    return _too_far_right(where)


def _too_far_right(where: _Where) -> Slip | None:
    """A line that is indented below one which already has its value, or has no colon."""
    number = where.line - 1
    while number >= 0 and not _content(where.lines[number]):
        number -= 1
    if number < 0:
        return None
    above = where.lines[number]
    content = _content(above)
    indent = len(where.text) - len(where.text.lstrip())
    if not re.search(r":(\s|$)", content):
        message, hint = _colon(content)
        column = len(above) - len(above.lstrip())
        return Slip(Place(number + 1, column + 1, len(content)), message, hint, number + 1)
    begins = re.match(r"\s*(- +)?", above)
    column = begins.end() if begins else 0
    return where.slip(
        "this line begins too far to the right",
        f"Line {number + 1} above it has its value already. Begin this line in the same column: {column + 1}.",
        column=indent,
        width=max(1, where.column - indent),
    )


def _last_name(text: str) -> str:
    """The name that a text ends with, or nothing.

    It is looked for from the end, as its time must not grow with the square of a line.
    """
    found = re.match(_NAME, text.rstrip()[::-1])
    return found[0][::-1] if found else ""


def _content(line: str) -> str:
    """A line without indentation and remark."""
    return re.sub(r"(^|\s)#.*", "", line).strip()


def _list_on_the_line(where: _Where) -> Slip | None:
    if "sequence entries are not allowed" not in where.problem:
        return None
    return where.slip(
        "a list begins on a line of its own",
        "Put the dash and what follows on the next line, two spaces further right than the name.",
    )


def _bracket(where: _Where) -> Slip | None:
    """Inside ``{ }`` or ``[ ]``."""
    if "flow" not in where.context or where.problem.startswith("expected '<document"):
        return None
    opening = where.from_text[where.from_column : where.from_column + 1]
    found = where.problem.rpartition("got ")[2] or where.problem.rpartition("found ")[2]
    if opening not in _CLOSING:
        if found in ("','", "'}'", "']'"):
            return where.slip("something is missing before this sign", "Is there a comma too many?")
        return None
    closing = _CLOSING[opening]
    if where.line == where.from_line and found in ("'}'", "']'"):
        return where.slip(
            f"this bracket does not fit the one it closes ({opening})",
            f'What opens with "{opening}" closes with "{closing}".',
        )
    if where.line == where.from_line and where.column < len(where.text.rstrip()):
        if where.text[where.column] == "?":
            return where.slip('between brackets, a text with "?" in it must stand in quotes', "Write '...' around it.")
        word = _last_name(where.text[: where.column])
        if found == "':'" and word:
            return where.slip(
                f"a comma is missing before {quoted(word)}",
                "Between brackets, commas part one setting from the next.",
                column=len(where.text[: where.column].rstrip()) - len(word),
                width=len(word),
            )
        return where.slip("a comma is missing before this", "Between brackets, commas part one value from the next.")
    remark = re.search(r"\s#", where.from_text[where.from_column :])
    if remark:
        at = where.from_column + remark.start() + 1
        return where.earlier(
            'everything after " #" is a remark, so the closing bracket is lost',
            "A sharp is written without a space: C# or F#3.",
            column=at,
            width=len(where.from_text.rstrip()) - at,
        )
    return where.earlier(f'the bracket "{opening}" that opens here is not closed', f'Put "{closing}" where it ends.')


_TIGHT_DASH = re.compile(r"\s*([-\u2010-\u2015\u2212])(?=[^\s-])|\s*([\u2010-\u2015\u2212])(?=\s)")
"""A dash without a space after it, or one that is too long, at the beginning of a line."""


def _does_not_line_up(where: _Where) -> Slip | None:
    if not where.problem.startswith(("expected <block end>", "expected '<document start>'")):
        return None
    indent = len(where.text) - len(where.text.lstrip())
    rest = where.text[where.column :].strip()
    for number in (where.from_line, where.line):
        dash = _TIGHT_DASH.match(where.lines[number])
        if dash:
            place = Place(number + 1, dash.end())
            name = where.lines[number][dash.end() :].strip()
            return Slip(
                place, "a list needs a short dash and a space", f"Did you mean {quoted('- ' + name)}?", number + 1
            )
    if rest[:1] in ("}", "]"):
        return where.slip("this bracket closes nothing", "Take it out, or put its partner where it opens.")
    if where.column > indent:
        return where.slip(
            "nothing may follow here on the same line",
            "A value ends with its closing quote or bracket. A remark begins with a space and #.",
            width=max(1, len(rest)),
        )
    listed = _above(where.lines, where.line, dash=True)
    if listed is not None and listed[1] == where.column and re.match(rf"{_NAME}:", rest):
        return where.slip(
            "a dash is missing at the beginning of this line",
            f"The lines above it, such as line {listed[0] + 1}, are a list. Did you mean {quoted('- ' + rest)}?",
            width=max(1, len(_content(rest))),
        )
    above = _above(where.lines, where.line)
    if above is not None and above[1] < where.column:
        before = _above(where.lines, above[0])
        word = re.match(_NAME, where.lines[above[0]].lstrip())
        if before is not None and before[1] == where.column and word is not None and word[0] in where.known:
            return Slip(
                Place(above[0] + 1, above[1] + 1, len(word[0])),
                "this line does not line up with the lines around it",
                f"Lines {before[0] + 1} and {where.line + 1} begin in column {where.column + 1}, "
                f"and this one in column {above[1] + 1}.",
                above[0] + 1,
            )
    hint = "Lines that belong together begin in the same column."
    above = _above(where.lines, where.line, dash=rest.startswith("- "))
    if above is not None:
        number, column = above
        what = "the dash" if rest.startswith("- ") else "what is written"
        hint += f" On line {number + 1}, {what} begins in column {column + 1}, and here in column {where.column + 1}."
    return where.slip("this line does not line up with any line above", hint, width=max(1, len(_content(rest))))


def _above(lines: Sequence[str], below: int, *, dash: bool = False) -> tuple[int, int] | None:
    """The nearest line above one with something in it, or with a dash, and where that begins; from 0."""
    for number in range(below - 1, -1, -1):
        line = lines[number]
        if _content(line) and (not dash or line.lstrip().startswith("- ")):
            return number, len(line) - len(line.lstrip())
    return None


_REASONS = (
    _curly_quotes,
    _backslash,
    _open_quote,
    _sign,
    _no_colon,
    _second_colon,
    _list_on_the_line,
    _bracket,
    _does_not_line_up,
)
