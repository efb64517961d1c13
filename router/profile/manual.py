"""A rule's manual, taken from the docstring of its file (or of its class, if that one holds the example)."""

from __future__ import annotations

import inspect
import sys

from router.rules.base import Rule

_MARK = "Example::"


def manual(rule: type[Rule]) -> str:
    """Everything up to the example."""
    return _docstring(rule).partition(_MARK)[0].strip()


def summary(rule: type[Rule]) -> str:
    """The first paragraph, on one line."""
    return " ".join(manual(rule).split("\n\n")[0].split())


def example(rule: type[Rule]) -> str:
    """The example: lines of a profile; empty if there is none."""
    return inspect.cleandoc("\n" + _docstring(rule).partition(_MARK)[2]).strip()


def _docstring(rule: type[Rule]) -> str:
    of_class = inspect.getdoc(rule) or ""
    return of_class if _MARK in of_class else inspect.getdoc(sys.modules[rule.__module__]) or of_class
