"""A press switches on, the next press switches off: for a child who cannot hold.

On the first press what follows begins and goes on after the release; the second press ends it. How long the switch is
held does not matter. With ``replace``, a press of another input, zone or key begins that one instead; latches of one
``group``, in whatever parts, replace one another too. After ``longest`` it ends by itself. A note that a limit has
ended or refused is off as well: the next press begins it again.

Example::

    rules:
      - latch: {longest: 2 min, group: drones}
      - note: {degree: 1, octave: 3}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, Press, Release, Rule

_LONGEST, _REPLACED = "longest", "replaced"


def _where(press: Press) -> tuple[str, int | None, int | None]:
    return press.source, press.zone, press.pitch


class LatchRule(Rule):
    """The rule ``latch``; the module's docstring is its manual."""

    name = "latch"
    takes = Kind.GESTURES
    sustains = True
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "replace": {
                "type": "boolean",
                "default": False,
                "description": (
                    "whether a press of another input, zone or key replaces what is on, and does not just end it"
                ),
            },
            "group": {
                "type": "string",
                "pattern": r"^[a-z][a-z0-9_-]{0,31}$",
                "spelling": "lower-case letters, digits, _ and -, a letter first, at most 32",
                "description": "a name; of the latches with the same name only one is on",
                "examples": ["drones"],
            },
            "longest": {
                "quantity": "time",
                "least": "100 ms",
                "most": "60 min",
                "description": "after so long it ends by itself",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._replace: bool = settings["replace"]
        self._longest: int | None = settings.get("longest")
        self._on: Press | None = None
        group = settings.get("group")
        # In it stands the latch that is on, under one name for the whole group.
        self._group: dict[str, LatchRule] = {} if group is None else context.shared.setdefault(f"latch {group}", {})

    def press(self, press: Press, now: int) -> Events:
        on = self._on
        ended = self.let_go(now)
        if on is not None and not (self._replace and _where(press) != _where(on)):
            return ended
        self._on = press
        other = self._group.get("on")
        if other is not None:
            other.context.alarm.at(now, _REPLACED)
        self._group["on"] = self
        if self._longest is not None:
            self.context.alarm.at(now + self._longest, _LONGEST)
        return [*ended, press]

    def release(self, release: Release, now: int) -> Events:
        return ()

    def wake(self, now: int, tag: Hashable) -> Events:
        return self.let_go(now)

    def cut(self, voice: int, now: int) -> Events:
        return self.let_go(now) if self._on is not None and self._on.voice == voice else ()

    def let_go(self, now: int) -> list[Release]:
        on, self._on = self._on, None
        for tag in (_LONGEST, _REPLACED):
            self.context.alarm.cancel(tag)
        if self._group.get("on") is self:
            del self._group["on"]
        return [] if on is None else [Release(on.source, on.voice)]
