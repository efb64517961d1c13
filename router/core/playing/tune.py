"""A melody, or a phrase of one, played once from a moment on.

Invariant: a note that is over when the program was held up is left out, and all that was begun is ended.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left
from collections.abc import Callable, Sequence

from router.core.events import Event, NoteOff, NoteOn
from router.core.song import Song, TimedNote

_AT_ONCE = 300
"""Most events that are given in one call; the rest follow at once."""


class Tune:
    """Notes in nanoseconds from ``begins`` on; what sounds at ``ends`` ends there, and nothing comes after it."""

    def __init__(self, notes: Sequence[TimedNote], begins: int, ends: int | None = None) -> None:
        self._notes, self._begins, self._ends = notes, begins, ends
        self._next = 0
        self._on: list[tuple[int, int]] = []  # a heap of what sounds: when it ends, and its voice

    def due(self, now: int, make: Callable[[TimedNote], NoteOn]) -> list[Event]:
        """Events that are due at ``now``; ``make`` makes a note with a voice of its own."""
        events: list[Event] = []
        while self._on and self._on[0][0] <= now:
            events.append(NoteOff(heapq.heappop(self._on)[1]))
        while self._next < len(self._notes) and len(events) < _AT_ONCE:
            timed = self._notes[self._next]
            if self._begins + timed.at > now:
                break
            self._next += 1
            ends = self._begins + timed.end
            if self._ends is not None:
                ends = min(ends, self._ends)
            if ends > now:
                note = make(timed)
                heapq.heappush(self._on, (ends, note.voice))
                events.append(note)
        return events

    def next(self) -> int | None:
        """When ``due`` is next wanted; None if all has ended."""
        times = [self._on[0][0]] if self._on else []
        if self._next < len(self._notes):
            begins = self._begins + self._notes[self._next].at
            times += [begins] if self._ends is None or begins < self._ends else []
        return min(times, default=None)

    def end(self) -> list[Event]:
        """End it, and what sounds of it."""
        on, self._on, self._next = self._on, [], len(self._notes)
        return [NoteOff(voice) for _, voice in on]


def melody_of(song: Song) -> tuple[TimedNote, ...]:
    """The melody of a song at its own tempo, from its first note on.

    Raises:
        ValueError: it has no note.
    """
    notes = song.timed((song.melody,), by_quarters=False)
    if not notes:
        raise ValueError(f'the melody of the song "{song.name}" has no notes')
    return _from_its_beginning(notes)


def phrases_of(song: Song) -> list[tuple[TimedNote, ...]]:
    """The phrases of a song's melody, each at the song's tempo and from its own first note on.

    Raises:
        ValueError: it has none.
    """
    notes, steps = song.timed((song.melody,), by_quarters=False), song.tune.steps

    def index(step: int) -> int:
        if step >= len(steps):
            return len(notes)
        return bisect_left(notes, song.ticks(steps[step].at, by_quarters=False), key=lambda note: note.at)

    found = [notes[index(phrase.first) : index(phrase.after)] for phrase in song.phrases]
    if not found:
        raise ValueError(f'the song "{song.name}" has no phrases')
    return [_from_its_beginning(phrase) for phrase in found]


def _from_its_beginning(notes: Sequence[TimedNote]) -> tuple[TimedNote, ...]:
    begins = notes[0].at
    return tuple(note._replace(at=note.at - begins, end=note.end - begins) for note in notes)
