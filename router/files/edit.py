"""Changing single values in a profile's text; every other letter of it stays as it is.

The text is not written again from its tree: a therapist's remarks, their columns, and how each thing is written are
hers. Only the value's own letters are replaced, and a new entry is put beside its last neighbour.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import yaml

_SPACES = re.compile("[\t\x85\u2028\u2029\xa0]")  # as the profile reader has it: to people they are spaces


def changed(text: str, changes: Mapping[tuple[str, ...], str]) -> str:
    """Change values in the text of a profile that can be read; return the new text.

    ``changes``: new values by their path (``("inputs", "cheek", "above", "on")``). A value that is not there yet is
    added to what is around it; ``{}`` of settings are added to their parent if that is not there either, and take the
    place of others.

    Raises:
        ValueError: the text is no YAML mapping, or a path leads nowhere.
    """
    for path, value in changes.items():
        text = _change(text, path, value)
    return text


def written(text: str, path: Sequence[str]) -> str | None:
    """Return the value at a path as it is written; None if there is none, or it is not a single value."""
    node: yaml.Node | None = _root(text)
    for name in path:
        node = _value(node, name) if isinstance(node, yaml.MappingNode) else None
    return node.value if isinstance(node, yaml.ScalarNode) else None


def holds(text: str, path: Sequence[str]) -> bool:
    """Tell whether anything is written at a path."""
    node: yaml.Node | None = _root(text)
    for name in path:
        node = _value(node, name) if isinstance(node, yaml.MappingNode) else None
    return node is not None


def _root(text: str) -> yaml.MappingNode:
    plain = _SPACES.sub(" ", text.removeprefix("\ufeff"))  # one letter for one, so that places stay
    root = yaml.compose(plain, Loader=yaml.SafeLoader)
    if not isinstance(root, yaml.MappingNode):
        raise ValueError("this is not a profile")  # noqa: TRY004 - it is the text that is wrong
    return root


def _value(mapping: yaml.MappingNode, name: str) -> yaml.Node | None:
    return next((value for key, value in mapping.value if key.value == name), None)


def _change(text: str, path: tuple[str, ...], value: str) -> str:
    shift = len(text) - len(text.removeprefix("\ufeff"))
    node: yaml.Node = _root(text)
    for depth, name in enumerate(path):
        if not isinstance(node, yaml.MappingNode) or not node.value:
            raise ValueError(f"there is nothing at {'.'.join(path[:depth])}")
        found = _value(node, name)
        if found is None:
            inside = value
            for outer in reversed(path[depth + 1 :]):
                inside = f"{{{outer}: {inside}}}"
            return _insert(text, shift, node, f"{name}: {inside}")
        node = found
    if not isinstance(node, yaml.ScalarNode) and value != "no" and not value.startswith("{"):
        raise ValueError(f"{'.'.join(path)} is not one value")
    return text[: shift + node.start_mark.index] + value + text[shift + _end(node) :]


def _end(node: yaml.Node) -> int:
    """The place in the text at which a node ends.

    The parser's mark of settings on lines of their own lies behind the blank lines after them.
    """
    if isinstance(node, yaml.CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        return _end(last[1] if isinstance(last, tuple) else last)
    return node.end_mark.index


def _insert(text: str, shift: int, mapping: yaml.MappingNode, entry: str) -> str:
    """Put an entry beside the last one of a mapping: after it in braces, otherwise on a line before it."""
    key, last = mapping.value[-1]
    if mapping.flow_style:
        end = shift + last.end_mark.index
        return f"{text[:end]}, {entry}{text[end:]}"
    # Before the last entry's own line, so that nothing need be known of where its value ends.
    begin = shift + key.start_mark.index - key.start_mark.column
    return f"{text[:begin]}{' ' * key.start_mark.column}{entry}{_line_end(text)}{text[begin:]}"


def _line_end(text: str) -> str:
    return next((end for end in ("\r\n", "\n", "\r") if end in text), "\n")
