"""Quantities as people write them ("0.5 inH2O", "120 ms", "84 bpm", "1/8") to SI, and back.

Pressures use the *conventional* water and mercury columns: water of exactly 1000 kg/m3 and mercury of exactly
13595.1 kg/m3 under g = 9.80665 m/s2 (NIST SP 811, 2008, appendix B.8). Other conventions differ by about 0.1 %.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

NANOSECONDS = 1_000_000_000

_G = Fraction(980665, 100000)  # standard gravity, m/s2, exact
_INCH = Fraction(254, 10000)  # m, exact
_POUND = Fraction(45359237, 100_000_000)  # kg, exact

PRESSURE: Mapping[str, Fraction] = MappingProxyType(
    {
        "Pa": Fraction(1),
        "hPa": Fraction(100),
        "kPa": Fraction(1000),
        "mbar": Fraction(100),
        "bar": Fraction(100_000),
        "mmH2O": _G,
        "cmH2O": _G * 10,
        "inH2O": _G * 1000 * _INCH,
        "mmHg": _G * Fraction(135951, 10000),
        "psi": _POUND * _G / (_INCH * _INCH),
    }
)
"""Pascals in one of each unit, exact."""

TIME: Mapping[str, Fraction] = MappingProxyType(
    {"us": Fraction(1000), "ms": Fraction(1_000_000), "s": Fraction(NANOSECONDS), "min": Fraction(60 * NANOSECONDS)}
)
"""Nanoseconds in one of each unit."""

_DAY = Fraction(24 * 60 * 60 * NANOSECONDS)
DAYS: Mapping[str, Fraction] = MappingProxyType({"day": _DAY, "days": _DAY, "week": _DAY * 7, "weeks": _DAY * 7})
"""The same, for how long something is kept."""

FREQUENCY: Mapping[str, Fraction] = MappingProxyType(
    {"Hz": Fraction(1), "mHz": Fraction(1, 1000), "kHz": Fraction(1000)}
)
TEMPO: Mapping[str, Fraction] = MappingProxyType({"bpm": Fraction(1)})
PERCENT: Mapping[str, Fraction] = MappingProxyType({"%": Fraction(1, 100)})

SPOKEN: Mapping[str, str] = MappingProxyType(
    {
        **dict.fromkeys(("sec", "secs", "second", "seconds"), "s"),
        **dict.fromkeys(("m", "mins", "minute", "minutes"), "min"),
        **dict.fromkeys(("msec", "msecs", "millisecond", "milliseconds"), "ms"),
        **dict.fromkeys(("percent", "per cent"), "%"),
        **dict.fromkeys(("d",), "days"),
        **dict.fromkeys(("hertz",), "Hz"),
        **dict.fromkeys(("pascal", "pascals"), "Pa"),
    }
)
"""How people write units that are written otherwise here, for the hint: what is closest in letters may be wrong."""

NUMBER = r"[+-]?(?:[0-9]{1,18}(?:\.[0-9]{0,18})?|\.[0-9]{1,18})"
_QUANTITY = re.compile(rf"\s*(?P<number>{NUMBER})\s*(?P<unit>[^\s0-9.].*?)?\s*")
_COMMA = re.compile(r"\s*(?P<whole>[+-]?\d+),(?P<part>\d+)\s*(?P<unit>.*?)\s*")


class QuantityError(ValueError):
    """A text that is no such quantity. The message is for the person who wrote it; ``hint`` is the nearest right thing."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint


def parse(text: str, table: Mapping[str, Fraction], kind: str) -> Fraction:
    """A number with a unit of ``table``, exactly; ``kind`` ("a time") is used in the message.

    Raises:
        QuantityError: no number, no unit, a comma for a point, or a unit of another kind.
    """
    units = ", ".join(table)
    example = f"for example {_example(table)}"
    if comma := _COMMA.fullmatch(text):
        written = f"{comma['whole']}.{comma['part']} {comma['unit']}".strip()
        raise QuantityError(f'{kind} is written with a point, not a comma: "{text}"', f'Did you mean "{written}"?')
    found = _QUANTITY.fullmatch(text)
    if not found:
        raise QuantityError(f'"{text}" is not {kind}', f"Write a number and a unit ({units}), {example}.")
    unit = found["unit"]
    number = Fraction(found["number"])
    if unit is None:
        hint = f"Units: {units}; {example}." if len(table) > 1 else f'Did you mean "{text.strip()} {units}"?'
        raise QuantityError(f'{kind} needs a unit: "{text}"', hint)
    if unit not in table:
        near = SPOKEN.get(unit.casefold(), "")
        near = near if near in table else nearest(unit, table) or ""
        hint = f'Did you mean "{found["number"]} {near}"?  ' if near else ""
        raise QuantityError(f'"{unit}" is not a unit of {kind.removeprefix("a ")}', f"{hint}Units: {units}.")
    return number * table[unit]


def nearest(word: str, words: Mapping[str, object] | list[str] | tuple[str, ...]) -> str | None:
    """The word that ``word`` was probably meant to be: same letters in another case first, then the closest."""
    folded = {w.casefold(): w for w in words}
    if word.casefold() in folded:
        return folded[word.casefold()]
    cutoff = 0.6 if len(word) < 4 else 0.7  # one letter of three may be wrong, but not every other one of a longer word
    close = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=cutoff)
    return folded[close[0]] if close else None


def time_ns(text: str) -> int:
    """A time in whole nanoseconds, 0 or more: "30 ms", "0.5 s"."""
    value = parse(text, TIME, "a time")
    if value < 0:
        raise QuantityError(f'a time cannot be negative: "{text}"')
    return round(value)


def days_ns(text: str) -> int:
    """A time in days or weeks, as whole nanoseconds, 0 or more: "90 days"."""
    value = parse(text, DAYS, "a time")
    if value < 0:
        raise QuantityError(f'a time cannot be negative: "{text}"')
    return round(value)


def pascal(text: str) -> float:
    """A pressure in pascals: "0.5 inH2O", "-3 cmH2O"."""
    return float(parse(text, PRESSURE, "a pressure"))


def hertz(text: str) -> float:
    """A frequency in hertz, above 0."""
    value = parse(text, FREQUENCY, "a frequency")
    if value <= 0:
        raise QuantityError(f'a frequency must be above 0: "{text}"')
    return float(value)


def beats_per_minute(text: str) -> Fraction:
    """A tempo in quarter notes a minute, 20 to 400, exact."""
    value = parse(text, TEMPO, "a tempo")
    if not 20 <= value <= 400:
        raise QuantityError(f'a tempo is 20 to 400 bpm: "{text}"')
    return value


_SHARE = re.compile(r"\s*0?\.[0-9]{1,9}\s*")


def fraction_of_one(text: str) -> float:
    """A percentage, 0 to 100, as 0 to 1."""
    try:
        value = parse(text, PERCENT, "a percentage")
    except QuantityError as error:
        if _SHARE.fullmatch(text):
            error.hint = f'Did you mean "{float(text) * 100:g} %" or "{text.strip()} %"?'
        raise
    if not 0 <= value <= 1:
        raise QuantityError(f'a percentage here is 0 % to 100 %: "{text}"')
    return float(value)


_WHOLE = re.compile(r"\s*-?[0-9]{1,9}\s*")


def whole_number(text: str) -> int | None:
    """The whole number that a text is, or None if it is none."""
    return int(text) if _WHOLE.fullmatch(text) else None


_NOTE_VALUE = re.compile(r"\s*([0-9]{1,2})\s*/\s*([0-9]{1,3})\s*(dotted|triplet)?\s*")
NOTE_VALUES = (1, 2, 4, 8, 16, 32, 64)


def note_value(text: str) -> Fraction:
    """A note value as a fraction of a whole note: "1/8", "1/4 dotted", "1/8 triplet"."""
    found = _NOTE_VALUE.fullmatch(text)
    if not found or int(found[2]) not in NOTE_VALUES or int(found[1]) == 0:
        raise QuantityError(f'"{text}" is not a note value', "Write 1/4, 1/8, 1/16, 1/4 dotted or 1/8 triplet.")
    value = Fraction(int(found[1]), int(found[2]))
    return value * {None: Fraction(1), "dotted": Fraction(3, 2), "triplet": Fraction(2, 3)}[found[3]]


def _example(table: Mapping[str, Fraction]) -> str:
    examples = {"Pa": "0.5 inH2O", "us": "120 ms", "Hz": "1 Hz", "bpm": "84 bpm", "%": "10 %", "days": "90 days"}
    return next((f'"{text}"' for unit, text in examples.items() if unit in table), "1")
