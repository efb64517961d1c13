"""A head pointer: a grid of zones; staying in one for the dwell time is a press, leaving it the release.

Each place goes through these steps, in this order:

    centre, gain   the place is counted from the centre, times ``gain``, and kept within 0 to 1. The centre is the
                   middle until a press of ``centred_by`` makes the place of that moment the centre.
    smooth         a 1-euro filter (Casiez, Roussel, Vogel, CHI 2012): strong when the head is still, weak when it
                   moves. Many devices say nothing while nothing changes; the filter then follows the last place by
                   itself.
    grid           the zone of the place. The zone that the pointer is in reaches over its borders by the hysteresis, so
                   that tremor at a border does not flutter between two zones.
    grace_time     leaving a zone and coming back within this time does not count as leaving: the dwell does not begin
                   again and the press does not end. The dwell in the next zone counts from its own beginning.
    rest           zones in which the head may stay without playing.

    state      enters a zone   dwell over          leaves the zone            comes back      gone for grace_time
    nowhere    -> dwelling     -                   -                          -               -
    dwelling   -               -> in, gives press  -> out, or dwelling next   -               -
    in         -               -                   -> out, or gives release,  -               -
                                                      dwelling in the next
    out        -               kept for later      -                          -> dwelling or  gives the release,
                                                                              in; a press     -> dwelling in the next
                                                                              that was kept

Without ``grace_time`` there is no state "out". In a rest zone "in" gives no press. While samples are no place, a press
is kept for later as in "out". From every state:

    lost           the device has gone, nothing came for ``lost_after``, or for ``DROPOUT`` only samples that are no
                   place: no numbers, or a ``jump`` farther than a head moves between two samples. Gives the release,
                   -> nowhere; the fault is told once, until a dwell is over again.
    centred        gives the release, -> dwelling in the middle.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

from router.core.conditioning.base import Conditioner, Gestures
from router.core.events import Gesture, Level, PointerSample, Press, Release, SensorFault
from router.core.timers import Alarm
from router.core.units import NANOSECONDS

DROPOUT = 300_000_000
"""Time for which a tracker may send no valid place before it counts as lost. Our choice: longer than a blink."""
TRAVEL = 250_000_000
"""Time over which speed and centre are taken. Our choice: one wave of a 4 Hz tremor, which so cancels out."""
SETTLE = 50_000_000
"""Time without a sample after which the filter gets the last place again: longer than a frame at 30 a second."""
SETTLED = 0.001
"""Distance from the last place, as a share of the whole, at which the filter has arrived."""


@dataclass(frozen=True, slots=True)
class ZoneGrid:
    """Zones in reading order; ``hysteresis`` is a share of a zone's size, ``dwell`` and ``grace_time`` in nanoseconds.

    ``rest``: the zones that never play, counted from 0.
    """

    columns: int = 4
    rows: int = 1
    hysteresis: float = 0.2
    dwell: int = 800_000_000
    grace_time: int = 200_000_000
    rest: frozenset[int] = frozenset()

    @property
    def zones(self) -> int:
        return self.columns * self.rows


@dataclass(frozen=True, slots=True)
class PointerSettings:
    """``min_cutoff`` in Hz and ``beta`` of the 1-euro filter; None: not smoothed. ``levels``: as for pressure.

    ``full_speed`` in nanoseconds: crossing the whole width in this time is full strength; None: every press is of
    middle strength. ``lost_after`` in nanoseconds and ``jump`` in shares of the whole; None: neither is looked at.

    The defaults of filter and grid are what served simulated heads best (tests/benchmarks/pointer.py).
    """

    grid: ZoneGrid = ZoneGrid()
    min_cutoff: float | None = 1.0
    beta: float = 2.0
    levels: frozenset[str] = frozenset()
    gain: float = 1.0
    centred_by: str | None = None
    full_speed: int | None = None
    lost_after: int | None = None
    jump: float | None = None


class OneEuro:
    """The 1-euro filter of one coordinate. ``d_cutoff`` is 1 Hz, as published."""

    D_CUTOFF = 1.0

    def __init__(self, min_cutoff: float, beta: float) -> None:
        self._min_cutoff, self._beta = min_cutoff, beta
        self._value: float | None = None
        self._slope = 0.0
        self._time = 0

    def __call__(self, value: float, now: int) -> float:
        """The smoothed value; ``now`` in nanoseconds.

        The first passes through; time that stands still changes nothing.
        """
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


@dataclass(frozen=True, slots=True)
class _Stay:
    """The pointer in a zone: since when, and how strongly it went there."""

    zone: int
    since: int
    strength: float


class PointerConditioner(Conditioner):
    """Turns the places of a head pointer into presses of zones."""

    def __init__(self, name: str, settings: PointerSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self.settings = settings
        self.hears = frozenset({settings.centred_by} if settings.centred_by else ())
        self._grid = settings.grid
        self._levels = [(axis, f"{name}.{'xy'[axis]}") for axis in (0, 1) if f"{name}.{'xy'[axis]}" in settings.levels]
        self._last_level = [0.0, 0.0]
        self._centre = (0.5, 0.5)
        self._doubt = ""  # the fault of the last sample, empty if none
        self._told = False  # whether lost tracking was told; until a dwell is over again
        self._filters: list[OneEuro] = []
        self._raw = (0.5, 0.5)  # the last place, as the device gives it
        self._recent: deque[tuple[int, tuple[float, float], Sequence[float]]] = deque()  # when, raw, where
        self._target: Sequence[float] = ()  # the same after centre and gain, which the filter approaches
        self._settle_at = 0
        self._stay: _Stay | None = None
        self._out: _Stay | None = None  # where the pointer is while it may yet come back to ``_stay``
        self._kept = False  # a press that waits for that
        self._voice: int | None = None
        self._begin_anew()

    @property
    def place(self) -> Sequence[float] | None:
        """The place of the pointer after centre, gain and filter: x and y, 0 to 1; None while not known."""
        return self._recent[-1][2] if self._recent else None

    def handle(self, sample: PointerSample, now: int) -> Gestures:
        doubt = self._doubts(sample)
        if doubt:
            if not self._doubt and (self.settings.lost_after is None or self._stay is None):
                self.alarm.at(now + DROPOUT, "lost")
            self._doubt = doubt
            return ()
        self._doubt = ""
        if self.settings.lost_after is None:
            self.alarm.cancel("lost")
        else:
            self.alarm.at(now + self.settings.lost_after, "lost")
        if self._recent and now - self._recent[-1][0] > SETTLE:
            self._stand_still(now - SETTLE)
        self._raw = (_within_the_whole(sample.x), _within_the_whole(sample.y))
        return self._follow(now)

    def wake(self, now: int, tag: Hashable) -> Gestures:
        if tag == "settle":
            return self._follow(self._settle_at)  # not now: a late wake-up must not move the place another way
        if tag == "lost":
            return self._lose_track(now)
        if tag == "gone":
            stay, self._out = self._out, None
            return self._enter(stay, now) if stay is not None else ()
        if self._out is not None or self._doubt:
            self._kept = True
            return ()
        return self._dwelt()

    def pressed(self, press: Press, now: int) -> Gestures:
        """Make the present place the centre: the mean over ``TRAVEL``, because of tremor."""
        if not self._recent:
            return ()
        raw = [place for _, place, _ in self._recent]
        self._centre = (sum(x for x, _ in raw) / len(raw), sum(y for _, y in raw) / len(raw))
        gestures = self._release()
        self._begin_anew()
        self._raw = self._centre
        return [*gestures, *self._follow(now)]

    def lost(self, now: int) -> Gestures:
        gestures = self._let_go()
        self._centre = (0.5, 0.5)
        self._doubt, self._told = "", False
        return gestures

    # --- tracking -------------------------------------------------------------------------------------------

    def _doubts(self, sample: PointerSample) -> str:
        """The reason why a sample cannot be the place of the head; empty if it can."""
        if not (math.isfinite(sample.x) and math.isfinite(sample.y)):
            return "what it sends is no place"
        jump = self.settings.jump
        if jump is not None and self._recent:
            leap = max(abs(_within_the_whole(sample.x) - self._raw[0]), abs(_within_the_whole(sample.y) - self._raw[1]))
            if leap > jump:
                return "it jumps farther than a head moves"
        return ""

    def _lose_track(self, now: int) -> Gestures:
        what = self._doubt or "it sends nothing"
        gestures = self._let_go()
        if not self._told:
            self._told = True
            gestures.append(SensorFault(self.name, f"tracking lost: {what}"))
        self._doubt = ""
        return gestures

    def _let_go(self) -> list[Gesture]:
        gestures = self._release()
        gestures += [Level(source, 0.0) for axis, source in self._levels if self._last_level[axis] != 0.0]
        self._last_level = [0.0, 0.0]
        self.alarm.cancel("lost")
        self._begin_anew()
        return gestures

    def _begin_anew(self) -> None:
        """Forget all that was seen, but not the centre and whether lost tracking was told."""
        cutoff, beta = self.settings.min_cutoff, self.settings.beta
        self._filters = [] if cutoff is None else [OneEuro(cutoff, beta), OneEuro(cutoff, beta)]
        self._recent.clear()
        self._stay = self._out = self._voice = None
        self._kept = False
        for tag in ("dwell", "gone", "settle"):
            self.alarm.cancel(tag)

    # --- from the last place to gestures --------------------------------------------------------------------

    def _follow(self, now: int) -> list[Gesture]:
        raw, gain = self._raw, self.settings.gain
        target = [_within_the_whole(0.5 + gain * (raw[axis] - self._centre[axis])) for axis in (0, 1)]
        self._target = target
        place = [self._filters[axis](target[axis], now) for axis in (0, 1)] if self._filters else target
        if max(abs(place[0] - target[0]), abs(place[1] - target[1])) > SETTLED:
            self._settle_at = now + SETTLE
            self.alarm.at(self._settle_at, "settle")
        else:
            self.alarm.cancel("settle")
        gestures: list[Gesture] = []
        for axis, source in self._levels:
            if place[axis] != self._last_level[axis]:
                self._last_level[axis] = place[axis]
                gestures.append(Level(source, place[axis]))
        self._recent.append((now, raw, place))
        while len(self._recent) > 1 and self._recent[1][0] <= now - TRAVEL:
            self._recent.popleft()
        return gestures + self._in_zone(self._zone_at(place), now)

    def _stand_still(self, until: int) -> None:
        """Give the filter the last place until then: a silent device has not moved."""
        for smooth, value in zip(self._filters, self._target, strict=False):  # or there are no filters
            smooth(value, until)

    def _in_zone(self, zone: int, now: int) -> list[Gesture]:
        stay = self._stay
        if stay is not None and zone == stay.zone:
            if self._out is not None:
                self._out = None
                self.alarm.cancel("gone")
            return self._dwelt() if self._kept else []
        if stay is None or not self._grid.grace_time:
            return self._enter(_Stay(zone, now, self._strength(now)), now)
        if self._out is None:
            self.alarm.at(now + self._grid.grace_time, "gone")
        if self._out is None or self._out.zone != zone:
            self._out = _Stay(zone, now, self._strength(now))
        return []

    def _enter(self, stay: _Stay, now: int) -> list[Gesture]:
        gestures = self._release()
        self._stay, self._kept = stay, False
        # After tracking was lost, a tracker that still leaps about must not play by chance.
        dwell = max(self._grid.dwell, DROPOUT) if self._told else self._grid.dwell
        self.alarm.at(max(now, stay.since + dwell), "dwell")
        return gestures

    def _dwelt(self) -> list[Gesture]:
        self._told, self._kept = False, False
        stay = self._stay
        if stay is None or stay.zone in self._grid.rest:
            return []
        self._voice = self.new_voice()
        return [Press(self.name, self._voice, stay.strength, zone=stay.zone)]

    def _release(self) -> list[Gesture]:
        voice, self._voice = self._voice, None
        return [] if voice is None else [Release(self.name, voice)]

    def _strength(self, now: int) -> float:
        """The strength of a press by the pointer's speed over ``TRAVEL``, 0 to 1; 0.5 if not wanted or not known."""
        when, _, start = self._recent[0]
        if self.settings.full_speed is None or when == now:
            return 0.5
        # A device that was silent has not moved, but for the time since.
        travelled = math.dist(start, self._recent[-1][2]) / min(now - when, TRAVEL)
        return min(1.0, travelled * self.settings.full_speed)

    def _zone_at(self, place: Sequence[float]) -> int:
        """The zone of a place; the pointer's present zone reaches over its borders by the hysteresis."""
        grid = self._grid
        x, y = place[0] * grid.columns, place[1] * grid.rows
        for stay in (self._stay, self._out):
            if stay is not None:
                row, column = divmod(stay.zone, grid.columns)
                if _near(x, column, grid.hysteresis) and _near(y, row, grid.hysteresis):
                    return stay.zone
        return min(int(y), grid.rows - 1) * grid.columns + min(int(x), grid.columns - 1)


def _near(position: float, cell: int, hysteresis: float) -> bool:
    return cell - hysteresis <= position <= cell + 1 + hysteresis


def _within_the_whole(value: float) -> float:
    return min(1.0, max(0.0, value))
