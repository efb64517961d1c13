"""The rules, one file each. Adding one is adding its file and its line here."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from router.rules.answer import Answer
from router.rules.arpeggio import Arpeggio
from router.rules.base import Rule
from router.rules.chord import Chord
from router.rules.control import Control
from router.rules.drone import Drone
from router.rules.drum import Drum
from router.rules.echo import Echo
from router.rules.latch import Latch
from router.rules.note import Note
from router.rules.program import Program
from router.rules.quantize import Quantize
from router.rules.random import Random
from router.rules.range import Range
from router.rules.release import Release
from router.rules.repeat import Repeat
from router.rules.scale_lock import ScaleLock
from router.rules.sequence import Sequence
from router.rules.strum import Strum
from router.rules.transpose import Transpose
from router.rules.turns import Turns
from router.rules.velocity import Velocity
from router.rules.zones import Zones

RULES: Mapping[str, type[Rule]] = MappingProxyType(
    {
        rule.name: rule
        for rule in (
            # gestures to notes
            Note,
            Sequence,
            Zones,
            Random,
            Drum,
            Answer,
            # gestures to gestures
            Latch,
            Program,
            # both as they come
            Turns,
            # notes to notes
            Chord,
            Transpose,
            Range,
            ScaleLock,
            Velocity,
            Quantize,
            Strum,
            Arpeggio,
            Repeat,
            Echo,
            Drone,
            Release,
            # levels to controllers
            Control,
        )
    }
)
