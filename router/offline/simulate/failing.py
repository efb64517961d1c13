"""Pressure sensors that fail."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from router.core.events import Found, Lost, PressureSample
from router.devices.inputs.base import Stamped

FAULTS = ("saturated", "tube off", "frozen", "no number", "unplugged")


def failing(
    samples: Iterable[Stamped], fault: str, start: int, end: int, *, highest: float = 4000.0
) -> Iterator[Stamped]:
    """Pressure samples of a sensor that fails from ``start`` to ``end`` (nanoseconds) in one of ``FAULTS``.

    ``highest`` is the largest pressure that the sensor can say, in pascals.
    """
    if fault not in FAULTS:
        raise ValueError(f"there is no fault called {fault!r}; there are {', '.join(FAULTS)}")
    held = 0.0
    fails = False
    for t, sample in samples:
        now_fails = start <= t < end
        if fault == "unplugged" and isinstance(sample, PressureSample) and now_fails is not fails:
            yield t, Lost(sample.input) if now_fails else Found(sample.input)
        fails = now_fails
        if not isinstance(sample, PressureSample) or not fails:
            held = sample.pascal if isinstance(sample, PressureSample) else held
            yield t, sample
        elif fault != "unplugged":
            wrong = {"saturated": highest, "tube off": 0.0, "frozen": held, "no number": math.nan}[fault]
            yield t, PressureSample(sample.input, wrong)
