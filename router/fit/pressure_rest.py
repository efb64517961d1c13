"""The rest of a pressure recording by itself: its drift, its jumps, and the rhythm in it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import cached_property
from statistics import fmean, median

from router.core.conditioning.rhythm import STEP, Rhythm
from router.core.units import NANOSECONDS
from router.fit.estimates import quantile, slope
from router.fit.pressure_samples import Samples
from router.fit.recording import Recording, between

BEYOND = 4
"""Rest jumps if it moves between periods so many times as far as usual. Our choice."""

LEVELS, LEAST_LEVELS = 3, 2
"""Resting levels before and after an effort that are compared, and how few will do at the ends. Our choice."""

ASIDE = NANOSECONDS // 3
"""Nothing this near to an effort counts as rest."""


class Rest:
    """Measures of the stretches in which nothing was asked."""

    def __init__(self, samples: Samples, recording: Recording) -> None:
        self._samples, self._recording = samples, recording

    def drift(self) -> tuple[float, float, float]:
        """How fast rest moves, in pascals a minute, with its interval."""
        rhythm = self.rhythm
        found = self._slope_at_rest(round(rhythm[0]) if rhythm else 2 * NANOSECONDS)
        return (60 * found[0], 60 * found[1], 60 * found[2])

    def jump(self) -> tuple[int, float] | None:
        """Find the largest jump of rest: when, and by how many pascals; None if no move is much larger than the others.

        Means over whole periods of the rhythm before and after are compared; a steady drift is the same everywhere and
        is taken off.
        """
        rhythm = self.rhythm
        width = max(2 * NANOSECONDS, round(rhythm[0]) if rhythm else 0)
        times, values = self._samples.times, self._samples.pascals
        sums = list(itertools.accumulate(values, initial=0.0))
        found = []
        for begin, end in self._recording.rests:
            for t in range(begin + width, end - width, width // 8):
                (first, here), (_, last) = between(times, t - width, t), between(times, t, t + width)
                if first < here < last:
                    before, after = (
                        (sums[here] - sums[first]) / (here - first),
                        (sums[last] - sums[here]) / (last - here),
                    )
                    found.append((t, after - before))
        if not found:
            return None
        ordinary = median(step for _, step in found)
        aside = [(t, abs(step - ordinary)) for t, step in found]
        when, most = max(aside, key=lambda each: each[1])
        return (when, most) if most > BEYOND * median(size for _, size in aside) else None

    def jump_among_efforts(self, humps: Sequence[tuple[int, int]]) -> tuple[int, float] | None:
        """Find the largest jump of the resting level between and after the efforts, as ``jump`` does within rest.

        A single odd level, such as an effort that nobody marked, is no jump: the medians of three levels are compared.
        A quick drift is none, either: it is spread over several levels.
        """
        levels = self._levels(humps)
        steps = [(after - before, later - t) for (t, before), (later, after) in itertools.pairwise(levels)]
        if len(levels) < 2 * LEAST_LEVELS:
            return None
        drift = median(step / length for step, length in steps)
        ordinary = median(abs(step - drift * length) for step, length in steps)
        level = [value - drift * t for t, value in levels]
        found = [
            (levels[i][0], min(abs(median(level[i : i + LEVELS]) - median(level[max(0, i - LEVELS) : i])), at_once))
            for i in range(LEAST_LEVELS, len(levels) - LEAST_LEVELS + 1)
            for at_once in [abs(level[i] - level[i - 1])]
        ]
        when, most = max(found, key=lambda each: each[1])
        return (when, most) if most > BEYOND * ordinary else None

    def _levels(self, humps: Sequence[tuple[int, int]]) -> list[tuple[int, float]]:
        """Resting levels, in pascals, and when each begins.

        Of the periods of marked rest, and of each time between two efforts.
        """
        times, values = self._samples.times, self._samples.pascals
        rhythm = self.rhythm
        width = max(2 * NANOSECONDS, round(rhythm[0]) if rhythm else 0)
        pieces = [(t, t + width) for begin, end in self._recording.rests for t in range(begin, end - width + 1, width)]
        begins = [begin for begin, _ in [*humps, *self._recording.rests, *self._recording.pauses]]
        for _begin, end in humps:
            over = end + ASIDE
            following = min((begin for begin in begins if begin > end), default=times[-1] + ASIDE) - ASIDE
            if following - over >= ASIDE:
                pieces.append((max(over, following - width), following))
        found = [(begin, values[slice(*between(times, begin, end))]) for begin, end in sorted(pieces)]
        return [(begin, fmean(inside)) for begin, inside in found if inside]

    def _slope_at_rest(self, width: int) -> tuple[float, float, float]:
        """The slope of rest and its interval, in pascals a second, from means of pieces ``width`` nanoseconds wide."""
        times, values = self._samples.times, self._samples.pascals
        found = []
        for begin, end in self._recording.rests:
            for t in range(begin, end - width, width):
                inside = values[slice(*between(times, t, t + width))]
                if inside:
                    found.append((t / NANOSECONDS, fmean(inside)))
        return slope([t for t, _ in found], [mean for _, mean in found]) if len(found) > 3 else (0.0, 0.0, 0.0)

    @cached_property
    def rhythm(self) -> tuple[float, float] | None:
        """The period in nanoseconds and the height in pascals of what repeats at rest; None if nothing does."""
        rhythm, levels = Rhythm(), []
        times, values = self._samples.times, self._samples.pascals
        if not self._recording.rests:
            return None
        begin, end = max(self._recording.rests, key=lambda rest: rest[1] - rest[0])
        first, last = between(times, begin, end)
        rise = self._slope_at_rest(2 * NANOSECONDS)[0] / NANOSECONDS
        place = first
        for t in range(begin, end, STEP):
            while place + 1 < last and times[place + 1] <= t:
                place += 1
            if place < last:
                value = values[place] - rise * (times[place] - begin)
                levels.append(value)
                rhythm.add(value)
        if rhythm.period is None or rhythm.strength < 0.5:
            return None
        return rhythm.period * STEP, quantile(levels, 0.95) - quantile(levels, 0.05)
