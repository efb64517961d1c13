"""What a profile's text may mean where a schema says ``"quantity": KIND``, in one table.

Each kind knows how a message names it, how to read it, and how JSON Schema's own words describe it for an editor.
Reading is never more lenient than an editor that follows the schema, apart from ranges.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from router.midi import CONTROLLERS, PROGRAMS, controller_number, program_number
from router.music import SCALES, pitch_class, pitch_number, scale_shape
from router.units import (
    FREQUENCY,
    NUMBER,
    PERCENT,
    PRESSURE,
    TEMPO,
    TIME,
    QuantityError,
    beats_per_minute,
    fraction_of_one,
    hertz,
    note_value,
    pascal,
    time_ns,
)

LONGEST = 40
"""Characters of a quantity. Longer ones are slips, and numbers without end cost time."""


@dataclass(frozen=True, slots=True)
class Kind:
    """``phrase`` completes "this is ..."; ``published`` is the kind in plain JSON Schema."""

    phrase: str
    read: Callable[[str], Any]
    published: Mapping[str, Any]


def _with_unit(table: Mapping[str, object], *examples: str) -> Mapping[str, Any]:
    units = "|".join(table)
    return {"type": "string", "pattern": rf"^\s*{NUMBER}\s*({units})\s*$", "examples": list(examples)}


def _or_number(highest: int, **words: Any) -> Mapping[str, Any]:
    return {"anyOf": [{"type": "integer", "minimum": 0, "maximum": highest}, {"type": "string", **words}]}


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "time": Kind("a time", time_ns, _with_unit(TIME, "30 ms", "0.5 s")),
        "pressure": Kind("a pressure", pascal, _with_unit(PRESSURE, "0.5 inH2O", "3 cmH2O")),
        "frequency": Kind("a frequency", hertz, _with_unit(FREQUENCY, "1 Hz")),
        "percent": Kind("a percentage", fraction_of_one, _with_unit(PERCENT, "10 %")),
        "tempo": Kind("a tempo", beats_per_minute, _with_unit(TEMPO, "84 bpm")),
        "note value": Kind(
            "a note value",
            note_value,
            {
                "type": "string",
                "pattern": r"^\s*\d{1,2}\s*/\s*(1|2|4|8|16|32|64)\s*(dotted|triplet)?\s*$",
                "examples": ["1/8", "1/4 dotted", "1/8 triplet"],
            },
        ),
        "pitch": Kind(
            "a note",
            pitch_number,
            _or_number(
                127,
                pattern="^\\s*([A-Ga-g](##|bb|#|b|\u266f|\u266d| sharp| flat)?\\s*-?\\d{1,2}|\\d{1,3})\\s*$",
                examples=["C4", "F#3", "Bb2"],
            ),
        ),
        "controller": Kind(
            "a controller",
            controller_number,
            {"anyOf": [{"type": "integer", "minimum": 0, "maximum": 119}, {"enum": list(CONTROLLERS)}]},
        ),
        "key": Kind(
            "a key",
            pitch_class,
            {
                "type": "string",
                "pattern": "^\\s*[A-Ga-g](##|bb|#|b|\u266f|\u266d| sharp| flat)?\\s*$",
                "examples": ["C", "D", "F#", "Bb"],
            },
        ),
        "scale": Kind("a scale", scale_shape, {"enum": list(SCALES)}),
        "program": Kind(
            "a sound",
            program_number,
            {"anyOf": [{"type": "integer", "minimum": 0, "maximum": 127}, {"enum": list(PROGRAMS)}]},
        ),
    }
)


def read(kind: str, text: str) -> Any:
    """The quantity that a text stands for, in SI (times in nanoseconds, percentages 0 to 1).

    Raises:
        QuantityError: the text is no such quantity.
    """
    if len(text) > LONGEST:
        raise QuantityError(f"this is too long to be {KINDS[kind].phrase}")
    return KINDS[kind].read(text)
