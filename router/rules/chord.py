"""Each note becomes a chord on it.

``triad`` and ``seventh`` are stacked from the scale on its nearest note, so they always fit it; the other kinds have a fixed shape. All
notes of the chord begin and end with the note they stand on. Notes above MIDI's range are left out.

Example::

    rules:
      - note: {degree: 1}
      - chord: {kind: triad, inversion: 1}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.events import NoteOn
from router.music import CHORDS, invert
from router.rules.base import Context, Events, Kind, Rule

STACKED = {"triad": 3, "seventh": 4}


class Chord(Rule):
    """See the module's docstring."""

    name = "chord"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "kind": {
                "enum": [*STACKED, *CHORDS],
                "default": "triad",
                "description": "triad and seventh are stacked from the scale; the others have a fixed shape",
            },
            "inversion": {
                "type": "integer",
                "minimum": 0,
                "maximum": 4,
                "default": 0,
                "description": "how many of the lowest notes are moved up an octave",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._kind: str = settings["kind"]
        self._inversion: int = settings["inversion"]

    def note_on(self, note: NoteOn, now: int) -> Events:
        root = note.pitch
        if self._kind in STACKED:
            root = self.context.music.lock(root)
            shape = self.context.music.stack(root, STACKED[self._kind])
        else:
            shape = CHORDS[self._kind]
        pitches = [root + step for step in invert(shape, self._inversion)]
        return [NoteOn(note.voice, pitch, note.velocity, note.strength) for pitch in pitches if pitch <= 127]
