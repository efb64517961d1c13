"""Devices and ports by name: which of those that are there did the profile mean?

A pattern is a shell-style pattern without regard to case, or exactly one of a candidate's names, so that whatever
``router devices`` prints can be pasted into a profile, brackets and all.

A device says its own name, so it may hold anything: bytes that steer a terminal, letters that reverse the direction of
writing. A name reaches people only through ``shown``, ``as_yaml``, ``pasted`` or ``as_json``.
"""

from __future__ import annotations

import fnmatch
import json
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple


class Candidate(NamedTuple):
    """A device or port that is there: all its names, first the one to put into a profile, and a remark for people."""

    names: tuple[str, ...]
    remark: str = ""

    @property
    def name(self) -> str:
        """The name to put into a profile."""
        return self.names[0]


class NotOne(Exception):  # it says what is there instead; nobody may have done wrong
    """None or several match. The message is for people and lists what is there."""


def matches(pattern: str, names: Iterable[str]) -> bool:
    """Tell whether the pattern matches one of these names."""
    folded = pattern.casefold()
    return any(name == pattern or fnmatch.fnmatchcase(name.casefold(), folded) for name in names)


def may_mean_one(pattern: str, other: str) -> bool:
    """Tell whether two patterns may mean the same: they are equal but for case, or one matches the other's text."""
    return pattern.casefold() == other.casefold() or matches(pattern, [other]) or matches(other, [pattern])


def choose(pattern: str, candidates: Sequence[Candidate], what: str, key: str) -> Candidate:
    """Return the one candidate that the pattern matches.

    ``what`` names the kind of thing ("serial line"), ``key`` is its word in a profile ("serial").

    Raises:
        NotOne: none matches, or several do.
    """
    found = [candidate for candidate in candidates if matches(pattern, candidate.names)]
    if len(found) == 1:
        return found[0]
    if found:
        raise NotOne(
            f"{as_yaml(pattern)} could be {len(found)} {what}s; write one of these:\n{candidates_listed(found, key)}"
        )
    if candidates:
        raise NotOne(f"no {what} is called {as_yaml(pattern)}; there are:\n{candidates_listed(candidates, key)}")
    raise NotOne(f"no {what} is called {as_yaml(pattern)}; there is none at all")


def candidates_listed(candidates: Iterable[Candidate], key: str) -> str:
    """The candidates as profile text, one a line."""
    lines = []
    for candidate in candidates:
        remark = f"   # {shown(candidate.remark)}" if candidate.remark else ""
        lines.append(f"    {key}: {pasted(candidate.name)}{remark}")
    return "\n".join(lines)


def pasted(name: str) -> str:
    """A pattern that matches this name, as a profile has it: ``?`` stands for each character that cannot be printed."""
    if name.isprintable():
        return as_yaml(name)
    return as_yaml("".join(f"[{c}]" if c in "*?[" else c if c.isprintable() else "?" for c in name))


def as_yaml(text: str) -> str:
    """A name as a YAML double-quoted text, which reads back as the same name."""
    return '"' + shown(text.replace("\\", "\\\\").replace('"', '\\"')) + '"'


def shown(text: str) -> str:
    """Escape, as YAML and Python do, every character that a terminal obeys or does not show."""
    return text if text.isprintable() else "".join(map(_escaped, text))


def as_json(value: Any, **options: Any) -> str:
    """JSON that people may look at, too: what cannot be printed is escaped, and reads back as the same."""
    text = json.dumps(value, ensure_ascii=False, **options)
    plain = text.replace("\n", "").isprintable()
    return text if plain else "".join(c if c.isprintable() or c == "\n" else json.dumps(c)[1:-1] for c in text)


def _escaped(character: str) -> str:
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
