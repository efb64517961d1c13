"""The rules, one file each. Adding one is adding its file and its line here."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from router.core.contract import Rule
from router.core.rules.answer import Answer
from router.core.rules.arpeggio import Arpeggio
from router.core.rules.chord import Chord
from router.core.rules.control import Control
from router.core.rules.drone import Drone
from router.core.rules.drum import Drum
from router.core.rules.echo import Echo
from router.core.rules.latch import Latch
from router.core.rules.note import Note
from router.core.rules.program import Program
from router.core.rules.quantize import Quantize
from router.core.rules.random import Random
from router.core.rules.range import Range
from router.core.rules.release import Release
from router.core.rules.repeat import Repeat
from router.core.rules.scale_lock import ScaleLock
from router.core.rules.sequence import Sequence
from router.core.rules.strum import Strum
from router.core.rules.transpose import Transpose
from router.core.rules.turns import Turns
from router.core.rules.velocity import Velocity
from router.core.rules.zones import Zones

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
