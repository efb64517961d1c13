"""Heads at a pointer whose rest drifts, and that writhe, jerk or tremble on their way to what they mean.

``HEADS`` holds the families by name. Frequencies are published, sizes are our choice, in shares of the whole width or
height.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from router.core.events import PointerSample
from router.devices.inputs.base import Stamped
from router.offline.simulate.breaths import BreathRhythm, background
from router.offline.simulate.movements import Pointer, Visit, pointer

RATE = 60


@dataclass(frozen=True, slots=True)
class Head:
    """A head. Sizes in shares of the whole width or height."""

    travel: float = 0.5
    """Seconds from one place to the next."""
    tremor: float = 0.01
    tremor_frequencies: tuple[float, ...] = (2.0, 4.0)
    """Most head tremors and jerks are at about 2 and 4 Hz (J. Neurol. Neurosurg. Psychiatry 42:705, 1979)."""
    writhing: float = 0.0
    """From side to side; a spectrum that peaks at 0.3 to 0.6 Hz (Neilson, same journal 37:171-177, 1974)."""
    jerks: float = 0.0
    """A minute, each of 80 to 200 ms."""
    drift: float = 0.0
    """How far what is seen wanders to and fro from what is meant: a pillow gives, a camera slips. In half a minute to
    two."""


def look(head: Head, visits: Sequence[Visit], until: int, rng: random.Random, name: str = "head") -> Iterator[Stamped]:
    """A head pointer until a time in nanoseconds."""
    times = [i / RATE for i in range(math.ceil(until / 1e9 * RATE) + 1)]
    quiet = Pointer(RATE, head.tremor, head.tremor_frequencies, 0.0, travel=head.travel)
    moves = [[0.0] * len(times) for _axis in (0, 1)]
    for values in moves:
        if head.writhing:
            for i, x in enumerate(
                background(times, BreathRhythm("writhing", head.writhing, rng.uniform(0.3, 0.6)), rng)
            ):
                values[i] += x
        period, phase = rng.uniform(30, 120), rng.uniform(0, math.tau)
        for i, t in enumerate(times):
            values[i] += head.drift * math.sin(math.tau * t / period + phase)
    for _ in range(round(head.jerks * times[-1] / 60)):
        begin, length = rng.uniform(0, times[-1]), rng.uniform(0.08, 0.2)
        far, angle = rng.uniform(0.1, 0.3), rng.uniform(0, math.tau)
        for i in range(math.ceil(begin * RATE), min(len(times), math.ceil((begin + length) * RATE))):
            out = far * math.sin(math.pi * (times[i] - begin) / length)
            moves[0][i] += out * math.cos(angle)
            moves[1][i] += out * math.sin(angle)
    for i, (t, place) in enumerate(pointer(name, visits, until, rng, quiet)):
        if isinstance(place, PointerSample):
            x, y = (min(1.0, max(0.0, at + moves[axis][i])) for axis, at in enumerate((place.x, place.y)))
            yield t, PointerSample(name, round(x, 4), round(y, 4))


def _drifting(rng: random.Random) -> Head:
    return Head(rng.uniform(0.4, 1.2), rng.uniform(0.005, 0.02), drift=rng.uniform(0.02, 0.08))


def _writhing(rng: random.Random) -> Head:
    return Head(rng.uniform(0.4, 1.5), rng.uniform(0.0, 0.01), writhing=rng.uniform(0.06, 0.25))


def _jerking(rng: random.Random) -> Head:
    return Head(rng.uniform(0.3, 0.8), rng.uniform(0.005, 0.03), jerks=rng.uniform(5, 25))


def _trembling(rng: random.Random) -> Head:
    """Cervical dystonia has bands at 0.27, 2.6 and 5.1 Hz (medians: Movement Disorder Society, abstract 28738)."""
    frequencies = rng.choice(((2.0, 4.0), (0.27, 2.61, 5.07)))
    return Head(rng.uniform(0.4, 1.0), rng.uniform(0.03, 0.12), frequencies)


HEADS: Mapping[str, Callable[[random.Random], Head]] = MappingProxyType(
    {
        "drifting head": _drifting,
        "writhing head": _writhing,
        "jerking head": _jerking,
        "trembling head": _trembling,
    }
)
