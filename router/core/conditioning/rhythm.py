"""A steady rhythm in a signal: its period, its strength, and how much of it has been there all the time.

The period is found by the squared difference function d(lag) = mean (x(t) - x(t - lag))^2, as in the pitch finder YIN
(de Cheveigne and Kawahara, J. Acoust. Soc. Am. 111:1917, 2002; from memory), between 0.2 and 1 Hz.

By that measure playing in time is as regular as breathing. But breathing goes on, and playing rests now and then: if
the signal was still for nearly a period, there is no rhythm of that period underneath.
"""

from __future__ import annotations

import math
from collections import deque

from router.core.units import NANOSECONDS

STEP = NANOSECONDS // 50
"""Signals are given in steps of this length, whatever the sensor's rate."""
SHORTEST_PERIOD = 42
"""Steps of the quickest rhythm that is looked for: 0.84 s."""


class Rhythm:
    """Finds the period of a steady rhythm in a signal given step by step.

    ``period`` is in steps, None if there is none; ``strength`` is the correlation of the signal with itself one period
    before, 0 to 1.
    """

    _EVERY = 3  # one step of three is looked at, every 60 ms
    _SHORTEST, _LONGEST = SHORTEST_PERIOD // _EVERY, 91  # lags in those: 0.84 s to 5.5 s
    _FIRST = 6  # lags from here on are looked at, to find rhythms faster than the shortest
    _MEMORY = 14.0  # seconds after which what was seen counts for 1/e
    _LEAST = 0.35  # a weaker correlation is no rhythm

    def __init__(self) -> None:
        self.period: float | None = None
        self.strength = 0.0
        lags = self._LONGEST + 2
        self._fade = math.exp(-self._EVERY * STEP / NANOSECONDS / self._MEMORY)
        self._past: deque[float] = deque(maxlen=lags)
        self._difference = [0.0] * lags  # faded sums of squared differences, by lag
        self._weight = [0.0] * lags  # and how many they are
        self._count = self._seen = 0
        self._mean = self._spread = self._total = 0.0  # faded mean, sum of squares about it, and weight

    def add(self, value: float) -> None:
        """Take the next step of the signal, without efforts."""
        self._count += 1
        if self._count % self._EVERY:
            return
        fade, past, difference, weight = self._fade, self._past, self._difference, self._weight
        past.appendleft(value)
        for lag in range(self._FIRST, len(past)):
            apart = value - past[lag]
            difference[lag] = fade * difference[lag] + apart * apart
            weight[lag] = fade * weight[lag] + 1.0
        self._total = fade * self._total + 1.0
        off_mean = value - self._mean
        self._mean += off_mean / self._total
        self._spread = fade * self._spread + off_mean * (value - self._mean)
        self._seen += 1
        if self._seen % 8 == 0:
            self._find()

    def _find(self) -> None:
        """Find the shortest lag that is nearly the best one, refined between its neighbours by a parabola."""
        self.period, self.strength = None, 0.0
        if self._spread <= 0:
            return
        twice = 2.0 * self._spread / self._total
        apart = {  # 0: the same, 1: nothing in common
            lag: self._difference[lag] / self._weight[lag] / twice
            for lag in range(self._FIRST, self._LONGEST + 1)
            if self._weight[lag] > min(40.0, 0.8 * lag + 8.0)
        }
        slow = [lag for lag in range(self._SHORTEST, self._LONGEST) if lag + 1 in apart]
        if not slow:
            return
        best = min(apart[lag] for lag in slow)
        for lag in slow:
            before, here, after = apart[lag - 1], apart[lag], apart[lag + 1]
            if here > min(best + 0.1, before, after) or here > 1.0 - self._LEAST:
                continue
            if lag < 2 * self._SHORTEST and apart.get(lag // 2, 1.0) < best + 0.15:
                return  # twice a period below 1 s: a child that sucks, not a rhythm underneath
            bend = before - 2.0 * here + after
            shift = min(0.6, max(-0.6, 0.5 * (before - after) / bend)) if bend > 0 else 0.0
            self.period = (lag + shift) * self._EVERY
            self.strength = min(1.0, max(0.0, 1.0 - here))
            return


class Stillness:
    """The least that a signal has lately moved, from its lowest to its highest, in a stretch of a given length.

    Stretches with an effort are passed over, so what is known stays known while a child plays without a rest.
    """

    _BLOCK = 5  # steps that are one value, their mean: 100 ms
    _SHORTEST, _LONGEST = 8, 52  # lengths of stretches that are known, in blocks: 0.8 to 5.2 s
    _LATELY = 150  # stretches of each length that are remembered: one begins with every block, in 15 s without effort

    def __init__(self) -> None:
        self._block: list[float] = []
        self._blocks: deque[float] = deque(maxlen=self._LONGEST)  # since the last effort, the latest first
        self._moves = [deque[float](maxlen=self._LATELY) for _ in range(self._LONGEST + 1)]  # by length

    def add(self, value: float, *, effort: bool) -> None:
        """Take the next step of the signal as it came."""
        if effort:
            self._block.clear()
            self._blocks.clear()
            return
        self._block.append(value / self._BLOCK)  # no sum of numbers, however large, may be infinite
        if len(self._block) < self._BLOCK:
            return
        self._blocks.appendleft(sum(self._block))
        self._block.clear()
        lowest, highest = math.inf, -math.inf
        for length, mean in enumerate(self._blocks, 1):
            lowest, highest = min(lowest, mean), max(highest, mean)
            if length >= self._SHORTEST:
                self._moves[length].append(highest - lowest)

    def least(self, steps: float) -> float | None:
        """The movement in the stillest stretch of so many steps; None if none was seen."""
        moves = self._moves[min(self._LONGEST, max(self._SHORTEST, int(steps / self._BLOCK)))]
        return min(moves, default=None)
