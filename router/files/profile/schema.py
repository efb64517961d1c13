"""The schema of a profile, as JSON Schema, in one place for the checks, the editor's schema and the manual.

The pieces below are JSON Schema 2020-12 with six words of our own, which publish.py turns into plain JSON Schema:

    "quantity": KIND      a text such as "30 ms" (see quantities.py); "least" and "most" are its limits, in the same
                          form
    "no": MEANING         instead of the quantity or group, ``no`` may be written; what that means
    "song"                (of a rule) the text is a name from the profile's songs, and the rule gets the song itself
    "spelling"            what a "pattern" asks for, in words
    "elsewhere"           settings that a group does not have although others like it do, and what is said of them

``title`` is how a message calls the thing ("a switch input"), ``default`` what holds when nothing is written.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from router.core.contract import Rule
from router.files.diagnostics import Form
from router.files.plugins import installed
from router.files.profile.device_schema import ABSOLUTE, DEVICES
from router.files.profile.input_schema import INPUTS, SIDE
from router.files.profile.schema_words import (
    ABOUT,
    CHANNEL,
    CHILD,
    NAME,
    PATTERN,
    Schema,
    article,
    fits,
    group,
    homes_in,
    respell,
)

__all__ = [
    "ABOUT",
    "ABSOLUTE",
    "BAND",
    "CHANNEL",
    "CHILD",
    "DEVICES",
    "FORM",
    "GOAL",
    "INPUTS",
    "LIMITS",
    "MUSIC",
    "NAME",
    "NAMES_NOBODY",
    "OUTPUTS",
    "PART",
    "PATTERN",
    "PROFILE",
    "PROGRESSION",
    "ROUTE",
    "SIDE",
    "SONG",
    "VERSION",
    "Schema",
    "article",
    "fits",
    "group",
    "homes",
    "homes_in",
    "respell",
]

VERSION = 1
PROGRESSION = group(
    "a progression",
    chords={
        "type": "array",
        "minItems": 1,
        "items": {"quantity": "chord with its length"},
        "description": (
            "the chords, by symbol, or by the steps of the key (1 to 7) on which triads stand; one that lasts longer or"
            " shorter than every has its length behind it"
        ),
        "examples": ["[C, Am, F, G]", "[C 2 bars, F, G]"],
    },
    every={
        "quantity": "length",
        "description": "how long each chord lasts that has no length of its own",
        "examples": ["2 bars"],
    },
    advance={
        "type": "string",
        "description": (
            "the input whose presses go on to the next chord; if it plays a part as well, its first press has the first"
            " chord, and the chords begin again when its sequence does (restart_after)"
        ),
        "examples": ["pad"],
    },
    follow={"type": "string", "description": "the MIDI input whose held notes are the chord", "examples": ["keys"]},
    song={
        "type": "string",
        "song": True,
        "description": (
            "the song whose chords they are, as its parts go on; key and scale are the song's where none are written"
        ),
        "examples": ["evening"],
    },
)
MUSIC = group(
    "music",
    key={"quantity": "key", "default": "C", "description": "the tonic: a letter from A to G, with # or b if needed"},
    scale={
        "quantity": "scale",
        "default": "major pentatonic",
        "description": (
            "the scale that degrees are counted in; minor is a minor key, whose chord on the fifth step is major"
        ),
    },
    tempo={"quantity": "tempo", "default": "90 bpm", "description": "quarter notes a minute, 20 to 400 bpm"},
    time_signature={
        "quantity": "time signature",
        "default": "4/4",
        "description": "the beats of a bar, with their groups if wanted, 2+2+3/8",
    },
    progression={**PROGRESSION, "description": "the chords that parts can follow, and what goes on to the next"},
    follow={
        "enum": ["room", "tempo", "harmony"],
        "description": (
            "what the room says instead, where it says anything: tempo and time signature, harmony (key, scale and"
            " chords), or both. If left out, nothing"
        ),
    },
)

LIMITS = group(
    "limits",
    velocity={
        "type": "integer",
        "minimum": 1,
        "maximum": 127,
        "default": 90,
        "description": "the hardest that any note may begin",
    },
    volume={
        "type": "integer",
        "minimum": 1,
        "maximum": 127,
        "default": 90,
        "description": "the most that the controllers volume and expression may be set to",
    },
    notes_at_once={
        "type": "integer",
        "minimum": 1,
        "maximum": 32,
        "default": 8,
        "description": "how many notes may sound together; a further one ends the oldest",
    },
    note_length={
        "quantity": "time",
        "least": "50 ms",
        "most": "10 min",
        "default": "10 s",
        "description": "the longest that any note may sound",
    },
    notes_per_second={
        "type": "integer",
        "minimum": 1,
        "maximum": 50,
        "default": 16,
        "description": "how many notes may begin within any second",
    },
)

NAMES_NOBODY: Schema = {
    "type": "boolean",
    "default": False,
    "description": (
        "yes: somebody has looked, and no remark or name in this file says who anybody is, although one looks as if"
    ),
}


ROUTE = group(
    "the output of a part",
    ("port",),
    port={"type": "string", "description": "a name from the outputs", "examples": ["synth"]},
    channel={**CHANNEL, "default": 1, "description": "the MIDI channel"},
    program={"quantity": "program", "description": "the sound: a name of the General MIDI list, or its number from 0"},
)
PART = group(
    "a part",
    ("input", "rules", "output"),
    about=ABOUT,
    input={
        "description": "which movement plays it: an input, or a list; a band needs none, and goes with all others",
        "examples": ["pad"],
    },
    rules={
        "description": "what becomes of the movement, one rule after the other",
        "examples": ["[note: {degree: 1}]"],
    },
    output={**ROUTE, "description": "where it sounds", "examples": ["{port: synth}"]},
)
BAND = {**PART, "required": [name for name in PART["required"] if name != "input"]}
"""A part that needs no input: a band, which goes with the other parts."""

OUTPUTS: Mapping[str, Schema] = {
    "midi": group(
        "a MIDI output",
        ("midi",),
        midi={**PATTERN, "description": "the name of the MIDI port; * stands for anything"},
        active_sensing={
            "type": "boolean",
            "default": False,
            "description": (
                "whether the synth is told all the time that the router lives, so that one which understands this "
                "falls silent by itself after a power cut"
            ),
        },
    ),
    "instrument": group(
        "an instrument output",
        ("instrument",),
        instrument={
            **PATTERN,
            "description": "the built-in instrument: default, or the path of a .sf2 file",
            "examples": ["default"],
        },
        gain={"type": "number", "minimum": 0, "maximum": 2, "default": 0.4, "description": "how loud it is"},
    ),
}
"""By the word that says which kind of output it is."""

GOAL = group(
    "a goal",
    (),
    about={**ABOUT, "description": "what is to be reached, and what each score means; for people"},
    weight={
        "type": "number",
        "minimum": 0.1,
        "maximum": 100,
        "default": 1,
        "description": "how much it counts beside the others, such as its importance times its difficulty",
    },
)

SONG = group(
    "a song",
    (),
    about={**ABOUT, "description": "where it comes from, and who wrote its words; for people"},
    file={
        "type": "string",
        "maxLength": 200,
        "description": (
            "the song's file, beside the profile or in the folder songs there: MIDI (.mid), MusicXML (.musicxml, .xml,"
            " .mxl) or ABC notation (.abc)"
        ),
        "examples": ["evening.mid"],
    },
    abc={
        "type": "string",
        "description": "the song itself, typed in ABC notation (an open standard, 2.1), instead of a file",
        "examples": ["C D E F | G4"],
    },
    melody={
        "type": "string",
        "maxLength": 200,
        "description": "which part has the melody, by its name or its number from 1; found by itself if left out",
        "examples": ["Voice"],
    },
    key={
        "quantity": "key",
        "description": "the tonic in which it plays; all its parts and chords move to there, up or down, by six"
        " semitones at most. If left out, the one that is written",
        "examples": ["D"],
    },
)
SONG = {**SONG, "oneOf": [{"required": ["file"]}, {"required": ["abc"]}]}

PROFILE = group(
    "a profile",
    ("profile", "child", "inputs", "parts", "outputs"),
    profile={
        "const": VERSION,
        "description": f"the version of the format; this router knows version {VERSION}",
        "examples": [VERSION],
    },
    child=CHILD,
    about=ABOUT,
    music={**MUSIC, "description": "key, scale and tempo"},
    limits={**LIMITS, "description": "what this child's instrument may do at most"},
    inputs={
        "type": "object",
        "minProperties": 1,
        "description": "what the child moves",
        "examples": ["{pad: {type: switch, device: {terminal: space}}}"],
    },
    parts={
        "type": "object",
        "minProperties": 1,
        "description": "what the movements play",
        "examples": ["{tune: {input: pad, rules: [note: {}], output: {port: synth}}}"],
    },
    outputs={
        "type": "object",
        "minProperties": 1,
        "description": "where it sounds",
        "examples": ['{synth: {midi: "*"}}'],
    },
    songs={
        "type": "object",
        "description": "the songs that the rules play, by name",
        "examples": ["{evening: {file: evening.mid}}"],
    },
    goals={
        "type": "object",
        "description": (
            'what the child is to reach, by name: scored from -2 to 2 with `router mark "goal NAME SCORE"`, and'
            " reported"
        ),
        "examples": ["{reach: {weight: 2}}"],
    },
    names_nobody=NAMES_NOBODY,
)


def homes() -> Mapping[str, tuple[str, ...]]:
    """For each setting, what it is a setting of: to say where a line that stands in the wrong place belongs."""
    return _homes(tuple(installed().imported.values()))


@lru_cache(maxsize=8)
def _homes(rules: tuple[type[Rule], ...]) -> Mapping[str, tuple[str, ...]]:
    groups: list[Schema] = [PROFILE, PART]
    groups += [
        *INPUTS.values(),
        *(kind for kinds in DEVICES.values() for kind in kinds.values()),
        *OUTPUTS.values(),
        SONG,
        GOAL,
    ]
    groups += [{"title": f"{article(name)} {name} rule", **rule.settings} for rule in rules for name in (rule.name,)]
    return homes_in(groups, PROFILE)


FORM = Form(
    "profile",
    begin="router new CHILD --input pad=switch writes a profile to begin with.",
    ordinary=3,
    alone="One file holds one child; give each a file of its own.",
    homes=homes,
)
