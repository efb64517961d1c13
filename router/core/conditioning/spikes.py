"""A running median of a sensor's readings: what is far away for a moment only, as from a bad contact, is passed over.

An effort is passed on when more than half of the readings within ``width`` are of it: later by half of ``width``, but
never by less than a reading.
"""

from __future__ import annotations

from collections import deque

FEWEST = 3
"""Readings of which the median is taken at least, however slow the sensor: two of three outvote a spike."""
MOST = 101
"""And at most, however quick it is, which bounds what a reading costs."""


class Spikes:
    """Takes readings and gives their running median over ``width`` nanoseconds."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._kept: deque[tuple[int, float]] = deque(maxlen=MOST)

    def without(self, value: float, now: int) -> float:
        """Take the next reading; return the median of the latest."""
        kept = self._kept
        kept.append((now, value))
        while len(kept) > FEWEST and kept[0][0] <= now - self._width:
            kept.popleft()
        values = sorted(value for _, value in kept)
        middle = len(values) // 2
        return values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2
