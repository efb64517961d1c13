"""Each zone of a pointer's grid plays its own note or chord.

The first note belongs to the zone at the top left, then row by row as one reads; if there are fewer notes than
zones, the list of notes begins again. On press (the pointer has stayed) the note begins; on leaving the zone it ends.

Example::

    rules:
      - zones: {degrees: [1, 2, 3, 5], octave: 4}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.rule import ONE_ROW, ROW, Context, Events, Kind, Plays, Press, Row


class ZonesRule(Plays):
    """The rule ``zones``; the module's docstring is its manual."""

    name = "zones"
    takes = Kind.ZONES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": ROW,
        "oneOf": ONE_ROW,
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._row = Row(settings, context)

    def press(self, press: Press, now: int) -> Events:
        zone = press.zone
        if zone is None:
            return ()
        return self.held.begin(press.voice, lambda: self._row.play(zone, press))
