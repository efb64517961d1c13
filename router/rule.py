"""Everything a rule needs, in one import: what travels, the contract, and music's helpers.

The built-in rules use nothing else of the router. ``router.testing`` says whether a rule keeps the contract.
"""

from __future__ import annotations

from router.core.accompaniment import ENDING, LINGER, VELOCITY, Accompanies, Stroke
from router.core.contract import (
    BEGIN,
    DEGREE,
    DEGREES,
    GATE,
    OCTAVE,
    ON_THE_BEAT,
    ONE_ROW,
    ROW,
    SEED,
    SWING,
    Context,
    Events,
    Held,
    Kind,
    Later,
    Moves,
    Plays,
    Row,
    Rule,
    gate,
)
from router.core.events import Bend, ChannelPressure, Control, Event, Level, NoteOff, NoteOn, Press, Program, Release
from router.core.midi import BEND_CENTRE, DRUMS, EXPRESSION
from router.core.music import CHORDS, Bars, Chord, Grid, Music, Span, fold, invert, middle, nearest_of, voice
from router.core.playing import song_role
from router.core.strokes import ACCENT, PLAIN, REST, DrumStrokes, Strokes, drum_strokes, longest, within
from router.core.units import NANOSECONDS

__all__ = [
    "ACCENT",
    "BEGIN",
    "BEND_CENTRE",
    "CHORDS",
    "DEGREE",
    "DEGREES",
    "DRUMS",
    "ENDING",
    "EXPRESSION",
    "GATE",
    "LINGER",
    "NANOSECONDS",
    "OCTAVE",
    "ONE_ROW",
    "ON_THE_BEAT",
    "PLAIN",
    "REST",
    "ROW",
    "SEED",
    "SWING",
    "VELOCITY",
    "Accompanies",
    "Bars",
    "Bend",
    "ChannelPressure",
    "Chord",
    "Context",
    "Control",
    "DrumStrokes",
    "Event",
    "Events",
    "Grid",
    "Held",
    "Kind",
    "Later",
    "Level",
    "Moves",
    "Music",
    "NoteOff",
    "NoteOn",
    "Plays",
    "Press",
    "Program",
    "Release",
    "Row",
    "Rule",
    "Span",
    "Stroke",
    "Strokes",
    "drum_strokes",
    "fold",
    "gate",
    "invert",
    "longest",
    "middle",
    "nearest_of",
    "song_role",
    "voice",
    "within",
]
