"""Every note is moved to a note of the scale, or of the current chord, so that nothing can sound wrong.

On press the note that fits begins; what sounds stays as it is when key or chord change, and what an arpeggio or a
repeat after this rule plays again fits from its next step on. By default the nearest is taken, and of two equally near
the lower; ``direction`` takes the next one up or down instead. Over a chord with the leading tone of a minor key (E or
E7 in A minor) the scale has the leading tone too, here and in every degree. A scale has no direction here: the melodic
minor is its ascending form both ways. Notes for drums (channel 10) are not notes of a scale: leave this rule out there.

Example::

    rules:
      - note: {}
      - scale_lock: {direction: up}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import Context, Moves, nearest_of


class ScaleLockRule(Moves):
    """The rule ``scale_lock``; the module's docstring is its manual."""

    name = "scale_lock"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "to": {
                "enum": ["scale", "chord"],
                "default": "scale",
                "description": "the notes of the scale, or only those of the current chord",
            },
            "direction": {
                "enum": ["nearest", "up", "down"],
                "default": "nearest",
                "description": "the direction in which a note that does not fit is moved",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._to_chord = settings["to"] == "chord"
        self._direction: str = settings["direction"]

    def moved(self, pitch: int) -> int:
        music = self.context.music
        if not self._to_chord and music.contains(pitch):  # as most do, if what comes before knows the scale
            return pitch
        fitting = music.chord.classes if self._to_chord and music.chord is not None else music.notes
        return nearest_of(fitting, pitch, self._direction)
