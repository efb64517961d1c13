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
"""Nanoseconds in one of each unit, for how long something is kept."""

FREQUENCY: Mapping[str, Fraction] = MappingProxyType(
    {"Hz": Fraction(1), "mHz": Fraction(1, 1000), "kHz": Fraction(1000)}
)
TEMPO: Mapping[str, Fraction] = MappingProxyType({"bpm": Fraction(1)})
PERCENT: Mapping[str, Fraction] = MappingProxyType({"%": Fraction(1, 100)})

SPOKEN: Mapping[str, str] = MappingProxyType(
    {
        **dict.fromkeys(("sec", "secs", "second", "seconds"), "s"),
        **dict.fromkeys(("sek", "sekunde", "sekunden", "seconde", "secondes", "seconden"), "s"),
        **dict.fromkeys(("segundo", "segundos", "seg", "secondo", "secondi", '"', "\u2033"), "s"),
        **dict.fromkeys(("m", "mins", "minute", "minutes", "minuten", "minuut", "minuto", "minutos", "minuti"), "min"),
        **dict.fromkeys(("msec", "msecs", "msek", "milli", "millis", "millisecond", "milliseconds"), "ms"),
        **dict.fromkeys(("millisekunde", "millisekunden", "milliseconde", "millisecondes", "milliseconden"), "ms"),
        **dict.fromkeys(("milisegundo", "milisegundos", "millisecondo", "millisecondi"), "ms"),
        **dict.fromkeys(("\u00b5s", "\u03bcs", "usec", "microsecond", "microseconds", "mikrosekunden"), "us"),
        **dict.fromkeys(("percent", "per cent", "prozent", "pour cent", "pourcent", "procent", "por ciento"), "%"),
        **dict.fromkeys(("tag", "tage", "tagen", "jour", "jours", "dag", "dagen", "d\u00eda", "d\u00edas"), "days"),
        **dict.fromkeys(("woche", "wochen", "semaine", "semaines", "weken", "semana", "semanas"), "weeks"),
        **dict.fromkeys(("d",), "days"),
        **dict.fromkeys(("hertz",), "Hz"),
        **dict.fromkeys(("pascal", "pascals"), "Pa"),
        **dict.fromkeys(("cm", "cmws", "cm ws"), "cmH2O"),  # a bare length is meant as that of water; WS is German
        **dict.fromkeys(("in", "inch", "inches"), "inH2O"),
    }
)
"""The unit of ours for other people's spellings of it, for the hint: the unit closest in letters may be a wrong one."""

NUMBER = r"[+-]?(?:[0-9]{1,18}(?:\.[0-9]{0,18})?|\.[0-9]{1,18})"
_QUANTITY = re.compile(rf"\s*(?P<number>{NUMBER})\s*(?P<unit>[^\s0-9.].*?)?\s*")
_LOOSE = re.compile(
    r"\s*(?P<about>(?:~|\u2248|ca\.?|circa|about)\s*)?(?P<number>[+-]?\d[\d.,'\u2019\s]*)(?P<unit>[^\W\d_].*?|[%\"\u2033])?\s*"
)
"""A number as people write it elsewhere, with what may stand between its thousands, and a unit."""
LONGEST = 40
"""Most characters of a quantity; a longer text is refused unread."""
_APART = re.compile(r"['\u2019\s]")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?|[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_TWO = re.compile(rf"\s*({NUMBER})\s*(?:-|\u2013|\u2014|to|bis|\.\.+|\u2026)\s*({NUMBER})\s*(.*?)\s*")
_THREE_PLACES = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
"""Numbers that some read as a thousand times what others do: 1.000 and 1,000."""


class QuantityError(ValueError):
    """A text that is not the quantity asked for. The message is for its writer; ``hint`` is the nearest right thing."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint

    @property
    def meant(self) -> str:
        """The beginning of the hint that says what was probably meant, or nothing."""
        found = re.match(r'(Did you mean "[^?]*\?|Write (one: )?"[^.]*(\.[^."]+)*"\.)', self.hint)
        return f"{found[0]}  " if found else ""


def parse(text: str, table: Mapping[str, Fraction], kind: str) -> Fraction:
    """A number with a unit of ``table``, exactly; ``kind`` ("a time") is used in the message.

    Raises:
        QuantityError: no number, no unit, a comma for a point, or a unit of another kind.
    """
    units = ", ".join(table)
    example = f"for example {_example(table)}"
    found = _QUANTITY.fullmatch(text)
    unit = found["unit"] if found else None
    if found and unit and unit in table and not _in_two_ways(found["number"], unit):
        return Fraction(found["number"]) * table[unit]
    meant = _meant(text, table)
    if found and unit is None:
        hint = f"Units: {units}; {example}." if len(table) > 1 else f'Did you mean "{text.strip()} {units}"?'
        if table is TIME:
            hint = f"{_did_you_mean(_with_a_unit_of_time(found['number']))}Units: {units}."
        raise QuantityError(f'{kind} needs a unit: "{text}"', hint)
    if found and re.match('[^\\w%"\u2033]', found["unit"] or ""):
        found = None  # it goes on with a sign, so the trouble is the number
    if len(text) <= LONGEST and (two := _TWO.fullmatch(text)):
        unit = _unit(two[3], table)
        ends = [f"{number} {unit or units.partition(',')[0]}" for number in (two[1], two[2])]
        if table is TIME and not unit:
            ends = [time for number in (two[1], two[2]) for time in _with_a_unit_of_time(number)]
        raise QuantityError(f'one number is needed, not two: "{text}"', f"Write one: {_either(ends)}.")
    if len(meant) > 1:
        raise QuantityError(f'"{text.strip()}" can be read in two ways', f"Write {_either(meant)}.")
    if found:
        unit = found["unit"]
        near = _unit(unit, table) or (units if len(table) == 1 else "")
        hint = f'Did you mean "{found["number"]} {near}"?  ' if near else ""
        raise QuantityError(f'"{unit}" is not a unit of {kind.removeprefix("a ")}', f"{hint}Units: {units}.")
    if not meant:
        raise QuantityError(f'"{text}" is not {kind}', f"Write a number and a unit ({units}), {example}.")
    if "," in text and not re.search(r"\d[.'\u2019]|,.*,|\d\s+\d", text):
        raise QuantityError(f'{kind} is written with a point, not a comma: "{text}"', _did_you_mean(meant).strip())
    wrong = "without a word before it" if re.match(r"\s*[^\d\s+-]", text) else "without a sign between thousands"
    raise QuantityError(f'{kind} is written {wrong}: "{text}"', _did_you_mean(meant).strip())


SMALL = ("ms", "us")
"""Units of which nobody writes three places behind the point."""


def _in_two_ways(number: str, unit: str) -> bool:
    """Tell whether a number may be meant as a thousand times more, its point standing between thousands.

    Three places behind the point are right for a pressure (1.245 inH2O); three noughts, or parts of a microsecond, are
    not.
    """
    return bool(_THREE_PLACES.fullmatch(number)) and (number.endswith("000") or unit in SMALL)


def _meant(text: str, table: Mapping[str, Fraction]) -> list[str]:
    """Return what a number and a unit written as in other countries may mean, the likeliest first."""
    found = _LOOSE.fullmatch(text) if len(text) <= LONGEST else None
    if not found:
        return []
    number = _APART.sub("", found["number"])
    unit = _unit(found["unit"] or "", table)
    if found["unit"] and not unit:
        return []
    signs = re.sub(r"[^.,]", "", number)
    if number[-1:] in (".", ",") or (len(signs) > 1 and not _THOUSANDS.fullmatch(number)):
        return []
    numbers = [number]
    if _THREE_PLACES.fullmatch(number) and not (signs == "." and not _in_two_ways(number, unit or "")):
        numbers = [re.sub(r"[.,]", "", number), f"{float(number.replace(',', '.')):g}"]
    elif len(set(signs)) == 2:  # the last one is the decimal sign
        numbers = [re.sub(r"[.,](?=.*[.,])", "", number).replace(",", ".")]
    elif len(signs) > 1:
        numbers = [re.sub(r"[.,]", "", number)]
    elif signs == ",":
        numbers = [number.replace(",", ".")]
    numbers = [number for number in numbers if re.fullmatch(NUMBER, number)]
    if table is TIME and not unit:
        return [time for number in numbers for time in _with_a_unit_of_time(number)]
    return [f"{number} {unit}".strip() for number in numbers]


def _unit(text: str, table: Mapping[str, Fraction]) -> str:
    """Return the unit of ``table`` that was meant, or nothing."""
    bare = text.strip().rstrip(".;,:")
    if bare in table:
        return bare
    near = SPOKEN.get(bare.casefold(), "")
    return near if near in table else nearest(bare, table) or ""


def _with_a_unit_of_time(number: str) -> list[str]:
    """Return the times that a bare number probably is."""
    value = Fraction(number)
    likely = ("s",) if value.denominator > 1 else ("ms",) if abs(value) >= 20 else ("ms", "s")
    return [f"{number} {unit}" for unit in likely]


def _either(texts: list[str]) -> str:
    return " or ".join(f'"{text}"' for text in texts)


def _did_you_mean(texts: list[str]) -> str:
    return f"Did you mean {_either(texts)}?  " if texts else ""


def nearest(word: str, words: Mapping[str, object] | list[str] | tuple[str, ...]) -> str | None:
    """The word that ``word`` was probably meant to be.

    The same letters in another case or order come first, then the closest.
    """
    folded = {w.casefold(): w for w in words}
    if word.casefold() in folded:
        return folded[word.casefold()]
    swapped = [w for w in folded if len(w) > 1 and sorted(w) == sorted(word.casefold())]
    if len(swapped) == 1:  # "sm" is ms, and not s, which is a thousand times as long
        return folded[swapped[0]]
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


_RATIO = re.compile(r"\s*([1-9][0-9]?)\s*:\s*([1-9][0-9]?)\s*")


def swing_ratio(text: str) -> Fraction:
    """The share of two steps that the first has, by the ratio of their lengths: 2/3 for "2:1", as MusicXML's swing."""
    found = _RATIO.fullmatch(text)
    if not found:
        raise QuantityError(
            f'"{text}" is not a ratio', "Write two whole numbers, long to short: 1:1 is straight, 2:1 swings."
        )
    first, second = int(found[1]), int(found[2])
    return Fraction(first, first + second)


def _example(table: Mapping[str, Fraction]) -> str:
    examples = {"Pa": "0.5 inH2O", "us": "120 ms", "Hz": "1 Hz", "bpm": "84 bpm", "%": "10 %", "days": "90 days"}
    return next((f'"{text}"' for unit, text in examples.items() if unit in table), "1")


def about(seconds: float) -> str:
    """A length of time in words, rounded to one unit: "3 min"."""
    for size, unit in ((86_400, "days"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s" if seconds >= 10 else f"{seconds:.1f} s"
