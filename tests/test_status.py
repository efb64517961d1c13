"""The document that the daemon gives of itself: readings in the profile's units, and lateness in constant room."""

from __future__ import annotations

import json
import random

import pytest

from router.events import Lost, Mark, MidiSample, PointerSample, PressureSample, SwitchSample
from router.status import Lateness, value_of


@pytest.mark.parametrize(
    ("sample", "unit", "value"),
    [
        (SwitchSample("pad", pressed=True), "", True),
        (PressureSample("cheek", 249.089), "inH2O", 1.0),
        (PressureSample("cheek", -61.3), "Pa", -61.3),
        (PressureSample("cheek", float("nan")), "Pa", None),  # JSON has no word for it
        (PressureSample("cheek", float("inf")), "Pa", None),
        (PointerSample("head", 0.25, 1.0), "", [0.25, 1.0]),
        (MidiSample("keys", (144, 60, 64)), "", [144, 60, 64]),
        (Lost("pad"), "", None),
        (Mark("cue"), "", None),
        (None, "", None),
    ],
)
def test_readings(sample, unit, value):
    assert value_of(sample, unit) == value
    json.dumps(value_of(sample, unit), allow_nan=False)


def test_nothing_was_due_yet():
    assert Lateness().status() == {"count": 0, "p50": 0.0, "p99": 0.0, "most": 0.0}


def test_lateness_of_one():
    lateness = Lateness()
    lateness.add(250_000)
    assert lateness.status() == {"count": 1, "p50": 0.25, "p99": 0.25, "most": 0.25}


def test_what_is_early_is_not_late():
    lateness = Lateness()
    lateness.add(-5)
    assert lateness.status() == {"count": 1, "p50": 0.0, "p99": 0.0, "most": 0.0}


def test_lateness_is_right_to_an_eighth():
    chance = random.Random(1)
    late = [round(chance.lognormvariate(12, 2)) for _ in range(10_000)]
    lateness = Lateness()
    for one in late:
        lateness.add(one)
    said, late = lateness.status(), sorted(late)
    assert said["count"] == 10_000
    assert said["most"] == round(late[-1] / 1e6, 3)
    for name, true in (("p50", late[4_999] / 1e6), ("p99", late[9_899] / 1e6)):
        assert true - 0.001 <= said[name] <= 1.126 * true + 0.001


def test_a_machine_that_slept_for_years_is_counted_too():
    lateness = Lateness()
    lateness.add(10**19)
    assert lateness.status() == {"count": 1, "p50": 1e13, "p99": 1e13, "most": 1e13}
