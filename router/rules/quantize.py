"""Each note waits for the next beat, so that what is played is in time with everything else.

On press the note waits until the next place of the grid that all parts share, and on release its end is moved by as much. If the
next place is further away than ``most``, the note sounds at once: an effort is never kept waiting for long.

Example::

    rules:
      - note: {degree: 1}
      - quantize: {to: 1/8, most: 250 ms}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from router.events import Event, NoteOff, NoteOn
from router.music import Span
from router.rules.base import Context, Events, Kind, Later, Rule


@dataclass(slots=True)
class _Moved:
    """A voice: by how much its last note was moved, when the last that is known of it is given, and whether it has ended."""

    by: int
    last: int
    ended: bool = False


class Quantize(Rule):
    """See the module's docstring."""

    name = "quantize"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "to": {"quantity": "length", "default": "1/8", "description": "how far apart the places are"},
            "most": {
                "quantity": "time",
                "most": "5 s",
                "default": "500 ms",
                "description": "the longest that a note may wait",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._to: Span = settings["to"]
        self._most: int = settings["most"]
        self._voices: dict[int, _Moved] = {}
        self._later = Later(context.alarm)
        self._grid = context.music.grid(self._to)  # on which what waits will stand

    def note_on(self, note: NoteOn, now: int) -> Events:
        if note.instead is not None:  # it goes on at once in another key; what waited of the other waits no more
            self._later.drop(note.instead)
            self._voices.pop(note.instead, None)
            self._voices.setdefault(note.voice, _Moved(0, now))
            return (note,)
        grid = self._grid = self.context.music.grid(self._to)
        wait = grid.at(grid.next(now)) - now
        if wait > self._most:
            wait = 0
        before = self._voices.get(note.voice)
        when = now + wait if before is None else max(now + wait, before.last)  # a voice never overtakes itself
        self._voices[note.voice] = _Moved(when - now, when)
        return self._give(when, note, now)

    def note_off(self, off: NoteOff, now: int) -> Events:
        moved = self._voices.get(off.voice)
        if moved is None:
            return (off,)
        moved.last = max(now + moved.by, moved.last)
        moved.ended = True
        return self._give(moved.last, off, now)

    def _give(self, when: int, event: NoteOn | NoteOff, now: int) -> Events:
        if when > now or self._later.waits(event.voice):
            self._later.put(when, event)
            return ()
        self._forget(event)
        return (event,)

    def _forget(self, event: Event) -> None:
        """A voice that has ended and for which nothing waits any more."""
        if isinstance(event, NoteOff) and not self._later.waits(event.voice):
            moved = self._voices.get(event.voice)
            if moved is not None and moved.ended:
                del self._voices[event.voice]

    def wake(self, now: int, tag: Hashable) -> Events:
        events = self._later.due(now)
        for event in events:
            self._forget(event)
        return events

    def beat_changed(self, now: int) -> Events:
        old, self._grid = self._grid, self.context.music.grid(self._to)
        later: dict[int, int] = {}  # by voice: by how much what still waits is moved on, or back
        for voice, when in self._later.begins().items():
            moved = self._voices[voice]
            place = old.onto(self._grid, old.nearest(when), now)
            latest = when + self._most - moved.by
            later[voice] = min(max(now, self._grid.at(place)), latest) - when
            moved.by += later[voice]
            moved.last += later[voice]
        if later:
            self._later.move(lambda when, event: when + later.get(getattr(event, "voice", 0), 0))
        return ()

    def let_go(self, now: int) -> Events:
        self._later.clear()
        voices, self._voices = self._voices, {}
        return [NoteOff(voice) for voice, moved in voices.items() if moved.ended]
