"""Messages about mistakes: where each is, what is wrong, and what would be right.

    profiles/lark.yaml:14:5: a chord rule has no setting called "note"
       14 |     note: [C4, E4, G4]
          |     ^^^^
    Did you mean "notes"?  A chord rule takes: notes (needed), spread, velocity.

Every message is for the therapist who wrote the file, in her words and never a programmer's.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

WIDEST = 96
"""How many columns of a line are shown; a longer line is cut around the mistake."""

TAB = "\u2192   "
"""How a tab is shown: it takes room and can be seen."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands: line and column from 1, counted in characters; ``width`` characters of that line."""

    line: int
    column: int
    width: int = 1


START = Place(1, 1)
"""The place of what is wrong with the file as a whole."""


@dataclass(frozen=True, slots=True)
class Problem:
    """A mistake. ``hint``: what would be right; ``text``: the line it is in, empty if there is none to show.

    ``warning``: the file can be used, but may not play what was meant. ``may_pass``: the file may be right, and pass
    when it is tried again.
    """

    file: str
    line: int
    column: int
    message: str
    hint: str = ""
    text: str = ""
    width: int = 1
    warning: bool = False
    may_pass: bool = False

    def __str__(self) -> str:
        doubt = "warning: " if self.warning else ""
        said = [f"{self.file}:{self.line}:{self.column}: {doubt}{self.message}"]
        if self.text.strip():
            line, carets = _window(self.text, self.column - 1, self.width)
            number = f"{self.line:5}"
            said += [f"{number} | {line}".rstrip(), f"{' ' * len(number)} | {carets}"]
        if self.hint:
            said.append(self.hint)
        return "\n".join(said)

    @property
    def without_line(self) -> str:
        """The message without the line itself, for people who may not be allowed to read the file."""
        return str(replace(self, text=""))

    def as_json(self) -> dict[str, object]:
        """For another program: where, what, and what would be right."""
        return {
            "file": self.file,
            "line": self.line,
            "column": self.column,
            "message": self.message,
            "hint": self.hint,
            **({"warning": True} if self.warning else {}),
        }


class ProfileError(Exception):
    """A profile that cannot be used; ``problems`` holds every mistake in it, in the order of the file.

    ``names_files``: the names of other files that it needs, whether they are there or not.
    """

    def __init__(self, problems: Sequence[Problem], names_files: Iterable[str] = ()) -> None:
        super().__init__()
        self.problems = list(problems)
        self.names_files = frozenset(names_files)

    def __str__(self) -> str:
        return "\n\n".join(map(str, self.problems))


@dataclass(frozen=True, slots=True)
class Form:
    """A form of file, as messages about it speak.

    ``begin``: how to come by one; ``ordinary``: KiB of an ordinary one; ``alone``: what is said of a second one in the
    same file; ``homes``: for each setting, what it is a setting of.
    """

    name: str
    begin: str
    ordinary: int
    alone: str
    homes: Callable[[], Mapping[str, tuple[str, ...]]]


class Report:
    """Collects the problems of one file, which ought to be of one form.

    ``whole`` turns False when something could not be read and was left out. From then on nothing is said about what
    is *missing*: it may stand in the part that could not be read. ``names_files``: other files that it needs.
    """

    def __init__(self, file: str, form: Form) -> None:
        self.file = file
        self.form = form
        self.lines: Sequence[str] = ()
        self.whole = True
        self.names_files: set[str] = set()
        self._problems: dict[tuple[int, int, str], Problem] = {}
        self._warnings: list[Problem] = []
        self._settled: set[tuple[int, int]] = set()
        self._values: dict[int, tuple[object, Any]] = {}

    def add(self, place: Place, message: str, hint: str = "", *, may_pass: bool = False) -> None:
        """Add a mistake at ``place``, unless it was added already or the place is settled (``settle``)."""
        if (place.line, place.column) in self._settled:
            return
        problem = replace(self._problem(place, message, hint), may_pass=may_pass)
        self._problems.setdefault((place.line, place.column, problem.message), problem)

    def settle(self, place: Place) -> None:
        """Add no more mistakes at a place: what is wrong there is told, and what was meant is not known."""
        self._settled.add((place.line, place.column))

    def warn(self, place: Place, message: str, hint: str = "") -> None:
        """Tell what may not be meant; the file can be used all the same."""
        self._warnings.append(replace(self._problem(place, message, hint), warning=True))

    def _problem(self, place: Place, message: str, hint: str) -> Problem:
        text = self.lines[place.line - 1] if 0 < place.line <= len(self.lines) else ""
        return Problem(self.file, place.line, place.column, tidy(message), tidy(hint), text, place.width)

    def missing(self, place: Place, message: str, hint: str = "") -> None:
        """Add a mistake about something that is missing, but only if the whole file could be read."""
        if self.whole:
            self.add(place, message, hint)

    def keep(self, node: object, value: Any) -> None:
        """Keep the value that was read at a node of the file's tree, for whoever else needs it."""
        self._values[id(node)] = node, value  # with the node, so that no other one gets its id

    def kept(self, node: object) -> Any:
        """Return the value that was read at a node; None if it has not been, or is wrong."""
        return self._values.get(id(node), (None, None))[1]

    @property
    def problems(self) -> list[Problem]:
        """All mistakes, from the top of the file to its end."""
        return sorted(self._problems.values(), key=lambda problem: (problem.line, problem.column))

    @property
    def warnings(self) -> list[Problem]:
        """Return what was only warned of, from the top of the file to its end."""
        return sorted(self._warnings, key=lambda problem: (problem.line, problem.column))

    def __len__(self) -> int:
        return len(self._problems)


def quoted(text: str) -> str:
    """Put a text of the file in quotes, on one line, cut if it is long."""
    line = " ".join(text.split())
    return f'"{line}"' if len(line) <= 40 else f'"{line[:38]}\u2026"'


def either(words: Iterable[str]) -> str:
    """Words as a choice: one, two or three."""
    *first, last = words
    return f"{', '.join(first)} or {last}" if first else last


def listed(names: Iterable[str], word: str = "and") -> str:
    """Names in quotes, as a list in a sentence."""
    *first, last = (f'"{name}"' for name in names)
    return f"{', '.join(first)} {word} {last}" if first else last


def tidy(text: str) -> str:
    """A text as it may stand in a message: one line, nothing invisible."""
    return "".join(_shown(character) for character in text)


def _window(text: str, start: int, width: int) -> tuple[str, str]:
    """The part of a line that is shown, and the line of carets below it."""
    first = max(0, min(start - WIDEST // 3, len(text) - WIDEST))
    cells = [TAB if character == "\t" else _shown(character) for character in text[first : first + WIDEST]]
    while (
        len(cells) > 1 and sum(map(_columns, cells)) > WIDEST
    ):  # wide letters: fewer of them, but the marked ones stay
        if first + len(cells) > start + width or first >= start:
            cells.pop()
        else:
            cells.pop(0)
            first += 1
    before = "\u2026 " if first else ""
    after = " \u2026" if first + len(cells) < len(text) else ""
    start -= first
    pad = len(before) + sum(map(_columns, cells[:start])) + max(0, start - len(cells))
    carets = sum(map(_columns, cells[start : start + width]))
    return before + "".join(cells) + after, " " * pad + "^" * max(1, carets)


def _shown(character: str) -> str:
    """A character as it may go to a terminal: nothing invisible, and nothing that moves the cursor or reverses text."""
    category = unicodedata.category(character)
    if category == "Zs":
        return " "
    return "\ufffd" if category in ("Cc", "Cf", "Cs", "Cn", "Co", "Zl", "Zp") else character


def _columns(cell: str) -> int:
    """Count the columns of a terminal that these characters take."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in ("W", "F") else 1 for c in cell
    )
