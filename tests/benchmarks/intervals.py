"""Intervals of 95 % for shares and rates that are measured over children.

What one child does is alike, so children are drawn again and not efforts (bootstrap, percentiles). Where nearly nothing
went wrong a bootstrap knows too little: the interval is never narrower than Wilson's (shares) or Garwood's (counts),
which take each effort or press for itself.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from scipy.stats import chi2

DRAWS = 1000
Z = 1.959964
"""The standard normal distribution's 97.5 % quantile (any table)."""

Interval = tuple[float, float]


def wilson(hits: int, of: int) -> Interval:
    """Wilson's score interval of a share (J. Am. Stat. Assoc. 22:209, 1927)."""
    if not of:
        return 0.0, 1.0
    share = hits / of
    middle = (share + Z * Z / 2 / of) / (1 + Z * Z / of)
    half = Z / (1 + Z * Z / of) * math.sqrt(share * (1 - share) / of + Z * Z / 4 / of / of)
    return middle - half if hits else 0.0, middle + half if hits < of else 1.0


def garwood(count: int, minutes: float) -> Interval:
    """The exact interval of a Poisson rate (Garwood, Biometrika 28:437, 1936)."""
    low = chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    return float(low) / minutes, float(chi2.ppf(0.975, 2 * count + 2)) / 2 / minutes


def over_children(parts: Sequence[tuple[float, float]]) -> Interval:
    """Bootstrap interval of a ratio of sums; for each child what is counted and what it is counted over."""
    rng = random.Random(95)
    found = []
    for _ in range(DRAWS):
        drawn = rng.choices(parts, k=len(parts))
        over = sum(part[1] for part in drawn)
        found.append(sum(part[0] for part in drawn) / over if over else 0.0)
    found.sort()
    return found[int(0.025 * DRAWS)], found[int(0.975 * DRAWS)]


def share(parts: Sequence[tuple[int, int]]) -> Interval:
    """Return the interval of a share: heard of so many for each child."""
    return _wider(over_children(parts), wilson(sum(a for a, _ in parts), sum(b for _, b in parts)))


def rate(parts: Sequence[tuple[int, float]]) -> Interval:
    """Return the interval of a rate a minute: so many in so many minutes for each child."""
    return _wider(over_children(parts), garwood(sum(a for a, _ in parts), sum(b for _, b in parts)))


def _wider(one: Interval, other: Interval) -> Interval:
    return min(one[0], other[0]), max(one[1], other[1])
