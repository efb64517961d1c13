"""A schema as an editor reads it."""

from __future__ import annotations

import re

import yaml


class Editor(yaml.SafeLoader):
    """YAML 1.2's core schema, as an editor reads it: only true and false are yes and no, and 010 is ten.

    Source: YAML 1.2.2, chapter 10.3.2.
    """


Editor.yaml_implicit_resolvers = {}
for tag, pattern, first in (
    ("null", r"~|null|Null|NULL|", "~nN"),
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", "-+0123456789"),
    (
        "float",
        r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)",
        "-+.0123456789",
    ),
):
    letters = [*first, ""] if tag == "null" else list(first)
    Editor.add_implicit_resolver(f"tag:yaml.org,2002:{tag}", re.compile(f"^(?:{pattern})$"), letters)
Editor.add_constructor("tag:yaml.org,2002:int", lambda loader, node: int(loader.construct_scalar(node)))


def words(schema: object) -> set[str]:
    if isinstance(schema, list):
        return {word for item in schema for word in words(item)}
    if not isinstance(schema, dict):
        return set()
    found = set(schema)
    for word, inner in schema.items():
        if word in ("properties", "$defs"):
            found |= {word for part in inner.values() for word in words(part)}
        elif word not in ("enum", "const", "default", "examples", "dependentRequired"):
            found |= words(inner)
    return found
