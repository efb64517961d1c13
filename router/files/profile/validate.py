"""A piece of a profile against its schema: the values as the program wants them, each read once.

JSON Schema's own library does the comparing; ``telling.py`` tells what it finds.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from functools import cache
from typing import Any, Self

from jsonschema import Draft202012Validator, ValidationError
from jsonschema.validators import extend

from router.core.units import QuantityError
from router.files import quantities
from router.files.diagnostics import Place, Report, quoted
from router.files.profile.telling import NO, WHOLE, YES, Path, Schema, Telling, limits, remark
from router.files.source import Entries, Items, Node, Text

_NUMBER = re.compile(r"[+-]?([0-9]{1,15}(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,2})?")


def settings(node: Node, wanted: Schema, at: Place, report: Report, called: str = "") -> dict[str, Any] | None:
    """The values of a group of settings, converted and completed with their defaults; None if anything is wrong.

    ``at`` is the place of the name that the group belongs to, where what is missing is told. ``called`` is how
    messages call the group, if its schema has no title.
    """
    reading = _ValueReader(report)
    data = reading.plain(node, wanted, ())
    errors = list(_validator(wanted).iter_errors(data))
    reading.wrong = {tuple(e.absolute_path)[:depth] for e in errors for depth in range(len(e.absolute_path) + 1)}
    converted: dict[str, Any] = reading.convert(node, data, wanted, ())
    for text in reading.notes:
        lost = "" if errors else remark(text, report)
        if lost:
            report.add(
                text.place, f'what follows {quoted(text.text)} is a remark, because of the space before "#"', lost
            )
    if errors:
        Telling(node, wanted, at, report, called or wanted.get("title", "this")).tell(errors)
        return None
    return converted


# --- reading ----------------------------------------------------------------------------------------------------


class _Quantity(str):
    """A text with the quantity that it stands for, read once; or with what is wrong with it."""

    __slots__ = ("error", "value")

    def __new__(cls, text: str, kind: str) -> Self:
        made = super().__new__(cls, text)
        made.value, made.error = None, None
        try:
            made.value = quantities.read(kind, text)
        except QuantityError as error:
            made.error = error
        return made

    value: Any
    error: QuantityError | None


@cache
def _known(kind: str, text: str) -> Any:
    """The quantity of a default or a limit of a schema; a profile's own goes through ``_Quantity``."""
    return quantities.read(kind, text)


class _ValueReader:
    """Texts to values by what the schema expects, and checked values to what the program wants."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self.wrong: Collection[Path] = ()
        """The paths to mistakes, and to the groups that they are in: nothing is kept of these."""
        self._no: set[Path] = set()  # where "no" stands instead of a quantity or a group
        self.notes: list[Text] = []  # what names a note or a key

    def plain(self, node: Node, wanted: Schema, path: Path) -> Any:
        """The tree as JSON Schema's library wants it; what the schema does not look into is not read."""
        if isinstance(node, Text):
            if wanted.get("quantity") in ("pitch", "key"):
                self.notes.append(node)
            return _value(node, wanted) if wanted.keys() & _READS else node.text
        if isinstance(node, Items):
            if not wanted.keys() & _READS:
                return node.items
            return [self.plain(item, wanted.get("items", {}), (*path, i)) for i, item in enumerate(node.items)]
        if "properties" not in wanted:
            return {name: value.text if isinstance(value, Text) else {} for name, value in node.values.items()}
        data = {}
        for name, value in node.values.items():
            inner = wanted["properties"].get(name, {})
            if "no" in inner and isinstance(value, Text) and value.text.casefold() in NO:
                self._no.add((*path, name))
            else:
                data[name] = self.plain(value, inner, (*path, name))
        return data

    def convert(self, node: Node | None, data: Any, wanted: Schema, path: Path) -> Any:
        """Checked values: quantities read, defaults filled in. Each that is written is kept with its node.

        ``node`` is None for what is not written.
        """
        value = self._converted(node, data, wanted, path)
        if node is not None and path not in self.wrong:
            self._report.keep(node, value)
        return value

    def _converted(self, node: Node | None, data: Any, wanted: Schema, path: Path) -> Any:
        if "quantity" in wanted:
            if isinstance(data, _Quantity):
                return data.value
            return _known(wanted["quantity"], str(data)) if node is None else None
        if isinstance(data, list):
            nodes = node.items if isinstance(node, Items) else [None] * len(data)
            inner = wanted.get("items", {})
            pairs = enumerate(zip(nodes, data, strict=True))
            return [self.convert(item, each, inner, (*path, i)) for i, (item, each) in pairs]
        if not isinstance(data, dict) or "properties" not in wanted:
            return data
        converted = {}
        for name, inner in wanted["properties"].items():
            here = (*path, name)
            below = node.values.get(name) if isinstance(node, Entries) else None
            if here in self._no:
                converted[name] = False
                self._report.keep(below, False)
            elif name in data:
                converted[name] = self.convert(below, data[name], inner, here)
            elif "default" in inner:
                converted[name] = self.convert(None, inner["default"], inner, here)
            elif "properties" in inner and "required" not in inner:
                converted[name] = self.convert(None, {}, inner, here)
        return converted


_READS = frozenset({"quantity", "enum", "const", "type", "pattern", "items", "properties"})
"""The words of a schema for whose sake a value is read; of others (a part's rules), only the text or the pieces
count."""


def _value(node: Text, wanted: Schema) -> Any:
    text = node.text.strip()
    if "quantity" in wanted:
        return _Quantity(text, wanted["quantity"])
    for choice in (*wanted.get("enum", ()), *([wanted["const"]] if "const" in wanted else ())):
        if text == str(choice):
            return choice
    kind = wanted.get("type")
    if kind == "integer" and WHOLE.fullmatch(text):
        return int(text)
    if kind == "number" and _NUMBER.fullmatch(text):
        return float(text)
    if kind == "boolean" and text.casefold() in (*YES, *NO):
        return text.casefold() in YES
    if kind == "object" and node.empty:
        return {}
    return text if "pattern" in wanted else node.text


def _quantity(_: Any, kind: str, instance: Any, wanted: Schema) -> Iterator[ValidationError]:
    """JSON Schema's library calls this where a schema says "quantity"."""
    if not isinstance(instance, _Quantity):
        yield ValidationError("a list or a group", cause=None)
        return
    error = instance.error
    if error is None and "least" in wanted and instance.value < _known(kind, wanted["least"]):
        error = QuantityError(f"{quoted(instance)} is too little here", limits(wanted))
    if error is None and "most" in wanted and instance.value > _known(kind, wanted["most"]):
        error = QuantityError(f"{quoted(instance)} is too much here", limits(wanted))
    if error is not None:
        yield ValidationError(str(error), cause=error)


_VALIDATOR: Any = extend(Draft202012Validator, {"quantity": _quantity})  # type: ignore[no-untyped-call]  # the library's own
_built: dict[int, tuple[Schema, Any]] = {}


def _validator(wanted: Schema) -> Any:
    """The validator of a schema, built once in a process; a schema is never changed, and is kept with it."""
    schema_, built = _built.get(id(wanted), (None, None))
    if schema_ is not wanted:
        built = _VALIDATOR(wanted)
        _built[id(wanted)] = wanted, built
    return built
