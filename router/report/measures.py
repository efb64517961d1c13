"""The measures of a report: plain arithmetic on times and numbers, without any word of what they mean.

Times are seconds. Quantiles and trends are those of ``router.fit.estimates``. A measure of too few values is None,
never 0.
"""

from __future__ import annotations

import math
import statistics
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from router.fit.estimates import quantile, slope

Span = tuple[float, float]
"""From, to; in seconds."""

BETWEEN_GOALS = 0.3
"""The assumed correlation between goals (rho). Kiresuk and Sherman, Community Mental Health Journal 4:443, 1968."""

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Quartiles:
    """The middle of some values, and the quarters below and above it; ``count`` is how many there are."""

    median: float
    low: float
    high: float
    count: int


@dataclass(frozen=True, slots=True)
class SessionTrend:
    """A line through values: ``slope`` for each step of x, the value at x = 0, and the interval of the slope."""

    slope: float
    intercept: float
    low: float
    high: float

    @property
    def sure(self) -> bool:
        """True if the whole interval lies on one side of 0."""
        return self.low > 0 or self.high < 0


def quartiles(values: Sequence[float]) -> Quartiles | None:
    """Median and quartiles; None without values."""
    if not values:
        return None
    ordered = sorted(values)
    return Quartiles(quantile(ordered, 0.5), quantile(ordered, 0.25), quantile(ordered, 0.75), len(ordered))


def union(spans: Iterable[Span]) -> list[Span]:
    """Merge spans that overlap or touch; the result is in order."""
    merged: list[Span] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def within(spans: Iterable[Span], limits: Sequence[Span]) -> list[Span]:
    """The part of ``spans`` that lies inside ``limits``."""
    cut = ((max(a, c), min(b, d)) for a, b in spans for c, d in limits)
    return sorted((a, b) for a, b in cut if a < b)


def total(spans: Iterable[Span]) -> float:
    """Add up the lengths of the spans, which must not overlap."""
    return math.fsum(end - start for start, end in spans)


def longest_run(holds: Iterable[Span], gap: float) -> float:
    """The longest time in which no pause between two holds was longer than ``gap``; 0 without holds."""
    runs: list[Span] = []
    for start, end in union(holds):
        if runs and start - runs[-1][1] <= gap:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((start, end))
    return max((end - start for start, end in runs), default=0.0)


def latencies(onsets: Sequence[float], cues: Sequence[float], window: float) -> list[float | None]:
    """Return, for each cue, the time to the first onset within ``window``; "no response" is None, not 0 or ``window``.

    A cue that follows within the window ends the one before it: no effort answers two.
    """
    found: list[float | None] = []
    ordered = sorted(onsets)
    asked = sorted(cues)
    for index, cue in enumerate(asked):
        following = asked[index + 1] if index + 1 < len(asked) else math.inf
        place = bisect_left(ordered, cue)
        first = ordered[place] if place < len(ordered) else math.inf
        found.append(first - cue if first - cue <= window and first < following else None)
    return found


def trend(values: Sequence[float], at: Sequence[float] | None = None) -> SessionTrend | None:
    """The median of all slopes between two values, with its 95 % interval; None for fewer than three values.

    ``at`` holds the x of each value, by default 0, 1, 2, …; None also if all are the same. See ``estimates.slope``.
    """
    places: Sequence[float] = range(len(values)) if at is None else at
    if len(values) < 3 or len(set(places)) < 2:
        return None
    middle, low, high = slope(places, values, CONFIDENCE)
    return SessionTrend(middle, statistics.median(values) - middle * statistics.median(places), low, high)


def nap(before: Sequence[float], after: Sequence[float]) -> float | None:
    """Non-overlap of all pairs: the share of pairs (one before, one after) that rose; a tie is half a pair.

    Source: Parker and Vannest, Behavior Therapy 40:357, 2009. None without pairs.
    """
    if not before or not after:
        return None
    risen = sum(1.0 if b > a else 0.5 if b == a else 0.0 for a in before for b in after)
    return risen / (len(before) * len(after))


def pnd(before: Sequence[float], after: Sequence[float]) -> float | None:
    """Percentage of non-overlapping data, as a share: how many after lie above the highest before. None without pairs.

    Source: Scruggs, Mastropieri and Casto, Remedial and Special Education 8(2):24, 1987.
    """
    if not before or not after:
        return None
    highest = max(before)
    return sum(value > highest for value in after) / len(after)


def goal_attainment(scores: Sequence[float], weights: Sequence[float]) -> float | None:
    """The T-score of goals scored from -2 to +2, 0 being what was expected.

    50 as expected, above it more. None without goals.

    T = 50 + 10 sum(w x) / sqrt((1 - rho) sum(w^2) + rho (sum w)^2), rho = 0.3. Sources: Kiresuk and Sherman 1968; as
    printed with its erratum by Turner-Stokes, Clinical Rehabilitation 23:362, 2009.
    """
    if not scores:
        return None
    squares = math.fsum(weight * weight for weight in weights)
    spread = math.sqrt((1 - BETWEEN_GOALS) * squares + BETWEEN_GOALS * math.fsum(weights) ** 2)
    return 50 + 10 * math.fsum(w * x for w, x in zip(weights, scores, strict=True)) / spread


def intervals(onsets: Sequence[float]) -> list[float]:
    """The times from each onset to the next, in seconds."""
    return [later - earlier for earlier, later in pairwise(sorted(onsets))]
