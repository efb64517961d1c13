"""What is told when the thresholds fit no longer, and thresholds that follow."""

from __future__ import annotations

import itertools
import random
from functools import partial

import pytest

from router.core.conditioning.drift import Drift
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.engine import Plan
from router.core.events import Drifted, NearMiss, Press, PressureSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.files import profile
from router.testing import VirtualTime

SECOND = NANOSECONDS
RATE = 100


def pressures(pushes, seconds, noise=1.0, later=0.0, seed=1):
    """Rest at 20 Pa with noise (``later`` from the middle on), and pushes of half a second: when, and how hard."""
    rng = random.Random(seed)
    pushes = list(pushes)
    for i in range(int(seconds * RATE)):
        t = i / RATE
        size = later if later and t > seconds / 2 else noise
        value = 20 + rng.gauss(0, size)
        value += sum(
            hard * max(0.0, min(1.0, (t - at) / 0.1, (at + 0.5 - t) / 0.1))
            for at, hard in pushes
            if at <= t <= at + 0.5
        )
        yield i * SECOND // RATE, PressureSample("cheek", value)


def heard(stamped, side):
    """Every gesture, with its time in seconds."""
    made = PressureConditioner("cheek", PressureSettings(above=side), itertools.count(1).__next__, Alarm(Timers(), 0))
    return [(t / SECOND, gesture) for t, sample in stamped for gesture in made.handle(sample, t)]


def of(kind, gestures):
    return [gesture for _t, gesture in gestures if isinstance(gesture, kind)]


SIDE = Side(on=100, off=60, full=250)


def test_a_rise_that_stays_below_on_is_a_near_miss():
    gestures = heard(pressures([(3, 200), (6, 90), (9, 50)], 12), SIDE)
    (near,) = of(NearMiss, gestures)
    assert near.source == "cheek.above"
    assert near.reach == pytest.approx(0.9, abs=0.05)
    assert len(of(Press, gestures)) == 1
    assert not of(Drifted, gestures)


def test_a_spike_is_none():
    spiky = [
        (t, PressureSample("cheek", sample.pascal + (80 if 500 <= i < 503 else 0)))
        for i, (t, sample) in enumerate(pressures([], 10))
    ]
    assert not of(NearMiss, heard(spiky, SIDE))


def test_efforts_that_shrink_are_told_once_in_three_minutes_with_figures():
    gestures = heard(pressures([(3 + 3 * i, max(115, 240 - 10 * i)) for i in range(85)], 260), SIDE)
    told = [(t, each) for t, each in gestures if isinstance(each, Drifted)]
    assert [each.what for _t, each in told] == ["efforts shrink", "efforts shrink"]
    assert told[1][0] - told[0][0] >= 180
    figures = dict(told[0][1].figures)
    assert figures["on"] == 100
    assert 115 <= figures["ordinary"] <= 140


def test_near_misses_are_told():
    gestures = heard(pressures([(3 + 3 * i, 90 if i % 3 == 2 else 200) for i in range(14)], 50), SIDE)
    (told,) = of(Drifted, gestures)
    assert (told.what, dict(told.figures)) == ("near-misses", {"missed": 3, "of": 10, "on": 100})


def test_a_rest_that_grows_restless_is_told():
    gestures = heard(pressures([], 100, noise=5, later=18), SIDE)
    assert {told.what for told in of(Drifted, gestures)} == {"rest is restless"}
    assert not of(Drifted, heard(pressures([], 100, noise=5), SIDE))


def tiring(seconds=300):
    """Efforts of 200 Pa that shrink to a third."""
    return [(3 + 3 * i, 200 * (1 - 2 / 3 * 3 * i / seconds)) for i in range(int(seconds / 3) - 2)]


def test_thresholds_that_may_follow_hear_a_child_that_tires():
    pushes = tiring()
    stays, follows = (heard(pressures(pushes, 300), side) for side in (SIDE, Side(100, 60, 250, follow=(40, 120))))
    assert len(of(Press, stays)) < 0.8 * len(pushes)
    assert len(of(Press, follows)) == len(pushes)
    moved = [dict(told.figures)["on"] for told in of(Drifted, follows) if told.what == "followed"]
    assert moved == sorted(moved, reverse=True)
    assert 40 <= moved[-1] <= 50


def test_thresholds_follow_within_their_bounds_only_and_keep_clear_of_rest():
    follows = heard(pressures(tiring(), 300), Side(100, 60, 250, follow=(80, 120)))
    assert all(80 <= dict(told.figures)["on"] <= 120 for told in of(Drifted, follows))
    restless = heard(pressures(tiring(), 300, noise=14), Side(100, 60, 250, follow=(10, 120)))
    moved = [dict(told.figures)["on"] for told in of(Drifted, restless) if told.what == "followed"]
    assert moved
    assert min(moved) > 50  # rest reaches some 40 Pa in two seconds


def test_a_threshold_that_follows_is_the_share_that_it_was_and_told_of_each_tenth():
    """Efforts of 200 Pa and then of 140: ``on`` goes from 100 to 70, by 3 % a try, and is told at each tenth."""
    drift = Drift("cheek.above", 100, 250, (20, 120))
    drift.reach = 5
    for piece in range(60):
        assert drift.rests(12_345_678_901 + piece * SECOND // 2) == []
    told = []
    for number in range(40):
        told += drift.tried(200 if number < 8 else 140, (1000 + 3 * number) * SECOND, heard=True)
    assert drift.on == pytest.approx(70)
    moved = [dict(each.figures)["on"] for each in told if each.what == "followed"]
    assert moved == [round(100 * 0.97**4, 1), round(100 * 0.97**8, 1), 70]


def test_all_thresholds_of_a_side_follow_together():
    assert Side(100, 60, 250, follow=(40, 120)).scaled(0.5) == Side(50, 30, 125, follow=(40, 120))


def test_the_log_says_so():
    played = VirtualTime(
        Plan(Music(), Limits(), {"cheek": partial(PressureConditioner, "cheek", PressureSettings(above=SIDE))}, ())
    )
    for t, sample in pressures([(3 + 3 * i, 90 if i % 3 == 2 else 200) for i in range(14)], 50):
        played.give(t, sample)
    near = played.log.named("near")
    assert len(near) == 4
    assert near[0][2]["input"] == "cheek.above"
    assert 0.8 < near[0][2]["reach"] < 1
    assert [fields for _t, _event, fields in played.log.named("drift")] == [
        {"input": "cheek.above", "what": "near-misses", "missed": 3, "of": 10, "on": 100}
    ]


def test_the_profile_gives_the_bounds(tmp_path):
    text = (profile.shipped() / "lark.yaml").read_text()
    path = tmp_path / "lark.yaml"
    path.write_text(text.replace("full: 3 inH2O}", "full: 3 inH2O, follow: {lowest: 0.2 inH2O, highest: 0.6 inH2O}}"))
    made = profile.load(path).plan.inputs["cheek"](itertools.count(1).__next__, Alarm(Timers(), 0))
    assert made.settings.above.follow == pytest.approx((49.8, 149.5), rel=0.01)
    path.write_text(text.replace("full: 3 inH2O}", "full: 3 inH2O, follow: {lowest: 0.6 inH2O, highest: 0.9 inH2O}}"))
    (problem,) = profile.check(path)
    assert "must lie between the bounds" in problem.message
    assert "lowest: 0.25 inH2O, highest: 0.75 inH2O" in problem.hint
