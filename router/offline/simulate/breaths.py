"""Rhythms under the efforts: breathing and ventilators, with sighs, pauses and suction.

A cheek, a pad or a tube near a face picks up a share of the pressure in the airway or of the volume in the chest, so
each of the two is a wave of its own. How large that share is, is our choice; the waves are a lung of one compartment,
resistance R and compliance C, which empties by exp(-t / RC) (any textbook of respiratory mechanics; from memory).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from router.offline.simulate.movements import smooth

WAVES = (
    *("pressure-controlled volume", "pressure-controlled airway"),
    *("volume-controlled volume", "volume-controlled decelerating", "volume-controlled airway"),
    *("spontaneous", "writhing"),
)

Span = tuple[float, float]
"""From and until, in seconds."""


@dataclass(frozen=True, slots=True)
class BreathRhythm:
    """A background.

    Times in seconds, ``height`` in pascals from crest to trough of an ordinary cycle, others a minute.
    """

    wave: str
    height: float
    frequency: float
    """Cycles a second; for writhing the peak of its spectrum."""
    inspiration: float = 0.5
    constant: float = 0.3
    """RC of the expiration."""
    irregular: float = 0.0
    """Standard deviation of a cycle's length and height, as a share of them."""
    sighs: float = 0.0
    pauses: float = 0.0
    suctions: float = 0.0


def ventilator(wave: str, height: float, rng: random.Random, **more: float) -> BreathRhythm:
    """A ventilator's rhythm.

    12 to 60 a minute, inspiration 0.3 to 1 s (starting values of published handbooks for newborns and for older
    children). RC:
    0.12 to 0.5 s, the shorter the quicker the rate (newborns with stiff lungs about 0.1 s, older children 0.3 to 0.5 s:
    from memory).
    """
    frequency = rng.uniform(0.2, 1.0)
    inspiration = min(rng.uniform(0.3, 1.0), 0.45 / frequency)
    constant = min(rng.uniform(0.12, 0.5), 0.4 * (1 / frequency - inspiration))
    return BreathRhythm(wave, height, frequency, inspiration, constant, **{"irregular": rng.uniform(0.0, 0.02), **more})


def spontaneous(height: float, rng: random.Random, **more: float) -> BreathRhythm:
    """Breathing by oneself: 12 to 44 a minute by age (Fleming et al., Lancet 377:1011, 2011); irregularity: ours."""
    frequency = rng.uniform(0.2, 0.73)
    inspiration = rng.uniform(0.33, 0.45) / frequency
    constant = rng.uniform(0.12, 0.3) / frequency
    return BreathRhythm(
        "spontaneous", height, frequency, inspiration, constant, **{"irregular": rng.uniform(0.03, 0.12), **more}
    )


def suctions(rhythm: BreathRhythm | None, seconds: float, rng: random.Random) -> list[Span]:
    """The times in which a child's airway is suctioned.

    Each lasts 6 to 15 s, ten at most of which are suction itself (from memory: handbooks ask for less than 10 to 15 s).
    """
    if not rhythm or not rhythm.suctions:
        return []
    count = max(1, round(rhythm.suctions * seconds / 60))  # each session of such a child holds one
    begins = [(seconds - 15) * (i + rng.uniform(0.05, 0.95)) / count for i in range(count)]
    return [(t, t + rng.uniform(6, 15)) for t in begins]


def background(
    times: Sequence[float], rhythm: BreathRhythm, rng: random.Random, suction: Sequence[Span] = ()
) -> list[float]:
    """The pressure of a rhythm at each of the times, in seconds from 0, its troughs near 0."""
    if rhythm.wave == "writhing":
        return _writhing(times, rhythm, rng)
    rhythm_of = _cycles(times[-1], rhythm, rng, suction)
    values: list[float] = []
    cycle = next(rhythm_of, None)
    low = 0.0
    # No tube or pad has corners: a low-pass of 20 ms.
    before = times[0]
    for t in times:
        while cycle and t >= cycle.end:
            cycle = next(rhythm_of, None)
        raw = cycle.height * cycle.value(t - cycle.start) if cycle and t >= cycle.start else 0.0
        low += (raw - low) * min(1.0, (t - before) / 0.02 if t > before else 1.0)
        before = t
        values.append(low)
    for span in suction:
        _rattle(times, values, span, rhythm.height, rng)
    return values


@dataclass(frozen=True, slots=True)
class _Cycle:
    start: float
    end: float
    height: float
    value: Callable[[float], float]


def _cycles(until: float, rhythm: BreathRhythm, rng: random.Random, suction: Sequence[Span]) -> Iterator[_Cycle]:
    """Cycle after cycle.

    A sigh is 1.6 to 2.5 times as high, after it and in a pause the chest stays empty (sizes: our choice).
    """
    wave = _wave(rhythm, rng)
    t = -rng.uniform(0, 1 / rhythm.frequency)
    large = 0  # cycles after suction, in which whoever cares for the child opens the lung again
    while t < until:
        if any(start <= t < end for start, end in suction):
            t, large = max(end for start, end in suction if start <= t < end), rng.randint(2, 5)
            continue
        length = max(0.4, rng.gauss(1, rhythm.irregular)) / rhythm.frequency
        height = rhythm.height * max(0.3, rng.gauss(1, rhythm.irregular))
        sighs = rng.random() < rhythm.sighs / 60 * length
        if sighs or large:
            height, large = height * rng.uniform(1.6, 2.5) if sighs else height * 1.4, max(0, large - 1)
            length *= rng.uniform(1.1, 1.6)
        if rng.random() < rhythm.pauses / 60 * length:
            length += rng.uniform(3, 10)
        yield _Cycle(t, t + length, height, wave)
        t += length


def _wave(rhythm: BreathRhythm, rng: random.Random) -> Callable[[float], float]:
    """A cycle by the seconds since inspiration began: from 0 to 1 and, by RC, back to 0."""
    insp, constant = rhythm.inspiration, rhythm.constant
    rise = min(
        rng.uniform(0.08, 0.2), 0.5 * insp
    )  # a ventilator's rise time, as set at it (common practice, no source)
    circuit = rng.uniform(0.04, 0.12)  # a hose empties faster than a lung
    resistive = rng.uniform(0.15, 0.4)  # the share of the peak that flow through the resistance makes
    held = rng.uniform(0.0, 0.25)  # of the inspiration, an inspiratory pause

    def emptying(t: float, tau: float) -> float:
        return math.exp(-(t - insp) / tau)

    def filled(t: float) -> float:
        if t < insp:
            return (1 - math.exp(-t / constant)) / (1 - math.exp(-insp / constant))
        return emptying(t, constant)

    def square(t: float) -> float:
        return smooth(t / rise) if t < insp else emptying(t, circuit)

    def ramp(t: float) -> float:
        return min(1.0, t / (insp * (1 - held))) if t < insp else emptying(t, constant)

    def decelerating(t: float) -> float:
        x = min(1.0, t / insp)
        return x * (2 - x) if t < insp else emptying(t, constant)

    def airway(t: float) -> float:
        flowing = insp * (1 - held)
        if t < flowing:
            return resistive * smooth(t / 0.05) + (1 - resistive) * t / flowing
        return 1 - resistive if t < insp else (1 - resistive) * emptying(t, constant)

    def breath(t: float) -> float:
        return (
            math.sin(math.pi / 2 * t / insp) ** 2 if t < insp else (1 + (t - insp) / constant) * emptying(t, constant)
        )

    return {
        "pressure-controlled volume": filled,
        "pressure-controlled airway": square,
        "volume-controlled volume": ramp,
        "volume-controlled decelerating": decelerating,
        "volume-controlled airway": airway,
        "spontaneous": breath,
    }[rhythm.wave]


def _rattle(times: Sequence[float], values: list[float], span: Span, height: float, rng: random.Random) -> None:
    """A catheter in the airway: the level falls, and shakes at 3 to 8 Hz (our choice)."""
    start, end = span
    frequency, phase, falls = rng.uniform(3, 8), rng.uniform(0, math.tau), rng.uniform(0.1, 0.5) * height
    shakes = rng.uniform(0.1, 0.4) * height
    for i, t in enumerate(times):
        if start <= t < end:
            edge = min(1.0, (t - start) / 0.5, (end - t) / 0.5)
            values[i] += edge * (shakes * math.sin(math.tau * frequency * t + phase) * rng.uniform(0.5, 1.0) - falls)


def _writhing(times: Sequence[float], rhythm: BreathRhythm, rng: random.Random) -> list[float]:
    """Movement that peaks at 0.3 to 0.6 Hz and ends at 2 to 3 Hz (Neilson, JNNP 37:171, 1974)."""
    waves = [(abs(rng.gauss(rhythm.frequency, 0.18)), rng.uniform(0, math.tau), rng.gauss(0, 1)) for _ in range(24)]
    waves = [wave for wave in waves if wave[0] < 2]
    # Nothing in it is faster than 2 Hz: straight lines between 25 points a second.
    points = [
        sum(size * math.sin(math.tau * f * i / 25 + phase) for f, phase, size in waves)
        for i in range(math.ceil(times[-1] * 25) + 2)
    ]
    ordered = sorted(points)
    scale = rhythm.height / (ordered[int(0.98 * len(points))] - ordered[int(0.02 * len(points))])
    values = []
    for t in times:
        i = int(t * 25)
        values.append(scale * (points[i] + (points[i + 1] - points[i]) * (t * 25 - i)))
    return values
