"""Breathing that is not ours, as the background under known efforts: recorded from a person, and of a generator of
others.

    pip install -e '.[benchmarks]'

* *recorded*: ten minutes of a person's breathing, 24,000 samples that the package peakdet carries for its own tests
  (Apache License 2.0). Its rate is not said; at 40 a second it is 11 breaths a minute, and it is played up to 2.5 times
  as fast, as a child breathes. A child is fitted on the first half and scored on the second.
* *generated*: respiration of NeuroKit2 (MIT licence), ``rsp_simulate`` with the method "breathmetrics".

Recorded movement of heads or hands at rest was looked for as well: what packages carry are wrists, legs and trunks of
people who walk or exercise (aeon, seglearn), which is no rest, and ECG and pulse.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import neurokit2
import numpy as np

from router.offline import simulate
from router.offline.simulate import CHILDREN, Child, SimulatedSession

RECORDED_RATE = 40.0
Wave = Callable[[float], float]
"""A pressure by the time in seconds, from trough (0) to crest (1)."""

SIZES = {"small": (0.0, 0.5), "large": (0.9, 1.6)}
ROWS = {
    f"{source} breath, {size}": (0.99, 0.25) if size == "small" else (0.95, 0.5)
    for source in ("recorded", "generated")
    for size in SIZES
}
"""The least share heard, the most false presses a minute."""


class MissingError(RuntimeError):
    """The recording is not installed."""


def recording() -> np.ndarray:
    """The recorded breathing, from trough (0) to crest (1).

    Raises:
        MissingError: peakdet is not installed.
    """
    spec = find_spec("peakdet")
    if spec is None or spec.origin is None:
        raise MissingError("recorded breathing is carried by peakdet: pip install -e '.[benchmarks]'")
    return scaled(np.loadtxt(Path(spec.origin).parent / "tests" / "data" / "RESP.csv"), RECORDED_RATE)


def scaled(values: np.ndarray, rate: float) -> np.ndarray:
    """Values with an ordinary trough at 0 and an ordinary crest at 1:
    the 2nd percentile, and the median of each 8 s' largest.
    """
    low = np.percentile(values, 2)
    tops = [part.max() for part in np.array_split(values, max(1, round(len(values) / rate / 8)))]
    return (values - low) / (np.median(tops) - low)


def pieces(source: str, rng: random.Random, seconds: Sequence[float]) -> list[Wave]:
    """Waves that share nothing, each for so many seconds."""
    if source == "generated":
        rate = rng.uniform(12, 44)  # Fleming et al., Lancet 377:1011, 2011
        made = [
            neurokit2.rsp_simulate(
                duration=int(length) + 1,
                sampling_rate=100,
                respiratory_rate=rate,
                noise=0.0,
                method="breathmetrics",
                random_state=rng.randrange(2**31),
            )
            for length in seconds
        ]
        return [partial(_at, scaled(np.asarray(values), 100.0), 100.0) for values in made]
    values, speed = recording(), rng.uniform(1.0, 2.5)
    halves = np.array_split(values, len(seconds))
    return [partial(_at, half, RECORDED_RATE * speed) for half in halves]


def _at(values: np.ndarray, rate: float, t: float) -> float:
    place = min(t * rate, len(values) - 1.001)
    i = int(place)
    return float(values[i] + (values[i + 1] - values[i]) * (place - i))


def sessions(
    name: str, rng: random.Random, fit_seconds: float, rest: float, seconds: float
) -> tuple[Child, SimulatedSession, SimulatedSession]:
    """A quiet child over breathing that is not ours: the session it is fitted on, and the one it is scored on."""
    source, size = name.split(" breath, ")
    child = replace(CHILDREN["quiet"].draw(rng), rhythm=None)
    height = rng.uniform(*SIZES[size]) * child.muscle.size
    waves = pieces(source, rng, (fit_seconds, seconds))

    def under(wave: Wave, times: Sequence[float]) -> list[float]:
        return [height * wave(t) for t in times]

    guided = simulate.sit(child, fit_seconds, rng, guided=rest, beneath=partial(under, waves[0]))
    return child, guided, simulate.sit(child, seconds, rng, beneath=partial(under, waves[1]))
