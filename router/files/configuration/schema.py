"""The schema of a configuration: JSON Schema with our own words, which router/files/profile/schema.py explains."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from router.files.diagnostics import Form
from router.files.profile.schema import (
    CHANNEL,
    CHILD,
    DEVICES,
    MUSIC,
    NAMES_NOBODY,
    OUTPUTS,
    PATTERN,
    PROGRESSION,
    Schema,
    group,
    homes_in,
)
from router.files.profile.schema import LIMITS as OF_PROFILES

VERSION = 1
MOST_SEATS = 16
"""Our choice: more children than that do not play in one room."""
LONGEST_RUNTIME = 90
"""Bytes of the path of the folder that holds the control socket: Linux allows a socket 108 in all (unix(7))."""


SPELT = "an absolute path that begins with /"


def _folder(default: str, about: str) -> Schema:
    return {
        "type": "string",
        "minLength": 1,
        "maxLength": 400,
        "spelling": SPELT,
        "default": default,
        "description": about,
    }


FOLDERS = group(
    "folders",
    profiles=_folder("/var/lib/router/profiles", "the therapists' folder, into which they put profiles"),
    state=_folder("/var/lib/router/state", "where the router remembers what played last, and the last good profile"),
    records=_folder("/var/lib/router/records", "session logs, recordings and measurements of each child"),
    runtime=_folder("/run/router", "what is of use only while the router runs, such as its control socket"),
)

SEAT = group(
    "a seat",
    folder={
        "type": "string",
        "minLength": 1,
        "maxLength": 400,
        "spelling": SPELT,
        "description": (
            "the folder of its profiles; that of the therapists, and with several seats one in it by the seat's name"
        ),
        "examples": ["/var/lib/router/profiles/bed"],
    },
    profile={
        **CHILD,
        "description": (
            "the child whose profile plays before any was chosen; a safe one of the router's own if left out"
        ),
    },
    follow={
        "enum": ["folder", "file"],
        "default": "folder",
        "description": "what counts: whatever is put into the folder, or only a change of the file that plays",
    },
    list={
        "type": "array",
        "minItems": 1,
        "maxItems": 128,
        "items": CHILD,
        "description": "the children that buttons and program changes step through, in this order",
        "examples": ["[wren, lark, finch]"],
    },
    channels={
        "type": "array",
        "minItems": 1,
        "maxItems": 15,
        "items": CHANNEL,
        "description": (
            "the seat's own MIDI channels; those of its profile are put onto them, the lowest first. If left out they"
            " stay as in the profile, and one that another seat has is moved to a free one"
        ),
        "examples": ["[1, 2]"],
    },
    devices={
        "type": "object",
        "description": "by the name of an input, the name of its device that holds here instead of the profile's",
        "examples": ['{pad: "*left*"}'],
    },
    level={
        "quantity": "percent",
        "default": "100 %",
        "description": (
            "how loud the seat is at first, beside the others; live it is set with router level, or by its fader"
        ),
        "examples": ["80 %"],
    },
    fader={
        "quantity": "controller",
        "description": "the controller of the room's keyboard that sets how loud the seat is",
        "examples": [20],
    },
)

DEVICE_NAME: Schema = {
    **PATTERN,
    "description": "the name of the device that this input hears here; * stands for anything",
    "examples": ['"*left*"'],
}
"""The value of an input's name in a seat's ``devices``."""

BUTTON_DEVICES: Mapping[str, Schema] = {word: DEVICES["switch"][word] for word in ("evdev", "serial")}
"""A button works on a PC that nobody sits at, so none is a key of a terminal."""
BUTTON = group(
    "a button",
    ("device", "does"),
    device={
        "type": "object",
        "description": "what is pressed",
        "examples": ['{evdev: "*Keypad*", key: KEY_ESC}'],
    },
    hold={
        "quantity": "time",
        "most": "10 s",
        "default": "0 ms",
        "examples": ["1 s"],
        "description": "how long it must be held to count, so that nobody does it by accident",
    },
    does={
        "enum": ["panic", "next", "previous", "mark", "tap"],
        "description": (
            "end every sound, go on in the list of children, go back in it, mark this moment in the session log, or tap"
            " the room's tempo"
        ),
    },
    seat={"type": "string", "description": "the seat it is for; all of them if it is left out", "examples": ["bed"]},
)

PROGRAM_CHANGE = group(
    "program_change",
    ("midi",),
    midi={**PATTERN, "description": "the name of the MIDI port; * stands for anything"},
    channel={**CHANNEL, "description": "only this MIDI channel counts; any if left out"},
)

CONTROL = group(
    "control",
    group={
        "type": "string",
        "pattern": r"^[a-z_][a-z0-9_-]{0,31}$",
        "spelling": "the name of a group of users",
        "description": "who may ask and tell the running router; only root and the router itself if left out",
        "examples": ["router"],
    },
)

RECORDS = group(
    "records",
    keep={
        "quantity": "days",
        "least": "1 day",
        "most": "3650 days",
        "no": "they are kept until somebody deletes them",
        "default": "90 days",
        "description": "what is older than this goes into the wastebasket; days on which the router ran count",
    },
    sessions={
        "type": "integer",
        "minimum": 1,
        "maximum": 100_000,
        "no": "any number is kept",
        "default": 500,
        "description": "how many sessions of one child are kept, all of one day counted as one; the oldest go first",
    },
    notes={
        "type": "boolean",
        "default": True,
        "description": "whether each note is written down; efforts are in any case",
    },
)


def _most(wanted: Schema) -> Schema:
    """A limit of profiles, where none stands: as far as a profile may go at all."""
    return {**wanted, "default": wanted.get("maximum", wanted.get("most"))}


LIMITS = {**OF_PROFILES, "properties": {name: _most(wanted) for name, wanted in OF_PROFILES["properties"].items()}}

# --- the room -----------------------------------------------------------------------------------------------------


def _said(name: str, about: str, example: object) -> Schema:
    """A setting of a profile's music, which the room may say instead: where it does not, nothing holds for all."""
    wanted = {word: value for word, value in MUSIC["properties"][name].items() if word != "default"}
    return {**wanted, "description": about, "examples": [example]}


_CHORDS = PROGRESSION["properties"]
_OF_A_CHILD = (
    "A room's chords go on by time: \"every: 1 bar\". With a child's presses they go on in a profile, and a keyboard"
    " leads "
)
ROOM_PROGRESSION = {
    **group(
        "the room's progression",
        ("chords", "every"),
        chords={
            **_CHORDS["chords"],
            "description": "the chords, by symbol, or by the steps of the room's key (1 to 7) on which triads stand",
            "examples": ["[D, Bm, G, A]"],
        },
        every={**_CHORDS["every"], "examples": ["1 bar"]},
    ),
    "elsewhere": dict.fromkeys(("advance", "follow"), f'{_OF_A_CHILD}under "keyboard".'),
}
ROOM_MUSIC = group(
    "the room's music",
    key=_said("key", "the tonic of all who follow; if left out, each profile's own", "D"),
    scale=_said("scale", "the scale of all who follow; if left out, each profile's own", "major"),
    tempo=_said("tempo", "quarter notes a minute, for all who follow; if left out, each profile's own", "96 bpm"),
    time_signature=_said("time_signature", "the beats of a bar in the room's tempo; 4/4 if left out", "6/8"),
    progression={**ROOM_PROGRESSION, "description": "the chords of all who follow, and how long each lasts"},
)
CLOCK = group(
    "the clock",
    from_={
        **PATTERN,
        "description": "the name of the MIDI port whose clock is the tempo; until one is heard, music says it",
        "examples": ['"*Drum*"'],
    },
    to={
        **PATTERN,
        "description": "the name of the MIDI port that is given our clock, for instruments that follow",
        "examples": ['"*Sequencer*"'],
    },
)
KEYBOARD = group(
    "the keyboard",
    ("midi", "leads"),
    midi={**PATTERN, "description": "the name of its MIDI port", "examples": ['"*Keys*"']},
    leads={
        "enum": ["chords", "key", "both", "no"],
        "description": "what all who follow take from what is played on it; with no it only sounds and sets levels",
    },
    channel={
        **CHANNEL,
        "description": "only what is played on this MIDI channel leads; if left out, any but that of drums",
    },
    hold={
        "quantity": "controller",
        "description": "the controller of the hold pedal: while it is down, chord and key stay as they are",
        "examples": [67],
    },
    output={
        "type": "object",
        "description": "where its own notes sound, at once and within the limits below; nowhere from here if left out",
        "examples": ['{midi: "*Synth*"}'],
    },
    note_length={
        "quantity": "time",
        "least": "1 s",
        "most": "10 min",
        "default": "30 s",
        "description": (
            "the longest that a note of its output may sound, also under a pedal: then the end of the note was lost"
        ),
    },
    notes_at_once={
        "type": "integer",
        "minimum": 1,
        "maximum": 128,
        "default": 32,
        "description": "how many keys may be down at once at its output; a further one ends the oldest",
    },
    velocity={
        "type": "integer",
        "minimum": 1,
        "maximum": 127,
        "default": 110,
        "description": "the loudest that its output plays; louder notes are made softer",
    },
)
TURNS = group(
    "the turns",
    quiet={
        "quantity": "time",
        "least": "200 ms",
        "most": "30 s",
        "default": "2 s",
        "description": "so long nothing must have been played for a turn to pass on",
    },
    wait={
        "quantity": "time",
        "least": "1 s",
        "most": "5 min",
        "default": "8 s",
        "description": "so long a turn waits for whoever has it and does not play",
    },
    longest_turn={
        "quantity": "time",
        "least": "1 s",
        "most": "10 min",
        "default": "30 s",
        "description": "the longest that any turn lasts",
    },
)
_OF_EACH = (
    'It is a limit of each child, not of all together: it stands under the other "limits", which begin at the left.'
)
ROOM_LIMITS = {
    **group(
        "the room's limits",
        notes_at_once={
            "type": "integer",
            "minimum": 1,
            "maximum": 128,
            "default": 32,
            "description": "how many notes of all seats may sound together",
        },
        velocity_sum={
            "type": "integer",
            "minimum": 127,
            "maximum": 16256,
            "default": 1600,
            "description": "the most that the velocities of all notes that sound may come to, added up",
        },
    ),
    "elsewhere": dict.fromkeys(("velocity", "volume", "note_length", "notes_per_second"), _OF_EACH),
}
ROOM = group(
    "the room",
    music={**ROOM_MUSIC, "description": "what all who follow the room play in; each may be left out"},
    clock={**CLOCK, "description": "MIDI clock that leads the room, and that the room gives"},
    keyboard={
        **KEYBOARD,
        "description": "the keyboard of whoever runs the session",
        "examples": ['{midi: "*Keys*", leads: chords}'],
    },
    turns={**TURNS, "description": "how turns pass among those who take turns"},
    limits={**ROOM_LIMITS, "description": "the most that all may do together, beside what each may"},
)

CONFIGURATION = group(
    "a configuration",
    ("configuration",),
    configuration={
        "const": VERSION,
        "description": f"the version of the format; this router knows version {VERSION}",
        "examples": [VERSION],
    },
    folders={**FOLDERS, "description": "where things are kept"},
    seats={
        "type": "object",
        "description": f"the places that children play from, at most {MOST_SEATS}; one called bed if none is named",
        "examples": ["{bed: {profile: wren}}"],
    },
    room={**ROOM, "description": "what the children who play together share"},
    outputs={
        "type": "object",
        "description": "the room's own outputs; a profile's output of the same name leads there instead",
        "examples": ['{synth: {midi: "*Synth*"}}'],
    },
    chime={
        "type": "boolean",
        "default": True,
        "description": (
            "whether a short rising chime tells that a profile was swapped, and a falling one that it was refused"
        ),
    },
    buttons={
        "type": "object",
        "description": "switches for whoever runs the session, not for a child",
        "examples": ['{hush: {device: {evdev: "*Keypad*", key: KEY_ESC}, does: panic}}'],
    },
    program_change={**PROGRAM_CHANGE, "description": "program changes that choose a child of the list"},
    control={**CONTROL, "description": "who may use the commands status, use, panic, mark, level and watch"},
    records={**RECORDS, "description": "what is kept of the sessions, and for how long"},
    limits={**LIMITS, "description": "the most that any profile may ask for, whatever stands in it"},
    names_nobody=NAMES_NOBODY,
)


@cache
def homes() -> Mapping[str, tuple[str, ...]]:
    """For each setting, what it is a setting of."""
    groups: list[Mapping[str, Any]] = [CONFIGURATION, SEAT, BUTTON, *BUTTON_DEVICES.values(), *OUTPUTS.values()]
    groups += [ROOM_MUSIC, ROOM_PROGRESSION, CLOCK, KEYBOARD, TURNS, ROOM_LIMITS]
    return homes_in(groups, CONFIGURATION)


FORM = Form(
    "configuration",
    begin='A configuration begins with "configuration: 1"; everything else may be left out.',
    ordinary=5,
    alone="One PC has one configuration: put everything into one.",
    homes=homes,
)
