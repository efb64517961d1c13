"""A piece of a profile against its schema: every mistake told in plain words, and the values as the program wants them.

JSON Schema's own library does the comparing; what it says is not for a therapist, so each of its findings is told
anew here, at its place in the file. One mistake gets one message.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from jsonschema import Draft202012Validator, ValidationError
from jsonschema.validators import extend

from router.profile import quantities
from router.profile.diagnostics import Place, Report
from router.profile.source import Entries, Items, Node, Text
from router.units import QuantityError, nearest

YES = ("yes", "true", "on")
NO = ("no", "false", "off")

_WHOLE = re.compile(r"[+-]?[0-9]{1,15}")
_NUMBER = re.compile(r"[+-]?([0-9]{1,15}(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,2})?")

Path = tuple[str | int, ...]


def settings(node: Node, schema: Mapping[str, Any], at: Place, report: Report) -> dict[str, Any] | None:
    """The values of a group of settings, converted and completed; None if anything in it is wrong.

    ``at`` is the place of the name that the group belongs to, for what is missing in it.
    """
    reading = _Reading()
    data = reading.plain(node, schema, ())
    before = len(report)
    errors = list(_VALIDATOR(schema).iter_errors(data))
    for error in errors:
        report.add(_find(node, error.absolute_path), error.message)
    if errors or len(report) > before:
        return None
    converted: dict[str, Any] = reading.convert(data, schema, ())
    return converted


class _Reading:
    """Texts to values by what the schema expects, and back to what the program wants."""

    def __init__(self) -> None:
        self._no: set[Path] = set()  # where "no" stands instead of a quantity or a group

    def plain(self, node: Node, schema: Mapping[str, Any], path: Path) -> Any:
        """The tree as JSON Schema's library wants it."""
        if isinstance(node, Text):
            return _value(node, schema)
        if isinstance(node, Items):
            inner = schema.get("items", {})
            return [self.plain(item, inner, (*path, i)) for i, item in enumerate(node.items)]
        data = {}
        for name, value in node.values.items():
            inner = schema.get("properties", {}).get(name, {})
            if "no" in inner and isinstance(value, Text) and value.text.casefold() in NO:
                self._no.add((*path, name))
            else:
                data[name] = self.plain(value, inner, (*path, name))
        return data

    def convert(self, data: Any, schema: Mapping[str, Any], path: Path) -> Any:
        """Checked values: quantities read, defaults filled in."""
        if "quantity" in schema:
            return quantities.read(schema["quantity"], str(data))
        if isinstance(data, list):
            return [self.convert(item, schema.get("items", {}), (*path, i)) for i, item in enumerate(data)]
        if not isinstance(data, dict) or "properties" not in schema:
            return data
        converted = {}
        for name, inner in schema["properties"].items():
            here = (*path, name)
            if here in self._no:
                converted[name] = False
            elif name in data:
                converted[name] = self.convert(data[name], inner, here)
            elif "default" in inner:
                converted[name] = self.convert(inner["default"], inner, here)
            elif inner.get("type") == "object" and "required" not in inner and "properties" in inner:
                converted[name] = self.convert({}, inner, here)
        return converted


def _value(node: Text, schema: Mapping[str, Any]) -> Any:
    text = node.text.strip()
    if "quantity" in schema:
        return text
    for choice in (*schema.get("enum", ()), *([schema["const"]] if "const" in schema else ())):
        if text == str(choice):
            return choice
    wanted = schema.get("type")
    if wanted == "integer" and _WHOLE.fullmatch(text):
        return int(text)
    if wanted == "number" and _NUMBER.fullmatch(text):
        return float(text)
    if wanted == "boolean" and text.casefold() in (*YES, *NO):
        return text.casefold() in YES
    if wanted == "object" and node.empty:
        return {}
    return node.text


def _quantity(_: Any, kind: str, instance: Any, schema: Mapping[str, Any]) -> Iterator[ValidationError]:
    if not isinstance(instance, str):
        yield ValidationError("not a text")
        return
    try:
        value = quantities.read(kind, instance)
        if "least" in schema and value < quantities.read(kind, schema["least"]):
            raise QuantityError(f'"{instance}" is too little', f"The least is {schema['least']}.")
        if "most" in schema and value > quantities.read(kind, schema["most"]):
            raise QuantityError(f'"{instance}" is too much', f"The most is {schema['most']}.")
    except QuantityError as error:
        yield ValidationError(str(error), cause=error)


_VALIDATOR = extend(Draft202012Validator, {"quantity": _quantity})


def _find(node: Node, path: Iterable[str | int]) -> Place:
    place = node.place
    for key in path:
        if isinstance(node, Entries):
            place = node.keys[str(key)].place
            node = node.values[str(key)]
        elif isinstance(node, Items):
            node = node.items[int(key)]
            place = node.place
    return place


__all__ = ["nearest", "settings"]
