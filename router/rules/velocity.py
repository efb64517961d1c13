"""How loud each note begins: always the same, or by the strength of the effort.

From strength, the gentlest effort that counts gives ``low`` and a full one ``high``. Whatever is written here, the
profile's ``limits`` are never exceeded.

Example::

    rules:
      - note: {}
      - velocity: {from: strength, low: 40, high: 90}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.events import NoteOn
from router.rules.base import Context, Events, Kind, Rule

_VELOCITY = {"type": "integer", "minimum": 1, "maximum": 127}


class Velocity(Rule):
    """See the module's docstring."""

    name = "velocity"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "fixed": {**_VELOCITY, "description": "every note begins with this velocity", "examples": [80]},
            "from": {"enum": ["strength"], "description": "the velocity follows the strength of the effort"},
            "low": {**_VELOCITY, "default": 40, "description": "the velocity of the gentlest effort"},
            "high": {**_VELOCITY, "default": 90, "description": "the velocity of a full effort"},
        },
        "oneOf": [{"required": ["fixed"]}, {"required": ["from"]}],
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._fixed: int | None = settings.get("fixed")
        self._low: int = settings["low"]
        self._high: int = settings["high"]

    def note_on(self, note: NoteOn, now: int) -> Events:
        velocity = self._fixed
        if velocity is None:
            velocity = round(self._low + (self._high - self._low) * note.strength)
        return (NoteOn(note.voice, note.pitch, velocity, note.strength),)
