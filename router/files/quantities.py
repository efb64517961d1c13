"""The kinds of quantities that a schema names (``"quantity": KIND``) and a profile writes as text, in one table.

Each kind knows how a message names it, how to read it, and how JSON Schema's own words describe it to an editor.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from router.core.midi import (
    CHANNEL_MODE,
    CONTROLLERS,
    DRUMS,
    PROGRAMS,
    USUAL_NAMES,
    controller_number,
    drum_number,
    program_number,
)
from router.core.music import (
    SCALES,
    SYMBOLS,
    chord_symbol,
    length,
    pitch_class,
    pitch_number,
    rate,
    scale_shape,
    time_signature,
    timed_chord,
)
from router.core.strokes import MARKS, drum_strokes, strokes
from router.core.units import (
    DAYS,
    FREQUENCY,
    LONGEST,
    NUMBER,
    PERCENT,
    PRESSURE,
    SMALL,
    TEMPO,
    TIME,
    QuantityError,
    beats_per_minute,
    days_ns,
    fraction_of_one,
    hertz,
    note_value,
    pascal,
    swing_ratio,
    time_ns,
)
from router.files import foreign
from router.files.diagnostics import either, quoted


@dataclass(frozen=True, slots=True)
class QuantityKind:
    """``phrase`` completes "this is ..."; ``published`` is the kind in plain JSON Schema."""

    phrase: str
    example: str
    read: Callable[[str], Any]
    published: Mapping[str, Any]


def _with_unit(table: Mapping[str, object]) -> Mapping[str, Any]:
    """A number with a unit, but none that is a thousandfold more to another reader (``units.parse`` refuses it)."""
    small = "|".join(unit for unit in table if unit in SMALL)
    thousands = rf"000(?![0-9])|[0-9]{{3}}\s*({small})\s*$" if small else "000(?![0-9])"
    two_ways = rf"[+-]?[1-9][0-9]{{0,2}}\.({thousands})"
    return {"type": "string", "pattern": rf"^\s*(?!{two_ways}){NUMBER}\s*({'|'.join(table)})\s*$"}


def _number_or(highest: int, other: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"anyOf": [{"type": "integer", "minimum": 0, "maximum": highest}, other]}


_LETTER = "[A-Ga-g](##|bb|#|b|\u266f|\u266d| sharp| flat)?"
_ROOT = "[A-G](##|bb|#|b|\u266f|\u266d)?"
_BARE_CHORD = rf"{_ROOT}({'|'.join(map(re.escape, SYMBOLS))})(/{_ROOT})?"
_CHORD = rf"^\s*{_BARE_CHORD}\s*$"
_LASTS = r"([0-9]{1,2}/[0-9]{1,2}( dotted| triplet)?|[0-9]{1,3} *bars?|[0-9.]+ *(ms|s))"
_TIMED_CHORD = rf"^\s*({_BARE_CHORD}|[1-9]|1[0-2])(\s+{_LASTS})?\s*$"
_STROKES = rf"[{''.join(sorted(MARKS))} |]{{1,400}}"
_BEATS = "([1-9]|1[0-6])"
_NOTE_VALUE = r"^\s*[0-9]{1,2}\s*/\s*(1|2|4|8|16|32|64)\s*(dotted|triplet)?\s*$"

KINDS: Mapping[str, QuantityKind] = MappingProxyType(
    {
        "time": QuantityKind("a time", "30 ms", time_ns, _with_unit(TIME)),
        "days": QuantityKind("a time in days", "90 days", days_ns, _with_unit(DAYS)),
        "pressure": QuantityKind("a pressure", "0.5 inH2O", pascal, _with_unit(PRESSURE)),
        "frequency": QuantityKind("a frequency", "1 Hz", hertz, _with_unit(FREQUENCY)),
        "percent": QuantityKind("a percentage", "10 %", fraction_of_one, _with_unit(PERCENT)),
        "tempo": QuantityKind("a tempo", "84 bpm", beats_per_minute, _with_unit(TEMPO)),
        "time signature": QuantityKind(
            "a time signature",
            "6/8",
            time_signature,
            {"type": "string", "pattern": rf"^\s*{_BEATS}(\s*\+\s*{_BEATS})*\s*/\s*(1|2|4|8|16)\s*$"},
        ),
        "swing ratio": QuantityKind(
            "a ratio", "2:1", swing_ratio, {"type": "string", "pattern": r"^\s*[1-9][0-9]?\s*:\s*[1-9][0-9]?\s*$"}
        ),
        "note value": QuantityKind("a note value", "1/8", note_value, {"type": "string", "pattern": _NOTE_VALUE}),
        "pitch": QuantityKind(
            "a note",
            "C4",
            pitch_number,
            _number_or(127, {"type": "string", "pattern": rf"^\s*{_LETTER}\s*-?[0-9]{{1,2}}\s*$"}),
        ),
        "controller": QuantityKind(
            "a controller",
            "breath",
            controller_number,
            _number_or(CHANNEL_MODE - 1, {"enum": list(CONTROLLERS)}),
        ),
        "key": QuantityKind("a key", "D", pitch_class, {"type": "string", "pattern": rf"^\s*{_LETTER}\s*$"}),
        "scale": QuantityKind("a scale", "minor pentatonic", scale_shape, {"enum": list(SCALES)}),
        "length": QuantityKind(
            "a length",
            "1/4",
            length,
            {
                "anyOf": [{"pattern": _NOTE_VALUE}, {"pattern": r"^\s*[0-9]{1,3}\s*bars?\s*$"}, _with_unit(TIME)],
                "type": "string",
            },
        ),
        "rate": QuantityKind(
            "a rate",
            "1/8",
            rate,
            {"type": "string", "anyOf": [{"pattern": _NOTE_VALUE}, _with_unit(FREQUENCY)]},
        ),
        "chord": QuantityKind(
            "a chord",
            "Am",
            chord_symbol,
            {"anyOf": [{"type": "integer", "minimum": 1, "maximum": 12}, {"type": "string", "pattern": _CHORD}]},
        ),
        "chord with its length": QuantityKind(
            "a chord",
            "Am 2 bars",
            timed_chord,
            {"anyOf": [{"type": "integer", "minimum": 1, "maximum": 12}, {"type": "string", "pattern": _TIMED_CHORD}]},
        ),
        "drum": QuantityKind(
            "a drum",
            "hand clap",
            drum_number,
            {"anyOf": [{"type": "integer", "minimum": 35, "maximum": 81}, {"enum": list(DRUMS)}]},
        ),
        "strokes": QuantityKind(
            "the strokes of a pattern", "X--x --x-", strokes, {"type": "string", "pattern": rf"^\s*{_STROKES}\s*$"}
        ),
        "drum strokes": QuantityKind(
            "a drum and its strokes",
            "closed hi-hat x-x-x-x-",
            drum_strokes,
            {"type": "string", "pattern": rf"^\s*({'|'.join(DRUMS)}|[3-8][0-9])\s*{_STROKES}\s*$"},
        ),
        "program": QuantityKind(
            "a sound", "marimba", program_number, _number_or(127, {"enum": [*PROGRAMS, *USUAL_NAMES]})
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
    try:
        return KINDS[kind].read(text)
    except QuantityError as error:
        error.hint = _elsewhere(kind, text) or error.hint
        raise


_LETTERS = "Notes are written with the letters A to G; English B is German H."


def _elsewhere(kind: str, text: str) -> str:
    """Return the hint for a name as another language writes it, or nothing."""
    if kind == "chord with its length":
        symbol, _, lasts = text.strip().partition(" ")
        return _elsewhere("length", lasts) if lasts and _is_chord(symbol) else _elsewhere("chord", symbol)
    bare = text.strip().casefold()
    if kind == "pitch" and (named := foreign.note(text)) and not bare.startswith(named.casefold()):
        octave = "" if re.search(r"\d$", named) else "4"
        return f'Did you mean "{named}{octave}"?  {_LETTERS}'
    if kind == "key":
        tonic, scale = foreign.key(text)
        if tonic and scale:
            return f'Did you mean "key: {tonic}, scale: {scale}"?'
        return f'Did you mean "{tonic}"?  {_LETTERS}' if tonic else ""
    if kind == "scale" and bare not in ("blues", "pentatonic") and (scales := foreign.scale(text)):
        return f"Did you mean {either(f'{quoted(scale)}' for scale in scales)}?  Scales: {', '.join(SCALES)}."
    if kind == "chord" and bare in foreign.ROMAN:
        return (
            f'Did you mean "{foreign.ROMAN[bare]}"?  Chords are written by the number of the step, or by name, such'
            " as Am."
        )
    if kind == "length" and (bars := foreign.BARS.fullmatch(text)):
        return f'Did you mean "{bars[1]} bar{"" if bars[1] == "1" else "s"}"?'
    if kind == "chord" and (symbol := foreign.chord(text)).casefold() != bare and _is_chord(symbol):
        return f'Did you mean "{symbol}"?  {_LETTERS}'
    return ""


def _is_chord(symbol: str) -> bool:
    try:
        chord_symbol(symbol)
    except QuantityError:
        return False
    return True
