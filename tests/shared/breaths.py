"""Breaths made from arithmetic with a seed, and efforts on top: they rise within 0.3 s, are held, and fall as an
exponential does. Pressures are pascals, times seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

from router.core.conditioning.cycle import Cycle
from router.core.conditioning.pressure import Side
from router.core.units import NANOSECONDS

RATE = 50
PERIOD, HEIGHT = 2.6, 260.0
EFFORT = 200.0
SIDE = Side(on=80, off=48, full=200)


def breath(share: float) -> float:
    """A breath from 0 to 1, by the share of its period that is over."""
    t = share * PERIOD
    return min(1.0, t / 0.3) if t < 0.9 else math.exp(-(t - 0.9) / 0.25)


def breathing(seed: int, irregular: float, seconds: float, height: float = HEIGHT) -> Callable[[float], float]:
    """Breaths whose lengths and heights differ by ``irregular``, standard deviation."""
    rng = Random(seed)
    t, begun = -rng.uniform(0, PERIOD), []
    while t < seconds:
        length = PERIOD * max(0.5, rng.gauss(1, irregular))
        begun.append((t, length, height * max(0.5, rng.gauss(1, irregular))))
        t += length

    def at(when: float) -> float:
        start, length, high = next(each for each in reversed(begun) if each[0] <= when)
        return high * breath((when - start) / length)

    return at


def known(irregular: float, height: float = HEIGHT) -> Cycle:
    shape = [height * breath(i / 32) for i in range(32)]
    middle = sum(shape) / len(shape)
    return Cycle(round(PERIOD * NANOSECONDS), tuple(value - middle for value in shape), irregular, irregular, 5.0)


def pushes(spans: Sequence[tuple[float, float]]) -> Callable[[float], float]:
    def at(t: float) -> float:
        return EFFORT * max((min(1.0, (t - a) / 0.12, (b - t) / 0.12) for a, b in spans if a <= t <= b), default=0.0)

    return at


def spans(until: float, seed: int = 5) -> list[tuple[float, float]]:
    """Efforts of 0.5 to 1.5 s from the fifth second on."""
    rng, t, found = Random(seed), 5.0, []
    while t < until - 3:
        found.append((t, t + rng.uniform(0.5, 1.5)))
        t += rng.uniform(3, 6)
    return found
