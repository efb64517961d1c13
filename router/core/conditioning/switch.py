"""A switch: contact bounce, tremor and presses that were not meant are taken out.

Four filters, each off when its time is 0, work one after another on the state of the contact:

    debounce   after an edge the contact is not looked at for this long; then its state counts. The first edge is
               not delayed.
    accept     the contact must stay closed this long before the press counts, each time from its own start: times do
               not add up. (The slow-keys filter of the X Keyboard Extension, with timers for each switch of its own.)
    release    the contact must stay open this long before the release counts; closing again within it goes on with the
               same press.
    lockout    after a release that counted, a press within this time is refused, and so is its release. (The X Keyboard
               Extension's bounce keys, but counted from the last *accepted* release: counted from any release, a
               trembling hand would lock its child out for ever.)

    state      contact closes          contact opens         time over
    up         -> waiting, or refused  -                     -
    waiting    -                       -> up (rejected)      accept: -> down, gives the press
    refused    -                       -> up                 -
    down       -                       -> opening            longest: -> refused, gives the release, says "stuck"
    opening    -> down                 -                     release: -> up, gives the release

Presses that count are then told as gestures. ``pad`` is every press. ``pad.double`` is the second of two presses, if it
begins within ``double`` of the end of the first; ``pad.long`` begins when a press has lasted ``long``. A press may be
several of these, unless ``exclusive`` is set: then it is only one of the three, and ``pad`` waits until the press is
known to be neither of the others, and lasts as long as the press did.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from enum import Enum

from router.core.conditioning.base import Conditioner, Gestures
from router.core.events import Gesture, Press, Rejected, Release, SensorFault, SwitchSample
from router.core.timers import Alarm
from router.core.units import NANOSECONDS


@dataclass(frozen=True, slots=True)
class SwitchSettings:
    """Times in nanoseconds. ``inverted``: the contact is closed at rest and opens when pressed."""

    debounce: int = 0
    accept: int = 0
    release: int = 0
    lockout: int = 0
    longest: int = 0
    inverted: bool = False
    double: int = 400_000_000
    long: int = NANOSECONDS
    exclusive: bool = False
    sources: frozenset[str] = frozenset()
    """The sources of ``pad.double`` and ``pad.long`` that a part listens to."""


class _State(Enum):
    UP = "up"
    WAITING = "waiting"
    REFUSED = "refused"
    DOWN = "down"
    OPENING = "opening"


class SwitchConditioner(Conditioner):
    """Turns the contact of a switch into presses."""

    def __init__(self, name: str, settings: SwitchSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self.settings = settings
        self._contact = False  # the device's last sample
        self._closed = False  # the same after debounce
        self._quiet_until = 0  # edges before this time are bounce
        self._state = _State.UP
        self._locked_until = 0
        self._gestures = _Gestures(name, settings, new_voice, alarm)

    def handle(self, sample: SwitchSample, now: int) -> Gestures:
        self._contact = sample.pressed is not self.settings.inverted
        if self._contact == self._closed or now < self._quiet_until:
            return ()
        return self._edge(now)

    def wake(self, now: int, tag: Hashable) -> Gestures:
        if tag == "debounce":
            # An edge within the quiet time counts from its end, not from when we were woken: a late wake-up must not
            # make the next press wait, or be taken for bounce.
            return self._edge(self._quiet_until) if self._contact != self._closed else ()
        if tag == "accept":
            return self._down(now)
        if tag == "release":
            return self._up(now)
        if tag == "longest":
            self._state = _State.REFUSED if self._closed else _State.UP
            self.alarm.cancel("release")
            return [*self._gestures.up(now), SensorFault(self.name, "stuck: let go after the longest press")]
        return self._gestures.wake(now, tag)

    def lost(self, now: int) -> Gestures:
        self._contact = self._closed = False
        self._quiet_until = self._locked_until = 0
        self._state = _State.UP
        for tag in ("debounce", "accept", "release", "longest"):
            self.alarm.cancel(tag)
        return self._gestures.let_go()

    def _edge(self, when: int) -> Gestures:
        self._closed = self._contact
        settings = self.settings
        if settings.debounce:
            self._quiet_until = when + settings.debounce
            self.alarm.at(self._quiet_until, "debounce")
        return self._closes(when) if self._closed else self._opens(when)

    def _closes(self, when: int) -> Gestures:
        if self._state is _State.OPENING:
            self._state = _State.DOWN
            self.alarm.cancel("release")
            return ()
        if when < self._locked_until:
            self._state = _State.REFUSED
            return (Rejected(self.name, "lockout"),)
        if self.settings.accept:
            self._state = _State.WAITING
            self.alarm.at(when + self.settings.accept, "accept")
            return ()
        return self._down(when)

    def _opens(self, when: int) -> Gestures:
        if self._state is _State.WAITING:
            self._state = _State.UP
            self.alarm.cancel("accept")
            return (Rejected(self.name, "accept"),)
        if self._state is _State.REFUSED:
            self._state = _State.UP
            return ()
        if self.settings.release:
            self._state = _State.OPENING
            self.alarm.at(when + self.settings.release, "release")
            return ()
        return self._up(when)

    def _down(self, now: int) -> Gestures:
        self._state = _State.DOWN
        if self.settings.longest:
            self.alarm.at(now + self.settings.longest, "longest")
        return self._gestures.down(now)

    def _up(self, now: int) -> Gestures:
        self._state = _State.UP
        self._locked_until = now + self.settings.lockout
        if self.settings.longest:
            self.alarm.cancel("longest")
        return self._gestures.up(now)


class _Gestures:
    """Presses and releases that count, told as ``pad``, ``pad.double`` and ``pad.long``."""

    def __init__(self, name: str, settings: SwitchSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        self._name, self._settings, self._new_voice, self._alarm = name, settings, new_voice, alarm
        self._double = f"{name}.double" in settings.sources
        self._long = f"{name}.long" in settings.sources
        self._apart = settings.exclusive and (self._double or self._long)
        self._sounding: dict[str, int] = {}  # voice by source
        self._pressed_at = 0
        self._released_at: int | None = None  # the end of a press that a second one may follow
        self._held = 0  # how long the press was that waits to be told
        self._told = False  # whether the present press has been told as double or long

    def down(self, now: int) -> Gestures:
        second = self._released_at is not None and now - self._released_at < self._settings.double
        self._pressed_at, self._told = now, False
        if self._long:
            self._alarm.at(now + self._settings.long, "long")
        gestures: list[Gesture] = []
        if not self._apart:
            gestures += self._begin(self._name)
        if self._double and second:
            self._alarm.cancel("single")
            self._released_at, self._told = None, True
            gestures += self._begin(f"{self._name}.double")
        return gestures

    def up(self, now: int) -> Gestures:
        if self._long:
            self._alarm.cancel("long")
        gestures = [self._end(source) for source in list(self._sounding)]
        self._released_at = None if self._told else now
        if self._apart and not self._told:
            self._held = now - self._pressed_at
            if not self._double:
                return [*gestures, *self._tell_single(now)]
            self._alarm.at(now + self._settings.double, "single")
        return gestures

    def wake(self, now: int, tag: Hashable) -> Gestures:
        if tag == "long":
            if self._apart and self._told:  # the second of two is a double press, however long it is
                return ()
            self._told = True
            return self._begin(f"{self._name}.long")
        if tag == "single":
            return self._tell_single(now)
        return [self._end(self._name)] if self._name in self._sounding else []

    def let_go(self) -> Gestures:
        for tag in ("long", "single", "single over"):
            self._alarm.cancel(tag)
        self._released_at = None
        return [self._end(source) for source in list(self._sounding)]

    def _tell_single(self, now: int) -> Gestures:
        self._released_at = None
        self._alarm.at(now + self._held, "single over")
        return self._begin(self._name)

    def _begin(self, source: str) -> list[Gesture]:
        ended = [self._end(source)] if source in self._sounding else []
        voice = self._sounding[source] = self._new_voice()
        return [*ended, Press(source, voice)]

    def _end(self, source: str) -> Gesture:
        return Release(source, self._sounding.pop(source))
