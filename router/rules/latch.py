"""A press switches on, the next press switches off: for a child who cannot hold.

On the first press what follows begins and goes on after the release; the second press ends it. How long the
switch is held does not matter.

Example::

    rules:
      - latch: {}
      - note: {degree: 1, octave: 3}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.events import Press, Release
from router.rules.base import Context, Events, Kind, Rule


class Latch(Rule):
    """See the module's docstring."""

    name = "latch"
    takes = Kind.GESTURES
    sustains = True
    settings: ClassVar[Mapping[str, Any]] = {"type": "object", "additionalProperties": False, "properties": {}}

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._on: Press | None = None

    def press(self, press: Press, now: int) -> Events:
        if self._on is not None:
            return self.let_go(now)
        self._on = press
        return (press,)

    def release(self, release: Release, now: int) -> Events:
        return ()

    def let_go(self, now: int) -> Events:
        on, self._on = self._on, None
        return () if on is None else (Release(on.source, on.voice),)
