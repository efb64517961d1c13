"""The reminders of the loop, for all that it does by time alone: on one heap.

A part that lives beside the engine makes a reminder for each thing that it does by time, and sets it. Nobody is asked
for a deadline: a pass calls what is due and nothing else.

    reminder   set(at) --the time comes--> rings once, in the order of rank, then time, then setting
               soon()  --this pass, or the next if it has rung in this one--> rings once
               clear() --> does not ring

Invariants: a reminder rings at most once a pass; a call that raises costs itself only, and rings again after a while,
longer each time, unless it has set its reminder itself; want of memory loses no reminder.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from enum import IntEnum

from router.core.units import NANOSECONDS

AFTER_A_FAULT, LONGEST_REST = NANOSECONDS // 10, 25 * NANOSECONDS
"""How long what raised is left alone: a fault that comes with each pass must not take the whole machine. What raises
again and again rests twice as long each time, up to the second; want of memory passes, a fault of ours may not."""

AT_ONCE = 0
"""A time that has passed: in this pass or the next."""

_SPARE = 64
"""Entries of the heap that may be out of date before those are removed."""


class Rank(IntEnum):
    """Order of the reminders that are due in one pass: the music first, then the rest."""

    CLOCK = 0
    """Our clock for others: work before a tick is heard as jitter."""
    ROOM = 1
    """The music that the seats follow: a chord that changes on the beat is there for the notes of that beat."""
    SEAT = 2
    FLOODED = 3
    """Seats whose devices say more than can be played."""
    HEARING = 4
    """The notes that seats hear of one another."""
    REST = 5
    LAST = 6
    """After all the rest: the watchdog."""


class Reminder:
    """A call at a time. Made by ``Agenda.reminder``; ``at``: when it rings, in nanoseconds, or None."""

    __slots__ = ("_agenda", "at", "call", "entry", "following", "pause", "queued", "rank", "rung")

    def __init__(self, agenda: Agenda, call: Callable[[int], object], rank: Rank) -> None:
        self._agenda, self.call, self.rank = agenda, call, rank
        self.at: int | None = None
        self.entry: tuple[int, int, Reminder] | None = None  # in the heap; older ones of this reminder do not count
        self.queued = False
        self.following: Reminder | None = None  # in its queue
        self.rung = 0  # the pass in which it rang last
        self.pause = 0  # after a fault

    def set(self, at: int) -> None:
        """Ring at this time (of the monotonic clock), and at no other that was set before."""
        if at != self.at or self.queued:
            self.at = at
            self._agenda.file(self)

    def soon(self) -> None:
        """Ring in this pass if it has not rung in it, else in the next one. Needs no memory."""
        self.at = AT_ONCE
        self.entry = None
        if self.queued:
            return
        agenda = self._agenda
        agenda.busy = True
        queue = agenda.after if self.rung == agenda.passes else agenda.ready[self.rank]
        # As in ``append``, which is a call.
        self.queued, self.following = True, None
        if queue.last is None:
            queue.first = self
        else:
            queue.last.following = self
        queue.last = self

    def clear(self) -> None:
        """Do not ring."""
        self.at = self.entry = None


class _Queue:
    """Reminders one after another, linked, so that none needs memory to be put in."""

    __slots__ = ("first", "last")

    def __init__(self) -> None:
        self.first: Reminder | None = None
        self.last: Reminder | None = None

    def append(self, reminder: Reminder) -> None:
        reminder.queued, reminder.following = True, None
        if self.last is None:
            self.first = reminder
        else:
            self.last.following = reminder
        self.last = reminder

    def take(self) -> Reminder:
        reminder = self.first
        assert reminder is not None
        self.first, reminder.following = reminder.following, None
        reminder.queued = False
        if self.first is None:
            self.last = None
        return reminder


class Agenda:
    """The reminders of one loop. ``on_fault`` is told of each exception that a call raises; it must not raise."""

    def __init__(self, on_fault: Callable[[Exception], None]) -> None:
        self._on_fault = on_fault
        self._heap: list[tuple[int, int, Reminder]] = []  # time, order of setting
        self._order = 0
        self._full = _SPARE
        self.ready = [_Queue() for _ in Rank]  # what rings in this pass, by rank
        self.after = _Queue()  # what rings in the next
        self._unfiled = _Queue()  # what is set, and there was no memory to put it on the heap
        self._now = 0
        self.passes = 1
        self.busy = False  # something is queued

    def reminder(self, call: Callable[[int], object], rank: Rank = Rank.REST) -> Reminder:
        """Make a reminder, not set yet. ``call`` is given the time of the pass, and returns nothing that counts."""
        return Reminder(self, call, rank)

    def next(self) -> int | None:
        """When ``ring`` is wanted; None: not before something is set."""
        if self._unfiled.first is not None and not self._file_again():
            return AT_ONCE
        if self.busy:
            return AT_ONCE
        heap = self._heap
        while heap:
            entry = heap[0]
            if entry[2].entry is entry:
                return entry[0]
            heapq.heappop(heap)
        return None

    def ring(self, now: int) -> None:
        """Call all that is due, each at most once."""
        self._now = now
        while self.after.first is not None:
            reminder = self.after.take()
            self.ready[reminder.rank].append(reminder)
        if self._heap and self._heap[0][0] <= now:
            self._take_due(now)
        rank, last = 0, len(self.ready)
        while rank < last:
            queue = self.ready[rank]
            if queue.first is None:
                rank += 1
                continue
            reminder = queue.first  # as in ``take``, which is a call
            queue.first, reminder.following, reminder.queued = reminder.following, None, False
            if queue.first is None:
                queue.last = None
            if reminder.at is not None and reminder.at <= self._now:
                reminder.at = reminder.entry = None
                reminder.rung = self.passes
                try:
                    reminder.call(self._now)
                except Exception as error:  # noqa: BLE001 - whatever it is, the rest must go on
                    self._failed(reminder, error)
                else:
                    reminder.pause = 0
                rank = 0  # it may have queued something that comes before
        self.busy = self.after.first is not None
        self.passes += 1

    def later(self, now: int) -> None:
        """Let this pass go on at a later time: what is due by then rings in it, too."""
        if now > self._now:
            self._now = now
            self._take_due(now)

    def file(self, reminder: Reminder) -> None:
        """Put a reminder that was set on the heap; for reminders only."""
        assert reminder.at is not None
        try:
            self._order += 1
            entry = (reminder.at, self._order, reminder)
            heapq.heappush(self._heap, entry)
            reminder.entry = entry
            if len(self._heap) > self._full:
                self._heap = [entry for entry in self._heap if entry[2].entry is entry]
                heapq.heapify(self._heap)
                self._full = _SPARE + 2 * len(self._heap)
        except MemoryError:
            if reminder.entry is None or reminder.entry[0] != reminder.at:
                reminder.entry = None
                if not reminder.queued:
                    self._unfiled.append(reminder)

    def _file_again(self) -> bool:
        """Put on the heap what there was no memory for; tell whether there is now."""
        filed = True
        while filed and self._unfiled.first is not None:
            reminder = self._unfiled.take()
            if reminder.at is not None:
                self.file(reminder)
                filed = not reminder.queued
        return filed

    def _take_due(self, now: int) -> None:
        heap = self._heap
        while heap and heap[0][0] <= now:
            entry = heap[0]
            reminder = entry[2]
            if reminder.entry is entry:
                reminder.soon()
            heapq.heappop(heap)

    def _failed(self, reminder: Reminder, error: Exception) -> None:
        if reminder.at is None:
            try:
                reminder.pause = min(max(2 * reminder.pause, AFTER_A_FAULT), LONGEST_REST)
                reminder.set(self._now + reminder.pause)
            except MemoryError:
                reminder.soon()
        self._on_fault(error)
