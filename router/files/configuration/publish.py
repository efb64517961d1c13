"""The configuration's schema for editors: the pieces of schema.py as one plain JSON Schema.

python -m router.files.configuration.publish > schemas/configuration.schema.json
"""

from __future__ import annotations

import json
from typing import Any

from router.files.configuration import schema
from router.files.profile.schema import NAME, OUTPUTS
from router.files.publish import plainly


def published() -> dict[str, Any]:
    """The schema of a whole configuration in plain JSON Schema 2020-12."""
    whole, button = plainly(schema.CONFIGURATION), plainly(schema.BUTTON)
    properties = whole["properties"]
    for about in (*properties.values(), *properties["room"]["properties"].values()):
        if about.get("type") == "object" and "required" not in about:  # a heading with nothing under it
            about["type"] = ["object", "null"]
    for folder in properties["folders"]["properties"].values():
        folder["pattern"] = "^/"
    for name, thing in (("seats", "seat"), ("buttons", "button"), ("outputs", "output")):
        properties[name] |= {
            "propertyNames": {"pattern": NAME["pattern"]},
            "additionalProperties": {"$ref": f"#/$defs/{thing}"},
        }
    properties["seats"]["maxProperties"] = schema.MOST_SEATS
    seat = plainly(schema.SEAT)
    seat["properties"]["devices"] |= {
        "propertyNames": {"pattern": NAME["pattern"]},
        "additionalProperties": plainly(schema.DEVICE_NAME),
    }
    properties["room"]["properties"]["keyboard"]["properties"]["output"] |= {"$ref": "#/$defs/output"}
    button["properties"]["device"]["oneOf"] = plainly(list(schema.BUTTON_DEVICES.values()))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **whole,
        "$defs": {
            "seat": {"anyOf": [seat, {"type": "null"}]},
            "button": button,
            "output": {"oneOf": plainly(list(OUTPUTS.values()))},
        },
    }


def main() -> None:
    """Print the published schema."""
    print(json.dumps(published(), indent=2, ensure_ascii=False))  # noqa: T201 - printing it is what this is for


if __name__ == "__main__":
    main()
