"""A heap of absolute deadlines, in nanoseconds of the monotonic clock.

Musical time is kept here and nowhere else: a caller that wants to be woken sets a deadline under a key of its own, and
setting it again moves it. Deadlines are absolute, so a late wake-up never delays the one after it.

Invariant: ``next()`` is the earliest deadline that was set and neither cancelled, moved nor taken. Of two equal
deadlines the one set first comes first, so the same calls give the same order every time.
"""

from __future__ import annotations

import heapq
from collections.abc import Hashable, Iterable


def earliest(times: Iterable[int | None]) -> int | None:
    """The earliest of some deadlines, leaving out those that are None; None if all are."""
    first = None  # a loop, as ``min`` over a generator takes twice as long, and every pass asks several times
    for when in times:
        if when is not None and (first is None or when < first):
            first = when
    return first


class Timers:
    """Deadlines by key: each key has at most one."""

    def __init__(self) -> None:
        self._live: dict[Hashable, tuple[int, int, Hashable]] = {}  # by key: the entry in the heap that is valid
        self._heap: list[tuple[int, int, Hashable]] = []  # deadline, order, key
        self._order = 0

    def set(self, key: Hashable, when: int) -> None:
        """Wake ``key`` at ``when``; a deadline it had before no longer counts."""
        self._order += 1
        entry = self._live[key] = (when, self._order, key)
        heapq.heappush(self._heap, entry)
        if len(self._heap) > 64 + 4 * len(self._live):  # those moved or cancelled stay in the heap until cleared
            self._heap = list(self._live.values())
            heapq.heapify(self._heap)

    def cancel(self, key: Hashable) -> None:
        """Forget the deadline of ``key``; no harm if there is none."""
        self._live.pop(key, None)

    def hand_over(self, key: Hashable, to: Hashable) -> None:
        """Give the deadline of ``key``, and its place among equals, to ``to``; without one, cancel that of ``to``."""
        entry = self._live.pop(key, None)
        self._live.pop(to, None)
        if entry is not None:
            handed = self._live[to] = (entry[0], entry[1], to)
            self._heap[self._heap.index(entry)] = handed  # the same place: nothing is sorted anew

    def next(self) -> int | None:
        """The earliest deadline, or None."""
        heap, live = self._heap, self._live
        while heap:
            entry = heap[0]
            if live.get(entry[2]) is entry:
                return entry[0]
            heapq.heappop(heap)
        return None

    def pop(self, now: int) -> Hashable | None:
        """Take the earliest deadline that is due at ``now`` and return its key, or None if none is due."""
        heap, live = self._heap, self._live
        while heap and heap[0][0] <= now:  # nearly always nothing is due, and this one comparison says so
            entry = heapq.heappop(heap)
            key = entry[2]
            if live.get(key) is entry:
                del live[key]
                return key
        return None

    def __len__(self) -> int:
        return len(self._live)


class Alarm:
    """A handle on the timers for one owner: set its deadlines and cancel them."""

    def __init__(self, timers: Timers, owner: int) -> None:
        self._timers, self._owner = timers, owner

    def at(self, when: int, tag: Hashable = None) -> None:
        """Call the owner's ``wake(now, tag)`` at ``when`` (absolute, nanoseconds). Now means: after the present event.

        Each tag has one deadline: setting it again moves it.
        """
        self._timers.set((self._owner, tag), when)

    def cancel(self, tag: Hashable = None) -> None:
        """Forget the deadline of this tag."""
        self._timers.cancel((self._owner, tag))

    def hand_over(self, tag: Hashable, to: Hashable) -> None:
        """Give the deadline of this tag, and its place among equal ones, to another tag."""
        self._timers.hand_over((self._owner, tag), (self._owner, to))
