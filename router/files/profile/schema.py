"""The schema of a profile, as JSON Schema, in one place for the checks, the editor's schema and the manual.

The pieces below are JSON Schema 2020-12 with five words of our own, which publish.py turns into plain JSON Schema:

    "quantity": KIND      a text such as "30 ms" (see quantities.py); "least" and "most" are its limits, in the same
                          form
    "no": MEANING         instead of the quantity or group, ``no`` may be written; what that means
    "spelling"            what a "pattern" asks for, in words
    "elsewhere"           settings that a group does not have although others like it do, and what is said of them

``title`` is how a message calls the thing ("a switch input"), ``default`` what holds when nothing is written.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from router.core.contract import Rule
from router.core.units import PRESSURE
from router.files.diagnostics import Form
from router.files.plugins import installed

Schema = Mapping[str, Any]

VERSION = 1
CHANNEL: Schema = {"type": "integer", "minimum": 1, "maximum": 16}
NAME: Schema = {
    "type": "string",
    "pattern": r"^[a-z][a-z0-9_-]{0,31}$",
    "spelling": "small letters, digits, _ and -, a letter first, at most 32",
}
CHILD: Schema = {
    "type": "string",
    "pattern": r"^[a-z][a-z0-9-]{0,31}$",
    "spelling": "small letters, digits and -, a letter first, at most 32",
    "description": "a pseudonym, never a name",
    "examples": ["wren"],
}
PATTERN: Schema = {"type": "string", "minLength": 1, "maxLength": 200, "examples": ['"*"']}


def group(title: str, needed: tuple[str, ...] = (), **properties: Schema) -> dict[str, Any]:
    """A closed group of settings; a property that is a word of Python is given with ``_`` after it."""
    schema: dict[str, Any] = {
        "title": title,
        "type": "object",
        "additionalProperties": False,
        "properties": {name.rstrip("_"): schema for name, schema in properties.items()},
    }
    if needed:
        schema["required"] = list(needed)
    return schema


PROGRESSION = group(
    "a progression",
    chords={
        "type": "array",
        "minItems": 1,
        "items": {"quantity": "chord"},
        "description": "the chords, by symbol, or by the steps of the key (1 to 7) on which triads stand",
        "examples": ["[C, Am, F, G]"],
    },
    every={"quantity": "length", "description": "how long each chord lasts", "examples": ["2 bars"]},
    advance={
        "type": "string",
        "description": (
            "the input whose presses go on to the next chord; if it plays a part as well, its first press has the first"
            " chord, and the chords begin again when its sequence does (restart_after)"
        ),
        "examples": ["pad"],
    },
    follow={"type": "string", "description": "the MIDI input whose held notes are the chord", "examples": ["keys"]},
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
    time_signature={"quantity": "time signature", "default": "4/4", "description": "the beats of a bar"},
    progression={**PROGRESSION, "description": "the chords that parts can follow, and what goes on to the next"},
    follow={
        "enum": ["room", "tempo", "harmony"],
        "description": (
            "what the room says instead, where it says anything: tempo and time signature, harmony (key, scale and chords), or"
            " both. If left out, nothing"
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

_SERIAL_PATTERN: Schema = {
    **PATTERN,
    "description": "the serial line's name under /dev/serial/by-id, or its path; * stands for anything",
}
_BAUD: Schema = {
    "type": "integer",
    "minimum": 300,
    "maximum": 4_000_000,
    "default": 115200,
    "description": "the speed that the sensor sends with",
}
_LINE: Schema = {
    "type": "string",
    "minLength": 1,
    "maxLength": 200,
    "description": "which number of a line counts: a regular expression with a group called value",
}
_EVDEV_PATTERN: Schema = {**PATTERN, "description": "the name of the kernel's input device; * stands for anything"}
_GRAB: Schema = {
    "type": "boolean",
    "default": True,
    "description": "whether the router alone hears the device, so that it types and clicks nowhere else",
}

ABSOLUTE = (
    *("ABS_X", "ABS_Y", "ABS_Z", "ABS_RX", "ABS_RY", "ABS_RZ"),
    *("ABS_THROTTLE", "ABS_RUDDER", "ABS_WHEEL", "ABS_GAS", "ABS_BRAKE"),
    *(f"ABS_HAT{number}{way}" for number in range(4) for way in "XY"),
    *("ABS_PRESSURE", "ABS_DISTANCE", "ABS_TILT_X", "ABS_TILT_Y", "ABS_TOOL_WIDTH", "ABS_VOLUME", "ABS_MISC"),
)
RELATIVE = (
    *("REL_X", "REL_Y", "REL_Z", "REL_RX", "REL_RY", "REL_RZ", "REL_HWHEEL", "REL_DIAL", "REL_WHEEL", "REL_MISC"),
    *("REL_WHEEL_HI_RES", "REL_HWHEEL_HI_RES"),
)
"""The kernel's names of axes (linux/input-event-codes.h), without those of several fingers at once."""

_CALIBRATE: Schema = {
    "type": "array",
    "minItems": 2,
    "maxItems": 2,
    "items": group(
        "a point of the calibration",
        ("reads", "is"),
        reads={"type": "number", "description": "what the sensor says", "examples": [412]},
        is_={"quantity": "pressure", "description": "the pressure at which it says so", "examples": ["10 cmH2O"]},
    ),
    "description": "two points from which every other reading follows",
    "examples": ["[{reads: 412, is: 0 Pa}, {reads: 3600, is: 10 cmH2O}]"],
}
_RANGE: Schema = {
    **group(
        "the range",
        lowest={"type": "number", "description": "the lowest number that the sensor can say", "examples": [0]},
        highest={"type": "number", "description": "the highest number that the sensor can say", "examples": [4095]},
    ),
    "description": "the ends of the sensor: a pressure that stays at one is a fault; leave out one at which it rests",
    "examples": ["{lowest: 0, highest: 4095}"],
}

DEVICES: Mapping[str, Mapping[str, Schema]] = {
    "switch": {
        "evdev": group(
            "an evdev switch",
            ("evdev", "key"),
            evdev=_EVDEV_PATTERN,
            key={
                "type": "string",
                "pattern": r"^(KEY|BTN)_[A-Z0-9_]{1,40}$",
                "spelling": "the kernel's name of a key or button, such as KEY_SPACE or BTN_0",
                "description": "what is pressed",
                "examples": ["BTN_0"],
            },
            grab=_GRAB,
            each={
                "type": "boolean",
                "default": False,
                "description": (
                    "whether every device that the name means plays, as one switch; else it must mean one only"
                ),
            },
        ),
        "serial": group(
            "a serial switch",
            ("serial",),
            serial=_SERIAL_PATTERN,
            baud=_BAUD,
            line={**_LINE, "description": _LINE["description"] + "; above 0 is pressed"},
        ),
        "terminal": group(
            "a terminal key",
            ("terminal",),
            terminal={
                "type": "string",
                "pattern": r"^(\S|space|enter|tab)$",
                "spelling": "one character, space, enter or tab",
                "description": "a key of the keyboard at which the router was started",
                "examples": ["space"],
            },
        ),
    },
    "pressure": {
        "serial": group(
            "a serial pressure sensor",
            ("serial",),
            serial=_SERIAL_PATTERN,
            baud=_BAUD,
            line=_LINE,
            unit={"enum": list(PRESSURE), "description": "the unit of the numbers that the sensor sends"},
            scale={"type": "number", "description": "the numbers are multiplied by this; 1 if it is left out"},
            offset={"type": "number", "description": "what the sensor sends at no pressure; 0 if it is left out"},
            calibrate=_CALIBRATE,
            range=_RANGE,
        ),
        "evdev": group(
            "an evdev pressure sensor",
            ("evdev", "axis", "calibrate"),
            evdev=_EVDEV_PATTERN,
            axis={
                "enum": ABSOLUTE,
                "description": "the axis that follows the pressure, by the kernel's name",
                "examples": ["ABS_Z"],
            },
            calibrate=_CALIBRATE,
            range=_RANGE,
            grab=_GRAB,
        ),
        "midi": group(
            "a MIDI pressure sensor",
            ("midi", "calibrate"),
            midi={**PATTERN, "description": "the name of the MIDI port; * stands for anything"},
            controller={"quantity": "controller", "description": "the controller that follows the pressure"},
            channel_pressure={
                "type": "boolean",
                "default": False,
                "description": "whether channel pressure follows it",
            },
            bend={"type": "boolean", "default": False, "description": "whether pitch bend follows it, 0 to 16383"},
            channel={**CHANNEL, "description": "only this MIDI channel counts; any if left out"},
            calibrate=_CALIBRATE,
            range=_RANGE,
        ),
    },
    "pointer": {
        "evdev": group(
            "an evdev pointer",
            ("evdev",),
            evdev=_EVDEV_PATTERN,
            x={
                "enum": (*ABSOLUTE, *RELATIVE),
                "default": "ABS_X",
                "description": "the axis from left to right; of what moves like a mouse REL_X",
            },
            y={
                "enum": (*ABSOLUTE, *RELATIVE),
                "default": "ABS_Y",
                "description": "the axis from top to bottom; of what moves like a mouse REL_Y",
            },
            step={
                "quantity": "percent",
                "description": "how far one count of REL_X moves, in parts of the whole width; 0.1 % if it is left out",
                "examples": ["0.1 %"],
            },
            grab=_GRAB,
        ),
    },
    "midi": {
        "midi": group(
            "a MIDI device",
            ("midi",),
            midi={**PATTERN, "description": "the name of the MIDI port; * stands for anything"},
        ),
    },
}
"""By input type and by the word that says which kind of device it is."""

SIDE = group(
    "thresholds",
    ("on", "full"),
    on={"quantity": "pressure", "description": "from here on it is an effort", "examples": ["0.4 inH2O"]},
    off={
        "quantity": "pressure",
        "description": "below this the effort is over; 60 % of on if it is left out",
        "examples": ["0.25 inH2O"],
    },
    full={"quantity": "pressure", "description": "what counts as full strength", "examples": ["2 inH2O"]},
    firm={
        "quantity": "pressure",
        "description": "from here on a second, firmer press begins on top of the first (cheek.above.firm)",
        "examples": ["1.2 inH2O"],
    },
    follow={
        **group(
            "bounds to follow in",
            ("lowest", "highest"),
            lowest={"quantity": "pressure", "description": "on never goes below this", "examples": ["0.2 inH2O"]},
            highest={"quantity": "pressure", "description": "on never goes above this", "examples": ["0.6 inH2O"]},
        ),
        "description": (
            "on, and the others with it, slowly follow efforts that grow or shrink in a session; they stay if left out"
        ),
        "examples": ["{lowest: 0.2 inH2O, highest: 0.6 inH2O}"],
    },
)
SIDE["examples"] = ["{on: 0.4 inH2O, full: 2 inH2O}"]
CYCLE = group(
    "a rhythm that is known",
    ("period", "height", "irregular", "uneven", "wavers", "shape"),
    period={"quantity": "time", "least": "500 ms", "most": "10 s", "description": "from one breath to the next"},
    height={"quantity": "pressure", "description": "from trough to crest", "examples": ["0.4 inH2O"]},
    irregular={
        "quantity": "percent",
        "most": "30 %",
        "description": "how much periods differ, standard deviation",
        "examples": ["2 %"],
    },
    uneven={
        "quantity": "percent",
        "most": "100 %",
        "description": "how much heights differ, standard deviation",
        "examples": ["5 %"],
    },
    wavers={
        "quantity": "pressure",
        "description": "how much the pressure between breaths differs, standard deviation",
        "examples": ["0.01 inH2O"],
    },
    shape={
        "type": "array",
        "minItems": 8,
        "maxItems": 64,
        "items": {"type": "number", "minimum": 0, "maximum": 100},
        "description": "the pressure at equal distances in a period, 0 at the trough and 100 at the crest",
    },
)
CYCLE["examples"] = [
    "{period: 2 s, height: 0.4 inH2O, irregular: 2 %, uneven: 5 %, wavers: 0.01 inH2O, shape: [0, 50, 100, 100, 50, 25, 0, 0]}"
]
ZERO = group(
    "zero",
    track={
        "quantity": "time",
        "least": "1 s",
        "most": "10 min",
        "no": "rest is always 0",
        "default": "20 s",
        "description": "how slowly the level of rest follows drift",
    },
    flat={
        "quantity": "time",
        "least": "1 s",
        "most": "60 s",
        "no": "only an effort longer than the longest is",
        "default": "5 s",
        "description": "a pressure away from rest that stays as still as rest for this long is the new level of rest",
    },
)
STRENGTH = group(
    "strength",
    from_={
        "enum": ["rise", "peak"],
        "default": "rise",
        "description": "rise: how fast it begins, heard at once; peak: the most within the time, heard after it",
    },
    over={
        "quantity": "time",
        "least": "1 ms",
        "most": "2 s",
        "default": "50 ms",
        "description": "the time that is looked at",
    },
)
SMOOTH = group(
    "smooth",
    min_cutoff={
        "quantity": "frequency",
        "least": "0.05 Hz",
        "most": "100 Hz",
        "default": "1 Hz",
        "description": "lower is steadier while the head is still",
    },
    beta={
        "type": "number",
        "minimum": 0,
        "maximum": 100,
        "default": 2,
        "description": "higher follows quick movements sooner",
    },
)
GRID = group(
    "a grid",
    columns={"type": "integer", "minimum": 1, "maximum": 16, "default": 4, "description": "zones side by side"},
    rows={"type": "integer", "minimum": 1, "maximum": 8, "default": 1, "description": "zones below one another"},
    hysteresis={
        "quantity": "percent",
        "most": "45 %",
        "default": "20 %",
        "description": "how far, in parts of a zone, the pointer must be beyond the border of a zone before it has left it",
    },
    dwell={
        "quantity": "time",
        "most": "10 s",
        "default": "800 ms",
        "description": "how long the pointer must stay in a zone before it plays",
    },
    grace_time={
        "quantity": "time",
        "most": "2 s",
        "default": "200 ms",
        "description": "leaving a zone and coming back within this time is no leaving; a note ends later by as much",
    },
    rest={
        "type": "array",
        "minItems": 1,
        "items": {"type": "integer", "minimum": 1, "maximum": 128},
        "description": "the zones that never play, counted from 1 as one reads",
        "examples": ["[5]"],
    },
)
SPEED = group(
    "strength",
    ("full_speed",),
    full_speed={
        "quantity": "time",
        "least": "50 ms",
        "most": "10 s",
        "description": "a head that would cross the whole width in this time plays at full strength",
        "examples": ["500 ms"],
    },
)

_TYPE: Schema = {
    "description": "what the device is",
    "examples": [*DEVICES, "listen"],
}  # pieces.py says which there are
_ABOUT: Schema = {"type": "string", "maxLength": 2000, "description": "a remark for people"}


NAMES_NOBODY: Schema = {
    "type": "boolean",
    "default": False,
    "description": (
        "yes: somebody has looked, and no remark or name in this file says who anybody is, although one looks as if"
    ),
}


def _device(example: str) -> Schema:
    return {"type": "object", "description": "where the movement is heard", "examples": [example]}


INPUTS: Mapping[str, Schema] = {
    "switch": group(
        "a switch input",
        ("type", "device"),
        type=_TYPE,
        about=_ABOUT,
        device=_device("{terminal: space}"),
        debounce={
            "quantity": "time",
            "most": "1 s",
            "default": "30 ms",
            "description": "after each change, how long the contact is left to settle",
        },
        accept={
            "quantity": "time",
            "most": "5 s",
            "default": "0 ms",
            "description": "how long the switch must be held before it counts",
        },
        release={
            "quantity": "time",
            "most": "5 s",
            "default": "0 ms",
            "description": "how long the switch must be let go before the press is over",
        },
        lockout={
            "quantity": "time",
            "most": "10 s",
            "default": "0 ms",
            "description": "after a press that counted, how long no other counts",
        },
        longest={
            "quantity": "time",
            "least": "1 s",
            "most": "60 min",
            "no": "a press may last for ever",
            "default": "60 s",
            "description": "a switch that is held longer is taken to be stuck, and let go",
        },
        inverted={
            "type": "boolean",
            "default": False,
            "description": "yes for a switch that is closed at rest and opens when it is pressed",
        },
        double={
            "quantity": "time",
            "most": "5 s",
            "default": "400 ms",
            "description": "how soon a second press must follow to be a double press (pad.double)",
        },
        long={
            "quantity": "time",
            "least": "100 ms",
            "most": "30 s",
            "default": "1 s",
            "description": "how long a press must last to be a long press (pad.long)",
        },
        exclusive={
            "type": "boolean",
            "default": False,
            "description": (
                "yes: a press is only one of pad, pad.double and pad.long, and pad waits until that is known"
            ),
        },
    ),
    "pressure": {
        **group(
            "a pressure input",
            ("type", "device"),
            type=_TYPE,
            about=_ABOUT,
            device=_device('{serial: "*pressure*", unit: Pa}'),
            zero={**ZERO, "description": "how the level of rest is found"},
            above={**SIDE, "description": "puff, squeeze or bite: thresholds above rest"},
            below={**SIDE, "description": "sip or suck: thresholds below rest, written without a minus sign"},
            strength={**STRENGTH, "description": "how the strength of an effort is measured"},
            rhythm={
                "type": "boolean",
                "default": True,
                "description": "whether a steady rhythm underneath, such as breathing, is learned and taken out",
            },
            cycle={
                **CYCLE,
                "no": "a rhythm is only learned while playing",
                "description": "the rhythm underneath as a fit found it in the rest: it is taken out from the first breath on, however large",
            },
            longest={
                "quantity": "time",
                "least": "5 s",
                "most": "60 min",
                "no": "an effort may last for ever",
                "default": "60 s",
                "description": "an effort that lasts longer is let go, and its pressure taken as the new rest",
            },
            spikes={
                "quantity": "time",
                "least": "0 ms",
                "most": "500 ms",
                "default": "0 ms",
                "description": "single readings far away, as from a bad contact, are outvoted by the others within this time; 0: all count",
            },
        ),
        "anyOf": [{"required": ["above"]}, {"required": ["below"]}],
    },
    "pointer": group(
        "a pointer input",
        ("type", "device"),
        type=_TYPE,
        about=_ABOUT,
        device=_device('{evdev: "*Pointer*"}'),
        smooth={**SMOOTH, "no": "the place is taken as it comes", "description": "how tremor is taken out"},
        gain={
            "type": "number",
            "minimum": 0.1,
            "maximum": 20,
            "default": 1,
            "description": (
                "how many times movements around the centre are enlarged, for a head that turns only a little"
            ),
        },
        recentre={
            "type": "string",
            "description": "a press of this, such as a switch, makes the place of that moment the centre",
            "examples": ["pad"],
        },
        grid={**GRID, "description": "the zones that the pointer plays"},
        strength={**SPEED, "description": "how the strength of a press is measured; always in the middle if left out"},
        lost_after={
            "quantity": "time",
            "least": "100 ms",
            "most": "10 min",
            "no": "a device that says nothing is taken to be still, as if left out",
            "examples": ["1 s"],
            "description": (
                "a tracker that has said nothing for this long is lost; only for one that never stops sending"
            ),
        },
        jump={
            "quantity": "percent",
            "least": "5 %",
            "no": "every leap is believed, as if left out",
            "examples": ["40 %"],
            "description": "a leap farther than this, in parts of the whole, between two samples is not the head's",
        },
    ),
    "midi": group(
        "a MIDI input",
        ("type", "device"),
        type=_TYPE,
        about=_ABOUT,
        device=_device('{midi: "*"}'),
        channel={**CHANNEL, "description": "only this MIDI channel counts; any if left out"},
        lowest={"quantity": "pitch", "default": 0, "description": "the lowest key that counts"},
        highest={"quantity": "pitch", "default": 127, "description": "the highest key that counts"},
    ),
    "listen": {
        **group(
            "a listen input",
            ("type",),
            type={**_TYPE, "description": "that it hears what others play, and has no device"},
            about=_ABOUT,
            seat={
                **NAME,
                "description": (
                    "the seat that is heard, by its name in the configuration of the PC; anybody hears all others"
                ),
                "examples": ["anybody"],
            },
            part={
                **NAME,
                "description": "the part that is heard: of this profile, or of the seat that is named",
                "examples": ["tune"],
            },
            quiet={
                "quantity": "time",
                "least": "100 ms",
                "most": "60 s",
                "default": "1 s",
                "description": "so long after its last note a phrase is over (call.phrase)",
            },
        ),
        "anyOf": [{"required": ["seat"]}, {"required": ["part"]}],
        "elsewhere": {"device": "It hears what others play and needs none: leave this out."},
    },
}
"""By type."""

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
    about=_ABOUT,
    input={"description": "which movement plays it: an input, or a list of them", "examples": ["pad"]},
    rules={
        "description": "what becomes of the movement, one rule after the other",
        "examples": ["[note: {degree: 1}]"],
    },
    output={**ROUTE, "description": "where it sounds", "examples": ["{port: synth}"]},
)

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
    about={**_ABOUT, "description": "what is to be reached, and what each score means; for people"},
    weight={
        "type": "number",
        "minimum": 0.1,
        "maximum": 100,
        "default": 1,
        "description": "how much it counts beside the others, such as its importance times its difficulty",
    },
)

PROFILE = group(
    "a profile",
    ("profile", "child", "inputs", "parts", "outputs"),
    profile={
        "const": VERSION,
        "description": f"the version of the format; this router knows version {VERSION}",
        "examples": [VERSION],
    },
    child=CHILD,
    about=_ABOUT,
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


_SPELT = str.maketrans(
    {
        "\u00e4": "ae",
        "\u00f6": "oe",
        "\u00fc": "ue",
        "\u00c4": "ae",
        "\u00d6": "oe",
        "\u00dc": "ue",
        "\u00df": "ss",
        "\u00f8": "oe",
        "\u00e6": "ae",
        "\u0153": "oe",
        "\u00e5": "aa",
    }
)
"""Letters of other languages, as they are spelt where there are none (German, Danish and French custom)."""


def respell(text: str, wanted: Schema) -> str | None:
    """A text made to fit a pattern by what people most often get wrong: capitals, spaces, dashes."""
    pattern = wanted["pattern"]
    bare = re.sub(r"[\s.,;:/]+", "-", re.sub(r"\.ya?ml$", "", text.strip().strip(".,;:"))).translate(_SPELT)
    bare = "".join(letter for letter in unicodedata.normalize("NFKD", bare) if not unicodedata.combining(letter))
    upper = re.sub(r"[\s-]+", "_", text.strip()).upper()
    for tried in (bare.casefold(), upper, f"KEY_{upper}", f"ABS_{upper}"):
        if tried != text and re.search(pattern, tried):
            return tried
    return None


def fits(text: str, wanted: Schema) -> bool:
    """Tell whether a text is spelt as a pattern asks."""
    return re.search(wanted["pattern"], text) is not None and not text.endswith("\n")


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
        GOAL,
    ]
    groups += [{"title": f"{article(name)} {name} rule", **rule.settings} for rule in rules for name in (rule.name,)]
    return homes_in(groups, PROFILE)


def homes_in(groups: Iterable[Schema], whole: Schema) -> Mapping[str, tuple[str, ...]]:
    """For each setting of these groups, what it is a setting of; ``whole``: the group of the whole file."""
    found: dict[str, list[str]] = {}
    for one in groups:
        for name, inner in one["properties"].items():
            found.setdefault(name, []).append(one["title"])
            for deeper in inner.get("properties", {}):
                within = "" if one is whole else f" in {one['title']}"
                found.setdefault(deeper, []).append(f'"{name}"{within}')
    return {name: tuple(dict.fromkeys(titles)) for name, titles in found.items()}


FORM = Form(
    "profile",
    begin="router new CHILD --input pad=switch writes a profile to begin with.",
    ordinary=3,
    alone="One file holds one child; give each a file of its own.",
    homes=homes,
)


def article(name: str) -> str:
    """The word before a name: a or an."""
    return "an" if name[0] in "aeiou" else "a"
