"""When notes end: as the effort ends, after a fixed time, or when the next one begins.

``released``: on release, as without this rule. ``after``: each note sounds for ``time``, however long the effort is.
``next``: each note sounds until the next begins, so that a short effort still gives a long line.

Example::

    rules:
      - sequence: {degrees: [1, 3, 5]}
      - release: {when: after, time: 1.5 s}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.events import NoteOff, NoteOn
from router.rules.base import Context, Events, Kind, Rule


class Release(Rule):
    """See the module's docstring."""

    name = "release"
    takes = Kind.NOTES
    sustains = True
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "when": {
                "enum": ["released", "after", "next"],
                "default": "released",
                "description": "what ends a note",
                "examples": ["after"],
            },
            "time": {
                "quantity": "time",
                "description": "how long each note sounds, with when: after",
                "examples": ["1.5 s"],
            },
        },
        "dependentRequired": {"time": ["when"]},
        "if": {"required": ["when"], "properties": {"when": {"const": "after"}}},
        "then": {"required": ["time"]},
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._when: str = settings["when"]
        self._time: int = settings.get("time", 0)
        self._held: dict[int, None] = {}  # voices that this rule has to end

    def note_on(self, note: NoteOn, now: int) -> Events:
        if self._when == "released":
            return (note,)
        ended: Events = ()
        if self._when == "next":
            ended = [NoteOff(voice) for voice in self._held if voice != note.voice]
            self._held.clear()
        else:
            self.context.alarm.at(now + self._time, note.voice)
        self._held[note.voice] = None
        return [*ended, note]

    def note_off(self, off: NoteOff, now: int) -> Events:
        return () if off.voice in self._held else (off,)

    def wake(self, now: int, tag: Hashable) -> Events:
        assert isinstance(tag, int)  # noqa: S101 - the tag is the voice, see note_on
        self._held.pop(tag, None)
        return (NoteOff(tag),)

    def let_go(self, now: int) -> Events:
        held, self._held = self._held, {}
        for voice in held:
            self.context.alarm.cancel(voice)
        return [NoteOff(voice) for voice in held]
