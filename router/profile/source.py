"""A profile's text as a tree in which everything knows its place.

The YAML library splits the text; the tree is ours, for three reasons. Every message needs a line and a column. What
was written must stay as it was written: plain YAML loading turns ``on`` into yes, ``010`` into 8 and ``1:30`` into 90.
And nothing in a file may cost more than its size: no anchors, so no chain of them that grows without end; caps on
bytes, depth and number of values.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from router.profile.diagnostics import START, Place, Report

LARGEST = 256 * 1024
"""Bytes; a long profile has 5 000."""
DEEPEST = 20
"""Levels inside one another; a profile has 8."""
MOST = 10_000
"""Values in one file; a long profile has 300."""

FAST: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # absent where the YAML library was built without libyaml
PATIENT: Any = yaml.SafeLoader


@dataclass(frozen=True, slots=True)
class Text:
    """One value as it was written; ``plain``: without quotes. Nothing at all is a plain empty text."""

    place: Place
    text: str
    plain: bool = True

    @property
    def empty(self) -> bool:
        """Whether nothing is written here."""
        return self.plain and not self.text


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    place: Place
    items: list[Node] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Entries:
    """Names with their values, in the order of the file."""

    place: Place
    keys: dict[str, Text] = field(default_factory=dict)
    values: dict[str, Node] = field(default_factory=dict)


Node = Text | Items | Entries


def read(path: Path, report: Report) -> Node | None:
    """The tree of a file; None if it cannot be read at all. What is wrong goes to ``report``."""
    data = _bytes(path, report)
    if data is None:
        return None
    return parse(data.decode("utf-8-sig"), report)


def _bytes(path: Path, report: Report) -> bytes | None:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except OSError as error:
        report.add(START, f"this file cannot be read: {os.strerror(error.errno or 0)}")
        return None
    if len(data) > LARGEST:
        report.add(START, "this file is too large for a profile")
        return None
    return data


def parse(text: str, report: Report) -> Node | None:
    """The tree of a text."""
    report.lines = text.splitlines()
    tree = _Tree(report)
    for event in yaml.parse(text, Loader=FAST):
        tree.take(event)
    return tree.root


class _Tree:
    """Builds the tree from the library's events, without recursion, so that no depth can harm."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._open: list[tuple[Items | Entries, list[Node]]] = []
        self.root: Node | None = None

    def take(self, event: Any) -> None:
        place = self._place(event)
        if isinstance(event, yaml.ScalarEvent):
            self._add(Text(place, event.value, plain=not event.style))
        elif isinstance(event, yaml.SequenceStartEvent):
            self._open.append((Items(place), []))
        elif isinstance(event, yaml.MappingStartEvent):
            self._open.append((Entries(place), []))
        elif isinstance(event, yaml.CollectionEndEvent):
            self._close()

    def _place(self, event: Any) -> Place:
        start, end = event.start_mark, event.end_mark
        width = end.column - start.column if end.line == start.line else 1
        return Place(start.line + 1, start.column + 1, max(1, width))

    def _add(self, node: Node) -> None:
        if self._open:
            self._open[-1][1].append(node)
        else:
            self.root = node

    def _close(self) -> None:
        node, content = self._open.pop()
        if isinstance(node, Items):
            node.items.extend(content)
        else:
            for key, value in zip(content[::2], content[1::2], strict=True):
                if isinstance(key, Text):
                    node.keys[key.text] = key
                    node.values[key.text] = value
        self._add(node)


def texts(node: Node) -> Iterator[Text]:
    """Every text of a tree, keys included, in the order of the file."""
    if isinstance(node, Text):
        yield node
    elif isinstance(node, Items):
        for item in node.items:
            yield from texts(item)
    else:
        for name, key in node.keys.items():
            yield key
            yield from texts(node.values[name])
