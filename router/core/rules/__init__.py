"""The rules, one file each. Adding one is adding its file and its line here."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from router.core.contract import Rule
from router.core.rules.answer import AnswerRule
from router.core.rules.arpeggio import ArpeggioRule
from router.core.rules.bass import BassRule
from router.core.rules.choice import ChoiceRule
from router.core.rules.chord import ChordRule
from router.core.rules.comping import CompingRule
from router.core.rules.contingent import ContingentRule
from router.core.rules.control import ControlRule
from router.core.rules.drone import DroneRule
from router.core.rules.drum import DrumRule
from router.core.rules.drums import DrumsRule
from router.core.rules.echo import EchoRule
from router.core.rules.latch import LatchRule
from router.core.rules.layers import LayersRule
from router.core.rules.note import NoteRule
from router.core.rules.pitch_from_level import PitchFromLevelRule
from router.core.rules.program import ProgramRule
from router.core.rules.quantize import QuantizeRule
from router.core.rules.random import RandomRule
from router.core.rules.range import RangeRule
from router.core.rules.release import ReleaseRule
from router.core.rules.repeat import RepeatRule
from router.core.rules.scale_lock import ScaleLockRule
from router.core.rules.sequence import SequenceRule
from router.core.rules.song import SongRule
from router.core.rules.strum import StrumRule
from router.core.rules.transpose import TransposeRule
from router.core.rules.turns import TurnsRule
from router.core.rules.velocity import VelocityRule
from router.core.rules.zones import ZonesRule

RULES: Mapping[str, type[Rule]] = MappingProxyType(
    {
        rule.name: rule
        for rule in (
            # gestures to notes
            NoteRule,
            SequenceRule,
            ZonesRule,
            RandomRule,
            DrumRule,
            ChoiceRule,
            AnswerRule,
            SongRule,
            # gestures to a band
            DrumsRule,
            BassRule,
            CompingRule,
            # gestures to gestures
            LatchRule,
            ContingentRule,
            ProgramRule,
            # both as they come
            TurnsRule,
            # notes to notes
            ChordRule,
            TransposeRule,
            RangeRule,
            ScaleLockRule,
            VelocityRule,
            QuantizeRule,
            StrumRule,
            ArpeggioRule,
            RepeatRule,
            EchoRule,
            LayersRule,
            DroneRule,
            ReleaseRule,
            # levels to notes
            PitchFromLevelRule,
            # levels to controllers
            ControlRule,
        )
    }
)
