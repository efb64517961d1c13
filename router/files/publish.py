"""The schema for editors: the pieces of schema.py as one plain JSON Schema.

    python -m router.files.publish > schemas/profile.schema.json      (--installed: with the rules of others, too)

An editor reads YAML 1.2, in which ``yes`` is a text and ``84`` a number; what the router takes as the same is allowed
here in both forms. Checks of meaning are the router's alone.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import Any

from jsonschema import Draft202012Validator

from router.core.contract import Rule
from router.core.rules import RULES
from router.files import quantities
from router.files.manual import summary
from router.files.plugins import installed
from router.files.profile import schema

Schema = Mapping[str, Any]


def published(rules: Mapping[str, type[Rule]] = RULES) -> dict[str, Any]:
    """The schema of a whole profile in plain JSON Schema 2020-12, in which these rules may stand."""
    inputs = {
        "type": "object",
        "required": ["type"],
        "properties": {"type": {"enum": list(schema.INPUTS)}},
        "allOf": [
            {"if": _is("type", kind), "then": plainly({**schema.INPUTS[kind], "properties": _with_device(kind)})}
            for kind in schema.INPUTS
        ],
    }
    entry = {
        "type": "object",
        "description": "one rule",
        "minProperties": 1,
        "maxProperties": 1,
        "additionalProperties": False,
        "properties": {name: _rule(name, rule) for name, rule in rules.items()},
    }
    source = {"type": "string", "minLength": 1}
    part = plainly(schema.BAND)
    part["properties"]["input"] |= {"anyOf": [source, {"type": "array", "minItems": 1, "items": source}]}
    part["properties"]["rules"] |= {"type": "array", "minItems": 1, "items": {"$ref": "#/$defs/rule"}}
    whole = plainly(schema.PROFILE)
    for name, thing in (
        ("inputs", "input"),
        ("parts", "part"),
        ("outputs", "output"),
        ("songs", "song"),
        ("goals", "goal"),
    ):
        whole["properties"][name] |= {
            "propertyNames": {"pattern": schema.NAME["pattern"]},
            "additionalProperties": {"$ref": f"#/$defs/{thing}"},
        }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **whole,
        "$defs": {
            "input": inputs,
            "part": part,
            "rule": entry,
            "output": {"oneOf": [plainly(kind) for kind in schema.OUTPUTS.values()]},
            "song": plainly(schema.SONG),
            "goal": {"oneOf": [plainly(schema.GOAL), {"type": "null"}]},
        },
    }


def _rule(name: str, rule: type[Rule]) -> Schema:
    """The settings of a rule; a rule that needs none may stand there without any."""
    about = {"title": f"{schema.article(name)} {name} rule", "description": summary(rule)}
    settings = plainly(rule.settings)
    if Draft202012Validator(settings).is_valid({}):
        return {**about, "anyOf": [settings, {"type": "null"}]}
    return {**about, **settings}


def _is(name: str, value: str) -> Schema:
    return {"required": [name], "properties": {name: {"const": value}}}


def _with_device(kind: str) -> Schema:
    properties: Schema = schema.INPUTS[kind]["properties"]
    if kind not in schema.DEVICES:
        return properties
    return {**properties, "device": {**properties["device"], "oneOf": list(schema.DEVICES[kind].values())}}


def plainly(piece: Any) -> Any:
    """A piece in JSON Schema's own words only."""
    if isinstance(piece, list | tuple):
        return [plainly(item) for item in piece]
    if not isinstance(piece, Mapping):
        return piece
    plain = {
        word: value
        for word, value in piece.items()
        if word not in ("quantity", "least", "most", "no", "song", "spelling", "elsewhere")
    }
    for word in ("properties", "dependentSchemas", "$defs"):
        if word in plain:
            plain[word] = {name: plainly(inner) for name, inner in plain[word].items()}
    for word in ("items", "not", "if", "then", "else", "oneOf", "anyOf", "allOf"):
        if word in plain:
            plain[word] = plainly(plain[word])
    if "quantity" in piece:
        plain |= quantities.KINDS[piece["quantity"]].published
        if "default" not in plain:
            plain.setdefault("examples", [quantities.KINDS[piece["quantity"]].example])
    if piece.get("type") == "boolean":
        del plain["type"]
        plain["enum"] = [True, False, "yes", "no", "on", "off"]
    if "enum" in piece:  # 7 is a chord's name here, and a number to an editor
        plain["enum"] = [*piece["enum"], *(int(word) for word in piece["enum"] if str(word).isdecimal())]
    if "no" in piece:
        about = {word: plain.pop(word) for word in ("description", "default", "examples") if word in plain}
        return {**about, "anyOf": [plain, {"enum": [False, "no", "off"], "description": piece["no"]}]}
    return plain


def main() -> None:
    """Print the published schema; with ``--installed`` the one of all rules that are installed here."""
    rules = installed().rules if sys.argv[1:] == ["--installed"] else RULES
    print(json.dumps(published(rules), indent=2, ensure_ascii=False))  # noqa: T201 - printing it is what this is for


if __name__ == "__main__":
    main()
