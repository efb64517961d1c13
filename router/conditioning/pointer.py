"""A head pointer: a grid of zones; staying in one for the dwell time is a press, leaving it the release.

The place is smoothed by a 1-euro filter (Casiez, Roussel, Vogel, CHI 2012): strong when the head is still, weak
when it moves. Around the zone the pointer is in lies a margin, a share of the zone's size, that must be crossed to
leave it, so that tremor at a border does not flutter between two zones.

    state      place enters a zone       dwell over            place leaves the zone
    nowhere    -> dwelling               -                     -
    dwelling   -                         -> in, gives press    -> dwelling in the next
    in         -                         -                     gives release, -> dwelling in the next
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass

from router.conditioning.base import Conditioner, Gestures
from router.events import Gesture, Level, PointerSample, Press, Release
from router.timers import Alarm
from router.units import NANOSECONDS


@dataclass(frozen=True, slots=True)
class Grid:
    """Zones in reading order; ``margin`` is a share of a zone's width and height, ``dwell`` in nanoseconds."""

    columns: int = 4
    rows: int = 1
    margin: float = 0.1
    dwell: int = NANOSECONDS

    @property
    def zones(self) -> int:
        return self.columns * self.rows


@dataclass(frozen=True, slots=True)
class PointerSettings:
    """``min_cutoff`` in Hz and ``beta`` of the 1-euro filter; None: not smoothed. ``levels``: as for pressure."""

    grid: Grid = Grid()
    min_cutoff: float | None = 1.0
    beta: float = 0.02
    levels: frozenset[str] = frozenset()


class OneEuro:
    """The 1-euro filter of one coordinate. ``d_cutoff`` is 1 Hz, as published."""

    D_CUTOFF = 1.0

    def __init__(self, min_cutoff: float, beta: float) -> None:
        self._min_cutoff, self._beta = min_cutoff, beta
        self._value: float | None = None
        self._slope = 0.0
        self._time = 0

    def __call__(self, value: float, now: int) -> float:
        """The smoothed value; ``now`` in nanoseconds. The first passes through; time that stands still changes nothing."""
        if self._value is None:
            self._value, self._time = value, now
            return value
        if now <= self._time:
            return self._value
        period = (now - self._time) / NANOSECONDS
        self._time = now
        slope = (value - self._value) / period
        self._slope += self.alpha(self.D_CUTOFF, period) * (slope - self._slope)
        cutoff = self._min_cutoff + self._beta * abs(self._slope)
        self._value += self.alpha(cutoff, period) * (value - self._value)
        return self._value

    @staticmethod
    def alpha(cutoff: float, period: float) -> float:
        """The smoothing factor of a first-order low-pass: cutoff in Hz, period in seconds."""
        return 1.0 / (1.0 + 1.0 / (2.0 * math.pi * cutoff * period))


class PointerConditioner(Conditioner):
    """See the module's docstring."""

    def __init__(self, name: str, settings: PointerSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self._grid = settings.grid
        self.settings = settings
        self._levels = [(axis, f"{name}.{'xy'[axis]}") for axis in (0, 1) if f"{name}.{'xy'[axis]}" in settings.levels]
        self._filters: list[OneEuro] = []
        self._last_level = [0.0, 0.0]
        self._zone: int | None = None
        self._voice: int | None = None
        self._forget()

    def handle(self, sample: PointerSample, now: int) -> Gestures:
        if not (math.isfinite(sample.x) and math.isfinite(sample.y)):
            return ()
        place = [min(1.0, max(0.0, sample.x)), min(1.0, max(0.0, sample.y))]
        if self._filters:
            place = [smooth(value, now) for smooth, value in zip(self._filters, place, strict=True)]
        gestures: list[Gesture] = []
        for axis, source in self._levels:
            if place[axis] != self._last_level[axis]:
                self._last_level[axis] = place[axis]
                gestures.append(Level(source, place[axis]))
        zone = self._zone_at(place[0], place[1])
        if zone != self._zone:
            gestures += self._release()
            self._zone = zone
            self.alarm.at(now + self._grid.dwell)
        return gestures

    def wake(self, now: int, tag: Hashable) -> Gestures:
        self._voice = self.new_voice()
        return (Press(self.name, self._voice, zone=self._zone),)

    def lost(self, now: int) -> Gestures:
        self.alarm.cancel()
        gestures: list[Gesture] = [*self._release()]
        gestures += [Level(source, 0.0) for axis, source in self._levels if self._last_level[axis] != 0.0]
        self._forget()
        return gestures

    def _forget(self) -> None:
        cutoff, beta = self.settings.min_cutoff, self.settings.beta
        self._filters = [] if cutoff is None else [OneEuro(cutoff, beta), OneEuro(cutoff, beta)]
        self._last_level = [0.0, 0.0]
        self._zone = self._voice = None

    def _release(self) -> tuple[Release, ...]:
        voice, self._voice = self._voice, None
        return () if voice is None else (Release(self.name, voice),)

    def _zone_at(self, x: float, y: float) -> int:
        """The zone of a place; the one the pointer is in reaches over its borders by the margin."""
        grid = self._grid
        if self._zone is not None:
            row, column = divmod(self._zone, grid.columns)
            if _within(x * grid.columns, column, grid.margin) and _within(y * grid.rows, row, grid.margin):
                return self._zone
        column = min(int(x * grid.columns), grid.columns - 1)
        row = min(int(y * grid.rows), grid.rows - 1)
        return row * grid.columns + column


def _within(position: float, cell: int, margin: float) -> bool:
    return cell - margin <= position <= cell + 1 + margin
