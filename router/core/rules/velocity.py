"""How loud each note begins: always the same, by the strength of the effort, or by how fast efforts follow another.

From strength, the gentlest effort that counts gives ``low`` and a full one ``high``. From speed, an effort that follows
the one before it within ``fast`` gives ``high`` and one that comes ``slow`` after it, or first of all, ``low``. A
``soft`` curve makes gentle efforts louder, a ``hard`` one keeps them quiet for longer. Whatever is written here, the
profile's ``limits`` are never exceeded.

Example::

    rules:
      - note: {}
      - velocity: {from: strength, low: 40, high: 90, curve: soft}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, NoteOn, Rule

_VELOCITY = {"type": "integer", "minimum": 1, "maximum": 127}
_CURVES = {"linear": 1.0, "soft": 0.5, "hard": 2.0}
"""The power to which the strength is raised."""


class VelocityRule(Rule):
    """The rule ``velocity``; the module's docstring is its manual."""

    name = "velocity"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "fixed": {**_VELOCITY, "description": "every note begins with this velocity", "examples": [80]},
            "from": {"enum": ["strength", "speed"], "description": "what the velocity follows"},
            "low": {**_VELOCITY, "default": 40, "description": "the velocity of the gentlest or slowest effort"},
            "high": {**_VELOCITY, "default": 90, "description": "the velocity of a full or quick effort"},
            "curve": {
                "enum": list(_CURVES),
                "default": "linear",
                "description": "how the velocity grows between the two",
            },
            "fast": {
                "quantity": "time",
                "least": "20 ms",
                "most": "10 s",
                "default": "300 ms",
                "description": "from speed: an effort so soon after the last is a quick one",
            },
            "slow": {
                "quantity": "time",
                "least": "40 ms",
                "most": "60 s",
                "default": "2 s",
                "description": "from speed: an effort so long after the last is a slow one",
            },
        },
        "oneOf": [{"required": ["fixed"]}, {"required": ["from"]}],
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._fixed: int | None = settings.get("fixed")
        self._from_speed = settings.get("from") == "speed"
        self._low: int = settings["low"]
        self._high: int = settings["high"]
        self._power = _CURVES[settings["curve"]]
        self._fast: int = settings["fast"]
        self._slow: int = max(settings["slow"], self._fast + 1)
        self._last: int | None = None  # when the last effort was
        self._speed = 0.0  # how quick it was, 0 to 1

    def note_on(self, note: NoteOn, now: int) -> Events:
        velocity = self._fixed
        if velocity is None:
            share = self._quickness(note, now) if self._from_speed else note.strength
            velocity = round(self._low + (self._high - self._low) * share**self._power)
        return (note.with_velocity(velocity),)

    def _quickness(self, note: NoteOn, now: int) -> float:
        if note.instead is not None:  # no effort, but the key is another
            return self._speed
        if self._last is not None and now > self._last:  # the notes of a chord are one effort
            gap = now - self._last
            self._speed = min(max((self._slow - gap) / (self._slow - self._fast), 0.0), 1.0)
        self._last = now
        return self._speed

    def let_go(self, now: int) -> Events:
        self._last, self._speed = None, 0.0
        return ()
