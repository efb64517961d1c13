"""Every note is moved to the nearest note of the scale, so that nothing can sound wrong.

Of two scale notes equally near, the lower one is taken. A scale has no direction here: the melodic minor is its
ascending form both ways. Notes for drums (channel 10) are not notes of a scale: leave this rule out there.

Example::

    rules:
      - note: {}
      - scale_lock: {}
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from router.events import NoteOn
from router.rules.base import Events, Kind, Rule


class ScaleLock(Rule):
    """See the module's docstring."""

    name = "scale_lock"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {"type": "object", "additionalProperties": False, "properties": {}}

    def note_on(self, note: NoteOn, now: int) -> Events:
        return (NoteOn(note.voice, self.context.music.lock(note.pitch), note.velocity, note.strength),)
