"""Estimates from few numbers.

Quantiles, a trend that one odd value does not bend, and how far a number may be trusted.
"""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import NormalDist, median

CONFIDENCE = 0.9
"""The confidence of every interval, unless another is asked for; ten efforts support no stricter promise."""
RESAMPLES = 200
"""Bootstrap resamples: enough for a 90 % interval that stays the same to within a tenth of its width. Our choice."""


def quantile(values: Sequence[float], share: float) -> float:
    """The value below which a share of the values lies, with straight lines between them.

    Hyndman and Fan's type 7 (American Statistician 50:361, 1996): what spreadsheets and numpy do.
    """
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)


def spread(values: Sequence[float]) -> float:
    """A standard deviation that odd values do not widen: 1.4826 times the median distance from the median.

    The factor makes it that of the normal distribution (Hampel, J. Am. Stat. Assoc. 69:383, 1974).
    """
    middle = median(values)
    return 1.4826 * median(abs(value - middle) for value in values)


def slope(
    times: Sequence[float], values: Sequence[float], confidence: float = CONFIDENCE
) -> tuple[float, float, float]:
    """How fast values change: the median of the slopes between all pairs, and its interval, low and high.

    Theil, Proc. Kon. Ned. Akad. v. Wetensch. A 53:386, 1950. The interval is Sen's (J. Am. Stat. Assoc. 63:1379, 1968),
    with the variance that holds for ties among the times as well.

    Raises:
        ValueError: fewer than two different times.
    """
    slopes = sorted(
        (after - before) / (later - sooner)
        for (sooner, before), (later, after) in itertools.combinations(sorted(zip(times, values, strict=True)), 2)
        if later > sooner
    )
    if not slopes:
        raise ValueError("a trend needs two different times")
    reach = NormalDist().inv_cdf((1 + confidence) / 2) * math.sqrt(variance_of_agreement(times, values))
    low = max(0, round((len(slopes) - reach) / 2) - 1)
    high = min(len(slopes) - 1, round((len(slopes) + reach) / 2))
    return median(slopes), slopes[low], slopes[high]


def variance_of_agreement(times: Sequence[float], values: Sequence[float]) -> float:
    """The variance of Kendall's S, the pairs that rise together less those that do not, where there is no trend.

    With the correction for ties in both rows, without which it may fall below 0: Kendall, Rank Correlation Methods,
    1970, chapter 4 (from memory; counted over all orders in the test).
    """
    count = len(times)
    if count < 2:
        return 0.0
    alone = count * (count - 1) * (2 * count + 5)
    pairs, triples = [], []
    for row in (times, values):
        tied = Counter(row).values()
        alone -= sum(k * (k - 1) * (2 * k + 5) for k in tied)
        pairs.append(sum(k * (k - 1) for k in tied))
        triples.append(sum(k * (k - 1) * (k - 2) for k in tied))
    both = math.prod(pairs) / (2 * count * (count - 1))
    if count > 2:
        both += math.prod(triples) / (9 * count * (count - 1) * (count - 2))
    return max(0.0, alone / 18 + both)  # rounding may leave a little less than nothing


def drawn(*strata: Sequence[int]) -> Iterator[list[int]]:
    """Yield ``RESAMPLES`` resamples: of each stratum as many things as it has, drawn with replacement.

    The bootstrap (Efron, Ann. Stat. 7:1, 1979); its random numbers come from a fixed seed, so that the same recording
    gives the same intervals.
    """
    rng = random.Random(1)  # noqa: S311 - resampling, not a secret
    for _ in range(RESAMPLES):
        yield [rng.choice(stratum) for stratum in strata for _ in stratum]


def limits(found: Sequence[float], confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The percentile interval of an estimate, from its values over the resamples of ``drawn``."""
    return quantile(found, (1 - confidence) / 2), quantile(found, (1 + confidence) / 2)
