"""Estimates against the references of others, and against worked numbers."""

from __future__ import annotations

import itertools
import random
from statistics import NormalDist, fmean

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from router.fit.estimates import drawn, limits, quantile, slope, spread, variance_of_agreement

NUMBERS = st.floats(-1e6, 1e6)


@given(st.lists(NUMBERS, min_size=1, max_size=30), st.floats(0, 1))
def test_quantiles_are_numpys(values, share):
    """Hyndman and Fan's type 7, numpy's default."""
    assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)), rel=1e-9, abs=1e-6)


@given(st.lists(NUMBERS, min_size=1, max_size=30))
def test_the_spread_is_scipys(values):
    assert spread(values) == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-4)


@given(
    st.lists(
        st.tuples(st.integers(0, 50), st.integers(-20, 20)), min_size=3, max_size=25, unique_by=lambda point: point[0]
    )
)
def test_trends_are_scipys(points):
    """Whole numbers, so that values are tied. The reference has no correction for ties among the times as well."""
    times, values = [float(t) for t, _ in points], [float(v) for _, v in points]
    middle, low, high = slope(times, values, 0.9)
    reference = stats.theilslopes(values, times, 0.9)
    assert middle == pytest.approx(reference.slope)
    assert (low, high) == (pytest.approx(reference.low_slope), pytest.approx(reference.high_slope))


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=2, max_size=6))
def test_how_much_agreement_varies_by_chance_is_counted(points):
    """Kendall's S, over all orders in which the values could have come, ties in both rows."""
    times, values = zip(*points, strict=True)

    def agreement(order):
        pairs = itertools.combinations(zip(times, order, strict=True), 2)
        return sum(int(np.sign((after - before) * (later - sooner))) for (sooner, before), (later, after) in pairs)

    counted = [agreement(order) for order in itertools.permutations(values)]
    assert variance_of_agreement(times, values) == pytest.approx(np.var(counted))


def test_ties_in_both_rows_leave_an_interval():
    """What was found: each row's own correction leaves less than nothing here,
    so the interval was -1 to -1, and sure.
    """
    assert slope([1, 2, 2, 2, 2, 2, 2], [2, 1, 1, 1, 1, 1, 2], 0.95) == (-1, -1, 0)


def test_a_trend_by_hand():
    """Steps of 2, and one odd value that bends nothing."""
    assert slope([0, 1, 2, 3, 4], [12, 14, 16, 18, 20])[0] == 2
    assert slope([0, 1, 2, 3, 4, 5, 6], [12, 14, 16, 90, 20, 22, 24])[0] == 2
    with pytest.raises(ValueError, match="two different times"):
        slope([1, 1], [2, 3])


def test_an_interval_of_a_mean_is_as_wide_as_theory_says():
    """The mean of 400 numbers of deviation 1: 1.645 / sqrt(400) to either side for 90 %."""
    rng = random.Random(3)
    values = [rng.gauss(0, 1) for _ in range(400)]
    found = [fmean(values[i] for i in again) for again in drawn(range(400))]
    low, high = limits(found)
    assert high - low == pytest.approx(2 * NormalDist().inv_cdf(0.95) / 20, rel=0.2)
    assert low < fmean(values) < high
    assert found == [fmean(values[i] for i in again) for again in drawn(range(400))]


def test_as_many_of_each_kind_are_drawn_as_there_are():
    for again in drawn(range(3), range(3, 10)):
        assert [i < 3 for i in again] == [True] * 3 + [False] * 7
