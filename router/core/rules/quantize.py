"""Each note waits for the next beat, so that what is played is in time with everything else.

On press the note waits until the next place of the grid that all parts share, and on release its end is moved by as
much. If the next place is further away than ``longest_wait``, the note sounds at once: an effort is never kept waiting
for long.

Notes that come one after another follow one another, one to a place, so that a quick tune stays a tune and no effort is
lost; where the next free place is too far away for one, it takes the first that is free when the step is halved, or
halved again. With ``swing`` every second place comes later, so that the first of two steps is to the second as is
written: 2:1 is a triplet feel. Notes that come within 50 ms are a chord, and stay together.

Example::

    rules:
      - note: {degree: 1}
      - quantize: {to: 1/8, longest_wait: 250 ms}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import NANOSECONDS, SWING, Context, Event, Events, Grid, Kind, Later, NoteOff, NoteOn, Rule, Span

_CHORD = 50 * NANOSECONDS // 1000
"""Notes that come within this time of the first belong together. Our choice: wider than hands are apart, closer than
two efforts."""
_FINER = (1, 2, 4, 8)
"""How often a step is divided, at most into eight: at 1/8 and 90 bpm that is room for 24 notes a second."""


@dataclass(slots=True)
class _Moved:
    """A voice: how far its last note was moved, when the last known of it is given, and whether it has ended."""

    by: int
    last: int
    ended: bool = False


class QuantizeRule(Rule):
    """The rule ``quantize``; the module's docstring is its manual."""

    name = "quantize"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "to": {"quantity": "length", "default": "1/8", "description": "how far apart the places are"},
            "longest_wait": {
                "quantity": "time",
                "most": "5 s",
                "default": "500 ms",
                "description": "the longest that a note may wait",
            },
            "swing": SWING,
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._to: Span = settings["to"]
        self._longest_wait: int = settings["longest_wait"]
        self._swing: Fraction = settings["swing"]
        self._voices: dict[int, _Moved] = {}
        self._later = Later(context.alarm)
        self._grid = self._places()  # on which what waits will stand
        self._came: int | None = None  # when the newest note came, or the first of a chord
        self._given = -1  # where it stands

    def note_on(self, note: NoteOn, now: int) -> Events:
        if note.instead is not None:  # it goes on at once in another key; what waited of the other waits no more
            self._later.drop(note.instead)
            self._voices.pop(note.instead, None)
            self._voices.setdefault(note.voice, _Moved(0, now))
            return (note,)
        when = self._place(now)
        before = self._voices.get(note.voice)
        if before is not None:  # a voice never overtakes itself
            when = max(when, before.last)
        self._voices[note.voice] = _Moved(when - now, when)
        return self._give(when, note, now)

    def _places(self) -> Grid:
        return self.context.music.grid(self._to, self._swing)

    def _place(self, now: int) -> int:
        """Return when a note that has come now is to sound."""
        if self._came is not None and now - self._came <= _CHORD:
            return max(now, self._given)
        self._came = now
        self._grid = self._places()
        for finer in _FINER:
            grid = _divided(self._grid, finer)
            when = grid.at(grid.next(max(now, self._given + 1)))
            if when - now <= self._longest_wait:
                self._given = when
                break
            if self._given < now:  # nothing waits
                self._given = now
                break
        return self._given  # if even eighths of a step are taken, with the last that waits

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
        old, self._grid = self._grid, self._places()
        later: dict[int, int] = {}  # by voice: by how much what still waits is moved on, or back
        last, before = now - 1, -1
        for voice, when in sorted(self._later.begins().items(), key=lambda item: item[1]):
            moved = self._voices[voice]
            to = last if when == before else self._onto(old, when, now, last)
            later[voice] = min(to, when + self._longest_wait - moved.by) - when
            moved.by += later[voice]
            moved.last += later[voice]
            last, before = when + later[voice], when
        if later:
            self._given = last
        if later:
            self._later.move(lambda when, event: when + later.get(getattr(event, "voice", 0), 0))
        return ()

    def _onto(self, old: Grid, when: int, now: int, last: int) -> int:
        """Return where a waiting note stands now, which stood at ``when``.

        It stands after ``last``, so that those that followed do so still.
        """
        finer = next((n for n in _FINER if (grid := _divided(old, n)).at(grid.nearest(when)) == when), _FINER[-1])
        before, after = _divided(old, finer), _divided(self._grid, finer)
        to = max(now, after.at(before.onto(after, before.nearest(when), now)))
        finest = _divided(self._grid, _FINER[-1])
        return to if to > last else finest.at(finest.next(last + 1))

    def let_go(self, now: int) -> Events:
        self._came, self._given = None, -1
        self._later.clear()
        voices, self._voices = self._voices, {}
        return [NoteOff(voice) for voice, moved in voices.items() if moved.ended]


def _divided(grid: Grid, finer: int) -> Grid:
    """Return the grid with each step divided into ``finer`` steps; where it swings, the long and the short ones."""
    return replace(grid, parts=grid.parts * finer)
