"""A simulated child at an input of a profile: the same each time."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

from router.core.conditioning.listen import ListenConditioner
from router.core.conditioning.midi import MidiConditioner
from router.core.conditioning.pointer import PointerConditioner, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner
from router.core.timers import Alarm, Timers
from router.devices.inputs.base import Stamped
from router.files.profile import Profile
from router.offline import simulate

SEED = 1


def simulated(loaded: Profile, name: str, until: int) -> Iterator[Stamped]:
    """Samples of one input until a time in nanoseconds."""
    rng = random.Random(f"{SEED} {loaded.child} {name}")  # noqa: S311 - a simulation, not a secret
    conditioner = loaded.plan.inputs[name](itertools.count(1).__next__, Alarm(Timers(), 0))
    match conditioner:
        case PressureConditioner(settings=settings):
            side, sign = (settings.above, 1) if settings.above else (settings.below, -1)
            assert side is not None  # a profile's pressure has at least one side
            pushes = simulate.efforts(rng, until, every=1.5, length=0.7)
            return simulate.pressure(name, pushes, until, rng, low=sign * side.on * 1.4, high=sign * side.full)
        case PointerConditioner(settings=settings):
            return simulate.pointer(name, _visits(rng, settings.grid, until), until, rng)
        case ListenConditioner():
            calls = simulate.efforts(rng, until // 4, every=0.6, length=0.4)  # and then it is quiet, for an answer
            return simulate.keyboard(name, [(effort, 60 + int(12 * rng.random())) for effort in calls])
        case MidiConditioner():
            keys = simulate.efforts(rng, until, every=1.0, length=0.5)
            return simulate.keyboard(name, [(effort, 60 + int(12 * rng.random())) for effort in keys])
        case _:
            return simulate.switch(name, simulate.efforts(rng, until, every=1.1, length=0.6), rng)


def _visits(rng: random.Random, grid: ZoneGrid, until: int) -> list[simulate.Visit]:
    """A walk over the zones, each next to the one before it: a head does not jump."""
    visits: list[simulate.Visit] = []
    column, row = 0, grid.rows - 1
    t = 0
    stay = grid.dwell + 1_100_000_000
    while t + stay < until:
        visits.append(simulate.Visit(t, (column + 0.5) / grid.columns, (row + 0.5) / grid.rows))
        around = ((column - 1, row), (column + 1, row), (column, row - 1), (column, row + 1))
        inside = [(c, r) for c, r in around if 0 <= c < grid.columns and 0 <= r < grid.rows]
        if inside:
            column, row = inside[int(rng.random() * len(inside))]
        t += int(stay * rng.uniform(0.9, 1.3))
    return visits
