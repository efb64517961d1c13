"""Checks of a rule's declaration against the contract: all that can be seen without playing the rule."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator, Mapping
from typing import Any

from jsonschema import Draft202012Validator, SchemaError

from router.core.contract import METHODS, Kind, Rule
from router.core.units import QuantityError
from router.files import quantities
from router.files.manual import summary

NAME = re.compile(r"[a-z][a-z_]{0,31}")

CALLED_WITH: Mapping[str, int] = {
    "__init__": 2,
    **dict.fromkeys(METHODS.values(), 2),
    "wake": 2,
    "cut": 2,
    "started": 1,
    "let_go": 1,
}
"""Number of arguments with which the router calls each method of a rule."""

WORDS = frozenset(
    {
        *("type", "enum", "const", "minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum", "minLength"),
        *("maxLength", "pattern", "minItems", "maxItems", "uniqueItems", "additionalProperties", "required"),
        *("dependentRequired", "properties", "items", "not", "if", "then", "else", "oneOf", "anyOf", "allOf"),
        *("title", "description", "default", "examples", "quantity", "least", "most", "no", "song", "spelling"),
    }
)
"""The schema words that settings may use: messages to a therapist can explain them. None of them fetches anything."""


def fault(rule: object) -> str | None:
    """Say what is wrong with a rule's declaration, in a developer's words; None if nothing is."""
    if not (isinstance(rule, type) and issubclass(rule, Rule)):
        return f"{getattr(rule, '__name__', rule)} is no rule; a class made from router.rule.Rule is needed"
    name = getattr(rule, "name", None)
    if not isinstance(name, str) or not NAME.fullmatch(name):
        return f"the name {name!r} is not of lower-case letters and _, a letter first, at most 32"
    if not isinstance(getattr(rule, "takes", None), Kind) or not isinstance(rule.gives, Kind):
        return '"takes" and "gives" must say what kinds of events it takes and gives, such as Kind.NOTES'
    if not rule.takes:
        return "it takes nothing, so it can never be of use"
    for method, count in CALLED_WITH.items():
        if not _can_be_called(getattr(rule, method), count):
            return f"{method} cannot be called as the router calls it; router/core/contract.py shows how"
    if not summary(rule):
        return "it has no manual: the docstring of its file, or of its class, is what people read"
    return _of_settings(getattr(rule, "settings", None))


def _can_be_called(method: Any, count: int) -> bool:
    try:
        inspect.signature(method).bind(None, *range(count))
    except (TypeError, ValueError):
        return False
    return not inspect.iscoroutinefunction(method)


def _of_settings(schema: Any) -> str | None:
    if not isinstance(schema, Mapping):
        return "it does not say which settings it has; without any, they are an empty group of properties"
    try:
        Draft202012Validator.check_schema(_as_dict(schema))
    except SchemaError as error:
        return f"the settings are no JSON Schema: {error.message}"
    if strange := next(_strange(schema), None):
        return f'the settings use "{strange}", which no message could explain'
    return _of_group(schema)


def _of_group(schema: Mapping[str, Any]) -> str | None:
    properties = schema.get("properties")
    if schema.get("type") != "object" or schema.get("additionalProperties") is not False or properties is None:
        return (
            'the settings are not closed: "type": "object", "properties" and "additionalProperties": False are needed'
        )
    if missing := [name for name in schema.get("required", ()) if name not in properties]:
        return f'"{missing[0]}" is required and is no setting'
    for name, about in properties.items():
        if not str(about.get("description", "")).strip():
            return f'the setting "{name}" has no description'
        if wrong := _of_quantity(name, about) or _of_quantity(name, about.get("items", {})):
            return wrong
        if "default" in about and not Draft202012Validator(_as_dict(about)).is_valid(about["default"]):
            return f'the default of "{name}" is not allowed by its own schema'
        if "properties" in about and (wrong := _of_group(about)):
            return f'in "{name}", {wrong}'
    return None


def _of_quantity(name: str, about: Mapping[str, Any]) -> str | None:
    kind = about.get("quantity")
    if kind is None:
        return None
    if kind not in quantities.KINDS:
        kinds = ", ".join(quantities.KINDS)
        return f'the setting "{name}" is of an unknown quantity "{kind}"; there are: {kinds}'
    for word in ("default", "least", "most"):
        try:
            if word in about and not ("no" in about and about[word] in (False, "no")):
                quantities.read(kind, str(about[word]))
        except QuantityError as error:
            return f'the {word} of "{name}" is no {kind}: {error}'
    return None


def _strange(schema: Any) -> Iterator[str]:
    """Words of a schema that are not among ``WORDS``, at any depth."""
    if not isinstance(schema, Mapping):
        return
    for word, inner in schema.items():
        if word not in WORDS:
            yield word
        elif word == "properties":
            for piece in inner.values():
                yield from _strange(piece)
        elif word in ("oneOf", "anyOf", "allOf"):
            for piece in inner:
                yield from _strange(piece)
        elif word in ("items", "not", "if", "then", "else"):
            yield from _strange(inner)


def _as_dict(piece: Any) -> Any:
    """Turn mappings into dictionaries and tuples into lists, as JSON Schema's library knows no others."""
    if isinstance(piece, Mapping):
        return {name: _as_dict(inner) for name, inner in piece.items()}
    return [_as_dict(item) for item in piece] if isinstance(piece, list | tuple) else piece
