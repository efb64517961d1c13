"""Simulated children at an input of a profile: one that plays by itself, and one that does what is asked of it.

The first is the same each time. The second is for trying measuring out, and for tests: what lies under its efforts
(breath, drift, tremor) goes on all the time, and an effort begins a moment after it was asked for and is brought to its
end.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from router.core.conditioning.listen import ListenConditioner
from router.core.conditioning.midi import MidiConditioner
from router.core.conditioning.pointer import PointerConditioner, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner
from router.core.events import PointerSample, PressureSample, SwitchSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Input, Stamped
from router.files.profile import Profile
from router.offline import simulate
from router.system import clock

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


# --- one that does what is asked of it ---------------------------------------------------------------------------

SECONDS = 300
"""After so long the same efforts come again, and what lies under them goes back the way it came."""
EVERY = 3.5
"""Seconds from one effort to the next."""

Asked = Callable[[], int]
"""How many efforts have been asked of the child so far; it does one for each."""


class Practice(Input):
    """The child at the device of an input. It has no descriptor: time alone brings its samples."""

    def __init__(self, loaded: Profile, name: str, asked: Asked) -> None:
        self.inputs = (name,)
        self.description = "a simulated child"
        self._samples = child(loaded, name, asked)
        self._begun = clock.now()
        self._next = next(self._samples)

    def fileno(self) -> int:
        return -1

    def read(self, now: int) -> list[Stamped]:
        return []

    def deadline(self) -> int:
        return self._begun + self._next[0]

    def wake(self, now: int) -> list[Stamped]:
        due: list[Stamped] = []
        while self.deadline() <= now:
            t, sample = self._next
            due.append((self._begun + t, sample))
            self._next = next(self._samples)
        return due

    def close(self) -> None:
        """There is nothing to give back."""


def child(loaded: Profile, name: str, asked: Asked, seed: int = 1) -> Iterator[Stamped]:
    """Samples of an input without end, in nanoseconds from now on; ``asked`` is looked at as they are taken."""
    rng = random.Random(f"{seed} {loaded.child} {name}")  # noqa: S311 - a simulation, not a secret
    conditioner = loaded.plan.inputs[name](itertools.count(1).__next__, Alarm(Timers(), 0))
    if isinstance(conditioner, PressureConditioner):
        sides = tuple(s for s, side in ((1, conditioner.settings.above), (-1, conditioner.settings.below)) if side)
        return _pressure(name, rng, sides, asked)
    if isinstance(conditioner, PointerConditioner):
        return _pointer(name, rng, conditioner.settings.grid, asked)
    return _switch(name, rng, asked)


def _pressure(name: str, rng: random.Random, sides: tuple[int, ...], asked: Asked) -> Iterator[Stamped]:
    drawn = simulate.draw("breathing", "ordinary", rng)
    drawn = replace(drawn, rate=100, sides=sides, pause=(1.5, 2.0), hold=(0.3, 0.9))
    calm = simulate.session(replace(drawn, pause=(1e9, 1e9)), SECONDS, rng, name=name).samples
    tries = simulate.session(drawn, SECONDS, rng, name=name)
    places = [
        (_place(effort.start, drawn.rate) - _late(rng, drawn.rate), _place(effort.end, drawn.rate) + 2)
        for effort in tries.efforts
    ]
    for i, place in enumerate(_on_request(places, asked)):
        under = calm[_there_and_back(i, len(calm))][1]
        assert isinstance(under, PressureSample)  # a session of a pressure holds nothing else
        more = 0.0 if place is None else tries.ideal[place][1]
        yield i * NANOSECONDS // drawn.rate, PressureSample(name, round(under.pascal + more, 2))


def _pointer(name: str, rng: random.Random, grid: ZoneGrid, asked: Asked) -> Iterator[Stamped]:
    until, middle, rate = SECONDS * NANOSECONDS, simulate.Visit(0, 0.5, 0.5), simulate.Pointer().rate
    visits = [simulate.Visit(0, 0.5, 0.5)]
    zone = -1
    for i in range(1, int(SECONDS / EVERY)):
        zone = rng.choice([other for other in range(grid.zones) if other != zone] or [0])
        row, column = divmod(zone, grid.columns)
        visits.append(
            simulate.Visit(round(i * EVERY * NANOSECONDS), (column + 0.5) / grid.columns, (row + 0.5) / grid.rows)
        )
    tremor = list(simulate.pointer(name, [middle], until, rng))
    quiet = list(simulate.pointer(name, visits, until, rng, simulate.Pointer(tremor=0.0, sway=0.0)))
    starts = [_place(visit.start, rate) for visit in visits]
    places = [(start - _late(rng, rate), start + rate) for start in starts[1:]]
    last = 0
    for i, place in enumerate(_on_request(places, asked)):
        last = last if place is None else place  # it stays where it came to
        shake, here = tremor[_there_and_back(i, len(tremor))][1], quiet[last][1]
        assert isinstance(shake, PointerSample)  # a pointer gives nothing else
        assert isinstance(here, PointerSample)  # as above
        x, y = (min(1.0, max(0.0, a + b - 0.5)) for a, b in ((here.x, shake.x), (here.y, shake.y)))
        yield i * NANOSECONDS // rate, PointerSample(name, round(x, 4), round(y, 4))


def _switch(name: str, rng: random.Random, asked: Asked) -> Iterator[Stamped]:
    """A switch that is read a thousand times a second, as some are on a serial line; only changes are given."""
    rate = 1000
    presses = simulate.efforts(rng, SECONDS * NANOSECONDS, every=EVERY, length=0.5)
    edges = sorted(simulate.switch(name, presses, rng), key=lambda stamped: stamped[0])
    at = {_place(t, rate): sample for t, sample in edges}  # of two within a millisecond the last counts
    places = [
        (_place(p.start, rate) - _late(rng, rate), _place(p.start + p.length, rate) + rate // 10) for p in presses
    ]
    for i, place in enumerate(_on_request(places, asked)):
        t = i * NANOSECONDS // rate
        if place in at:
            yield t, at[place]
        elif i % 50 == 0 and place is None:  # nothing new, but whoever waits for us goes on
            yield t, SwitchSample(name, False)


def _on_request(places: Sequence[tuple[int, int]], asked: Asked) -> Iterator[int | None]:
    """Sample by sample, the place within the effort that is being done; None: at rest."""
    for done, (first, last) in enumerate(itertools.cycle(places)):
        while asked() <= done:
            yield None
        yield from range(first, last)


def _there_and_back(i: int, count: int) -> int:
    """The place of step ``i`` for whoever walks to and fro over ``count`` places.

    No two steps are further apart than neighbours.
    """
    i %= 2 * count - 2
    return min(i, 2 * count - 2 - i)


def _place(t: int, rate: int) -> int:
    return t * rate // NANOSECONDS


def _late(rng: random.Random, rate: int) -> int:
    """The number of samples from being asked to the effort."""
    return round(rng.uniform(0.2, 0.7) * rate)
