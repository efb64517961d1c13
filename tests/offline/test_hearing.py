"""The benchmark of hearing measures what it says, and a small run of it keeps its floors."""

from __future__ import annotations

import math
import random

import pytest
from scipy.stats import binomtest

from router.core.events import Mark, PressureSample
from router.core.units import NANOSECONDS
from router.offline.simulate import Meant, SimulatedSession
from tests.benchmarks import hearing, intervals, plain_follower
from tests.benchmarks.scores import Score


def test_intervals_are_those_of_others():
    """Wilson's by SciPy; Garwood's for 0, 1 and 10 counts by the usual table (0 to 3.69, 0.025
    to 5.57, 4.80 to 18.39).
    """
    for hits, of in ((0, 20), (7, 20), (99, 100), (50, 50)):
        other = binomtest(hits, of).proportion_ci(method="wilson")
        assert intervals.wilson(hits, of) == pytest.approx((other.low, other.high), abs=1e-6)
    for count, expected in ((0, (0, 3.69)), (1, (0.0253, 5.57)), (10, (4.80, 18.39))):
        assert intervals.garwood(count, 1.0) == pytest.approx(expected, abs=0.005)
        assert intervals.garwood(count, 2.0) == pytest.approx([x / 2 for x in expected], abs=0.005)


def test_an_interval_over_children_is_wider_than_one_over_efforts_where_children_differ():
    alike = [(90, 100)] * 20
    apart = [(100, 100)] * 18 + [(0, 100)] * 2
    wilson = intervals.wilson(1800, 2000)
    assert intervals.share(alike) == pytest.approx(wilson)
    low, high = intervals.share(apart)
    # Of 20 children 2 hear nothing: by the binomial law 97.5 % of draws have 5 or fewer of those.
    assert low == pytest.approx(0.75, abs=0.051)
    assert high > wilson[1]


def session(*efforts, unmeant=()):
    """Efforts of 1 s on a grid of 10 ms: when, side; each a triangle of 100 Pa."""
    times = range(0, 20 * NANOSECONDS, NANOSECONDS // 100)
    ideal = []
    for t in times:
        value = 0.0
        for start, side in efforts:
            share = t / NANOSECONDS - start
            if 0 <= share <= 1:
                value += (1 if side == "above" else -1) * 100 * (1 - abs(2 * share - 1))
        ideal.append((t, value))
    meant = [Meant(round(s * NANOSECONDS), round((s + 1) * NANOSECONDS), side, 100.0) for s, side in efforts]
    samples = [(t, PressureSample("cheek", value)) for t, value in ideal]
    return SimulatedSession(samples, meant, ideal, tuple(unmeant))


def at(seconds):
    return round(seconds * NANOSECONDS)


def test_a_press_is_heard_once_by_its_side_while_the_effort_lasts_and_false_otherwise():
    heard = session((2, "above"), (5, "below"), (8, "above"), unmeant=[(at(12), at(13), "cough")])
    on = {"above": 50.0, "below": 50.0}
    presses = [
        *((at(2.26), "above"), (at(2.5), "above")),  # heard 10 ms after the crossing at 2.25; again: false
        *((at(5.1), "above"), (at(5.3), "below")),  # the wrong side is false; heard 50 ms late
        (at(9.5), "above"),  # half a second too late: false, and the effort was missed
        (at(12.2), "above"),  # in the cough
    ]
    found = hearing.judged(heard, presses, on, 20 / 60)
    assert (found.efforts, found.heard, found.false, found.unmeant) == (3, 2, 4, 1)
    assert found.delays == pytest.approx([10, 50])
    assert found.false_a_minute == pytest.approx(12)


def test_the_plain_follower_hears_efforts_over_drift_and_takes_what_stays_for_rest():
    follower = plain_follower.PlainFollower({"above": 50.0, "below": 50.0})
    pressed = []
    for i in range(6000):
        t = i / 100
        pascal = 300 + 0.5 * t + (100 if t % 5 > 4 and t < 30 else -100 if t % 5 > 4 else 0) + (200 if t > 45 else 0)
        pressed += [(t, side) for side in follower.handle(round(t * NANOSECONDS), pascal)]
    assert [side for t, side in pressed if t < 30] == ["above"] * 6
    assert [side for t, side in pressed if 30 < t < 45] == ["below"] * 3
    after = [(round(t, 1), side) for t, side in pressed if t >= 45]
    assert after[0] == (45.0, "above")  # the step, which is rest after 8 s
    assert [side for _t, side in after[1:]] == ["below"] * 2  # at 54 and 59


def test_the_plain_follower_is_fitted_on_the_marks():
    marks = [(at(1), Mark("rest")), (at(10), Mark("end")), *((at(12.2 + 3 * i), Mark("effort")) for i in range(6))]
    rng = random.Random(1)
    samples = []
    for i in range(3200):
        t = i / 100
        push = 200 if t > 12 and (t - 12) % 3 < 1 else 0
        samples.append((at(t), PressureSample("cheek", push + 5 * math.sin(2 * t) + rng.gauss(0, 1))))
    stamped = sorted([*samples, *marks], key=lambda one: one[0])
    found = plain_follower.thresholds(stamped, ["above", "below"])
    assert found == {"above": pytest.approx(0.33 * 200, rel=0.1)}


def test_a_report_is_never_looked_at_child_by_child(capsys):
    with pytest.raises(SystemExit):
        hearing.main(["--seeds", "report", "--each", "--family", "quiet", "--children", "1"])
    assert "child by child" in capsys.readouterr().err
    assert len(set(hearing.SEEDS.values())) == 2
    assert abs(hearing.SEEDS["report"] - hearing.SEEDS["development"]) > 100_000


def test_a_row_says_what_it_does_not_reach():
    def row(heard, false, plain, refused=0, delay=5.0):
        ours = Score(100, heard, false, 2.0, refused, 0, [delay] * 10, [1.0])
        return hearing.Row("quiet", [ours] * 10, [Score(100, plain, 0, 2.0)] * 10)

    assert row(99, 0, 99).unreached == []
    assert "98.0% heard" in row(98, 0, 90).unreached[0]
    assert "1.00 false a minute" in row(100, 2, 90).unreached[0]
    assert "10 of 10 recordings refused" in row(100, 0, 90, refused=1).unreached
    assert "20 ms of delay, 15 promised" in row(100, 0, 90, delay=20.0).unreached
    assert "plain" in row(99, 0, 100).unreached[0]


# Seeds are the first of children whose sensors give at most 125 samples a second, which cost the least time.
@pytest.mark.parametrize(
    ("family", "seed", "least", "most"),
    [
        ("puffs", 2, 1.0, 0),
        ("hard puffs", 2, 0.97, 0),
        ("tiring", 1, 1.0, 0),
        ("eight bits", 0, 1.0, 0),
        ("spikes", 2, 1.0, 0),
        ("gentle", 0, 1.0, 0),
        ("ventilator", 0, 1.0, 1),
        ("coughing", 0, 1.0, 0),
    ],
)
def test_a_child_as_it_comes_is_heard_and_nothing_else(family, seed, least, most):
    """A child each of some families of the benchmark: the least share heard, the most false presses outside coughs."""
    found = hearing.heard(hearing.case(family, seed))
    assert found.refused == 0
    assert found.share >= least
    assert found.false - found.unmeant <= most
    assert found.delay <= hearing.MOST_DELAY
