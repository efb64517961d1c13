"""Successive presses step through a list of notes or chords: a tune from one movement.

On press the next of the list begins; while held it sounds; on release it ends. After a pause of ``restart_after`` the
list begins again. At its ``end`` it loops, goes back and forth (neither end is played twice), or stops: then nothing
sounds until the pause has gone by, 10 s if none is written.

Example::

    rules:
      - sequence: {degrees: [1, 2, 3, 5], octave: 4, restart_after: 10 s, end: back and forth}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import NANOSECONDS, ONE_ROW, ROW, Context, Events, Plays, Press, Row

_PAUSE = 10 * NANOSECONDS
"""Without ``restart_after`` a list that has stopped begins again after this pause. Our choice."""


def pause(settings: Mapping[str, Any]) -> int | None:
    """The pause in nanoseconds after which the list begins again; None: never."""
    after: int | None = settings.get("restart_after", _PAUSE if settings["end"] == "stop" else None)
    return after


class SequenceRule(Plays):
    """The rule ``sequence``; the module's docstring is its manual."""

    name = "sequence"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            **ROW,
            "restart_after": {"quantity": "time", "description": "a pause after which the list begins again"},
            "end": {
                "enum": ["loop", "stop", "back and forth"],
                "default": "loop",
                "description": "what comes after the last of the list",
            },
        },
        "oneOf": ONE_ROW,
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._row = Row(settings, context)
        self._end: str = settings["end"]
        self._pause = pause(settings)
        self._next = 0
        self._last = 0  # when the last press was

    def press(self, press: Press, now: int) -> Events:
        if self._pause is not None and now - self._last >= self._pause:
            self._next = 0
        self._last = now
        last = len(self._row) - 1
        place = self._next
        if self._end == "stop" and place > last:
            return ()
        if self._end == "back and forth" and last:
            place = last - abs(last - place % (2 * last))
        self._next += 1
        return self.held.begin(press.voice, lambda: self._row.play(place, press))

    def let_go(self, now: int) -> Events:
        self._next = 0
        return self.held.clear()
