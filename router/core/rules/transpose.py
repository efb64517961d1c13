"""Each note sounds higher or lower than it was played.

``semitones`` and ``octaves`` move a note by so much; ``steps`` move it along the scale, so that it still fits. On
release the moved note ends. A note that would leave MIDI's range is brought back by octaves.

Example::

    rules:
      - note: {}
      - transpose: {octaves: -1}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import Context, Moves, fold


class TransposeRule(Moves):
    """The rule ``transpose``; the module's docstring is its manual."""

    name = "transpose"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "semitones": {
                "type": "integer",
                "minimum": -36,
                "maximum": 36,
                "default": 0,
                "description": "so many semitones higher, or lower with a minus sign",
            },
            "octaves": {
                "type": "integer",
                "minimum": -4,
                "maximum": 4,
                "default": 0,
                "description": "so many octaves higher, or lower with a minus sign",
            },
            "steps": {
                "type": "integer",
                "minimum": -14,
                "maximum": 14,
                "default": 0,
                "description": "so many steps of the scale higher, or lower with a minus sign",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._semitones: int = settings["semitones"] + 12 * settings["octaves"]
        self._steps: int = settings["steps"]

    def moved(self, pitch: int) -> int:
        return fold((self.context.music.move(pitch, self._steps) if self._steps else pitch) + self._semitones)
