"""Successive presses step through a row of notes: a tune from one movement.

On press the next note of the row begins; while held it sounds; on release it ends. After the last note the row
begins again; after a pause of ``restart_after`` too.

Example::

    rules:
      - sequence: {degrees: [1, 2, 3, 5], octave: 4, restart_after: 10 s}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.events import NoteOn, Press
from router.rules.base import DEGREES, NOTES, OCTAVE, Context, Events, Plays, Row


class Sequence(Plays):
    """See the module's docstring."""

    name = "sequence"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "degrees": DEGREES,
            "notes": NOTES,
            "octave": OCTAVE,
            "restart_after": {"quantity": "time", "description": "a pause after which the row begins again"},
        },
        "oneOf": [{"required": ["degrees"]}, {"required": ["notes"]}],
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._row = Row(settings, context)
        self._pause: int | None = settings.get("restart_after")
        self._next = 0
        self._last = 0  # when the last press was

    def press(self, press: Press, now: int) -> Events:
        if self._pause is not None and now - self._last >= self._pause:
            self._next = 0
        self._last = now
        pitch = self._row.pitch(self._next)
        self._next = (self._next + 1) % len(self._row)
        return (NoteOn(press.voice, pitch, strength=press.strength),)

    def let_go(self, now: int) -> Events:
        self._next = 0
        return ()
