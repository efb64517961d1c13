"""The notes of a chord begin one after another, as when a hand goes over strings.

On press the first note begins at once and each other ``spacing`` later; on release all end, and those that have not
begun are left out.

Example::

    rules:
      - note: {}
      - chord: {kind: triad}
      - strum: {spacing: 40 ms, order: up}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, Later, NoteOff, NoteOn, Rule


class StrumRule(Rule):
    """The rule ``strum``; the module's docstring is its manual."""

    name = "strum"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "spacing": {
                "quantity": "time",
                "most": "1 s",
                "default": "40 ms",
                "description": "the time from one note to the next",
            },
            "order": {
                "enum": ["up", "down", "up and down", "as played"],
                "default": "up",
                "description": "from the lowest note or the highest, in turn, or as the notes came",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._spacing: int = settings["spacing"]
        self._order: str = settings["order"]
        self._waiting: dict[int, list[NoteOn]] = {}  # by voice: the notes that have come in this moment
        self._later = Later(context.alarm)
        self._strums = 0

    def note_on(self, note: NoteOn, now: int) -> Events:
        if note.instead is not None:
            return (note,)
        self._waiting.setdefault(note.voice, []).append(note)
        self.context.alarm.at(now, "strum")  # after this event, so that the whole chord has come
        return ()

    def note_off(self, off: NoteOff, now: int) -> Events:
        begun = self._strum(now) if off.voice in self._waiting else []  # over in the same moment: heard all the same
        self._later.drop(off.voice)
        return [*begun, off]

    def wake(self, now: int, tag: Hashable) -> Events:
        return self._strum(now) if tag == "strum" else self._later.due(now)

    def let_go(self, now: int) -> Events:
        self._waiting.clear()
        self._later.clear()
        self.context.alarm.cancel("strum")
        self._strums = 0
        return ()

    def _strum(self, now: int) -> list[NoteOn]:
        self.context.alarm.cancel("strum")
        waiting, self._waiting = self._waiting, {}
        first = []
        for notes in waiting.values():
            down = self._order == "down" or (self._order == "up and down" and self._strums % 2 == 1)
            self._strums += 1
            if self._order != "as played":
                notes.sort(key=lambda note: note.pitch, reverse=down)
            first.append(notes[0])
            for place, note in enumerate(notes[1:], 1):
                self._later.put(now + place * self._spacing, note)
        return first
