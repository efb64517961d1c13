"""Recordings made by hand, as if a child had been measured."""

from __future__ import annotations

import io
import random

from router.core.events import Mark, PressureSample
from router.core.units import NANOSECONDS
from router.offline import simulate
from router.records.trace import TraceWriter

SECOND = NANOSECONDS


def push(at: float, height: float, length: float = 1.0, rise: float = 0.1):
    """An effort: up, held, down, in straight lines."""
    return lambda t: height * max(0.0, min(1.0, (t - at) / rise, (at + length - t) / rise))


def cheek(*pushes, seconds=60.0, rate=100, noise=2.0, rest=20.0, marked=True, also=(), seed=1):
    """A recording by hand: 20 s of rest, then efforts, each marked as it begins."""
    rng = random.Random(seed)
    samples = []
    for i in range(int(seconds * rate)):
        t = i / rate
        pascal = 50 + rng.gauss(0, noise) + sum(each(t) for each in (*(push(*one) for one in pushes), *also))
        samples.append((i * SECOND // rate, PressureSample("cheek", round(pascal, 3))))
    marks = [(SECOND, Mark("rest")), (int(rest * SECOND), Mark("end"))]
    marks += [(int(one[0] * SECOND), Mark("Effort ")) for one in pushes]
    return list(simulate.together(samples, marks)) if marked else samples


PUSHES = [(22 + 3.5 * i, 200 + 20 * (i % 3)) for i in range(10)]


def session() -> str:
    text = io.StringIO()
    writer = TraceWriter(text)
    for t, sample in cheek(*PUSHES):
        writer.write(t, sample)
    return text.getvalue()
