"""The schema of the devices that inputs hear. See ``schema.py``."""

from __future__ import annotations

from collections.abc import Mapping

from router.core.units import PRESSURE
from router.files.profile.schema_words import CHANNEL, PATTERN, Schema, group

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
