"""A ventilator that is set differently after the fit: its rhythm is learned while the child plays, and told.

Breaths are those of ``tests.shared.breaths``; here they come at another rate, or are of another height. Pressures are
pascals, times seconds.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from random import Random

import pytest

from router.core.conditioning.changed import Changed
from router.core.conditioning.pressure import PressureConditioner, PressureSettings
from router.core.events import Press, PressureSample, SensorFault
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from tests.shared.breaths import PERIOD, RATE, SIDE, breath, known, pushes, spans

LEARNED = 55.0
"""Seconds after which a rhythm that was another from the beginning must be known: half a minute, and looks in a row."""


def ventilated(height: float, quicker: float) -> Callable[[float], float]:
    return lambda t: height * breath((t * quicker / PERIOD) % 1.0)


def heard(signal: Callable[[float], float], seconds: float, height: float) -> tuple[list[float], list[str]]:
    """Play a signal over a fitted rhythm of 260 Pa every 2.6 s; return the presses and what was told."""
    settings = PressureSettings(above=SIDE, cycle=known(0.01, height))
    made = PressureConditioner("cheek", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    rng, presses, told = Random(1), [], []
    for i in range(round(seconds * RATE)):
        t = i / RATE
        for gesture in made.handle(PressureSample("cheek", 30 + signal(t) + rng.gauss(0, 3)), round(t * NANOSECONDS)):
            if isinstance(gesture, Press):
                presses.append(t)
            elif isinstance(gesture, SensorFault):
                told.append(gesture.what)
    return presses, told


@pytest.mark.parametrize("quicker", [1.35, 0.7])
def test_a_ventilator_at_another_rate_is_learned_while_the_child_plays_and_told(quicker):
    """Of efforts of 200 Pa over 260; with the fitted rhythm its crests were pressed again and again."""
    meant = spans(120)
    push, under = pushes(meant), ventilated(260, quicker)
    presses, told = heard(lambda t: under(t) + push(t), 120, 260)
    late = [(a, b) for a, b in meant if a > LEARNED]
    assert sum(any(a <= t <= b for t in presses) for a, b in late) >= len(late) - 1
    assert sum(t > LEARNED and not any(a <= t <= b for a, b in meant) for t in presses) <= 1
    assert any(f"every {PERIOD / quicker:.1f} s" in what and "fit again" in what for what in told)


def test_playing_in_time_over_the_known_rhythm_is_never_taken_for_another():
    """An effort every 3.4 s for two minutes, resting for four of every twelve."""
    meant = [(t, t + 1.0) for i in range(34) if i % 4 < 3 for t in [4 + 3.4 * i]]
    push, under = pushes(meant), ventilated(260, 1.0)
    presses, told = heard(lambda t: under(t) + push(t), 120, 260)
    assert not told
    assert sum(any(a <= t <= b for t in presses) for a, b in meant) >= len(meant) - 1


def test_what_stops_now_and_then_is_no_rhythm():
    """Two seconds of every twelve are still: so a child plays, and no ventilator."""
    watch = Changed(known(0.01, 60))
    for i in range(90 * RATE):
        t = i / RATE
        value = 200 * max(0.0, math.sin(2 * math.pi * t / 1.7)) if t % 12 < 9 else 0.0
        assert watch.look(value, round(t * NANOSECONDS)) is None
