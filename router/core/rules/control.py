"""A continuous level (how hard, how far) moves a controller, the channel's pressure or the pitch bend.

At rest it is at ``low``, at full effort at ``high``; in between it follows, at most once ``every`` so many
milliseconds, so that a MIDI cable is not flooded. With ``smooth`` it glides there: after so long it has gone about two
thirds of the way. Everything passes through, the level too, so several of these rules can move several things by one
movement.

Example::

    rules:
      - control: {controller: breath, low: 20, high: 110, smooth: 50 ms}
      - note: {degree: 1}
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import BEND_CENTRE, NANOSECONDS, Bend, ChannelPressure, Context, Control, Events, Kind, Level, Rule

_VALUE = {"type": "integer", "minimum": 0, "maximum": 127}
_MIDDLE = 64
_GLIDES_EVERY = NANOSECONDS // 100
"""A glide has at least so long from one value to the next. Our choice."""


class ControlRule(Rule):
    """The rule ``control``; the module's docstring is its manual."""

    name = "control"
    takes = Kind.LEVELS
    gives = Kind.CONTROLS | Kind.LEVELS
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "controller": {"quantity": "controller", "description": "which controller, by name or number 0 to 119"},
            "message": {
                "enum": ["pressure", "bend"],
                "description": "instead of a controller: the pressure of the whole channel, or the bend of its pitch",
            },
            "low": {**_VALUE, "description": "its value at rest; 0 if left out, for bend 64, which is unbent"},
            "high": {
                **_VALUE,
                "default": 127,
                "description": "its value at full effort; for bend 0 is lowest, 127 highest",
            },
            "every": {"quantity": "time", "default": "20 ms", "description": "the shortest time between two values"},
            "smooth": {
                "quantity": "time",
                "most": "5 s",
                "default": "0 ms",
                "description": "how slowly it follows; 0 ms is at once",
            },
        },
        "oneOf": [{"required": ["controller"]}, {"required": ["message"]}],
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._controller: int | None = settings.get("controller")
        self._bends = settings.get("message") == "bend"
        self._low: int = settings.get("low", _MIDDLE if self._bends else 0)
        self._high: int = settings["high"]
        self._smooth: int = settings["smooth"]
        self._every: int = max(settings["every"], _GLIDES_EVERY if self._smooth else 0)
        self._wanted = self._value = float(self._low)
        self._sent = self._change()
        self._at = self._next = 0  # when the value was as it is, and when the next may go out

    def level(self, level: Level, now: int) -> Events:
        self._wanted = self._low + (self._high - self._low) * level.value
        return (*self._follow(now), level)  # another rule may move something else by it

    def wake(self, now: int, tag: Hashable) -> Events:
        return self._follow(now)

    def let_go(self, now: int) -> Events:
        self.context.alarm.cancel()
        self._wanted = self._value = float(self._low)
        return self._send(now)

    def _follow(self, now: int) -> Events:
        if now < self._next:
            self.context.alarm.at(self._next)
            return ()
        away = self._wanted - self._value
        if self._smooth and abs(away) > _NEAR:
            since = min(now - self._at, self._every)  # a glide that begins now has not had the time since the last
            self._value += away * -math.expm1(-since / self._smooth)
            self.context.alarm.at(now + self._every)
        else:
            self._value = self._wanted
        self._at = now
        return self._send(now)

    def _send(self, now: int) -> Events:
        change = self._change()
        if change == self._sent:
            return ()
        self._sent = change
        self._next = now + self._every
        return (change,)

    def _change(self) -> Control | ChannelPressure | Bend:
        if self._bends:
            return Bend(round(BEND_CENTRE * self._value / _MIDDLE))
        if self._controller is None:
            return ChannelPressure(round(self._value))
        return Control(self._controller, round(self._value))


_NEAR = 0.25
"""A glide that is this near to the value that is wanted has arrived."""
