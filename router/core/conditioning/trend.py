"""The drift of rest, found from its last seconds, so that it can be carried on while an effort hides it."""

from __future__ import annotations

from collections import deque
from statistics import median

BLOCK = 50
"""Steps at rest that are one level of rest, their mean over a second."""
LEVELS, LEAST = 20, 12
"""Levels of rest from which a slope is found, and how few will do. Our choice, as what follows."""
CLEAR = 12.0
"""A slope counts if the levels move by so many times their median distance from a straight line."""
LONGEST = 1000
"""Steps for which a slope is carried on without having seen rest: 20 s."""


class Trend:
    """The slope of rest, in pascals a step; 0 until it is sure."""

    def __init__(self) -> None:
        self._levels: deque[tuple[float, float]] = deque(maxlen=LEVELS)
        self._sum, self._count, self._begun = 0.0, 0, 0
        self._since = 0
        self._slope = 0.0

    def add(self, step: int, level: float) -> None:
        """Take the level of rest at a step, without its rhythm."""
        self._since = 0
        if not self._count:
            self._begun = step
        self._sum += level / BLOCK
        self._count += 1
        if self._count == BLOCK:
            self._levels.append(((self._begun + step) / 2, self._sum))
            self._sum, self._count = 0.0, 0
            self._slope = self._find()

    def carried(self) -> float:
        """How far rest moves in the present step, in pascals."""
        self._since += 1
        return self._slope if self._since < LONGEST else 0.0

    def _find(self) -> float:
        """The median slope between levels half of their number apart (Theil 1950, incomplete method; from memory)."""
        levels = list(self._levels)
        if len(levels) < LEAST:
            return 0.0
        half = len(levels) // 2
        slope = median((b - a) / (u - t) for (t, a), (u, b) in zip(levels, levels[-half:], strict=False))
        off = [level - slope * t for t, level in levels]
        middle = median(off)
        spread = median(abs(each - middle) for each in off)
        moves = abs(slope) * (levels[-1][0] - levels[0][0])
        return slope if moves > CLEAR * spread else 0.0
