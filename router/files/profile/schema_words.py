"""The words that every schema is written with, and how a text is made to fit one. See ``schema.py``."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any

Schema = Mapping[str, Any]

CHANNEL: Schema = {"type": "integer", "minimum": 1, "maximum": 16}
NAME: Schema = {
    "type": "string",
    "pattern": r"^[a-z][a-z0-9_-]{0,31}$",
    "spelling": "lower-case letters, digits, _ and -, a letter first, at most 32",
}
CHILD: Schema = {
    "type": "string",
    "pattern": r"^[a-z][a-z0-9-]{0,31}$",
    "spelling": "lower-case letters, digits and -, a letter first, at most 32",
    "description": "a pseudonym, never a name",
    "examples": ["wren"],
}
PATTERN: Schema = {"type": "string", "minLength": 1, "maxLength": 200, "examples": ['"*"']}


def group(title: str, needed: tuple[str, ...] = (), **properties: Schema) -> dict[str, Any]:
    """A closed group of settings; a property that is a word of Python is given with ``_`` after it."""
    schema: dict[str, Any] = {
        "title": title,
        "type": "object",
        "additionalProperties": False,
        "properties": {name.rstrip("_"): schema for name, schema in properties.items()},
    }
    if needed:
        schema["required"] = list(needed)
    return schema


ABOUT: Schema = {"type": "string", "maxLength": 2000, "description": "a remark for people"}


_SPELT = str.maketrans(
    {
        "\u00e4": "ae",
        "\u00f6": "oe",
        "\u00fc": "ue",
        "\u00c4": "ae",
        "\u00d6": "oe",
        "\u00dc": "ue",
        "\u00df": "ss",
        "\u00f8": "oe",
        "\u00e6": "ae",
        "\u0153": "oe",
        "\u00e5": "aa",
    }
)
"""Letters of other languages, as they are spelt where there are none (German, Danish and French custom)."""


def respell(text: str, wanted: Schema) -> str | None:
    """A text made to fit a pattern by what people most often get wrong: capitals, spaces, dashes."""
    pattern = wanted["pattern"]
    bare = re.sub(r"[\s.,;:/]+", "-", re.sub(r"\.ya?ml$", "", text.strip().strip(".,;:"))).translate(_SPELT)
    bare = "".join(letter for letter in unicodedata.normalize("NFKD", bare) if not unicodedata.combining(letter))
    upper = re.sub(r"[\s-]+", "_", text.strip()).upper()
    for tried in (bare.casefold(), upper, f"KEY_{upper}", f"ABS_{upper}"):
        if tried != text and re.search(pattern, tried):
            return tried
    return None


def fits(text: str, wanted: Schema) -> bool:
    """Tell whether a text is spelt as a pattern asks."""
    return re.search(wanted["pattern"], text) is not None and not text.endswith("\n")


def homes_in(groups: Iterable[Schema], whole: Schema) -> Mapping[str, tuple[str, ...]]:
    """For each setting of these groups, what it is a setting of; ``whole``: the group of the whole file."""
    found: dict[str, list[str]] = {}
    for one in groups:
        for name, inner in one["properties"].items():
            found.setdefault(name, []).append(one["title"])
            for deeper in inner.get("properties", {}):
                within = "" if one is whole else f" in {one['title']}"
                found.setdefault(deeper, []).append(f'"{name}"{within}')
    return {name: tuple(dict.fromkeys(titles)) for name, titles in found.items()}


def article(name: str) -> str:
    """The word before a name: a or an."""
    return "an" if name[0] in "aeiou" else "a"
