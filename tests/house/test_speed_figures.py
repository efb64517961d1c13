"""What the benchmarks of speed make of what they measure: ranks, targets, and the file for history."""

from __future__ import annotations

import json

import pytest

from tests.benchmarks.speed.figures import Result, Target, draw, keep, quantiles
from tests.benchmarks.speed.in_time import STEP, of_places
from tests.benchmarks.speed.throughput import forwarding, forwarding_at_once
from tests.benchmarks.speed.world import tapping


def test_quantiles_are_values_at_their_ranks():
    assert quantiles([float(n) for n in range(1000, 0, -1)]) == {"p50": 501, "p99": 991, "p99.9": 1000, "max": 1000}
    assert quantiles([7.0]) == {"p50": 7, "p99": 7, "p99.9": 7, "max": 7}


@pytest.mark.parametrize(
    ("most", "measured", "met"), [(True, 1.5, True), (True, 1.51, False), (False, 1.5, True), (False, 1.49, False)]
)
def test_a_target_is_met_up_to_its_bound(most, measured, met):
    target = Target("it", 1.5, measured, "times", most=most)
    assert target.met is met
    assert str(target).startswith("met" if met else "MISSED")


def test_history_keeps_rows_and_targets_and_the_drawing_is_made(tmp_path):
    result = Result("a", "a. It", ["p50", "p99", "p99.9", "max"], unit="µs")
    result.add("ours", [1.0, 2.0, 3.0])
    result.targets.append(Target("it", 1.5, 2.0, "times"))
    path = keep([result], {"cores": 2}, tmp_path, quick=True)
    kept = json.loads(path.read_text(encoding="utf-8"))
    assert kept["quick"] is True
    assert kept["machine"]["cores"] == 2
    assert kept["benchmarks"]["a"]["rows"] == {"ours": [2.0, 3.0, 3.0, 3.0]}
    assert kept["benchmarks"]["a"]["targets"][0]["met"] is False
    draw([result], tmp_path / "spread.svg")
    assert "<svg" in (tmp_path / "spread.svg").read_text(encoding="utf-8")


def test_lateness_is_from_the_place_that_the_press_alone_gives():
    origin = 5_000_000_000
    notes = [origin + 3_000, origin + STEP + 40_000, origin + 3 * STEP + 1_500_000]  # the second step was left out
    assert of_places(origin, notes) == [40.0, 1500.0]


def test_each_event_that_is_measured_becomes_a_message():
    _now, sent = tapping(10).tap(20, 0)
    assert sent == 40
    assert forwarding(10) > 0
    assert forwarding_at_once(10) > 0
