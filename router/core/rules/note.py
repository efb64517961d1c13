"""Each press plays one note: a step of the scale, a fixed pitch, or the key that was pressed.

On press the note begins; while held it sounds; on release it ends. With neither ``degree`` nor ``pitch``, a MIDI
key plays its own note and anything else plays degree 1.

Example::

    rules:
      - note: {degree: 1, octave: 3}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import DEGREE, OCTAVE, Context, Events, NoteOn, Plays, Press


class NoteRule(Plays):
    """The rule ``note``; the module's docstring is its manual."""

    name = "note"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "degree": DEGREE,
            "octave": OCTAVE,
            "pitch": {"quantity": "pitch", "description": "a fixed note by name or number, instead of a degree"},
        },
        "not": {"required": ["degree", "pitch"]},
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._pitch: int | None = settings.get("pitch")
        self._degree: int | None = settings.get("degree")
        self._octave: int = settings["octave"]

    def press(self, press: Press, now: int) -> Events:
        return self.held.begin(press.voice, lambda: [NoteOn(press.voice, self._at(press), strength=press.strength)])

    def _at(self, press: Press) -> int:
        if self._pitch is not None:
            return self._pitch
        if self._degree is None and press.pitch is not None:
            return press.pitch
        return self.context.music.degree(self._degree or 1, self._octave)
