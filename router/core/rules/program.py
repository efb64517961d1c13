"""Each press takes the next sound of a list.

On press the part's channel changes to the next of ``sounds``, before the press goes on and plays; what is held sounds
on as the instrument likes. With ``every`` it changes only at every so many presses.

Example::

    rules:
      - program: {sounds: [marimba, celesta, flute]}
      - note: {degree: 1}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, Press, Program, Rule


class ProgramRule(Rule):
    """The rule ``program``; the module's docstring is its manual."""

    name = "program"
    takes = Kind.GESTURES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "required": ["sounds"],
        "properties": {
            "sounds": {
                "type": "array",
                "minItems": 1,
                "items": {"quantity": "program"},
                "description": "General MIDI sounds by name, or by number from 0, one after the other",
                "examples": ["[marimba, celesta]"],
            },
            "every": {
                "type": "integer",
                "minimum": 1,
                "maximum": 100,
                "default": 1,
                "description": "after how many presses the next sound is taken",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._sounds: list[int] = settings["sounds"]
        self._every: int = settings["every"]
        self._presses = 0
        self._last: int | None = None

    def press(self, press: Press, now: int) -> Events:
        sound = self._sounds[self._presses // self._every % len(self._sounds)]
        self._presses += 1
        if sound == self._last:
            return (press,)
        self._last = sound
        return (Program(sound), press)

    def let_go(self, now: int) -> Events:
        self._presses, self._last = 0, None
        return ()
