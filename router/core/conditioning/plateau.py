"""Rest that has moved: the pressure stays away from it, as still as at rest.

So it is when the child was turned, a tube slipped or a pad was pushed. An effort is never as still, as hands, cheeks
and breath waver. What counts is how far the pressure moves from its lowest to its highest, while it is away from rest
and while it is at rest. A child that plays on leaves only pauses: see ``pauses``.

A pressure that stays away without an effort, still or not, and has not been there before, is another posture as well.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import fmean

from router.core.conditioning.pauses import AWAY, Pauses
from router.core.conditioning.rhythm import STEP

BLOCK = 5
"""Steps that are one value, their mean over 100 ms: noise is averaged, tremor of up to 4 Hz is not."""
AS_STILL = 1.2
"""How many times as far as at rest (at most, lately: a tube that is off moves less) it may move and is still called
still. Our choice."""
LEAST = 0.03
"""And at least this share of ``on``. Our choice, as the next."""
_REMEMBERED = 12
"""Stretches of rest whose movement is remembered."""
STAYS, BEFORE = 30, 150
"""Blocks for which the pressure must be away from rest without an effort, and before them, in which it was not. Our
choice, as the next."""
FARTHER = 0.3
"""The share of ``on`` by which it must be farther away than then."""


class Plateau:
    """Takes the pressure step by step.

    ``on`` in pascals; ``flat``: nanoseconds for which it must be still; ``signs``: 1 and -1 of the sides of rest on
    which efforts are; ``stacked``: as ``Pauses``; ``quickly``: whether less than a long stillness will do.
    """

    def __init__(
        self, on: float, flat: int, signs: Sequence[int] = (1, -1), *, stacked: bool = False, quickly: bool = True
    ) -> None:
        self._on, self._flat = on, max(2, flat // (BLOCK * STEP))
        self._block: list[float] = []
        self._lately: deque[float] = deque(maxlen=self._flat)
        self._rest: list[float] = []
        self._moves: deque[float] = deque(maxlen=_REMEMBERED)
        self._calm: deque[float] = deque(maxlen=STAYS + BEFORE)  # without an effort
        self._away = 0  # blocks since the pressure was at rest or there was an effort
        self._quickly = quickly
        self.pauses = Pauses(on, signs, stacked=stacked)

    def add(self, pascal: float, rest: float, *, effort: bool) -> float | None:
        """Take a step; return how far rest has moved once that is sure.

        ``rest``: what it was; ``effort``: as the thresholds see it.
        """
        self._block.append(pascal / BLOCK)  # no sum of numbers, however large, may be infinite
        if len(self._block) < BLOCK:
            return None
        mean = sum(self._block)
        self._block.clear()
        self._lately.append(mean)
        moved = self.pauses.add(mean, rest, effort=effort) if self._quickly else None
        if effort:
            self._away = 0
        else:
            self._calm.append(mean)
            if abs(mean - rest) < AWAY * self._on:
                self._away = 0
                self._rest.append(mean)
                if len(self._rest) >= self._flat:
                    self._moves.append(max(self._rest) - min(self._rest))
                    self._rest.clear()
                return None
            self._away += 1
            if moved is None and self._quickly:
                moved = self._stays(rest)
        return self._flat_at(rest) if moved is None else moved

    def _flat_at(self, rest: float) -> float | None:
        """Return how far rest has moved if the pressure has long been still elsewhere."""
        if len(self._lately) < self._flat or not self._moves:
            return None
        low, high = min(self._lately) - rest, max(self._lately) - rest
        if not (low > 0 or high < 0) or high - low > max(LEAST * self._on, AS_STILL * max(self._moves)):
            return None
        return fmean(self._lately) - rest

    def _stays(self, rest: float) -> float | None:
        """Return how far rest has moved if the pressure has long been away from it without an effort."""
        if self._away < STAYS or len(self._calm) < 2 * STAYS:
            return None
        calm = list(self._calm)
        now, before = calm[-STAYS:], calm[:-STAYS]
        level, farther = fmean(now), FARTHER * self._on
        if max(now) - min(now) > self._on:
            return None
        above = min(now) > rest and level > max(before) + farther
        below = max(now) < rest and level < min(before) - farther
        return level - rest if above or below else None

    def forget(self) -> None:
        """Begin again where the signal is now."""
        self._lately.clear()
        self._block.clear()
        self._rest.clear()
        self._calm.clear()
        self._away = 0
        self.pauses.forget()
