"""A pressure sensor: puff, squeeze or bite above rest, sip or suck below it.

An effort is measured from the pressure expected without one (``background.py``: the rest level, which follows slow
drift, and a steady rhythm underneath). Each side has a threshold to press and a lower one to release:
between the two nothing changes, so noise at the border makes no second press. A side may have a second, firmer
press on top of the first (``cheek.above.firm``).

    side       reaches on               falls below off             lasts for ``longest``
    resting    -> effort, gives press   -                           -
    effort     -                        -> resting, gives release   -> resting, gives release, learns rest anew

Strength is 0 at ``on`` and 1 at ``full``. By ``rise`` the press is given at once and its strength is where the
pressure would be after ``over`` if it went on rising as it does now; by ``peak`` the press waits for ``over`` and
takes the largest pressure in it. With ``accept`` each press waits for that long, its strength is the largest pressure
so far, and an effort that is over before is none: a syllable or the pulse of a cough.

A faulty sensor is told apart from an effort; what it holds is released, and the fault is told once until it is over:

    no number     it sent something that is not a number
    saturated     it has been at an end of its ``range`` for two seconds
    frozen        it has sent the very same value for much longer than its own noise has ever allowed
    tube off      it fell to the pressure of the room, far from its rest level, and stays there without moving; told
                  again when the pressure leaves that of the room, and rest is then found anew
    rest moved    it went to another level and has stayed there for ``flat``, as still as at rest
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace

from router.core.conditioning.background import Background, Seen
from router.core.conditioning.base import Conditioner, Gestures
from router.core.conditioning.changed import Changed
from router.core.conditioning.cycle import Cycle, KnownRhythm
from router.core.conditioning.drift import Drift
from router.core.conditioning.spikes import Spikes
from router.core.events import Gesture, Level, NearMiss, Press, PressureSample, Rejected, Release, SensorFault
from router.core.timers import Alarm
from router.core.units import NANOSECONDS

SLOPE_OVER = 15_000_000
"""The slope of the pressure is measured over one to two of these, in nanoseconds, so that noise does not count."""
NO_NUMBER_AFTER = NANOSECONDS // 5
SATURATED_AFTER = 2 * NANOSECONDS
FROZEN_AFTER = 2 * NANOSECONDS
FROZEN_RUNS = 20
"""A sensor is frozen when a value comes in a row this many times as often as any ever did at rest."""
FROZEN_LEARN = 200
"""Changes of a sensor's value that must have been seen before it can be called frozen."""
TUBE_OFF = "tube off? It fell to the pressure of the room and stays there"
ROOM = 0.15
"""The pressure of the room is nearer to 0 than this share of ``on``."""
MOVED = 0.5
"""A move of rest by less than this share of ``on`` is followed without a word."""
TUBE_OFF_AFTER = 3 * NANOSECONDS
SHORTEST_RISE = 60_000_000
"""Shorter rises are noise and no near-miss. Our choice: the quickest rise of simulated efforts takes longer."""
DOUBTFUL_LONGEST = 5 * NANOSECONDS
"""An effort against a rest level that is not trusted is released after this, and rest is learned again."""


@dataclass(frozen=True, slots=True)
class Side:
    """Thresholds of one side in pascals from rest: 0 < ``off`` < ``on`` < ``full``; ``firm`` from ``on`` to ``full``.

    ``follow``: the lowest and highest that ``on`` may become by itself, the others with it; None: it stays.
    """

    on: float
    off: float
    full: float
    firm: float | None = None
    follow: tuple[float, float] | None = None

    def scaled(self, by: float) -> Side:
        return replace(self, on=by * self.on, off=by * self.off, full=by * self.full)


@dataclass(frozen=True, slots=True)
class PressureSettings:
    """``track`` is the time constant with which rest follows drift, in nanoseconds; None: rest is always 0 Pa.

    ``rhythm``: whether a steady rhythm underneath is learned and taken out. ``from_peak`` and ``over`` (nanoseconds)
    say how strength is measured. ``longest`` (nanoseconds) is the longest effort; None: none. ``ends`` are the lowest
    and highest pressure the sensor can say, in pascals, if known. ``spikes`` (nanoseconds) is the time over which a
    running median is taken; 0: none. ``flat`` (nanoseconds): a pressure away from rest that is as still as rest for so
    long is the new rest; 0: never. ``cycle``: the rhythm underneath, if it is known beforehand. ``levels`` are the
    sources (``cheek.above``) for which continuous levels are wanted; levels that no part uses cost nothing.
    """

    above: Side | None = None
    below: Side | None = None
    track: int | None = 20 * NANOSECONDS
    from_peak: bool = False
    over: int = NANOSECONDS // 20
    levels: frozenset[str] = frozenset()
    rhythm: bool = True
    longest: int | None = 60 * NANOSECONDS
    ends: tuple[float, float] | None = None
    spikes: int = 0
    accept: int = 0
    flat: int = 5 * NANOSECONDS
    cycle: Cycle | None = None


@dataclass(slots=True)
class _SideState:
    source: str
    sign: int
    side: Side
    drift: Drift | None = None  # None for a firm press on top of another
    wants_level: bool = False
    since: int | None = None  # when the present effort began
    voice: int | None = None  # None while an effort waits for its peak
    peak: float = 0.0
    level: float = 0.0
    lowest: float = 0.0  # of the sensor's values during the present effort
    highest: float = 0.0
    rise: float = 0.0  # the largest pressure since it went beyond ``off`` without reaching ``on``; 0: it has not
    rose: int = 0  # when it did


class PressureConditioner(Conditioner):
    """Turns the samples of a pressure sensor into presses and levels."""

    def __init__(self, name: str, settings: PressureSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self.settings = settings
        self._sides: list[_SideState] = []
        self._drifts: list[tuple[int, Drift]] = []
        for word, sign, side in (("above", 1, settings.above), ("below", -1, settings.below)):
            if side is None:
                continue
            source = f"{name}.{word}"
            drift = Drift(source, side.on, side.full, side.follow)
            self._drifts.append((sign, drift))
            self._sides.append(_SideState(source, sign, side, drift, source in settings.levels))
            if side.firm is not None:
                firm = Side(side.firm, max(side.off, 0.8 * side.firm), max(side.full, 1.01 * side.firm))
                self._sides.append(_SideState(f"{source}.firm", sign, firm))
        # Between these two nothing changes: most samples of a sensor at rest need only two comparisons. If a side is
        # not used, pressure on it is no effort, but as strong as a full effort it is no rest level either.
        self._quiet_above = self._quiet_below = 0.0
        self._set_quiet()
        self._on = min(state.side.on for state in self._sides)
        self._gentle = min(state.side.full for state in self._sides) / 2
        self._background = (
            None
            if settings.track is None
            else Background(
                self._on,
                self._gentle,
                settings.track,
                rhythm=settings.rhythm,
                flat=settings.flat,
                signs=sorted({state.sign for state in self._sides}),
                quickly=settings.cycle is None,  # a rhythm as large as an effort stops, sighs and is suctioned
                stacked=any(state.wants_level or state.side.firm is not None for state in self._sides),
            )
        )
        self._health = _Health(settings.ends)
        self._slope = _Slope()
        self._spikes = Spikes(settings.spikes) if settings.spikes else None
        self._signs = sorted({state.sign for state in self._sides})
        cycle = settings.cycle if settings.rhythm else None
        self._known = None if cycle is None else KnownRhythm(cycle, self._signs)
        self._changed = None if cycle is None else Changed(cycle)
        self._busy = False  # an effort lasts, or a level is not back at 0
        self._tube_is_off = False

    @property
    def rest(self) -> float | None:
        """The pressure expected now without an effort, in pascals; None until it is known."""
        return 0.0 if self._background is None else self._background.expected

    def handle(self, sample: PressureSample, now: int) -> Gestures:
        pascal = sample.pascal
        fault = self._health.look(pascal, now, at_rest=not self._busy)
        if fault is not None:
            return [*self._let_go(), SensorFault(self.name, fault)]
        if self._health.fault is not None or not math.isfinite(pascal):
            return ()
        if self._spikes is not None:
            pascal = self._spikes.without(pascal, now)
        raw = pascal
        if self._known is not None:
            left = self._known.without(pascal, now)
            changed = self._changed.look(pascal, now) if self._changed else None
            if changed is not None:
                return self._take(*changed, now)
            if left is None:
                return ()
            pascal = left
            if self._background is not None and self._background.expected is None:
                # What comes first may be an effort, and the level beneath it is known by now.
                self._background.restart(self._known.likeliest(now)[1], now)
        background = self._background
        if self._tube_is_off and background is not None and not self._of_the_room(raw):
            self._tube_is_off = False
            self._restart(background)
            return [*self._let_go(), SensorFault(self.name, "tube on again: rest is found anew")]
        rest = 0.0 if background is None else background.expect(now)
        gestures: list[Gesture] = []
        seen = Seen.REST
        if rest is not None:
            beyond = pascal - rest
            if self._busy or not self._quiet_below < beyond < self._quiet_above:
                seen = self._judge(pascal, beyond, now, gestures)
            else:
                for sign, drift in self._drifts:
                    drift.reach = max(drift.reach, sign * beyond)
                    if now >= drift.due:
                        gestures += drift.rests(now)
            self._slope.add(beyond, now)
        if background is not None:
            background.learn(pascal, now, seen)
            if background.moved is not None:
                gestures += self._rest_has_moved(background, played=background.played)
        return gestures

    def _stands_at(self, state: _SideState, pressure: float) -> float | None:
        """How far rest has moved if an effort begins that is made from where the pressure stood during this one."""
        stands = None if self._background is None else self._background.stands
        if stands is None or state.sign * stands < 0:  # of a press on the other side
            return None
        return stands if pressure - state.sign * stands >= state.side.on else None

    def _moved_by(self, far: float) -> list[Gesture]:
        assert self._background is not None  # it said where the pressure stood
        self._background.move(far)
        return self._rest_has_moved(self._background, played=True)

    def _rest_has_moved(self, background: Background, *, played: bool) -> list[Gesture]:
        """Take the new level for rest, let go of what it held, and say it. ``played``: efforts were made from there."""
        far, was = background.moved or 0.0, background.expected or 0.0
        background.follow_the_move()
        if self._known is not None:
            self._known.shift(far)
        if abs(far) < MOVED * self._on:
            return []
        if not played and abs(was) > self._on and self._of_the_room(was + far):
            self._tube_is_off = True
            why = TUBE_OFF
        else:
            why = f"rest has moved by {far:.0f} Pa at once and stays there: this is the new rest level"
        return [*self._let_go(), SensorFault(self.name, why)]

    def _take(self, cycle: Cycle, level: float, now: int) -> list[Gesture]:
        """Go on with a rhythm that has taken the place of the known one, and say it."""
        self._known, self._changed = KnownRhythm(cycle, self._signs), Changed(cycle)
        self._known.begin(now, level)
        if self._background is not None:
            self._background.restart(level, now)
        why = (
            f"the rhythm underneath has changed: now it repeats every {cycle.period / NANOSECONDS:.1f} s and is"
            f" {cycle.height:.0f} Pa from crest to trough; it was learned anew, fit again"
        )
        return [*self._let_go(), SensorFault(self.name, why)]

    def _restart(self, background: Background) -> None:
        background.restart()
        if self._known is not None:
            self._known.restart()
        if self._changed is not None:
            self._changed.restart()

    def _of_the_room(self, pascal: float) -> bool:
        return abs(pascal) < ROOM * self._on

    def wake(self, now: int, tag: Hashable) -> Gestures:
        assert isinstance(tag, tuple)  # the tags are ("peak" or "end", source), see _begin and _end
        word, source = tag
        state = next(state for state in self._sides if state.source == source)
        return self._press(state, state.peak) if word == "peak" else self._release(state)

    def lost(self, now: int) -> Gestures:
        gestures = self._let_go()
        if self._background is not None:
            self._restart(self._background)
        self._health, self._slope = _Health(self.settings.ends), _Slope()
        self._spikes = Spikes(self.settings.spikes) if self.settings.spikes else None
        return gestures

    def _judge(self, pascal: float, beyond: float, now: int, gestures: list[Gesture]) -> Seen:
        """Compare a sample with the thresholds of every side."""
        seen = Seen.REST if self._quiet_below < beyond < self._quiet_above else Seen.NEAR
        self._busy = False
        for state in self._sides:
            pressure, side = state.sign * beyond, state.side
            if state.wants_level:
                self._level(state, _unit((pressure - side.off) / (side.full - side.off)), gestures)
                self._busy |= state.level > 0
            if state.since is not None:
                state.peak = max(state.peak, pressure)
                state.lowest, state.highest = min(state.lowest, pascal), max(state.highest, pascal)
                stands = self._stands_at(state, pressure)
                if stands is not None:
                    # Rest has moved, and held this press; the child makes an effort from there.
                    gestures += self._moved_by(stands)
                    self._begin(state, pascal, pressure - state.sign * stands, now, gestures)
                elif pressure < side.off:
                    self._end(state, now, gestures)
                elif self._too_long(state, now, gestures):
                    return Seen.REST
            elif pressure >= side.on:
                self._begin(state, pascal, pressure, now, gestures)
            elif state.drift is not None:
                self._look_for_a_rise(state, state.drift, pressure, now, gestures)
            if state.since is not None:
                seen = Seen.EFFORT
            self._busy |= state.rise > 0
        self._busy |= seen is Seen.EFFORT
        return seen

    def _look_for_a_rise(
        self, state: _SideState, drift: Drift, pressure: float, now: int, gestures: list[Gesture]
    ) -> None:
        """Tell a rise beyond ``off`` that comes back without having reached ``on``, for the record."""
        if pressure >= state.side.off:
            if not state.rise:
                state.rose = now
            state.rise = max(state.rise, pressure)
        elif state.rise:
            rise, state.rise = state.rise, 0.0
            if now - state.rose >= SHORTEST_RISE:
                gestures.append(NearMiss(state.source, rise / state.side.on))
                gestures += drift.tried(rise, now, heard=False)
                self._follow(state, drift)

    def _follow(self, of: _SideState, drift: Drift) -> None:
        """Move the thresholds to where the drift wants them, between efforts."""
        side = self.settings.above if of.sign > 0 else self.settings.below
        if side is None or drift.on == of.side.on or any(state.since is not None for state in self._sides):
            return
        by = drift.on / of.side.on
        for state in self._sides:
            if state.sign == of.sign:
                state.side = state.side.scaled(by)
        self._set_quiet()

    def _set_quiet(self) -> None:
        """Find the two pressures between which nothing changes."""
        full = max(state.side.full for state in self._sides)
        self._quiet_above = next((state.side.off for state in self._sides if state.sign > 0), full)
        self._quiet_below = -next((state.side.off for state in self._sides if state.sign < 0), full)

    def _begin(self, state: _SideState, pascal: float, pressure: float, now: int, gestures: list[Gesture]) -> None:
        gestures += self._release(state)  # one that was too short for its peak may still sound
        state.since, state.peak, state.rise = now, pressure, 0.0
        state.lowest = state.highest = pascal
        waits = max(self.settings.accept, self.settings.over if self.settings.from_peak else 0)
        if waits:
            self.alarm.at(now + waits, ("peak", state.source))
        else:
            rise = max(0.0, state.sign * self._slope.at(state.sign * pressure, now))
            gestures += self._press(state, pressure + rise * self.settings.over)

    def _end(self, state: _SideState, now: int, gestures: list[Gesture]) -> None:
        since, state.since = state.since, None
        if state.voice is not None:
            gestures += self._release(state)
        elif since is not None and now - since < self.settings.accept:
            self.alarm.cancel(("peak", state.source))
            gestures.append(Rejected(state.source, "accept"))
            return
        elif since is not None:  # over before its peak was asked for: an effort all the same, heard now and as long
            self.alarm.cancel(("peak", state.source))
            gestures += self._press(state, state.peak)
            self.alarm.at(now + max(1, now - since), ("end", state.source))
        if state.drift is not None:
            gestures += state.drift.tried(state.peak, now, heard=True)
            self._follow(state, state.drift)

    def _too_long(self, state: _SideState, now: int, gestures: list[Gesture]) -> bool:
        """End an effort that cannot be one: release it, say why, learn rest again. True if it was ended."""
        assert state.since is not None  # only asked during an effort
        background, lasted, longest = self._background, now - state.since, self.settings.longest
        if background is not None and background.trusted and self._tube_off(state, lasted):
            why = TUBE_OFF
            self._tube_is_off = True
        elif lasted > DOUBTFUL_LONGEST and self._doubtful(state):
            why = "the rest level was taken while the child tried: this is rest"
        elif longest is not None and lasted > longest:
            why = "longer than the longest effort: this is taken as the rest level"
        else:
            why = ""
        if not why:
            return False
        gestures += [*self._let_go(), SensorFault(self.name, why)]
        if background is not None:
            self._restart(background)
        return True

    def _doubtful(self, state: _SideState) -> bool:
        """Tell whether this is rest and the rest level was taken from an effort: it is new, and this is nearer to 0."""
        rest, background = self.rest, self._background
        if rest is None or background is None or background.trusted:
            return False
        return max(abs(state.lowest), abs(state.highest)) < abs(rest) - self._on / 2

    def _tube_off(self, state: _SideState, lasted: int) -> bool:
        return lasted > TUBE_OFF_AFTER and self._of_the_room(state.lowest) and self._of_the_room(state.highest)

    def _let_go(self) -> list[Gesture]:
        """Release everything; a sensor that has gone or is faulty holds no press."""
        gestures: list[Gesture] = []
        for state in self._sides:
            state.since, state.rise = None, 0.0
            self.alarm.cancel(("peak", state.source))
            gestures += self._release(state)
            self._level(state, 0.0, gestures)
        self._busy = False
        return gestures

    def _press(self, state: _SideState, reach: float) -> list[Gesture]:
        state.voice = self.new_voice()
        strength = _unit((reach - state.side.on) / (state.side.full - state.side.on))
        return [Press(state.source, state.voice, strength)]

    def _release(self, state: _SideState) -> list[Gesture]:
        voice, state.voice = state.voice, None
        self.alarm.cancel(("end", state.source))
        return [] if voice is None else [Release(state.source, voice)]

    def _level(self, state: _SideState, level: float, gestures: list[Gesture]) -> None:
        if state.wants_level and level != state.level:
            state.level = level
            gestures.append(Level(state.source, level))


class _Slope:
    """The slope of the pressure, measured over 15 to 30 ms, so that noise between two samples does not count."""

    def __init__(self) -> None:
        self._old = self._new = (0.0, 0)

    def add(self, pressure: float, now: int) -> None:
        if now - self._new[1] >= SLOPE_OVER:
            self._old, self._new = self._new, (pressure, now)

    def at(self, pressure: float, now: int) -> float:
        """Pascals a nanosecond from the older of two points kept until now; 0 if it cannot be known."""
        before, then = self._old if now - self._old[1] < 4 * SLOPE_OVER else self._new
        return (pressure - before) / (now - then) if now > then else 0.0


class _Health:
    """The health of a sensor; ``fault`` is its present fault, None if there is none."""

    def __init__(self, ends: tuple[float, float] | None) -> None:
        self.fault: str | None = None
        self._ends = ends
        self._value = math.nan
        self._since = 0  # when it first said the present value
        self._run = 0  # how many times in a row it has
        self._longest_run = 0
        self._changes = 0
        self._saturated_since: int | None = None
        self._lost_since: int | None = None

    def look(self, pascal: float, now: int, *, at_rest: bool) -> str | None:
        """Look at a sample; return a fault's name when it begins, so that it is told once."""
        fault = self._wrong(pascal, now, at_rest=at_rest)
        if fault == self.fault:
            return None
        self.fault = fault
        return fault

    def _wrong(self, pascal: float, now: int, *, at_rest: bool) -> str | None:
        if not math.isfinite(pascal):
            if self._lost_since is None:
                self._lost_since = now
            return "no number" if now - self._lost_since >= NO_NUMBER_AFTER else self.fault
        self._lost_since = None
        if self._ends is not None and not self._ends[0] < pascal < self._ends[1]:
            if self._saturated_since is None:
                self._saturated_since = now
            if now - self._saturated_since >= SATURATED_AFTER:
                return "saturated"
        else:
            self._saturated_since = None
        if pascal != self._value:
            if at_rest and self.fault is None:
                self._longest_run = max(self._longest_run, self._run)
            self._value, self._since, self._run = pascal, now, 1
            self._changes += 1
            return None
        self._run += 1
        known = self._changes > FROZEN_LEARN and self._run > FROZEN_RUNS * self._longest_run
        return "frozen" if known and now - self._since > FROZEN_AFTER else None


def _unit(value: float) -> float:
    return min(1.0, max(0.0, value))
