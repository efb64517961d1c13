"""The frames of a seat for people who watch: each input's last reading, extremes and thresholds.

The extremes are those since the last frame.

While nobody watches, a sample costs one comparison. A frame that is asked for begins it, and a second without one ends
it. While somebody watches, it keeps two values an input and the last ``EVENTS`` things that happened, however much
comes in.

Pressures are in the profile's unit (see ``router/live/status.py``).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import Any, NotRequired, TypedDict

from router.core.conditioning.base import Conditioner
from router.core.conditioning.listen import ListenConditioner
from router.core.conditioning.pointer import PointerConditioner
from router.core.conditioning.pressure import PressureConditioner, Side
from router.core.events import PressureSample, Sample, SwitchSample
from router.core.units import NANOSECONDS, PRESSURE
from router.files.profile.model import Profile
from router.live.status import Value, value_of

WATCHED = NANOSECONDS
"""How long after a frame the next one may be asked for."""
EVENTS = 32
"""Things that happened which one frame may tell."""
TOLD = frozenset({"press", "release", "reject", "fault", "lost", "found", "mark", "limit"})
"""The events that are told, in the words of the log; notes are not, as there may be too many."""


class SideFrame(TypedDict):
    """Thresholds of one side of a pressure, from its rest level, all above 0."""

    on: float
    off: float
    full: float
    firm: NotRequired[float]


class Look(TypedDict, total=False):
    """The state of an input's conditioning, as far as it is known and its type has it."""

    # of a pressure
    unit: str
    rest: float | None  # what it would read if nobody tried; None until that is known
    above: SideFrame
    below: SideFrame

    # of a pointer; zones count from 1
    place: list[float] | None  # x and y after centring and smoothing, as the zones see it
    columns: int
    rows: int
    resting: list[int]  # the zones that never play


class InputFrame(Look):
    """An input in a frame."""

    type: str
    there: bool
    now: Value | None
    heard: float | None  # seconds ago
    pressed: list[str]  # its sources that are pressed
    presses: int  # of all its sources, since this profile plays
    low: NotRequired[float | bool]  # the extremes since the last frame, of a pressure and of a switch
    high: NotRequired[float | bool]
    zone: NotRequired[int | None]  # the zone of a pointer that plays


class Happened(TypedDict):
    """An event in a frame, with the fields that the log has of it."""

    ago: float  # seconds
    event: str
    fields: dict[str, Any]


class SeatFrame(TypedDict):
    """A seat in a frame. ``missed``: how many more things happened than are told."""

    child: str
    inputs: dict[str, InputFrame]
    events: list[Happened]
    missed: int


class Watching:
    """The frames of one seat, and what is collected for the next one."""

    def __init__(self) -> None:
        self.until = 0
        """Somebody watches until then: nobody else need tell of samples."""
        self._profile: Profile | None = None
        self._conditioners: Mapping[str, Conditioner] = {}
        self._extremes: dict[str, tuple[float, float]] = {}
        self._pressed: dict[str, int | None] = {}  # source -> zone
        self._presses: dict[str, int] = {}  # by input
        self._missing: set[str] = set()  # inputs whose device is not there
        self._events: deque[tuple[int, str, dict[str, Any]]] = deque(maxlen=EVENTS)
        self._missed = 0

    def plays(self, profile: Profile, conditioners: Mapping[str, Conditioner]) -> None:
        """Show another profile from now on, with what conditions its inputs (``Engine.inputs``)."""
        self._profile, self._conditioners = profile, conditioners
        self._extremes.clear()
        self._pressed.clear()
        self._presses.clear()
        self._missing.clear()

    def sample(self, sample: Sample, now: int) -> None:
        """Note the extremes of an input by a sample that went into the engine."""
        if now > self.until:
            return
        if isinstance(sample, PressureSample):
            value: float = sample.pascal
            if not math.isfinite(value):
                return
        elif isinstance(sample, SwitchSample):
            value = sample.pressed
        else:
            return
        low, high = self._extremes.get(sample.input, (value, value))
        self._extremes[sample.input] = (min(low, value), max(high, value))

    def event(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """Note an event of the engine, also while nobody watches, as events are rare."""
        if event == "press":
            source = fields["input"]
            self._pressed[source] = fields.get("zone")
            name = _input_of(source)
            self._presses[name] = self._presses.get(name, 0) + 1
        elif event == "release":
            self._pressed.pop(fields["input"], None)
        elif event == "lost":
            self._missing.add(fields["input"])
        elif event == "found":
            self._missing.discard(fields["input"])
        if now <= self.until and event in TOLD:
            self._missed += len(self._events) == EVENTS
            self._events.append((now, event, fields))

    def frame(self, now: int, last: Mapping[str, tuple[int, Sample]]) -> SeatFrame:
        """Make a frame of all since the last one. ``last``: by input, when something was heard and what."""
        profile = self._profile
        assert profile is not None  # a seat always plays
        if now > self.until:  # nobody has watched until now
            self._events.clear()
            self._extremes.clear()
            self._missed = 0
        self.until = now + WATCHED
        frame: SeatFrame = {
            "child": profile.child,
            "inputs": {name: self._input(name, profile, now, *last.get(name, (None, None))) for name in profile.types},
            "events": [
                {"ago": _seconds(now - when), "event": event, "fields": fields} for when, event, fields in self._events
            ],
            "missed": self._missed,
        }
        self._events.clear()
        self._extremes.clear()
        self._missed = 0
        return frame

    def _input(self, name: str, profile: Profile, now: int, when: int | None, sample: Sample | None) -> InputFrame:
        unit = profile.units.get(name, "")
        pressed = {source: zone for source, zone in self._pressed.items() if _input_of(source) == name}
        value = value_of(sample, unit)
        frame: InputFrame = {
            "type": profile.types[name],
            "there": name not in self._missing,
            "now": value,
            "heard": None if when is None else _seconds(now - when),
            "pressed": list(pressed),
            "presses": self._presses.get(name, 0),
        }
        conditioner = self._conditioners.get(name)
        if conditioner is not None:
            frame.update(look(conditioner, unit))  # type: ignore[typeddict-item]  # a part of this very form
        if isinstance(value, bool | float):
            one = float(PRESSURE[unit]) if unit else 1
            low, high = self._extremes.get(name, (value * one, value * one))
            frame["low"], frame["high"] = _extreme(low, one, value), _extreme(high, one, value)
        if isinstance(conditioner, ListenConditioner) and conditioner.sounding:
            frame["pressed"] = [name]
        if isinstance(conditioner, PointerConditioner):
            frame["zone"] = next(iter(pressed.values()), None)
        return frame


def look(conditioner: Conditioner, unit: str) -> Look:
    """Return what a conditioner knows that can be shown; ``unit`` is that of a pressure."""
    if isinstance(conditioner, PressureConditioner):
        one = float(PRESSURE[unit])
        rest, settings = conditioner.rest, conditioner.settings
        seen: Look = {"unit": unit, "rest": None if rest is None else round(rest / one, 4)}
        if settings.above is not None:
            seen["above"] = _side(settings.above, one)
        if settings.below is not None:
            seen["below"] = _side(settings.below, one)
        return seen
    if isinstance(conditioner, PointerConditioner):
        grid, place = conditioner.settings.grid, conditioner.place
        return {
            "place": None if place is None else [round(share, 4) for share in place],
            "columns": grid.columns,
            "rows": grid.rows,
            "resting": [zone + 1 for zone in sorted(grid.rest)],
        }
    return {}


def _extreme(value: float, one: float, like: bool | float) -> bool | float:
    return bool(value) if isinstance(like, bool) else round(value / one, 4)


def _side(side: Side, one: float) -> SideFrame:
    frame: SideFrame = {
        "on": round(side.on / one, 4),
        "off": round(side.off / one, 4),
        "full": round(side.full / one, 4),
    }
    if side.firm is not None:
        frame["firm"] = round(side.firm / one, 4)
    return frame


def _input_of(source: str) -> str:
    return source.partition(".")[0]


def _seconds(nanoseconds: int) -> float:
    return round(nanoseconds / NANOSECONDS, 3)
