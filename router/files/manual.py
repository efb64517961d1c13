"""A rule's manual, taken from the docstring of its file (or of its class, if that one holds the example)."""

from __future__ import annotations

import inspect
import itertools
import sys
from collections.abc import Mapping

from router.core.contract import Kind, Rule

_MARK = "Example::"

WORDS: Mapping[Kind, str] = {
    Kind.GESTURES: "presses",
    Kind.ZONES: "zones",
    Kind.LEVELS: "levels",
    Kind.NOTES: "notes",
    Kind.CONTROLS: "controllers",
}
"""Kinds of events between rules, as people read them."""


def flow(rule: type[Rule], arrow: str) -> str:
    """Show what a rule takes and gives: "presses → notes"."""
    return f"{kinds(rule.takes)} {arrow} {kinds(rule.gives or rule.takes)}"


def kinds(kind: Kind) -> str:
    """Kinds in words: "presses, levels"."""
    return ", ".join(WORDS[one] for one in kind)


def manual(rule: type[Rule]) -> str:
    """The manual without the example."""
    before, _, after = _docstring(rule).partition(_MARK)
    below = itertools.dropwhile(_indented, after.splitlines())
    return "\n\n".join(text for text in (before.strip(), "\n".join(below).strip()) if text)


def summary(rule: type[Rule]) -> str:
    """The first paragraph, on one line."""
    return " ".join(manual(rule).split("\n\n")[0].split())


def example(rule: type[Rule]) -> str:
    """The example: lines of a profile; empty if there is none."""
    after = _docstring(rule).partition(_MARK)[2]
    return inspect.cleandoc("\n" + "\n".join(itertools.takewhile(_indented, after.splitlines()))).strip()


def _indented(line: str) -> bool:
    return line[:1] in ("", " ")


def _docstring(rule: type[Rule]) -> str:
    of_class = inspect.cleandoc(rule.__doc__ or "")
    of_file = inspect.cleandoc(getattr(sys.modules.get(rule.__module__), "__doc__", None) or "")
    return of_class if _MARK in of_class else of_file or of_class
