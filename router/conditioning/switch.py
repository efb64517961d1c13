"""A switch: contact bounce taken out, and only what is held long enough counts.

Debounce looks at the first edge at once and then not again until ``debounce`` is over, so it adds nothing to the
first edge; what the contact says at the end of that time counts. Acceptance then asks that the switch be held for
``accept`` before the press is given, counted from its own start: times held before do not add up.

    state      contact closes        contact opens         acceptance time over
    up         -> waiting (or down)  -                     -
    waiting    -                     -> up (rejected)      -> down, gives the press
    down       -                     -> up, gives release  -

The semantics follow the slow-keys filter of the X Keyboard Extension, with a timer for each switch of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass

from router.conditioning.base import Conditioner, Gestures
from router.events import Press, Release, SwitchSample
from router.timers import Alarm


@dataclass(frozen=True, slots=True)
class SwitchSettings:
    """Times in nanoseconds."""

    debounce: int = 0
    accept: int = 0


class SwitchConditioner(Conditioner):
    """See the module's docstring."""

    def __init__(self, name: str, settings: SwitchSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self._settings = settings
        self._contact = False  # what the device last said
        self._closed = False  # what it said after debounce
        self._quiet_until = 0  # edges before this time are bounce
        self._voice: int | None = None  # the accepted press

    def handle(self, sample: SwitchSample, now: int) -> Gestures:
        self._contact = sample.pressed
        if self._contact == self._closed or now < self._quiet_until:
            return ()
        return self._edge(now)

    def wake(self, now: int, tag: Hashable) -> Gestures:
        if tag == "accept":
            return self._press()
        # An edge within the quiet time counts from its end, not from when we were woken: a late wake-up must not
        # make the next press wait, or be taken for bounce.
        return self._edge(self._quiet_until) if self._contact != self._closed else ()

    def lost(self, now: int) -> Gestures:
        self._contact = self._closed = False
        self._quiet_until = 0
        self.alarm.cancel("debounce")
        self.alarm.cancel("accept")
        return self._release()

    def _edge(self, when: int) -> Gestures:
        self._closed = self._contact
        if self._settings.debounce:
            self._quiet_until = when + self._settings.debounce
            self.alarm.at(self._quiet_until, "debounce")
        if not self._closed:
            self.alarm.cancel("accept")
            return self._release()
        if self._settings.accept:
            self.alarm.at(when + self._settings.accept, "accept")
            return ()
        return self._press()

    def _press(self) -> Gestures:
        self._voice = self.new_voice()
        return (Press(self.name, self._voice),)

    def _release(self) -> Gestures:
        voice, self._voice = self._voice, None
        return () if voice is None else (Release(self.name, voice),)
