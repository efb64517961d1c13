"""Sensors as they are: coarse, slow, late, leaking, with bad contacts."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from dataclasses import dataclass

from router.offline.simulate.movements import ns


@dataclass(frozen=True, slots=True)
class Sensor:
    """A pressure sensor and its line. Pressures in pascals, times in seconds. All of it is our choice, wide."""

    rate: int
    """Samples a second."""
    noise: float
    """Standard deviation."""
    offset: float = 0.0
    drift: float = 0.0
    """Pascals a minute, of rest; on top of it rest wanders to and fro."""
    step: float = 0.0
    """The least difference that it can say; 0: any."""
    reach: float = 10_000.0
    """The largest pressure that it can say, on each side."""
    jitter: float = 0.0
    """How late a sample is read: the mean of an exponential's law, as a share of the time between two."""
    batch: int = 1
    """How many samples come at once (a reader that is busy, a USB packet)."""
    spikes: float = 0.0
    """Single samples a minute that are far away: a bad contact."""
    leak: float = 0.0
    """Time constant with which a leaking tube or pad forgets what presses it; 0: tight."""


def arrivals(sensor: Sensor, seconds: float, rng: random.Random) -> tuple[list[float], list[int]]:
    """When each sample is taken, in seconds, and when it is read, in nanoseconds, never going back."""
    taken = [i / sensor.rate for i in range(round(seconds * sensor.rate))]
    if not sensor.jitter and sensor.batch == 1:
        return taken, [ns(t) for t in taken]
    read: list[float] = []
    for i, t in enumerate(taken):
        last = min(len(taken) - 1, i - i % sensor.batch + sensor.batch - 1)
        late = rng.expovariate(sensor.rate / sensor.jitter) if sensor.jitter and i % sensor.batch == 0 else 0.0
        # Of a batch the first one waits for the last; the others follow at the speed of the line.
        read.append(taken[last] + late if i % sensor.batch == 0 else max(read[-1], t) + 2e-4)
    return taken, [ns(t) for t in itertools.accumulate(read, max)]


def leaked(values: Sequence[float], times: Sequence[float], constant: float) -> list[float]:
    """Return what is left of a pressure in a pad that leaks: a high-pass of the first order."""
    if not constant:
        return list(values)
    passed, found, before, then = values[0], [], values[0], times[0]
    for value, t in zip(values, times, strict=True):
        passed = (passed + value - before) * max(0.0, 1 - (t - then) / constant)
        before, then = value, t
        found.append(passed)
    return found


def reading(sensor: Sensor, pascal: Sequence[float], effort: float, rng: random.Random) -> list[float]:
    """Return what the sensor says of true pressures.

    Noise, spikes of 3 to 30 efforts or to the end of its reach, steps, ends.
    """
    values = []
    for true in pascal:
        value = true + rng.gauss(0, sensor.noise)
        if sensor.spikes and rng.random() < sensor.spikes / 60 / sensor.rate:
            far = sensor.reach if rng.random() < 0.3 else rng.uniform(3, 30) * effort
            value += rng.choice((-1, 1)) * far
        if sensor.step:
            value = round(value / sensor.step) * sensor.step
        values.append(round(max(-sensor.reach, min(sensor.reach, value)), 3))
    return values
