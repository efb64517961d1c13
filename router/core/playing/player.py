"""The notes of some parts of a song, played as a transport goes on.

    begins    when the transport reaches it; notes that an effort has overtaken begin with it, softly and in order
    ends      when the transport reaches its end; at the limit it is held, for ``HOLD`` at most

Invariant: in a round each note from its first place up to where the transport is begins exactly once, in order.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left
from collections.abc import Callable

from router.core.events import Event, NoteOff, NoteOn
from router.core.playing.transport import Transport
from router.core.song import Song, TimedNote
from router.core.units import NANOSECONDS

HOLD = 10 * NANOSECONDS
"""The longest that a note is held where the song waits: the longest that a profile lets sound if nothing is written."""
_SOFT = 0.5
"""How hard a note begins that was overtaken, as a share of what is written. Our choice: it is heard, and no shock."""
_AT_ONCE = 300
"""Most events that are given in one call; the rest follow at once."""


class Player:
    """Plays parts of a song, given by their indexes, along a transport."""

    def __init__(self, song: Song, parts: tuple[int, ...], transport: Transport, new_voice: Callable[[], int]) -> None:
        self._song, self._parts, self._transport, self._new_voice = song, parts, transport, new_voice
        self._notes: tuple[TimedNote, ...] = ()
        self._round = -1
        self._next = 0
        self._forgot = False
        self._on: list[tuple[int, int]] = []  # a heap of what sounds: end and voice
        self._more = False
        self.strength = 0.5
        """The strength of the effort that the notes come of, for later rules."""

    def due(self, now: int) -> list[Event]:
        """Events that are due at ``now``, in order."""
        transport = self._transport
        events: list[Event] = []
        if transport.round != self._round:
            events += self._last_round()
            if self._more:
                return events
            self._new_round()
        elif self._forgot:
            self._next = self._index(transport.moved)
        self._forgot = False
        place = transport.at(now)
        while len(events) < _AT_ONCE:
            begins = self._begins(place)
            ends = self._on[0][0] if self._on and self._ends(self._on[0][0], place, now) else None
            if ends is not None and (begins is None or ends <= begins):
                events.append(NoteOff(heapq.heappop(self._on)[1]))
            elif begins is not None:
                note = self._notes[self._next]
                self._next += 1
                events.append(self._begin(note, overtaken=note.at < transport.moved))
            else:
                break
        self._more = len(events) >= _AT_ONCE
        return events

    def ends(self, now: int) -> list[Event]:
        """Only the ends that are due at ``now``, of notes that were struck."""
        place, events = self._transport.at(now), list[Event]()
        if self._transport.round != self._round:
            self._round = self._transport.round
            return self.end()
        while self._on and self._ends(self._on[0][0], place, now):
            events.append(NoteOff(heapq.heappop(self._on)[1]))
        return events

    def strike(self, note: TimedNote) -> NoteOn:
        """Begin a note that is not in turn, and end it at its place."""
        return self._begin(note, overtaken=False)

    def next(self, now: int) -> int | None:
        """When ``due`` is next wanted; None if nothing is to come before the transport moves on."""
        transport = self._transport
        if self._more:
            return now
        times = []
        if self._next < len(self._notes) and self._round == transport.round:
            at = self._notes[self._next].at
            if at < transport.limit:
                times.append(transport.when(at))
        if self._on:
            end = self._on[0][0]
            if end <= transport.limit and not (transport.holds and end == transport.limit):
                times.append(transport.when(end))
            elif transport.closes:
                times.append(transport.when(transport.limit))
            elif not transport.holds:
                times.append(transport.when(transport.limit) + HOLD)
        return min(times, default=None)

    def end(self) -> list[Event]:
        """End what sounds."""
        on, self._on = self._on, []
        return [NoteOff(voice) for _, voice in on]

    def forget(self) -> list[Event]:
        """End what sounds, and pass over all that comes before the transport next moves."""
        self._forgot, self._more = True, False
        return self.end()

    def _last_round(self) -> list[Event]:
        """Play what is left of the round before, as far as it is still to be played, and end it."""
        until, events = self._transport.until, list[Event]()
        while not self._forgot and self._next < len(self._notes) and self._notes[self._next].at < until:
            if len(events) >= _AT_ONCE:
                self._more = True
                return events
            events.append(self._begin(self._notes[self._next], overtaken=True))
            self._next += 1
        self._more = False
        return [*events, *self.end()]

    def _new_round(self) -> None:
        transport = self._transport
        self._notes = self._song.timed(self._parts, by_quarters=transport.by_quarters)
        self._round, self._next = transport.round, self._index(transport.first)

    def _index(self, place: int) -> int:
        return bisect_left(self._notes, place, key=lambda note: note.at)

    def _begins(self, place: int) -> int | None:
        """Where the next note begins, if it is due at this place."""
        if self._next == len(self._notes):
            return None
        at = self._notes[self._next].at
        return at if at <= place and at < self._transport.limit else None

    def _ends(self, end: int, place: int, now: int) -> bool:
        transport = self._transport
        if place < transport.limit:
            return end <= place
        if transport.holds:
            return end < transport.limit
        return end <= place or transport.closes or now >= transport.when(transport.limit) + HOLD

    def _begin(self, note: TimedNote, *, overtaken: bool) -> NoteOn:
        voice = self._new_voice()
        heapq.heappush(self._on, (note.end, voice))
        velocity = max(1, round(note.velocity * _SOFT)) if overtaken else note.velocity
        return NoteOn(voice, note.pitch, velocity, self.strength)
