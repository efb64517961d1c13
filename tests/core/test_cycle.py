"""A rhythm that is known from the rest before: taken out however large it is, and never to the harm of a child without
it.

The breaths are those of ``tests.shared.breaths``. Pressures are pascals, times seconds.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from random import Random

import pytest

from router.core.conditioning.cycle import Cycle, KnownRhythm
from router.core.conditioning.pressure import PressureConditioner, PressureSettings
from router.core.events import Press, PressureSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from tests.shared.breaths import EFFORT, RATE, SIDE, breathing, known, pushes, spans


def presses(
    signal: Callable[[float], float],
    seconds: float,
    cycle: Cycle | None = None,
    seed: int = 1,
    settings: PressureSettings | None = None,
) -> list[float]:
    settings = settings or PressureSettings(above=SIDE, cycle=cycle)
    made = PressureConditioner("cheek", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    rng, heard = Random(seed), []
    for i in range(round(seconds * RATE)):
        t = i / RATE
        sample = PressureSample("cheek", 30 + signal(t) + rng.gauss(0, 3))
        heard += [t for g in made.handle(sample, round(t * NANOSECONDS)) if isinstance(g, Press)]
    return heard


def judged(heard: Sequence[float], meant: Sequence[tuple[float, float]]) -> tuple[int, int]:
    """How many efforts were missed, and how many presses were false, from the third second on."""
    found = [sum(a <= t <= b for t in heard) for a, b in meant]
    return found.count(0), sum(t > 3 for t in heard) - sum(count > 0 for count in found)


def test_a_rhythm_larger_than_an_effort_is_taken_out_from_the_first_breaths_on():
    """1.3 efforts from crest to trough. Learned only while playing, its crests were efforts
    and it was never believed.
    """
    meant, under = spans(90), breathing(1, 0.01, 90)
    push = pushes(meant)
    missed, false = judged(presses(lambda t: under(t) + push(t), 90, known(0.01)), meant)
    assert (missed, false) == (0, 0)
    missed, false = judged(presses(lambda t: under(t) + push(t), 90, None), meant)
    assert missed + false > 5


def test_an_irregular_rhythm_as_large_as_an_effort_hides_few_and_makes_few():
    """Lengths and heights differ by 8 %: where the next breath may begin, an effort must rise beyond it."""
    meant, missed, false = spans(120), 0, 0
    push = pushes(meant)
    for seed in (1, 2):
        under = breathing(seed, 0.08, 120, height=EFFORT)
        one = judged(presses(lambda t, u=under: u(t) + push(t), 120, known(0.08, EFFORT), seed), meant)
        missed, false = missed + one[0], false + one[1]
    assert missed <= 0.05 * 2 * len(meant)
    assert false <= 4


@pytest.mark.parametrize("height", [0.0, 20.0])
def test_a_rhythm_that_is_gone_costs_nothing(height):
    """The ventilator was taken away, or hardly anything is left of it: every effort is heard, and nothing else."""
    meant, under = spans(60), breathing(3, 0.02, 60, height=height)
    push = pushes(meant)
    assert judged(presses(lambda t: under(t) + push(t), 60, known(0.02)), meant) == (0, 0)


def test_what_is_left_is_rest_and_the_effort():
    """A rest of 30 Pa beneath a breath of 260:
    what is left lies within a tenth of an effort, and rises by a whole one.
    """
    removed, under, push = KnownRhythm(known(0.01)), breathing(4, 0.01, 40), pushes([(20, 21.5)])
    left = []
    for i in range(40 * RATE):
        t = i / RATE
        value = removed.without(30 + under(t) + push(t), round(t * NANOSECONDS))
        if value is not None:
            left.append((t, value))
    rest = [value for t, value in left if 8 < t < 19.9]
    assert max(rest) - min(rest) < 0.25 * EFFORT
    assert max(value for t, value in left if 20 <= t <= 21.5) - sum(rest) / len(rest) > 0.85 * EFFORT


def test_a_move_of_rest_moves_what_is_left_and_not_the_rhythm():
    removed, under = KnownRhythm(known(0.01)), breathing(4, 0.01, 40)
    for i in range(15 * RATE):
        removed.without(30 + under(i / RATE), round(i / RATE * NANOSECONDS))
    removed.shift(400)
    left = [removed.without(430 + under(i / RATE), round(i / RATE * NANOSECONDS)) for i in range(15 * RATE, 20 * RATE)]
    assert None not in left
    assert min(left) > 480
    assert max(left) < 580


def test_an_effort_that_lasts_into_the_next_breaths_is_pressed_once():
    """Lengths and heights differ by 12 %. What was surely an effort faded away where a breath might begin, and was
    pressed again with it: five false presses in four minutes.
    """
    false = 0
    for seed in (2, 3):
        meant = spans(120, seed)
        push, under = pushes(meant), breathing(seed, 0.12, 120, height=EFFORT)
        heard = presses(lambda t, u=under, p=push: u(t) + p(t), 120, known(0.12, EFFORT), seed)
        false += judged(heard, meant)[1]
    assert false == 0


def test_what_is_below_rest_where_efforts_are_above_it_is_rest():
    """Rest falls by 150 Pa at 20 s, and its level follows; it was one effort for eight seconds."""
    levels = {}
    for signs in ((1,), (-1, 1)):
        removed, under = KnownRhythm(known(0.05), signs), breathing(4, 0.05, 30)
        for i in range(25 * RATE):
            t = i / RATE
            removed.without(30 + under(t) - (150 if t > 20 else 0), round(t * NANOSECONDS))
        levels[signs] = removed.likeliest(25 * NANOSECONDS)[1]
    assert levels[1,] < levels[-1, 1] - 30


def test_an_effort_that_lasts_when_the_rhythm_is_found_is_not_taken_for_rest():
    """A child who sips at once, from a rest of 300 Pa: rest was taken from the first sip, for the whole session."""
    meant = [(1.55 + 3 * i, 3.75 + 3 * i) for i in range(10)]
    push, under = pushes(meant), breathing(3, 0.05, 34)
    settings = PressureSettings(above=SIDE, below=SIDE, cycle=known(0.05))
    heard = presses(lambda t: 270 + under(t) - push(t), 32, settings=settings)
    assert judged(heard, meant[1:]) == (0, 0)


def test_long_efforts_with_short_pauses_are_no_wrong_level():
    """Held for 3.5 s, half a second apart: after half a minute the rhythm was lost within an effort."""
    removed, under = KnownRhythm(known(0.03)), breathing(4, 0.03, 92)
    push = pushes([(6 + 4 * i, 9.5 + 4 * i) for i in range(20)])
    left = [
        removed.without(30 + under(i / RATE) + push(i / RATE), round(i / RATE * NANOSECONDS)) for i in range(90 * RATE)
    ]
    assert None not in left[5 * RATE :]
