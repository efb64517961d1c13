"""The rest level and the rhythm underneath, step by step: figures that follow from the settings, reckoned here by hand.

``test_conditioning_background.py`` plays whole signals to the conditioner; here the two modules are asked alone, in
steps of 20 ms. Every clock starts at a large odd time. Pressures are pascals.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from random import Random

import pytest

from router.core.conditioning.background import Background, Seen
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.rhythm import Rhythm, Stillness
from router.core.events import Press, PressureSample, Release, SensorFault
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS

START = 86_399_987_654_321
ON, OFF, GENTLE = 100.0, 60.0, 300.0
STEP = NANOSECONDS // 50
SETTLE, GAP = NANOSECONDS // 2, NANOSECONDS // 4
TRUST, POSTURE, SHORTEST_PERIOD, FLANK = (
    75,
    150,
    42,
    8,
)  # steps; written anew, so that a figure that is changed is noticed
EDGE = 10.0
"""A tenth of ``ON``."""
FIRST = 1 - 0.02 / 0.7
"""What is left of a distance from rest after one of the first steps of 20 ms: rest is learned within 0.7 s."""


class Stepped:
    """A background that has settled, at 0 if nothing is said, and is then given one value every step."""

    def __init__(self, track: float = 20, *, rhythm: bool = True, level: float = 0.0) -> None:
        self.made = Background(ON, GENTLE, round(track * NANOSECONDS), rhythm=rhythm)
        self.now = START
        self.made.learn(level, START, Seen.REST)
        self.now += SETTLE
        assert self.made.expect(self.now) == level
        self.made.learn(level, self.now, Seen.REST)

    def learn(self, value: float, steps: int = 1, seen: Seen = Seen.REST) -> float:
        """Give the same value for so many steps; return what is expected then."""
        for _ in range(steps):
            self.now += STEP
            self.made.learn(value, self.now, seen)
        assert self.made.expected is not None
        return self.made.expected

    def judged(self, seconds: float, signal: Callable[[float], float]) -> list[float]:
        """A signal, in seconds from the start, judged as the thresholds do; when efforts began."""
        began, busy = [], False
        for _ in range(round(seconds * NANOSECONDS / STEP)):
            self.now += STEP
            t = (self.now - START) / NANOSECONDS
            rest = self.made.expect(self.now)
            assert rest is not None
            beyond = signal(t) - rest
            was, busy = busy, beyond >= (OFF if busy else ON)
            if busy and not was:
                began.append(t)
            near = Seen.NEAR if abs(beyond) >= OFF else Seen.REST
            self.made.learn(signal(t), self.now, Seen.EFFORT if busy else near)
        return began


# --- rest ---------------------------------------------------------------------------------------------------------


def test_rest_is_trusted_after_its_time_at_rest_and_not_before():
    stepped = Stepped()
    calm = stepped.made._calm
    stepped.learn(0, TRUST - calm - 1)
    assert not stepped.made.trusted
    stepped.learn(300, 200, Seen.EFFORT)  # no effort, however long, makes it trusted
    stepped.learn(70, 20, Seen.NEAR)
    assert not stepped.made.trusted
    stepped.learn(0)
    assert stepped.made.trusted
    stepped.made.restart()
    assert not stepped.made.trusted


def test_a_rest_level_taken_while_the_child_tried_is_let_go_after_five_seconds():
    """The pressure of the room is elsewhere, so that it is no tube that fell off."""
    timers = Timers()
    side = Side(on=125, off=75, full=500)
    settings = PressureSettings(above=side, below=side)
    made = PressureConditioner("cheek", settings, itertools.count(1).__next__, Alarm(timers, 0))
    random, told = Random(1), []
    for sample in range(1000):
        t = sample / 100
        value = (340 if t < 0.7 else 40) + random.gauss(0, 4)
        gestures = made.handle(PressureSample("cheek", value), START + round(t * NANOSECONDS))
        told += [(t, gesture) for gesture in gestures]
    assert [type(gesture) for _, gesture in told] == [Press, Release, SensorFault]
    assert told[1][0] - told[0][0] == pytest.approx(5, abs=0.03)
    assert "this is rest" in told[2][1].what
    assert made.rest == pytest.approx(40, abs=3)


def test_rest_is_learned_quickly_at_first_and_then_ever_more_slowly():
    """Within 0.7 s; then within half of the time that has passed; at last within ``track``, here 2 s."""
    stepped = Stepped(track=2, rhythm=False)
    steps = stepped.made._steps
    left = 10 - stepped.learn(10, 70 - steps)
    assert left == pytest.approx(10 * FIRST ** (70 - steps))  # 70 steps are 1.4 s
    slower = 10 - stepped.learn(10, 130)
    assert slower == pytest.approx(left * 70 * 69 / (200 * 199))  # each step n leaves (n - 2) / n
    slowest = 10 - stepped.learn(10, 300)
    assert slowest == pytest.approx(slower * (1 - 0.02 / 2) ** 300)


def test_half_a_second_is_watched_first_and_again_after_a_restart():
    background = Background(ON, GENTLE, 20 * NANOSECONDS)
    for begin in (START, 3 * START):
        background.restart()
        for step in range(20):
            background.learn(50.0, begin + step * STEP, Seen.REST)
        assert background.expect(begin + SETTLE - 1) is None
        assert background.expect(begin + SETTLE) == 50


def test_the_last_sample_of_the_settling_is_learned_from_too():
    background = Background(ON, GENTLE, 20 * NANOSECONDS, rhythm=False)
    for step in range(25):
        background.learn(30.0 if step == 24 else 0.0, START + step * STEP, Seen.REST)
    assert background.expect(START + SETTLE) == 0
    background.learn(30.0, START + SETTLE, Seen.REST)
    assert background.expected == pytest.approx(30 * (1 - FIRST**2))


def test_of_what_is_far_off_no_more_than_on_is_learned():
    stepped = Stepped(rhythm=False)
    assert stepped.learn(5000) == pytest.approx(ON * (1 - FIRST))
    stepped = Stepped(rhythm=False)
    assert stepped.learn(-5000) == pytest.approx(-ON * (1 - FIRST))


def test_what_is_near_an_effort_is_followed_when_it_lasts():
    stepped, lasts = Stepped(rhythm=False), POSTURE
    assert stepped.learn(70, lasts, Seen.NEAR) == 0
    assert stepped.learn(300, 1, Seen.EFFORT) == 0  # which begins the time anew
    assert stepped.learn(70, lasts, Seen.NEAR) == 0
    assert stepped.learn(70, 1, Seen.NEAR) > 0


# --- an effort's rise and fall ------------------------------------------------------------------------------------


def test_an_efforts_fall_belongs_to_it():
    stepped = Stepped(rhythm=False)
    stepped.learn(0, SHORTEST_PERIOD)
    stepped.learn(300, 10, Seen.EFFORT)
    assert stepped.learn(30, FLANK) == 0
    assert stepped.learn(30) > 0  # what stays there is no fall


def test_a_fall_ends_where_rest_begins():
    stepped = Stepped(rhythm=False)
    stepped.learn(0, SHORTEST_PERIOD)
    stepped.learn(300, 10, Seen.EFFORT)
    assert stepped.learn(30, 2) == 0
    at_the_edge = stepped.learn(EDGE)
    assert at_the_edge > 0
    assert stepped.learn(30) > at_the_edge


def test_efforts_quicker_than_any_rhythm_have_no_fall():
    """Of a child that sucks: there would be no rest between them."""
    for apart, learned in ((SHORTEST_PERIOD - 1, True), (SHORTEST_PERIOD, False)):
        stepped = Stepped(rhythm=False)
        stepped.learn(0, SHORTEST_PERIOD)
        stepped.learn(300, 10, Seen.EFFORT)
        stepped.learn(0, apart - 10)
        stepped.learn(300, 10, Seen.EFFORT)
        assert (stepped.learn(30) > 0) is learned


@pytest.mark.parametrize("rise", [1, FLANK, FLANK + 3])
def test_an_efforts_rise_is_taken_back(rise):
    stepped = Stepped()
    before = stepped.learn(0, SHORTEST_PERIOD)
    stepped.learn(30, rise)
    stepped.learn(300, 1, Seen.EFFORT)
    kept = stepped.made._clean
    assert kept[-1 - min(rise, FLANK) : -1] == pytest.approx([before] * min(rise, FLANK), abs=8)
    assert max(kept[-1 - min(rise, FLANK) : -1]) < EDGE
    assert [round(value) for value in kept[-1 - rise : -1 - min(rise, FLANK)]] == [30] * (rise - min(rise, FLANK))
    assert stepped.made._sums == pytest.approx([0.0, *itertools.accumulate(kept)])


# --- a sensor's times ---------------------------------------------------------------------------------------------


def test_a_slow_sensor_is_a_straight_line_between_its_samples():
    slow, quick = Stepped(rhythm=False), Stepped(rhythm=False)
    for step in range(1, 121):
        quick.now += STEP
        quick.made.learn(step / 4, quick.now, Seen.REST)
        if step % 5 == 0:
            slow.now += 5 * STEP
            slow.made.learn(step / 4, slow.now, Seen.REST)
    assert slow.made.expected == pytest.approx(quick.made.expected)
    assert slow.made._raw == pytest.approx(quick.made._raw)


def test_two_samples_of_one_moment_are_no_line():
    background = Background(ON, GENTLE, 20 * NANOSECONDS)
    background.learn(5.0, START, Seen.REST)
    background.expect(START + SETTLE)
    background.learn(6.0, START, Seen.REST)
    assert background._raw == [6.0]


def test_from_rest_to_an_effort_there_is_no_line():
    stepped = Stepped()
    stepped.now += 4 * STEP
    stepped.made.learn(300, stepped.now, Seen.EFFORT)
    stepped.now += 4 * STEP
    stepped.made.learn(0, stepped.now, Seen.REST)
    assert stepped.made._raw[-8:] == [300] * 4 + [0] * 4


@pytest.mark.parametrize("seen", [Seen.REST, Seen.EFFORT])
def test_a_long_silence_is_what_was_expected(seen):
    stepped = Stepped(rhythm=False)
    had = stepped.made._calm
    stepped.learn(0)
    stepped.now += 2 * GAP
    stepped.made.learn(20, stepped.now, seen)
    assert stepped.made._raw[-25:] == [0] * 24 + [20]
    assert stepped.made._calm == had + (26 if seen is Seen.REST else 1)
    stepped = Stepped(rhythm=False)
    stepped.now += GAP
    stepped.made.learn(20, stepped.now, seen)
    assert stepped.made._raw[-1] == pytest.approx(20 if seen is Seen.EFFORT else 20 * 0.24 / 0.25)


def test_a_silence_of_a_day_costs_no_more_than_what_is_kept():
    stepped = Stepped()
    stepped.now += 86_400 * NANOSECONDS
    stepped.made.learn(0, stepped.now, Seen.REST)
    assert stepped.made._steps < 2100
    assert stepped.learn(10) > 0  # and it goes on from there


def test_what_is_kept_is_bounded():
    stepped = Stepped()
    stepped.judged(100, lambda t: 60 * math.sin(2 * math.pi * t / 3))
    made = stepped.made
    assert 2048 <= len(made._clean) <= 4096
    assert len(made._clean) == len(made._raw) == len(made._busy) == len(made._sums) - 1
    assert stepped.judged(20, lambda t: 60 * math.sin(2 * math.pi * t / 3)) == []
    assert made.rhythm.period == pytest.approx(150, rel=0.01)


# --- a rhythm underneath ------------------------------------------------------------------------------------------


def test_a_rhythm_is_learned_if_nothing_else_is_said():
    background = Background(ON, GENTLE, 20 * NANOSECONDS)
    for step in range(1500):
        now = START + step * STEP
        background.expect(now)
        background.learn(40 * math.sin(2 * math.pi * step / 100), now, Seen.REST)
    assert background.rhythm.period == pytest.approx(100, rel=0.01)


@pytest.mark.parametrize("period", [1.0, 2.3, 5.0])
def test_what_is_expected_follows_a_rhythm(period):
    """A sine of 50 Pa about 20: expected to within a few pascals, step by step."""
    stepped = Stepped()

    def signal(t: float) -> float:
        return 20 + 50 * math.sin(2 * math.pi * t / period)

    assert stepped.judged(max(20, 8 * period), signal) == []
    apart = []
    for _ in range(300):
        expected = stepped.made.expect(stepped.now + STEP)
        stepped.judged(0.02, signal)
        apart.append(signal((stepped.now - START) / NANOSECONDS) - expected)
    assert max(map(abs, apart)) < 6


def test_one_odd_period_is_not_expected_again():
    """A bump in one of four periods, of 35 Pa: a period later a third of it is expected at most."""
    plain, bumped = Stepped(), Stepped()

    def signal(t: float) -> float:
        return 40 * math.sin(math.pi * t)

    plain.judged(32, signal)
    bumped.judged(32, lambda t: signal(t) + (35 if 31.35 < t < 31.65 else 0))
    for _ in range(90):
        plain.judged(0.02, signal)
        bumped.judged(0.02, signal)
        assert bumped.made.expected == pytest.approx(plain.made.expected, abs=12)


def test_of_a_rhythm_no_more_is_believed_than_the_stillest_stretch_moved():
    """Gentle playing in time, with a rest now and then, is no rhythm underneath."""
    stepped = Stepped()

    def playing(t: float) -> float:
        return 0 if t % 16 < 4 else 45 * (1 - math.cos(math.pi * t))

    stepped.judged(60, playing)
    assert stepped.made._believe() == pytest.approx(0, abs=0.05)
    assert abs(stepped.made.expected) < 30
    breathing = Stepped()
    breathing.judged(60, lambda t: 45 * (1 - math.cos(math.pi * t)))
    assert breathing.made._believe() > 0.9


def test_during_an_effort_the_mean_stays_where_it_was():
    """The rhythm's shape goes on underneath a long effort, and what is expected is not drawn along."""
    stepped = Stepped()
    stepped.judged(30, lambda t: 40 * math.sin(math.pi * t))
    began = stepped.judged(6, lambda t: 300 + 40 * math.sin(math.pi * t))
    assert len(began) == 1
    t = (stepped.now + STEP - START) / NANOSECONDS
    assert stepped.made.expected == pytest.approx(40 * math.sin(math.pi * t), abs=8)


def mechanical(height: float, period: float) -> Callable[[float], float]:
    """Up for 0.6 s of each period, as exactly as a machine."""
    return lambda t: height * min(1.0, max(0.0, 10 * (0.6 - t % period)), 10 * (t % period))


@pytest.mark.parametrize("level", [0, 200, -900])
def test_a_machines_rhythm_beyond_on_is_learned_within_twelve_periods(level):
    stepped, shape = Stepped(level=level), mechanical(150, 2)
    began = stepped.judged(60, lambda t: level + shape(t))
    assert began
    assert 8 <= max(began) < 24
    assert stepped.made._rest == pytest.approx(level + 37.5, abs=8)  # the mean of a period: 150 for a quarter of it
    assert stepped.made._busy.count(True) < 20


def test_what_moved_by_half_of_on_at_the_beginning_was_there():
    stepped, large, small = Stepped(), mechanical(150, 2), mechanical(ON / 2, 2)
    began = stepped.judged(60, lambda t: small(t + 1) if t < 2 else large(t + 1))
    assert 8 <= max(began) < 28


def test_the_finder_hears_a_step_once_it_can_be_taken_back_no_more():
    stepped = Stepped()
    stepped.learn(0, 100)
    assert stepped.made.rhythm._count == stepped.made._unfiltered._count == stepped.made._steps - FLANK


@pytest.mark.parametrize("why", ["too strong", "not there at the beginning", "no rhythm wanted", "a hand's"])
def test_what_only_looks_like_a_machines_rhythm_is_played(why):
    stepped = Stepped(rhythm=why != "no rhythm wanted")
    random = Random(2)
    offsets = [random.gauss(0, 0.1) if why == "a hand's" else 0.0 for _ in range(40)]
    height, begin = GENTLE + 20 if why == "too strong" else 150, 2 if why.startswith("not") else 0
    shape = mechanical(height, 2)
    began = stepped.judged(60, lambda t: shape(t + offsets[int(t / 2)]) if t >= begin else 0)
    assert len(began) >= (57 - begin) / 2
    assert max(began) > 57


# --- the finder of rhythms ----------------------------------------------------------------------------------------


def found(period: float, seconds: float = 40, noise: float = 0, height: float = 1.0) -> Rhythm:
    """What is found in a sine, its period in seconds."""
    rhythm, random = Rhythm(), Random(3)
    for step in range(round(seconds * 50)):
        rhythm.add(height * math.sin(2 * math.pi * step / 50 / period) + random.gauss(0, noise))
    return rhythm


@pytest.mark.parametrize("period", [1.03, 1.61, 2.5, 3.37, 4.4, 5.1])
def test_a_period_is_found_between_its_lags(period):
    rhythm = found(period)
    assert rhythm.period == pytest.approx(50 * period, rel=0.002)
    assert rhythm.strength == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("period", [0.45, 0.6, 0.75, 6.5, 9])
def test_what_is_faster_or_slower_is_no_rhythm(period):
    assert found(period).period is None


@pytest.mark.parametrize("seconds", [40, 60, 80])
def test_strength_is_the_share_of_the_rhythm_in_the_signal(seconds):
    """The correlation of a signal with itself a period before: the rhythm's variance against the whole's."""
    assert found(2, seconds, noise=0.5).strength == pytest.approx(0.5 / (0.5 + 0.25), abs=0.09)


def test_a_rhythm_that_the_noise_hides_is_none():
    rhythm = found(2, 60, noise=3)
    assert (rhythm.period, rhythm.strength) == (None, 0.0)


@pytest.mark.parametrize("seed", range(8))
def test_noise_alone_has_no_rhythm(seed):
    rhythm, random = Rhythm(), Random(seed)
    for _ in range(1500):
        rhythm.add(random.gauss(0, 1))
    assert (rhythm.period, rhythm.strength) == (None, 0.0)


def test_a_still_signal_has_no_rhythm():
    rhythm = Rhythm()
    for _ in range(2000):
        rhythm.add(0.0)
    assert (rhythm.period, rhythm.strength) == (None, 0.0)


def test_a_mean_that_is_not_0_makes_no_difference():
    rhythm = Rhythm()
    for step in range(2000):
        rhythm.add(1000 + math.sin(2 * math.pi * step / 125))
    assert rhythm.period == pytest.approx(125, rel=0.005)


def test_a_new_rhythm_takes_the_place_of_the_old_one():
    rhythm = found(2, 60)
    for step in range(50 * 40):
        rhythm.add(math.sin(2 * math.pi * step / 155))
    assert rhythm.period == pytest.approx(155, rel=0.02)


def test_what_was_is_forgotten_within_fourteen_seconds():
    """Of what was seen 14 s ago 1/e counts: so of a rhythm
    that grew threefold the differences are the new one's soon.
    """
    rhythm = Rhythm()
    for step in range(3 * 1000):
        rhythm.add(float(step % 6 == 2))
    spread = rhythm._spread
    for _ in range(700):
        rhythm.add(rhythm._mean)
    assert rhythm._spread == pytest.approx(spread / math.e, rel=0.01)


# --- stillness ----------------------------------------------------------------------------------------------------


def climbing(steps: int, slope: float = 1.0) -> Stillness:
    still = Stillness()
    for step in range(steps):
        still.add(slope * step, effort=False)
    return still


def test_stillness_is_how_far_the_means_of_a_tenth_of_a_second_lie_apart():
    """A climb of 1 Pa a step: 8 blocks of 5 steps lie 35 Pa apart, each one more 5 Pa more."""
    still = climbing(400)
    moved = [still.least(steps) for steps in (1, 44, 45, 99, 100, 260, 9999)]
    assert moved == pytest.approx([35, 35, 40, 90, 95, 255, 255])


def test_nothing_is_known_of_a_stretch_that_was_not_seen():
    assert climbing(39).least(40) is None
    assert climbing(40).least(40) == pytest.approx(35)
    assert climbing(40).least(45) is None


def test_an_effort_ends_a_stretch_and_what_was_known_stays():
    still = climbing(43)
    still.add(9999, effort=True)
    for _ in range(39):
        still.add(7.0, effort=False)
    assert still.least(40) == pytest.approx(35)
    still.add(7.0, effort=False)
    assert still.least(40) == pytest.approx(0)


def test_a_still_stretch_is_forgotten_after_fifteen_seconds():
    still = climbing(40, slope=0)
    for step in range(150 * 5):
        assert still.least(40) == 0
        still.add(100.0 * step, effort=False)
    assert still.least(40) > 0
