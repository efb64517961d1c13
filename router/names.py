"""Devices and ports by name: which of those that are there did the profile mean?

A pattern is a shell-style pattern without regard to case, or exactly one of a candidate's names, so that whatever
``router devices`` prints can be pasted into a profile, brackets and all.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Candidate(NamedTuple):
    """Something that is there: every name it goes by, the one to put into a profile first, and a remark for people."""

    names: tuple[str, ...]
    remark: str = ""

    @property
    def name(self) -> str:
        """The name to put into a profile."""
        return self.names[0]


class NotOne(Exception):  # noqa: N818 - it says what is there instead; nobody may have done wrong
    """None or several match. The message is for people and lists what is there."""


def matches(pattern: str, names: Iterable[str]) -> bool:
    """Whether the pattern means one of these names."""
    folded = pattern.casefold()
    return any(name == pattern or fnmatch.fnmatchcase(name.casefold(), folded) for name in names)


def may_mean_one(pattern: str, other: str) -> bool:
    """Whether two patterns may mean the same: they are alike, or one means the other's text."""
    return pattern.casefold() == other.casefold() or matches(pattern, [other]) or matches(other, [pattern])


def choose(pattern: str, candidates: Sequence[Candidate], what: str, key: str) -> Candidate:
    """The one candidate that the pattern means.

    ``what`` names the kind of thing ("serial line"), ``key`` is its word in a profile ("serial").

    Raises:
        NotOne: none matches, or several do.
    """
    found = [candidate for candidate in candidates if matches(pattern, candidate.names)]
    if len(found) == 1:
        return found[0]
    if found:
        raise NotOne(f'"{pattern}" could be {len(found)} {what}s; write one of these:\n{listed(found, key)}')
    if candidates:
        raise NotOne(f'no {what} is called "{pattern}"; there are:\n{listed(candidates, key)}')
    raise NotOne(f'no {what} is called "{pattern}"; there is none at all')


def listed(candidates: Iterable[Candidate], key: str) -> str:
    """The candidates as profile text, one a line."""
    lines = []
    for candidate in candidates:
        remark = f"   # {candidate.remark}" if candidate.remark else ""
        lines.append(f"    {key}: {quoted(candidate.name)}{remark}")
    return "\n".join(lines)


def quoted(text: str) -> str:
    """A name as a YAML double-quoted text."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
