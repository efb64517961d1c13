"""Each press strikes a drum of the General MIDI list; it belongs on channel 10.

On press the drum sounds; on release it ends, which most drums do not mind. Of several drums each press takes the next;
the zones of a pointer have one each.

Example::

    rules:
      - drum: {sounds: [bass drum 1, hand clap]}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, NoteOn, Plays, Press


class DrumRule(Plays):
    """The rule ``drum``; the module's docstring is its manual."""

    name = "drum"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "required": ["sounds"],
        "properties": {
            "sounds": {
                "type": "array",
                "minItems": 1,
                "items": {"quantity": "drum"},
                "description": "drums by their General MIDI names, or by the numbers of their notes, 35 to 81",
                "examples": ["[hand clap]"],
            }
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._sounds: list[int] = settings["sounds"]
        self._next = 0

    def press(self, press: Press, now: int) -> Events:
        place = press.zone
        if place is None:
            place = self._next
            self._next = (self._next + 1) % len(self._sounds)
        return (NoteOn(press.voice, self._sounds[place % len(self._sounds)], strength=press.strength),)

    def let_go(self, now: int) -> Events:
        self._next = 0
        return ()
