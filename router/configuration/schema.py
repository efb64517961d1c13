"""What a configuration may hold, as JSON Schema with the words of our own that router/profile/schema.py explains."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from router.profile.diagnostics import Form
from router.profile.schema import CHANNEL, CHILD, DEVICES, OUTPUTS, PATTERN, Schema, group, homes_in
from router.profile.schema import LIMITS as OF_PROFILES

VERSION = 1
MOST_SEATS = 16
"""Our choice: more children than that do not play in one room."""
LONGEST_RUNTIME = 90
"""Bytes of the path of the folder that holds the control socket: Linux allows a socket 108 in all (unix(7))."""


SPELT = "a whole path that begins with /"


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
        "description": "the folder of its profiles; that of the therapists, and with several seats one in it by the seat's name",
        "examples": ["/var/lib/router/profiles/bed"],
    },
    profile={
        **CHILD,
        "description": "the child whose profile plays before any was chosen; a safe one of the router's own if left out",
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
)

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
        "enum": ["panic", "next", "previous", "mark"],
        "description": "end every sound, go on in the list of children, go back in it, or mark this moment in the session log",
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
        "description": "what is older than this is deleted",
    },
    sessions={
        "type": "integer",
        "minimum": 1,
        "maximum": 100_000,
        "no": "any number is kept",
        "default": 500,
        "description": "how many sessions of one child are kept; the oldest are deleted first",
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
    outputs={
        "type": "object",
        "description": "the room's own outputs; a profile's output of the same name leads there instead",
        "examples": ['{synth: {midi: "*Synth*"}}'],
    },
    motif={
        "type": "boolean",
        "default": True,
        "description": "whether a short rising motif tells that a profile was swapped, and a falling one that it was refused",
    },
    buttons={
        "type": "object",
        "description": "switches for whoever runs the session, not for a child",
        "examples": ['{hush: {device: {evdev: "*Keypad*", key: KEY_ESC}, does: panic}}'],
    },
    program_change={**PROGRAM_CHANGE, "description": "program changes that choose a child of the list"},
    control={**CONTROL, "description": "who may use the commands status, use, panic, mark and watch"},
    records={**RECORDS, "description": "what is kept of the sessions, and for how long"},
    limits={**LIMITS, "description": "the most that any profile may ask for, whatever stands in it"},
)


@cache
def homes() -> Mapping[str, tuple[str, ...]]:
    """For each setting, what it is a setting of."""
    groups: list[Mapping[str, Any]] = [CONFIGURATION, SEAT, BUTTON, *BUTTON_DEVICES.values(), *OUTPUTS.values()]
    return homes_in(groups, CONFIGURATION)


FORM = Form(
    "configuration",
    begin='A configuration begins with "configuration: 1"; everything else may be left out.',
    ordinary=5,
    alone="One PC has one configuration: put everything into one.",
    homes=homes,
)
