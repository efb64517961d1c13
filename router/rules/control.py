"""A continuous level (how hard, how far) moves a controller: volume of breath, brightness, vibrato.

At rest the controller is at ``low``, at full effort at ``high``; in between it follows, at most once ``every`` so
many milliseconds, so that a MIDI cable is not flooded. Everything else passes through.

Example::

    rules:
      - control: {controller: breath, low: 20, high: 110}
      - note: {degree: 1}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.events import Control as ControlChange
from router.events import Level
from router.rules.base import Context, Events, Kind, Rule

_VALUE = {"type": "integer", "minimum": 0, "maximum": 127}


class Control(Rule):
    """See the module's docstring."""

    name = "control"
    takes = Kind.LEVELS
    gives = Kind.CONTROLS
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "required": ["controller"],
        "properties": {
            "controller": {"quantity": "controller", "description": "which controller, by name or number 0 to 119"},
            "low": {**_VALUE, "default": 0, "description": "its value at rest"},
            "high": {**_VALUE, "default": 127, "description": "its value at full effort"},
            "every": {"quantity": "time", "default": "20 ms", "description": "the shortest time between two values"},
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._controller: int = settings["controller"]
        self._low: int = settings["low"]
        self._high: int = settings["high"]
        self._every: int = settings["every"]
        self._value = self._sent = self._low
        self._next = 0  # when the next value may go out

    def level(self, level: Level, now: int) -> Events:
        self._value = round(self._low + (self._high - self._low) * level.value)
        if self._value == self._sent:
            return ()
        if now < self._next:
            self.context.alarm.at(self._next)
            return ()
        return self._send(now)

    def wake(self, now: int, tag: Hashable) -> Events:
        return () if self._value == self._sent else self._send(now)

    def let_go(self, now: int) -> Events:
        self.context.alarm.cancel()
        self._value = self._low
        return () if self._value == self._sent else self._send(now)

    def _send(self, now: int) -> Events:
        self._sent = self._value
        self._next = now + self._every
        return (ControlChange(self._controller, self._value),)
