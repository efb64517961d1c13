"""Every note is brought into a range of octaves, so that nothing is shrill, growling, or outside an instrument.

A note below or above the range sounds under its own name within it. On release it ends.

Example::

    rules:
      - note: {}
      - range: {lowest: C3, octaves: 2}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, NoteOn, Rule, fold


class RangeRule(Rule):
    """The rule ``range``; the module's docstring is its manual."""

    name = "range"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "lowest": {"quantity": "pitch", "default": "C3", "description": "the lowest note of the range"},
            "octaves": {
                "type": "integer",
                "minimum": 1,
                "maximum": 8,
                "default": 2,
                "description": "how many octaves the range has; the note at its upper end belongs to the next",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._lowest: int = settings["lowest"]
        self._highest = self._lowest + 12 * settings["octaves"] - 1

    def note_on(self, note: NoteOn, now: int) -> Events:
        pitch = note.pitch
        if pitch < self._lowest:
            pitch = self._lowest + (pitch - self._lowest) % 12
        elif pitch > self._highest:
            pitch = self._highest - (self._highest - pitch) % 12
        return (note.at(fold(pitch)),)
