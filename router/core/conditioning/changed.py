"""A rhythm that has changed since it was fitted: a ventilator that was set to another rate or another pressure.

The pressure of the last half minute is folded at the period with which it repeats. A new rhythm takes the place of the
known one if, three times in a row,

    it repeats      the median of its cycles leaves little of the movement, efforts being in few of them
    it never stops  in its stillest stretch of nearly a period the pressure moves nearly as far: a child that plays in
                    time rests now and then
    it is another   it leaves much less than the known period does; or it is that period with another height
"""

from __future__ import annotations

from collections import deque
from statistics import median

from router.core.conditioning.cycle import CYCLE_STEP, Cycle
from router.core.conditioning.rhythm import STEP, Rhythm, Stillness
from router.core.units import NANOSECONDS

KEPT = 30 * NANOSECONDS // CYCLE_STEP
LOOKS = NANOSECONDS // CYCLE_STEP
"""Steps from one look to the next, a second. Our choice, as what follows."""
SURE = 3
"""Looks in a row."""
CYCLES = 4
"""Cycles that are folded at least; at most twice as many."""
POINTS = 32
NEARBY = tuple(0.006 * i for i in range(-6, 7))
"""Shares by which the period may be off."""
STOPS = 0.7
"""The share of its height by which the pressure must move in its stillest stretch."""
LEAVES = 0.07
"""The share of its height that it may leave, median."""
SAME = 0.05
"""A period is the known one if it differs by less than this share."""
LESS = 0.6
"""Another one must leave less than this share of what the known one leaves."""
HEIGHTS = (0.7, 1.4)
"""The shares of the known height outside of which it is another."""


class Changed:
    """Watches the pressure beneath a known rhythm, and gives the one that has taken its place."""

    def __init__(self, cycle: Cycle) -> None:
        self._cycle = cycle
        self.restart()

    def restart(self) -> None:
        """Forget what was seen."""
        self._rhythm, self._still = Rhythm(), Stillness()
        self._values: deque[float] = deque(maxlen=KEPT)
        self._mean = 0.0
        self._due = self._sampled = 0
        self._begun = False
        self._looks = self._sure = 0

    def look(self, pascal: float, now: int) -> tuple[Cycle, float] | None:
        """Take a reading; return the new rhythm, which begins a cycle now, and its mean in pascals, if there is one."""
        if not self._begun:
            self._begun, self._due, self._sampled, self._mean = True, now, now, pascal
        for _ in range(min(4, (now - self._due) // STEP)):
            self._due += STEP
            self._mean += (pascal - self._mean) * STEP / (6 * NANOSECONDS)
            self._rhythm.add(pascal - self._mean)
            self._still.add(pascal, effort=False)
        self._due = max(self._due, now - STEP)
        if now < self._sampled:
            return None
        self._sampled = max(self._sampled + CYCLE_STEP, now - CYCLE_STEP)
        self._values.append(pascal)
        self._looks += 1
        if self._looks % LOOKS or len(self._values) < KEPT:
            return None
        found = self._folded() if self._rhythm.period is not None else None
        self._sure = self._sure + 1 if found is not None else 0
        return found if self._sure >= SURE else None

    def _folded(self) -> tuple[Cycle, float] | None:
        """Fold what was kept; return the rhythm in it if it is another."""
        assert self._rhythm.period is not None  # it repeats
        values, about, known = list(self._values), self._rhythm.period * STEP, self._cycle.period
        if (CYCLES + 1) * about > KEPT * CYCLE_STEP or any(
            abs(each / known - 1) < SAME for n in (2, 3) for each in (n * about, about / n)
        ):
            return None
        wavers, period, shape = _fold(values, about / CYCLE_STEP)
        height = max(shape) - min(shape)
        least = self._still.least(0.95 * self._rhythm.period)
        if height <= 0 or least is None or least < STOPS * height or wavers > LEAVES * height:
            return None
        if abs(about / known - 1) < SAME:
            if HEIGHTS[0] < height / self._cycle.height < HEIGHTS[1]:
                return None
        elif wavers > LESS * _fold(values, known / CYCLE_STEP)[0]:
            return None
        mean = sum(shape) / POINTS
        cycle = Cycle(
            round(period * CYCLE_STEP),
            tuple(value - mean for value in shape),
            max(0.02, self._cycle.irregular),
            max(0.03, self._cycle.uneven),
            max(wavers, self._cycle.wavers),
        )
        return cycle, mean


def _fold(values: list[float], about: float) -> tuple[float, float, list[float]]:
    """Return how far the values are from the median cycle, median; its period, nearly ``about``; and that cycle."""
    return min(_folded_at(values, about * (1 + off)) for off in NEARBY)


def _folded_at(values: list[float], period: float) -> tuple[float, float, list[float]]:
    cycles = min(2 * CYCLES, int((len(values) - 1) / period))
    begin = len(values) - 1 - cycles * period
    folded = [[values[int(begin + (cycle + i / POINTS) * period)] for cycle in range(cycles)] for i in range(POINTS)]
    shape = [median(point) for point in folded]
    return median(abs(v - middle) for point, middle in zip(folded, shape, strict=True) for v in point), period, shape
