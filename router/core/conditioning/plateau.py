"""Rest that has moved: the pressure stays away from it, as still as at rest.

So it is when the child was turned, a tube slipped or a pad was pushed. An effort is never as still, as hands, cheeks
and breath waver. What counts is how far the pressure moves from its lowest to its highest, while it is away from rest
and while it is at rest.
"""

from __future__ import annotations

from collections import deque
from statistics import fmean

from router.core.conditioning.rhythm import STEP

BLOCK = 5
"""Steps that are one value, their mean over 100 ms: noise is averaged, tremor of up to 4 Hz is not."""
AS_STILL = 1.2
"""How many times as far as at rest (at most, lately: a tube that is off moves less) it may move and is still called
still. Our choice."""
LEAST = 0.03
"""And at least this share of ``on``. Our choice, as the next."""
AWAY = 0.5
"""A pressure nearer to rest than this share of ``on`` is rest."""
_REMEMBERED = 12
"""Stretches of rest whose movement is remembered."""


class Plateau:
    """Takes the pressure step by step. ``on`` in pascals; ``flat``: nanoseconds for which it must be still."""

    def __init__(self, on: float, flat: int) -> None:
        self._on, self._flat = on, max(2, flat // (BLOCK * STEP))
        self._block: list[float] = []
        self._lately: deque[float] = deque(maxlen=self._flat)
        self._rest: list[float] = []
        self._moves: deque[float] = deque(maxlen=_REMEMBERED)

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
        if not effort and abs(mean - rest) < AWAY * self._on:
            self._rest.append(mean)
            if len(self._rest) >= self._flat:
                self._moves.append(max(self._rest) - min(self._rest))
                self._rest.clear()
            return None
        if len(self._lately) < self._flat or not self._moves:
            return None
        low, high = min(self._lately) - rest, max(self._lately) - rest
        if not (low > 0 or high < 0) or high - low > max(LEAST * self._on, AS_STILL * max(self._moves)):
            return None
        return fmean(self._lately) - rest

    def forget(self) -> None:
        """Begin again where the signal is now."""
        self._lately.clear()
        self._block.clear()
        self._rest.clear()
