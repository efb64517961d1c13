"""The rhythm in a marked rest: its period, its shape, and how regular it is, found before any threshold is tried."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from router.core.conditioning.cycle import CYCLE_STEP, Cycle, KnownRhythm
from router.core.units import NANOSECONDS
from router.fit.estimates import slope, spread
from router.fit.pressure_samples import Samples
from router.fit.recording import Recording, between

SHORTEST, LONGEST = round(0.7 * NANOSECONDS / CYCLE_STEP), round(6 * NANOSECONDS / CYCLE_STEP)
"""Periods that are looked for, in steps."""
CYCLES = 2.5
"""Cycles that the rest must hold at least. Our choice, as what follows."""
ROUNDS = 3
POINTS = 32
"""Points of a shape."""
UNEVEN = (0.3, 0.7)
"""Shares of the height below which the pressure only wavers, and above which it shows how uneven the cycles are."""
MOST_OFF, MOST_IRREGULAR = 0.1, 0.2
"""How far a round may move the period, as a share, and how irregular a rhythm may be."""
EXPLAINS = 0.5
"""The share of the movement of rest that the rhythm must explain."""


def rhythm_at_rest(samples: Samples, recording: Recording) -> Cycle | None:
    """Return the rhythm of the longest rest; None if nothing repeats."""
    if not recording.rests:
        return None
    begin, end = max(recording.rests, key=lambda rest: rest[1] - rest[0])
    values = _steps(samples, begin, end)
    if len(values) < CYCLES * SHORTEST:
        return None
    trend = slope(range(0, len(values), 10), [_mean(values, i, 10) for i in range(0, len(values), 10)])[0]
    values = [value - trend * i for i, value in enumerate(values)]
    period = _period(values)
    if period is None:
        return None
    middle = sum(values) / len(values)
    return _learned([value - middle for value in values], period)


def without_rhythm(samples: Samples, cycle: Cycle, signs: Sequence[int] = (1, -1)) -> Samples:
    """Take a known rhythm out of all samples, as the router will; ``signs`` as ``KnownRhythm``."""
    known = KnownRhythm(cycle, signs)
    losses = samples.losses[::-1]
    found = Samples(losses=samples.losses)
    for t, pascal in zip(samples.times, samples.pascals, strict=True):
        while losses and t >= losses[-1]:
            losses.pop()
            known.restart()
        left = known.without(pascal, t)
        if left is not None:
            found.times.append(t)
            found.pascals.append(left)
    return found


def _steps(samples: Samples, begin: int, end: int) -> list[float]:
    """The pressure step by step, each the mean of its samples."""
    first, last = between(samples.times, begin, end)
    found: list[float] = []
    place = first
    for t in range(begin, end, CYCLE_STEP):
        inside = []
        while place < last and samples.times[place] < t + CYCLE_STEP:
            inside.append(samples.pascals[place])
            place += 1
        if inside:
            found.append(sum(inside) / len(inside))
        elif found:
            found.append(found[-1])
    return found


def _mean(values: Sequence[float], begin: int, count: int) -> float:
    part = values[begin : begin + count]
    return sum(part) / len(part)


def _period(values: Sequence[float]) -> float | None:
    """The period in steps by the squared difference function, as ``conditioning.rhythm`` finds it."""
    most = min(LONGEST, int(len(values) / CYCLES))
    middle = sum(values) / len(values)
    twice = 2 * sum((value - middle) ** 2 for value in values) / len(values)
    if twice <= 0:
        return None
    apart = {
        lag: sum((b - a) ** 2 for a, b in zip(values, values[lag:], strict=False)) / (len(values) - lag) / twice
        for lag in range(SHORTEST // 2, most + 1)
    }
    slow = [lag for lag in apart if SHORTEST <= lag < most]
    dips = [lag for lag in slow if apart[lag] <= min(apart[lag - 1], apart[lag + 1]) and apart[lag] < 1 - 0.2]
    if not dips:
        return None
    best = min(apart[lag] for lag in dips)
    lag = next(lag for lag in dips if apart[lag] <= best + 0.15)
    before, here, after = apart[lag - 1], apart[lag], apart[lag + 1]
    bend = before - 2 * here + after
    return lag + (0.5 * (before - after) / bend if bend > 0 else 0.0)


def _learned(values: Sequence[float], period: float) -> Cycle | None:
    """Learn the shape in some rounds.

    Where each step is in its cycle by the shape, and the shape from where each step is.
    """
    length = round(period)
    # The first shape is the cycle that is most like the one after it.
    begin = min(
        range(0, len(values) - 2 * length + 1, 2),
        key=lambda i: sum((a - b) ** 2 for a, b in zip(values[i : i + length], values[i + length :], strict=False)),
    )
    first = values[begin : begin + length]
    shape = [_between(first, i * length / POINTS) for i in range(POINTS)]
    height = max(shape) - min(shape)
    cycle = Cycle(round(period * CYCLE_STEP), _level(shape), 0.1, 0.05, 0.1 * height)
    for _ in range(ROUNDS):
        followed = _followed(values, cycle)
        bins: list[list[float]] = [[] for _ in range(POINTS)]
        for value, place, level in followed:
            bins[int(place * POINTS) % POINTS].append(value - level)
        shape = _filled(bins)
        turns = [place for _value, place, _level in followed]
        rate, irregular = _regularity(turns, cycle.period / CYCLE_STEP)
        offs = [value - level - _at(shape, place) for value, place, level in followed]
        uneven, wavers = _spreads(shape, offs, turns)
        cycle = Cycle(round(CYCLE_STEP / rate), _level(shape), irregular, uneven, wavers)
    moved = sum(value**2 for value in values)
    if cycle.height <= 0 or sum(off**2 for off in offs) > EXPLAINS * moved:
        return None
    return cycle


def _followed(values: Sequence[float], cycle: Cycle) -> list[tuple[float, float, float]]:
    """Each step with the likeliest place in the cycle, 0 to 1, and the level that this place has."""
    known = KnownRhythm(cycle)
    found = []
    for i, value in enumerate(values):
        known.without(value, i * CYCLE_STEP)
        place, level = known.likeliest(i * CYCLE_STEP)
        found.append((value, place, level))
    half = int(cycle.period / CYCLE_STEP)  # the first cycle is for finding the place
    return found[half:] if len(found) > 2 * half else found


def _regularity(turns: Sequence[float], period: float) -> tuple[float, float]:
    """Cycles a step, and the standard deviation of a cycle's length as a share, from the places in the cycle."""
    whole, last, unwrapped = 0.0, turns[0], []
    for place in turns:
        step = place - last
        whole += step - round(step)
        last = place
        unwrapped.append(whole)
    length = round(period)
    lengths = [unwrapped[i + length] - unwrapped[i] for i in range(0, len(unwrapped) - length, max(1, length // 4))]
    if not lengths:
        return 1 / period, 0.1
    turned = min(1 + MOST_OFF, max(1 - MOST_OFF, median(lengths)))  # a lost place is no longer cycle
    return turned / length, min(MOST_IRREGULAR, 1.2 * spread(lengths))


def _spreads(shape: Sequence[float], offs: Sequence[float], turns: Sequence[float]) -> tuple[float, float]:
    """Return how uneven cycles are, as a share of their height, and how far the lowest part wavers, in pascals."""
    low, high = min(shape), max(shape)
    share = [(_at(shape, place) - low) / (high - low) if high > low else 0.0 for place in turns]
    lows = [off for off, height in zip(offs, share, strict=True) if height < UNEVEN[0]] or list(offs)
    highs = [off for off, height in zip(offs, share, strict=True) if height > UNEVEN[1]] or list(offs)
    wavers, crest = spread(lows), spread(highs)
    return math.sqrt(max(0.0, crest**2 - wavers**2)) / (high - low) if high > low else 0.0, wavers


def _filled(bins: Sequence[Sequence[float]]) -> list[float]:
    known = [(i, median(each)) for i, each in enumerate(bins) if each]
    return [min(known, key=lambda pair: min(abs(pair[0] - i), POINTS - abs(pair[0] - i)))[1] for i in range(len(bins))]


def _level(shape: Sequence[float]) -> tuple[float, ...]:
    middle = sum(shape) / len(shape)
    return tuple(value - middle for value in shape)


def _between(values: Sequence[float], place: float) -> float:
    i = int(place)
    return values[i] * (1 - place % 1) + values[(i + 1) % len(values)] * (place % 1)


def _at(shape: Sequence[float], place: float) -> float:
    return _between(shape, place * len(shape) % len(shape))
