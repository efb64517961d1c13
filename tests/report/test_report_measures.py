"""The measures against worked numbers, and against numpy and scipy on random data.

Published is how each measure is defined (its source stands beside it); the worked numbers are nobody's but ours. They
were calculated by hand from the definition, from data of our own, and each is calculated once more here by a library
that knows nothing of our code: quantiles by numpy, trends and NAP by scipy, PND and goal attainment by numpy from the
definition.
"""

import itertools
import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from router.report import measures
from router.report.measures import (
    goal_attainment,
    intervals,
    latencies,
    longest_run,
    nap,
    pnd,
    quartiles,
    total,
    trend,
    union,
)

HOLDS = [(2, 3.5), (6, 6.4), (10, 14), (20, 20.2)]
ONSETS = [start for start, _ in HOLDS]

numbers = st.floats(-1e6, 1e6)
some = st.lists(numbers, min_size=1, max_size=30)


# --- worked numbers -----------------------------------------------------------------------------------------------


def test_holds():
    assert total(HOLDS) == pytest.approx(6.1)
    assert total(HOLDS) / 60 == pytest.approx(0.101667, abs=1e-6)
    assert quartiles([end - start for start, end in HOLDS]).median == pytest.approx(0.95)


def test_intervals_between_onsets():
    assert intervals(ONSETS) == [4, 4, 10]
    assert quartiles(intervals(ONSETS)).median == 4.0


def test_response_to_cues():
    found = latencies([2.0, 10.0, 20.0], [1.2, 9.1, 19, 40], 5)
    assert found == [pytest.approx(0.8), pytest.approx(0.9), pytest.approx(1.0), None]
    assert quartiles([each for each in found if each is not None]).median == pytest.approx(0.9)


def test_an_effort_answers_one_cue_and_the_bounds_count():
    assert latencies([6.0], [2, 4], 5) == [None, 2.0]
    assert latencies([7.0], [2], 5) == [5.0]
    assert latencies([7.001], [2], 5) == [None]
    assert latencies([2.0], [2], 5) == [0.0]
    assert latencies([4.0], [2, 4], 5) == [None, 0.0]
    assert latencies([], [], 5) == []


def test_longest_engagement():
    assert longest_run(HOLDS, 5) == 12
    assert longest_run([], 5) == 0
    assert longest_run([(0, 10), (1, 2), (14, 15)], 5) == 15  # two inputs at once


def test_trend_over_sessions():
    found = trend([12, 15, 14, 19, 20])
    assert found.slope == 2.0
    assert found.intercept == 15 - 2 * 2  # the line through the two medians: 15 at the place 2


def test_baseline_against_playing():
    """PND: Scruggs, Mastropieri and Casto 1987; NAP: Parker and Vannest 2009.
    By hand: 3 of 5 lie above 4; of 20 pairs 17 rise, 2 tie.
    """
    before, after = [2, 3, 1, 4], [4, 6, 5, 7, 3]
    assert pnd(before, after) == pytest.approx(0.60)
    assert nap(before, after) == pytest.approx(0.90)
    assert nap(before, after) == stats.mannwhitneyu(after, before).statistic / 20  # U counts the same pairs
    assert pnd(before, after) == np.mean(np.array(after) > np.max(before))


@pytest.mark.parametrize(
    ("scores", "weights", "expected"),
    [
        ([0, 0, 0], [1, 1, 1], 50),
        ([1], [1], 60),
        ([-2], [1], 30),
        ([1, 1], [1, 1], 62.4035),
        ([1] * 3, [1] * 3, 63.6931),
        ([-1] * 3, [1] * 3, 36.3069),
        ([2] * 3, [1] * 3, 77.3861),
        ([-2] * 3, [1] * 3, 22.6139),
        ([1] * 5, [1] * 5, 65.0756),
        ([0, 1, 2, -1], [1] * 4, 57.2548),
        ([1, 0, -1], [2, 1, 1], 53.3333),
        ([1, 0, -1], [3, 2, 1], 54.4065),
    ],
)
def test_goal_attainment(scores, weights, expected):
    """Kiresuk and Sherman 1968. By hand for equal weights: T = 50 + 10 sum(x) / sqrt(n - rho n + rho n^2)."""
    assert standard_score(scores, weights) == pytest.approx(expected, abs=5e-5)
    assert goal_attainment(scores, weights) == pytest.approx(expected, abs=5e-5)


def standard_score(scores, weights) -> float:
    """What Kiresuk and Sherman define: 10 standard deviations of the weighted sum, of goals
    of variance 1 correlated by 0.3, about 50.
    """
    goals = np.full((len(scores), len(scores)), 0.3) + 0.7 * np.eye(len(scores))  # their covariances
    w = np.array(weights, dtype=float)
    return float(50 + 10 * (w @ np.array(scores)) / np.sqrt(w @ goals @ w))


# --- properties, and others' arithmetic ---------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(-2, 2), st.integers(1, 9)), min_size=1, max_size=8), st.floats(0.01, 100))
def test_only_the_proportions_of_weights_matter(goals, factor):
    scores, weights = zip(*goals, strict=True)
    assert goal_attainment(scores, weights) == pytest.approx(standard_score(scores, weights))
    assert goal_attainment(scores, [w * factor for w in weights]) == pytest.approx(goal_attainment(scores, weights))


@given(some)
def test_quartiles_are_numpys(values):
    found = quartiles(values)
    assert [found.low, found.median, found.high] == pytest.approx(np.quantile(values, [0.25, 0.5, 0.75]), abs=1e-6)


@given(st.lists(st.integers(0, 8), min_size=1, max_size=20), st.lists(st.integers(0, 8), min_size=1, max_size=20))
def test_nap_is_the_mann_whitney_statistic(before, after):
    pairs = len(before) * len(after)
    assert nap(before, after) == pytest.approx(stats.mannwhitneyu(after, before).statistic / pairs)
    assert pnd(before, after) == np.mean(np.array(after) > max(before))


def test_the_trend_is_scipys():
    """Ties in one row: scipy has no correction for ties in both."""
    chance = random.Random(7)
    for _ in range(300):
        count = chance.randint(3, 25)
        places = [chance.choice([i, chance.randint(0, 9)]) for i in range(count)]
        tied = len(set(places)) < count
        values = [chance.gauss(0, 3) if tied or chance.random() < 0.5 else chance.randint(0, 4) for _ in range(count)]
        if len(set(places)) < 2:
            continue
        found, expected = trend(values, places), stats.theilslopes(values, places, alpha=0.95)
        assert [found.slope, found.intercept, found.low, found.high] == pytest.approx(list(expected))


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 10)), max_size=20))
def test_time_together_is_what_a_fine_ruler_measures(raw):
    spans = [(start, start + length) for start, length in raw]
    merged = union(spans)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(merged))
    ruler = np.linspace(0, 110, 22_001)
    covered = np.zeros_like(ruler, dtype=bool)
    for start, end in spans:
        covered |= (ruler >= start) & (ruler < end)
    assert total(merged) == pytest.approx(covered.sum() * 0.005, abs=0.005 * (2 * len(spans) + 1))


def test_what_cannot_be_known_is_none():
    assert quartiles([]) is None
    assert trend([1, 2]) is None
    assert trend([1, 2, 3], [5, 5, 5]) is None
    assert nap([], [1]) is None
    assert pnd([1], []) is None
    assert goal_attainment([], []) is None
    assert intervals([3]) == []


def test_a_trend_that_may_as_well_be_none_is_not_sure():
    assert not trend([3, 3, 3, 3, 3]).sure
    assert not trend([1, 5, 2, 4, 3]).sure
    assert trend(list(range(10))).sure
    assert trend([-n for n in range(10)]).sure


def test_time_inside_limits():
    assert measures.within([(0, 5), (8, 12)], [(4, 9), (11, 20)]) == [(4, 5), (8, 9), (11, 12)]
    assert math.isclose(total(measures.within([(0, 1)], [])), 0)


def test_a_pause_as_long_as_the_gap_does_not_end_a_run():
    assert measures.longest_run([(0.0, 1.0), (1.5, 3.0)], 0.5) == 3.0
    assert measures.longest_run([(0.0, 1.0), (1.5, 3.0)], 0.25) == 1.5
