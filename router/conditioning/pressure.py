"""A pressure sensor: puff, squeeze or bite above rest, sip or suck below it.

Rest is what the sensor reads when nobody tries. It is the median of the first half second (or fixed at 0 Pa), and
then follows slow drift with a time constant, but only while the pressure is within the ``off`` thresholds, so it
never follows an effort. Each side has a threshold to press and a lower one to release: between the two nothing
changes, so noise at the border makes no second press.

    side       |pressure| from rest reaches on     falls below off
    resting    -> effort, gives the press          -
    effort     -                                   -> resting, gives the release

Strength is 0 at ``on`` and 1 at ``full``. By ``rise`` the press is given at once and its strength is where the
pressure would be after ``over`` if it went on rising as it does now; by ``peak`` the press waits for ``over`` and
takes the largest pressure in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from statistics import median

from router.conditioning.base import Conditioner, Gestures
from router.events import Gesture, Level, Press, PressureSample, Release
from router.timers import Alarm
from router.units import NANOSECONDS

SETTLE = NANOSECONDS // 2
"""How long the sensor is watched before the first rest level is known."""


@dataclass(frozen=True, slots=True)
class Side:
    """Thresholds of one side, in pascals from rest, all above 0: ``off`` < ``on`` < ``full``."""

    on: float
    off: float
    full: float


@dataclass(frozen=True, slots=True)
class PressureSettings:
    """``track`` is the time constant with which rest follows drift, in nanoseconds; None: rest is always 0 Pa.

    ``from_peak`` and ``over`` (nanoseconds) say how strength is measured. ``levels`` are the sources (``cheek.above``)
    for which continuous levels are wanted; nobody pays for levels that no part uses.
    """

    above: Side | None = None
    below: Side | None = None
    track: int | None = 20 * NANOSECONDS
    from_peak: bool = False
    over: int = NANOSECONDS // 20
    levels: frozenset[str] = frozenset()


@dataclass(slots=True)
class _SideState:
    source: str
    sign: int
    side: Side
    wants_level: bool
    effort: bool = False
    voice: int | None = None  # None while an effort waits for its peak
    peak: float = 0.0
    level: float = 0.0


@dataclass(slots=True)
class _Rest:
    """The rest level and how it came about."""

    pascal: float | None = None  # None while settling
    since: int | None = None
    seen: list[float] = field(default_factory=list)


class PressureConditioner(Conditioner):
    """See the module's docstring."""

    def __init__(self, name: str, settings: PressureSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self.settings = settings
        self._sides = [
            _SideState(source, sign, side, source in settings.levels)
            for source, sign, side in ((f"{name}.above", 1, settings.above), (f"{name}.below", -1, settings.below))
            if side is not None
        ]
        self._rest = self._fresh_rest()
        self._last: tuple[float, int] | None = None  # the sample before, and its time

    @property
    def rest(self) -> float | None:
        """The rest level in pascals; None until it is known."""
        return self._rest.pascal

    def handle(self, sample: PressureSample, now: int) -> Gestures:
        if not math.isfinite(sample.pascal):
            return ()
        rest = self._rest.pascal
        if rest is None:
            rest = self._settle(sample.pascal, now)
            if rest is None:
                return ()
        pressure = sample.pascal - rest
        gestures: list[Gesture] = []
        for state in self._sides:
            self._side(state, state.sign * pressure, now, gestures)
        track = self.settings.track
        at_rest = all(state.sign * pressure < state.side.off for state in self._sides)
        if at_rest and track is not None and self._last is not None:
            # With one side only, a pull far to the other is no drift either: it counts as far as "off" and no further.
            reach = max(state.side.off for state in self._sides)
            drift = min(reach, max(-reach, pressure))
            self._rest.pascal = rest - drift * math.expm1((self._last[1] - now) / track)
        self._last = (sample.pascal, now)
        return gestures

    def wake(self, now: int, tag: Hashable) -> Gestures:
        state = next(state for state in self._sides if state.source == tag)
        return self._press(state, state.peak)

    def lost(self, now: int) -> Gestures:
        gestures: list[Gesture] = []
        for state in self._sides:
            if state.effort and state.voice is None:  # no press out of a sensor that has gone
                self.alarm.cancel(state.source)
                state.effort = False
            self._end(state, gestures)
            self._level(state, 0.0, gestures)
        self._rest, self._last = self._fresh_rest(), None
        return gestures

    def _fresh_rest(self) -> _Rest:
        return _Rest(pascal=0.0 if self.settings.track is None else None)

    def _settle(self, pascal: float, now: int) -> float | None:
        rest = self._rest
        if rest.since is None:
            rest.since = now
        if now - rest.since >= SETTLE:  # the present sample is judged by the rest before it, it may be an effort
            rest.pascal = median(rest.seen)
            rest.seen.clear()
        else:
            rest.seen.append(pascal)
        return rest.pascal

    def _side(self, state: _SideState, pressure: float, now: int, gestures: list[Gesture]) -> None:
        side = state.side
        if state.wants_level:
            self._level(state, _unit((pressure - side.off) / (side.full - side.off)), gestures)
        if state.effort:
            state.peak = max(state.peak, pressure)
            if pressure < side.off:
                self._end(state, gestures)
        elif pressure >= side.on:
            state.effort, state.peak = True, pressure
            if self.settings.from_peak:
                self.alarm.at(now + self.settings.over, state.source)
            else:
                gestures += self._press(state, pressure + self._rise(state, pressure, now) * self.settings.over)

    def _rise(self, state: _SideState, pressure: float, now: int) -> float:
        """How fast the pressure rises, in pascals a nanosecond, from the last two samples; 0 if it cannot be known."""
        if self._last is None or now <= self._last[1] or self._rest.pascal is None:
            return 0.0
        before = state.sign * (self._last[0] - self._rest.pascal)
        return max(0.0, pressure - before) / (now - self._last[1])

    def _press(self, state: _SideState, reach: float) -> Gestures:
        state.voice = self.new_voice()
        strength = _unit((reach - state.side.on) / (state.side.full - state.side.on))
        return (Press(state.source, state.voice, strength),)

    def _end(self, state: _SideState, gestures: list[Gesture]) -> None:
        if not state.effort:
            return
        state.effort = False
        if state.voice is None:  # over before its peak was asked for: an effort all the same, heard now
            self.alarm.cancel(state.source)
            gestures += self._press(state, state.peak)
        if state.voice is not None:
            gestures.append(Release(state.source, state.voice))
            state.voice = None

    def _level(self, state: _SideState, level: float, gestures: list[Gesture]) -> None:
        if state.wants_level and level != state.level:
            state.level = level
            gestures.append(Level(state.source, level))


def _unit(value: float) -> float:
    return min(1.0, max(0.0, value))
