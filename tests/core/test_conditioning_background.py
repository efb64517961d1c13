"""What lies underneath an effort: drift, posture, a steady rhythm; and sensors that say nothing sensible.

Signals are made here from arithmetic with a seed; how often efforts of whole simulated children are heard is measured
by ``tests/benchmarks/hearing.py``. Pressures are pascals, times seconds.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from random import Random

import pytest

from router.core.conditioning.background import SETTLE, Background, Seen
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.rhythm import STEP
from router.core.events import Press, PressureSample, Release, SensorFault
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS, pascal

RATE = 100
ABOVE = Side(on=125, off=75, full=500)


class Sensor:
    """A conditioner, fed with a signal; what it said, with its times."""

    def __init__(self, rate: int = RATE, **settings) -> None:
        self.rate = rate
        self.timers = Timers()
        chosen = PressureSettings(**{"above": ABOVE, **settings})
        self.made = PressureConditioner("cheek", chosen, itertools.count(1).__next__, Alarm(self.timers, 0))
        self.told: list[tuple[float, object]] = []
        self.samples = 0

    def feed(self, seconds: float, signal: Callable[[float], float], seed: int = 1, noise: float = 4.0) -> Sensor:
        random = Random(seed)
        for _ in range(round(seconds * self.rate)):
            t = self.samples / self.rate
            self.samples += 1
            sample = PressureSample("cheek", signal(t) + random.gauss(0, noise))
            self.told += [(t, gesture) for gesture in self.made.handle(sample, round(t * NANOSECONDS))]
        return self

    def presses(self) -> list[float]:
        return [t for t, gesture in self.told if isinstance(gesture, Press)]

    def releases(self) -> list[float]:
        return [t for t, gesture in self.told if isinstance(gesture, Release)]

    def faults(self) -> list[tuple[float, str]]:
        return [(t, gesture.what) for t, gesture in self.told if isinstance(gesture, SensorFault)]


def efforts(*spans: tuple[float, float], height: float = 300) -> Callable[[float], float]:
    """Efforts that rise and fall within a tenth of a second."""

    def at(t: float) -> float:
        return height * max((min(1, max(0, (t - a) / 0.1), max(0, (b - t) / 0.1)) for a, b in spans), default=0)

    return at


def ventilator(height: float, period: float) -> Callable[[float], float]:
    """Rises within a fifth of a second, falls as an exponential does: steep, and far from a sine."""

    def at(t: float) -> float:
        phase = t % period
        return height * (min(1, phase / 0.2) if phase < 0.7 else math.exp(-(phase - 0.7) / 0.25))

    return at


# --- rest ---------------------------------------------------------------------------------------------------------


def test_an_effort_of_half_a_minute_stays_an_effort():
    sensor = Sensor().feed(60, efforts((5, 35)))
    assert sensor.presses() == [pytest.approx(5.05, abs=0.05)]
    assert sensor.releases() == [pytest.approx(34.95, abs=0.05)]


def test_rest_follows_half_an_inch_of_water_a_minute():
    push = efforts(*((at, at + 1) for at in range(10, 290, 7)))
    sensor = Sensor().feed(300, lambda t: 124.5 * t / 60 + push(t))
    assert len(sensor.presses()) == 40
    assert sensor.made.rest == pytest.approx(124.5 * 5, abs=50)


def test_another_posture_below_the_threshold_is_followed():
    """A step of 100 Pa lies between "off" and "on": an effort on top of it must end when the effort does."""
    push = efforts((40, 41))
    sensor = Sensor().feed(60, lambda t: (100 if t > 20 else 0) + push(t))
    assert sensor.presses() == [pytest.approx(40.03, abs=0.05)]
    assert sensor.releases() == [pytest.approx(41, abs=0.05)]


def test_an_effort_longer_than_the_longest_is_let_go_and_said():
    sensor = Sensor(longest=20 * NANOSECONDS, flat=0).feed(60, lambda t: 300 if t > 10 else 0)
    assert sensor.releases() == [pytest.approx(30, abs=0.1)]
    assert [what for _, what in sensor.faults()] == ["longer than the longest effort: this is taken as the rest level"]
    assert sensor.made.rest == pytest.approx(300, abs=5)


def wavering(spans, height=300.0):
    """Held efforts that waver by a twentieth at 2 Hz, as hands do."""
    held = efforts(*spans, height=height)
    return lambda t: held(t) * (1 + 0.05 * math.sin(4 * math.pi * t))


def test_a_step_of_rest_that_stays_flat_is_let_go_within_seconds_and_a_held_effort_that_wavers_is_not():
    sensor = Sensor().feed(60, lambda t: (300 if t > 20 else 0) + efforts((40, 41))(t))
    assert sensor.releases() == [pytest.approx(25, abs=0.3), pytest.approx(41, abs=0.1)]
    assert [what for _, what in sensor.faults()] == [
        "rest has moved by 300 Pa at once and stays there: this is the new rest level"
    ]
    assert Sensor().feed(60, wavering([(20, 50)])).releases() == [pytest.approx(50, abs=0.1)]


PLAYED = [(21.5 + 2.2 * i, 22.5 + 2.2 * i) for i in range(8)]
"""Efforts of a second from the twentieth second on, with no pause of five seconds."""


def stepping(by: float, played=PLAYED, height: float = 300) -> Callable[[float], float]:
    """Rest moves at once after 20 s, and the child plays on."""
    push = efforts(*played, height=height)
    return lambda t: (by if t > 20 else 0) + push(t)


def test_a_child_that_plays_on_after_a_step_of_rest_upward_is_heard_from_the_first_effort_on():
    """The step is an effort as far as one can tell, but each push from there is another one."""
    sensor = Sensor().feed(40, stepping(250))
    assert sensor.presses() == [pytest.approx(20, abs=0.05), *(pytest.approx(a + 0.05, abs=0.05) for a, _ in PLAYED)]
    assert sensor.releases()[0] == pytest.approx(21.55, abs=0.05)
    assert [round(t) for t, _ in sensor.faults()] == [22]
    assert sensor.made.rest == pytest.approx(250, abs=10)


@pytest.mark.parametrize(("by", "misses"), [(-250, 1), (-300, 2)])
def test_a_child_that_plays_on_after_a_step_of_rest_downward_is_heard_after_an_effort_or_two(by, misses):
    """By a whole effort, the first ones reach just the old rest: that may be the child, or rest itself."""
    sensor = Sensor(rhythm=False).feed(40, stepping(by))
    assert sensor.presses() == [pytest.approx(a + 0.05, abs=0.05) for a, _ in PLAYED[misses:]]
    assert sensor.made.rest == pytest.approx(by, abs=10)


def test_a_pressure_that_stays_elsewhere_without_an_effort_is_rest_within_three_seconds_however_it_breathes():
    """Nothing is pressed, so there is nothing to wait for."""
    sensor = Sensor(rhythm=False).feed(40, lambda t: (-250 if t > 20 else 0) + 30 * math.sin(2 * math.pi * t / 4))
    assert [round(t) for t, _ in sensor.faults()] == [23]
    assert sensor.made.rest == pytest.approx(-250, abs=30)


def test_a_firmer_push_on_top_of_a_still_one_is_firm_and_no_step_of_rest():
    sensor = Sensor(above=Side(on=125, off=75, full=500, firm=350)).feed(
        30, lambda t: efforts((20, 24))(t) + efforts((22, 23))(t)
    )
    assert [gesture.source for _, gesture in sensor.told if isinstance(gesture, Press)] == [
        "cheek.above",
        "cheek.above.firm",
    ]
    assert not sensor.faults()


def test_a_puff_that_a_sip_follows_at_once_is_no_step_of_rest():
    """Each is held as still as nothing, and the other side is pressed before the pressure is at rest."""
    sensor = Sensor(below=ABOVE).feed(40, lambda t: 0 if not 20 <= t < 29 else 300 if (t - 20) % 3 < 1.5 else -300)
    assert sensor.presses() == [pytest.approx(20 + 1.5 * i, abs=0.1) for i in range(6)]
    assert not sensor.faults()


def test_two_sips_that_nobody_listens_to_are_no_step_of_rest():
    sensor = Sensor().feed(40, efforts((20, 21.5), (23, 24.5), height=-300))
    assert not sensor.presses()
    assert not sensor.faults()


def test_a_tube_that_is_off_and_on_again_is_told_both_ways_whatever_is_listened_for():
    """Rest at 400 Pa; off at 20 s; on again at 30 s with rest at 650 Pa: a puff is heard two seconds later."""
    sensor = Sensor().feed(45, lambda t: (0 if 20 <= t < 30 else 400 if t < 30 else 650) + efforts((32, 33))(t))
    assert [round(t) for t, _ in sensor.faults()] == [23, 30]
    assert "tube off" in sensor.faults()[0][1]
    assert "tube on again" in sensor.faults()[1][1]
    assert sensor.presses() == [pytest.approx(32.05, abs=0.1)]


def test_a_step_back_over_a_breath_is_noticed_although_the_signal_was_stiller_in_between():
    """Nobody at the tube for half a minute: what moved little then says nothing about how a child rests."""

    def signal(t: float) -> float:
        breath = 15 * math.sin(2 * math.pi * t / 3)
        return -550.0 if 25 <= t < 60 else -330 + breath if t < 25 else -200 + breath

    sensor = Sensor(flat=4 * NANOSECONDS, rhythm=False).feed(80, signal)
    assert [round(t) for t, _ in sensor.faults()] == [28, 64]
    assert sensor.made.rest == pytest.approx(-200, abs=20)


def test_drift_is_carried_on_under_a_long_effort():
    """Half an inch of water a minute, and efforts of ten seconds:
    rest was 20 Pa too low after each, and noise pressed.
    """
    spans = [(at, at + 10) for at in range(40, 160, 14)]
    push = efforts(*spans)
    sensor = Sensor(above=Side(on=26, off=18, full=300), rhythm=False, flat=0).feed(
        165, lambda t: 2.1 * t + push(t), noise=1.0
    )
    late = [t for t in sensor.presses() if t > 30]
    assert late == [pytest.approx(begin, abs=0.1) for begin, _ in spans]


def test_single_readings_far_away_are_outvoted_and_cost_one_reading():
    rng = Random(3)
    bad = {round(rng.uniform(1, 59) * RATE) for _ in range(40)}
    push = efforts((20, 21), (40, 41))

    def signal(t: float) -> float:
        return push(t) + (rng.choice((-1, 1)) * 4000 if round(t * RATE) in bad else 0)

    heard = Sensor(spikes=25_000_000).feed(60, signal).presses()
    plain = Sensor().feed(60, push).presses()
    assert heard == [pytest.approx(t, abs=0.011) for t in plain]
    assert len(Sensor().feed(60, signal).presses()) > 2


def test_started_while_the_child_tries_rest_is_found_all_the_same():
    """The first half second lies within a puff, so that rest looks like a sip: it is let go after five seconds."""
    push = efforts((15, 16))
    sensor = Sensor(below=ABOVE).feed(30, lambda t: (300 if t < 1.5 else 0) + push(t))
    assert sensor.made.rest == pytest.approx(0, abs=5)
    assert sensor.presses()[-1] == pytest.approx(15.05, abs=0.05)
    assert len(sensor.presses()) == 2


@pytest.mark.parametrize("inches", [0.1, 0.5])
def test_the_smallest_thresholds_in_use(inches):
    """A tenth of an inch of water is the finest that is asked for;
    half an inch is ordinary (common practice, no source).
    """
    on = pascal(f"{inches} inH2O")
    side = Side(on, 0.6 * on, 5 * on)
    spans = [(at, at + 0.6) for at in range(5, 115, 5)]
    sensor = Sensor(above=side).feed(120, efforts(*spans, height=1.8 * on), noise=on / 12)
    assert len(sensor.presses()) == len(spans)


# --- rhythm -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("period", [1.0, 1.7, 2.9, 4.2, 5.0])
def test_a_rhythm_alone_plays_nothing_and_its_period_is_found(period):
    """Half the size of an effort and above "on" by itself, from 0.2 to 1 Hz; the first few periods are for learning."""
    sensor = Sensor().feed(60, ventilator(150, period))
    assert [t for t in sensor.presses() if t > 5 * period + 6] == []
    rhythm = sensor.made._background.rhythm
    times = rhythm.period * STEP / NANOSECONDS / period
    assert times == pytest.approx(round(times), abs=0.01)
    assert rhythm.strength > 0.8


@pytest.mark.parametrize("period", [1.0, 1.7, 2.9, 4.2, 5.0])
def test_a_gentle_effort_over_a_rhythm_is_heard_wherever_it_falls(period):
    spans = [(at, at + 0.8) for at in (42 + 5.37 * i for i in range(20))]
    push, under = efforts(*spans), ventilator(150, period)
    sensor = Sensor().feed(155, lambda t: push(t) + under(t))
    late = [t for t in sensor.presses() if t > 41]
    assert late == [pytest.approx(begin, abs=0.15) for begin, _ in spans]


def test_steady_playing_is_never_tuned_out():
    """Efforts as regular as a machine's, for five minutes: every one is heard."""
    for period in (1.0, 2.0, 3.3):
        spans = [(5 + i * period, 5 + i * period + 0.4 * period) for i in range(round(290 / period))]
        sensor = Sensor().feed(300, efforts(*spans))
        assert len(sensor.presses()) == len(spans)


def test_gentle_steady_playing_after_a_rest_is_never_tuned_out():
    """Gentle efforts, as regular as a machine's, but there was rest before them."""
    for period in (2.0, 3.0, 5.0):
        spans = [(period + i * period, period + i * period + 0.6) for i in range(round(110 / period))]
        sensor = Sensor().feed(115, efforts(*spans, height=220))
        assert len(sensor.presses()) == len(spans)


@pytest.mark.parametrize("period", [1.5, 2.0, 3.0])
def test_weak_playing_in_time_is_not_tuned_out(period):
    """A child that tires: with a hand's timing (2 % of the beat), from far too gentle up to half as much again as
    ``on``.

    It rests on one beat of eight. Without what is known of that rest, three of five were not heard at a beat of 1.5 s.
    """
    heard = strong = 0
    for seed in range(3):
        rng = Random(seed)
        beats = [3 + beat * period for beat in range(round(110 / period)) if beat % 8 != 7]
        tries = [(at + rng.gauss(0, 0.02 * period), rng.uniform(0.7, 1.5)) for at in beats]
        pushes = [(at, efforts((at, at + 0.6), height=hard * ABOVE.on)) for at, hard in tries]
        presses = (
            Sensor()
            .feed(115, lambda t, p=pushes: max((push(t) for at, push in p if at <= t < at + 1), default=0))
            .presses()
        )
        clear = [at for at, hard in tries if hard > 1.15]
        strong += len(clear)
        heard += sum(any(at <= press <= at + 0.6 for press in presses) for at in clear)
    assert heard >= 0.97 * strong > 40


def test_a_breath_that_comes_to_an_idle_sensor_is_learned_within_a_minute():
    """Nobody at the sensor for two minutes, then somebody who breathes: what was still before says nothing any more."""
    spans = [(at, at + 1) for at in range(185, 235, 7)]
    push = efforts(*spans)
    sensor = Sensor().feed(240, lambda t: (60 * (1 - math.cos(2 * math.pi * t / 3)) if t > 120 else 0) + push(t))
    assert sensor.made._background._believed > 0.8
    assert [t for t in sensor.presses() if t > 175] == [pytest.approx(at, abs=0.15) for at, _ in spans]


def test_a_gentle_effort_that_was_not_heard_leaves_no_echo():
    """Too gentle to count, once: the rhythm that was learned must not make a press one period later."""
    push, under = efforts((40, 41), height=110), ventilator(150, 3)
    sensor = Sensor().feed(60, lambda t: push(t) + under(t))
    assert [t for t in sensor.presses() if t > 25] == []


def test_without_the_setting_no_rhythm_is_learned():
    sensor = Sensor(rhythm=False).feed(60, ventilator(150, 3))
    assert sensor.made._background.rhythm.period is None


def test_noise_and_drift_are_no_rhythm():
    sensor = Sensor().feed(120, lambda t: 2 * t, noise=20)
    assert sensor.made._background.rhythm.period is None
    assert sensor.presses() == []


@pytest.mark.parametrize("rate", [10, 50, 333, 1000])
def test_the_sensors_rate_makes_no_difference(rate):
    push, under = efforts((30, 31), (40, 41.5)), ventilator(120, 2.5)
    sensor = Sensor(rate).feed(45, lambda t: push(t) + under(t))
    assert [t for t in sensor.presses() if t > 12] == [pytest.approx(30.1, abs=0.1), pytest.approx(40.1, abs=0.1)]


# --- the background by itself -------------------------------------------------------------------------------------


def test_nothing_is_expected_before_it_has_settled():
    background = Background(100, 300, 20 * NANOSECONDS)
    assert background.expect(0) is None
    for step in range(5):
        background.learn(50.0, step * NANOSECONDS // 10, Seen.REST)
    assert background.expect(SETTLE - 1) is None
    assert background.expect(SETTLE) == 50.0


def test_an_effort_is_not_learned():
    background = Background(100, 300, NANOSECONDS)
    for step in range(100):
        background.learn(0.0, step * STEP, Seen.REST)
    background.expect(100 * STEP)
    for step in range(100, 3000):
        background.learn(400.0, step * STEP, Seen.EFFORT)
    assert background.expected == pytest.approx(0.0, abs=1e-9)


def test_a_silent_sensor_is_not_a_resting_one():
    """A sensor that speaks only when something changes: a press, silence of ten seconds, a release."""
    sensor = Sensor()
    for second, value in ((0, 0), (0.2, 1), (0.6, 0), (5, 300), (15, 0), (15.1, 0)):
        sample = PressureSample("cheek", value)
        sensor.told += [(second, g) for g in sensor.made.handle(sample, round(second * NANOSECONDS))]
    assert (sensor.presses(), sensor.releases()) == ([5], [15])
    assert sensor.made.rest == pytest.approx(0, abs=1)


# --- a sensor that says nothing sensible --------------------------------------------------------------------------


def test_a_tube_that_falls_off_is_told_from_a_sip():
    sensor = Sensor(below=ABOVE).feed(40, lambda t: 400 if t < 15 else 0)
    assert sensor.releases() == [pytest.approx(18, abs=0.1)]
    assert "tube off" in sensor.faults()[0][1]


def test_a_frozen_sensor_is_let_go():
    sensor = Sensor().feed(15, lambda _: 0)
    sensor.feed(30, lambda _: 277.0, noise=0)
    assert sensor.presses() == [15]
    assert sensor.releases() == [pytest.approx(17, abs=0.1)]
    assert [what for _, what in sensor.faults()] == ["frozen"]
    sensor.feed(10, lambda _: 0)  # it moves again, and is heard again
    sensor.feed(1, lambda _: 300)
    assert sensor.presses()[-1] == pytest.approx(55, abs=0.05)


def test_a_sensor_without_noise_is_not_frozen():
    sensor = Sensor().feed(60, efforts((5, 35)), noise=0)
    assert sensor.releases() == [pytest.approx(35, abs=0.1)]
    assert sensor.faults() == []


def test_a_saturated_sensor_is_let_go():
    sensor = Sensor(ends=(-1000.0, 1000.0)).feed(20, lambda t: min(1000.0, 5000 if t > 10 else 0), noise=0)
    assert sensor.releases() == [pytest.approx(12, abs=0.05)]
    assert [what for _, what in sensor.faults()] == ["saturated"]


def test_a_moment_without_a_number_is_passed_over_and_longer_is_a_fault():
    push = efforts((10, 20))

    def signal(t: float) -> float:
        return math.nan if 5 <= t < 5.02 or 12 <= t < 12.1 or 14 <= t < 15 else push(t)

    sensor = Sensor().feed(30, signal)
    assert sensor.presses() == [pytest.approx(10.05, abs=0.05), pytest.approx(15, abs=0.05)]
    assert sensor.releases() == [pytest.approx(14.2, abs=0.05), pytest.approx(20, abs=0.05)]
    assert [what for _, what in sensor.faults()] == ["no number"]


# --- a firm press on top ------------------------------------------------------------------------------------------


def test_a_firmer_press_begins_on_top_of_the_first():
    sensor = Sensor(above=Side(125, 75, 500, firm=250)).feed(
        20, lambda t: efforts((5, 7), height=180)(t) + efforts((10, 12), height=400)(t)
    )
    named = [(gesture.source, type(gesture).__name__) for _, gesture in sensor.told]
    assert named == [
        ("cheek.above", "Press"),
        ("cheek.above", "Release"),
        ("cheek.above", "Press"),
        ("cheek.above.firm", "Press"),
        ("cheek.above.firm", "Release"),
        ("cheek.above", "Release"),
    ]
