"""The schema of inputs. See ``schema.py``."""

from __future__ import annotations

from collections.abc import Mapping

from router.files.profile.device_schema import DEVICES
from router.files.profile.schema_words import ABOUT, CHANNEL, NAME, Schema, group

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
    (
        "{period: 2 s, height: 0.4 inH2O, irregular: 2 %, uneven: 5 %, wavers: 0.01 inH2O,"
        " shape: [0, 50, 100, 100, 50, 25, 0, 0]}"
    )
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
        "description": (
            "how far, in parts of a zone, the pointer must be beyond the border of a zone before it has left it"
        ),
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


def _device(example: str) -> Schema:
    return {"type": "object", "description": "where the movement is heard", "examples": [example]}


INPUTS: Mapping[str, Schema] = {
    "switch": group(
        "a switch input",
        ("type", "device"),
        type=_TYPE,
        about=ABOUT,
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
            "description": "how long the switch must be released before the press is over",
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
            "description": "a switch that is held longer is taken to be stuck, and released",
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
            about=ABOUT,
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
                "description": (
                    "the rhythm underneath as a fit found it in the rest: it is taken out from the first breath on,"
                    " however large"
                ),
            },
            longest={
                "quantity": "time",
                "least": "5 s",
                "most": "60 min",
                "no": "an effort may last for ever",
                "default": "60 s",
                "description": "an effort that lasts longer is released, and its pressure taken as the new rest",
            },
            accept={
                "quantity": "time",
                "most": "2 s",
                "default": "0 ms",
                "description": (
                    "how long an effort must last before it counts: a longer time keeps out talk and coughs, and every"
                    " note comes later by as much"
                ),
            },
            spikes={
                "quantity": "time",
                "least": "0 ms",
                "most": "500 ms",
                "default": "0 ms",
                "description": (
                    "single readings far away, as from a bad contact, are outvoted by the others within this time; 0:"
                    " all count"
                ),
            },
        ),
        "anyOf": [{"required": ["above"]}, {"required": ["below"]}],
    },
    "pointer": group(
        "a pointer input",
        ("type", "device"),
        type=_TYPE,
        about=ABOUT,
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
        about=ABOUT,
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
            about=ABOUT,
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
