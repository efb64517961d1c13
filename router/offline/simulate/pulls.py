"""Efforts at a pressure sensor, as a muscle makes them: how they rise, hold, tremble, tire and end, and when."""

from __future__ import annotations

import math
import random
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from router.offline.simulate.breaths import Span
from router.offline.simulate.movements import smooth

TIRING = 240.0
"""Seconds in which an effort fades to ``Muscle.fades``."""


@dataclass(frozen=True, slots=True)
class Muscle:
    """How a child makes efforts. Pressures in pascals, times in seconds, ranges as least and most.

    Rise: 50 to 300 ms, as the neuromuscular system makes quick and slow contractions (from memory). Everything else
    that names no source is our choice, wide.
    """

    size: float
    """The ordinary effort."""
    spread: float
    """Standard deviation of the natural logarithm of an effort's size."""
    sides: tuple[int, ...]
    rise: Span
    hold: Span
    fall: Span
    pause: Span
    """From an effort's end to the next one's beginning."""
    quick_turn: float = 0.0
    """The share of efforts that the other side's follows before they have ended (only where there are two sides)."""
    tremor: float = 0.0
    """Standard deviation of the plateau as a share of the effort."""
    tremor_frequency: float = 6.0
    """4 to 12 Hz, physiological and essential tremor (Bhatia et al., Mov. Disord. 2018); 1.5 to 4 Hz, action tremor in
    athetosis (Neilson, J. Neurol. Neurosurg. Psychiatry 37:171, 1974)."""
    sag: float = 0.0
    """The share that a held effort has lost at its end."""
    fades: float = 1.0
    """The share of an effort that is left after ``TIRING`` seconds."""


@dataclass(frozen=True, slots=True)
class Pull:
    """An effort as meant: seconds from the start, the sign of its side, its largest pressure, its form in time."""

    start: float
    length: float
    sign: int
    peak: float
    form: Callable[[float], float]


def muscle(size: float, sides: tuple[int, ...], rng: random.Random) -> Muscle:
    """An ordinary child's way of making efforts of a size."""
    rise, fall = rng.uniform(0.05, 0.3), rng.uniform(0.08, 0.4)
    pause = rng.uniform(0.8, 2.5)
    slow = rng.random() < 0.3  # the tremor of athetosis instead of the physiological one
    return Muscle(
        size=size,
        spread=rng.uniform(0.08, 0.22),
        sides=sides,
        rise=(0.8 * rise, 1.25 * rise),
        hold=(rng.uniform(0.1, 0.4), rng.uniform(0.5, 2.5)),
        fall=(0.8 * fall, 1.25 * fall),
        pause=(pause, pause + rng.uniform(0.5, 4.0)),
        tremor=rng.uniform(0.02, 0.07) if slow else rng.uniform(0.0, 0.03),
        tremor_frequency=rng.uniform(1.5, 4.0) if slow else rng.uniform(4.0, 12.0),
        sag=rng.choice((0.0, 0.0, rng.uniform(0.05, 0.3))),
    )


def pulls(child: Muscle, seconds: float, rng: random.Random, first: float, busy: Sequence[Span]) -> list[Pull]:
    """Efforts from ``first`` seconds on; none while the child is ``busy`` (nobody plays while coughing)."""
    found: list[Pull] = []
    t = first + rng.uniform(0.3, 1.0) * child.pause[0]
    sign = rng.choice(child.sides)
    while True:
        parts = [rng.uniform(*span) for span in (child.rise, child.hold, child.fall)]
        length = sum(parts)
        in_the_way = [end for start, end in busy if start < t + length and t < end]
        if in_the_way:
            t = max(in_the_way) + rng.uniform(0.2, 1.0) * child.pause[0]
            continue
        if t + length + 0.5 > seconds:
            return found
        tired = 1 - (1 - child.fades) * min(1.0, (t - first) / TIRING)
        # Nobody's efforts are of any size: two standard deviations at most.
        peak = child.size * tired * math.exp(child.spread * max(-2.0, min(2.0, rng.gauss(0, 1))))
        found.append(Pull(t, length, sign, peak, _form(child, parts, sign * peak, rng)))
        turns = len(child.sides) > 1 and rng.random() < child.quick_turn
        sign = -sign if turns else rng.choice(child.sides)
        t += length - rng.uniform(0.2, 0.6) * parts[2] if turns else length + rng.uniform(*child.pause)


def _form(child: Muscle, parts: Sequence[float], peak: float, rng: random.Random) -> Callable[[float], float]:
    rise, hold, fall = parts
    phase, other = rng.uniform(0, math.tau), rng.uniform(0, math.tau)
    frequency = child.tremor_frequency * rng.uniform(0.9, 1.1)
    quick = rng.random() < 0.5  # lets go at once and more slowly in the end, or eases off

    def form(t: float) -> float:
        if t < 0 or t > rise + hold + fall:
            return 0.0
        left = max(0.0, (t - rise - hold) / fall)
        share = smooth(t / rise) * ((1 - left) ** 2 if quick else 1 - smooth(left))
        shakes = child.tremor * (
            math.sin(math.tau * frequency * t + phase) + math.sin(1.31 * math.tau * frequency * t + other)
        )
        return peak * share * (1 - child.sag * t / (rise + hold + fall)) * (1 + shakes)

    return form


def add(onto: list[float], times: Sequence[float], start: float, length: float, form: Callable[[float], float]) -> None:
    """Add a form that begins at ``start`` to the values at the times, which are in order."""
    for i in range(bisect_left(times, start), len(times)):
        if times[i] > start + length:
            break
        onto[i] += form(times[i] - start)
