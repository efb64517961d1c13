"""Quantities against pint and scipy.constants, the published values of NIST SP 811, and the texts that people write."""

from __future__ import annotations

import contextlib
import re
from fractions import Fraction

import pint
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from router.core import units
from router.core.units import PRESSURE, TIME, QuantityError

PINT = pint.UnitRegistry()
IN_PINT = {"inH2O": "inch_H2O", "cmH2O": "centimeter_H2O", "mmH2O": "mmH2O"}
"""pint's names for the conventional water columns (water of 1000 kg/m3); the others are called as here."""


@pytest.mark.parametrize("unit", PRESSURE)
def test_pressure_units_against_pint(unit):
    theirs = PINT.Quantity(1, IN_PINT.get(unit, unit)).to("pascal").magnitude
    # Both take the conventional mercury column; other conventions differ at the seventh digit.
    assert units.pascal(f"1 {unit}") == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "pascal"),
    [("bar", scipy.constants.bar), ("psi", scipy.constants.psi), ("hPa", 100.0), ("kPa", 1000.0)],
)
def test_pressure_units_against_scipy(unit, pascal):
    assert units.pascal(f"1 {unit}") == pytest.approx(pascal, rel=1e-12)


def test_mercury_against_scipy():
    """scipy's mmHg is the torr, 101325/760 Pa; the conventional millimetre of mercury differs from it by 1.4e-7."""
    assert units.pascal("1 mmHg") == pytest.approx(scipy.constants.mmHg, rel=1e-6)


def test_what_the_columns_are_made_of():
    """Standard gravity and the inch are exact (NIST SP 811, 2008, appendix B.8)."""
    assert float(PRESSURE["mmH2O"]) == pytest.approx(scipy.constants.g, rel=1e-15)
    assert PRESSURE["inH2O"] == PRESSURE["mmH2O"] * 1000 * Fraction("0.0254")
    assert float(PRESSURE["inH2O"]) == pytest.approx(1000 * scipy.constants.g * scipy.constants.inch, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "pascal"),
    [
        ("1 inH2O", 249.08891),  # NIST SP 811 B.8 prints 2.490 889 E+02
        ("0.5 inH2O", 124.544455),
        ("1 cmH2O", 98.0665),
        ("1 mmHg", 133.322387415),
        ("1 psi", 6894.757293168),
        ("-3 cmH2O", -294.1995),
        (".5 kPa", 500.0),
        ("1. mbar", 100.0),
        ("+2hPa", 200.0),
    ],
)
def test_worked_pressures(text, pascal):
    """Worked from the exact definitions."""
    assert units.pascal(text) == pytest.approx(pascal, rel=1e-9)


@pytest.mark.parametrize(("unit", "number"), [("cmH2O", 10.197162), ("mmHg", 7.500616), ("inH2O", 4.014631)])
def test_one_kilopascal_in_other_units(unit, number):
    """Worked from the exact definitions, seven digits."""
    assert float(1000 / PRESSURE[unit]) == pytest.approx(number, rel=1e-6)


@given(st.sampled_from(sorted(PRESSURE)), st.decimals(-9999, 9999, places=4))
def test_pressures_there_and_back(unit, number):
    """Parsing is exact: what was written comes back, bit for bit."""
    assert units.parse(f"{number} {unit}", PRESSURE, "a pressure") / PRESSURE[unit] == Fraction(number)


@given(st.sampled_from(sorted(TIME)), st.integers(0, 10**9))
def test_times_there_and_back(unit, number):
    assert units.time_ns(f"{number} {unit}") == number * TIME[unit]


@pytest.mark.parametrize(
    ("text", "nanoseconds"),
    [("120 ms", 120_000_000), ("0.5 s", 500_000_000), ("1 min", 60_000_000_000), ("250 us", 250_000), ("0 ms", 0)],
)
def test_times(text, nanoseconds):
    assert units.time_ns(text) == nanoseconds


@pytest.mark.parametrize(
    ("text", "days"), [("1 day", 1), ("90 days", 90), ("2 weeks", 14), ("0.5 days", 0.5), ("1 week", 7)]
)
def test_days(text, days):
    assert units.days_ns(text) == days * 24 * 3600 * 10**9


def test_frequency_tempo_and_percentage():
    assert units.hertz("1 Hz") == 1.0
    assert units.hertz("500 mHz") == 0.5
    assert units.hertz("2kHz") == 2000.0
    assert units.beats_per_minute("84.5 bpm") == Fraction(169, 2)
    assert units.fraction_of_one("10 %") == 0.1
    assert units.fraction_of_one("100%") == 1.0


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1/4", Fraction(1, 4)),
        ("1/8", Fraction(1, 8)),
        ("3/4", Fraction(3, 4)),
        ("1/4 dotted", Fraction(3, 8)),
        ("1/8 triplet", Fraction(1, 12)),  # three in the time of two
        (" 1 / 16 ", Fraction(1, 16)),
    ],
)
def test_note_values(text, value):
    """Common practice, no source: a dot adds half, three triplets take the time of two."""
    assert units.note_value(text) == value


@pytest.mark.parametrize(
    ("text", "share"), [("1:1", Fraction(1, 2)), ("2:1", Fraction(2, 3)), (" 3 : 2 ", Fraction(3, 5))]
)
def test_swing_ratios(text, share):
    """MusicXML 4.0, element swing: first and second are the ratio of two notes; 2:1 is its example."""
    assert units.swing_ratio(text) == share


@pytest.mark.parametrize(
    ("read", "text", "message", "hint"),
    [
        (units.pascal, "0,5 inH2O", "a point, not a comma", 'Did you mean "0.5 inH2O"?'),
        (units.pascal, "0,5", "a point, not a comma", 'Did you mean "0.5"?'),
        (units.pascal, "0.5", "needs a unit", "inH2O"),
        (units.pascal, "0.5 inh2o", '"inh2o" is not a unit of pressure', 'Did you mean "0.5 inH2O"?'),
        (units.pascal, "0.5 ms", '"ms" is not a unit of pressure', "Units: Pa"),
        (units.pascal, "high", "is not a pressure", '"0.5 inH2O"'),
        (units.pascal, "9" * 5000 + " Pa", "is not a pressure", "Write a number"),
        (units.pascal, "1e3 Pa", '"e3 Pa" is not a unit', "Units"),
        (units.time_ns, "-1 ms", "cannot be negative", ""),
        (units.time_ns, "1 sec", '"sec" is not a unit of time', "Units: us, ms, s, min"),
        (units.days_ns, "-1 day", "cannot be negative", ""),
        (units.days_ns, "90", "needs a unit", '"90 days"'),
        (units.days_ns, "90 d", '"d" is not a unit of time', 'Did you mean "90 days"?'),
        (units.days_ns, "3 months", '"months" is not a unit of time', "Units: day, days, week, weeks"),
        (units.hertz, "0 Hz", "must be above 0", ""),
        (units.hertz, "1", "needs a unit", '"1 Hz"'),
        (units.beats_per_minute, "19 bpm", "20 to 400 bpm", ""),
        (units.beats_per_minute, "401 bpm", "20 to 400 bpm", ""),
        (units.fraction_of_one, "101 %", "0 % to 100 %", ""),
        (units.fraction_of_one, "-1 %", "0 % to 100 %", ""),
        (units.note_value, "1/5", "is not a note value", "1/8"),
        (units.note_value, "0/4", "is not a note value", "1/8"),
        (units.note_value, "eighth", "is not a note value", "1/8"),
        *(
            (units.swing_ratio, text, "is not a ratio", "1:1 is straight")
            for text in ("2", "60 %", "0:1", "2:0", "2/1", "100:1")
        ),
    ],
)
def test_what_is_no_quantity(read, text, message, hint):
    with pytest.raises(QuantityError, match=message) as caught:
        read(text)
    assert hint in caught.value.hint


POINT, SIGN, WORD = (f"is written {how}" for how in ("with a point", "without a sign", "without a word"))


@pytest.mark.parametrize(
    ("read", "text", "message", "meant"),
    [
        (units.pascal, " 0,5 Pa.", POINT, ["0.5 Pa"]),
        (units.time_ns, "1,5", POINT, ["1.5 s"]),
        (units.beats_per_minute, "84,5 bpm", POINT, ["84.5 bpm"]),
        (units.pascal, "1.234,5 Pa", SIGN, ["1234.5 Pa"]),
        (units.pascal, "1,234.5 Pa", SIGN, ["1234.5 Pa"]),
        (units.pascal, "1.234.567 Pa", SIGN, ["1234567 Pa"]),
        (units.pascal, "1,234,567 Pa", SIGN, ["1234567 Pa"]),
        (units.pascal, "1'234 Pa", SIGN, ["1234 Pa"]),
        (units.time_ns, "1 000 ms", SIGN, ["1000 ms"]),
        (units.pascal, "ca. 5 Pa", WORD, ["5 Pa"]),
        (units.pascal, "~5 Pa", WORD, ["5 Pa"]),
        (units.pascal, "about 5", WORD, ["5"]),
        (units.pascal, "1.000 Pa", "can be read in two ways", ["1000 Pa", "1 Pa"]),
        (units.pascal, "-1,245 Pa", "can be read in two ways", ["-1245 Pa", "-1.245 Pa"]),
        (units.time_ns, "1.245 ms", "can be read in two ways", ["1245 ms", "1.245 ms"]),
        (units.time_ns, "1,245", "can be read in two ways", ["1245 ms", "1.245 s"]),
        (units.time_ns, "19", "needs a unit", ["19 ms", "19 s"]),
        (units.time_ns, "20", "needs a unit", ["20 ms"]),
        (units.time_ns, "-20", "needs a unit", ["-20 ms"]),
        (units.time_ns, "1.5", "needs a unit", ["1.5 s"]),
        (units.beats_per_minute, "84", "needs a unit", ["84 bpm"]),
        (units.fraction_of_one, ".25", "needs a unit", ["25 %", ".25 %"]),
        (units.fraction_of_one, "10", "needs a unit", ["10 %"]),
        (units.pascal, "5 - 6 Pa", "one number is needed, not two", ["5 Pa", "6 Pa"]),
        (units.pascal, "5-6", "one number is needed, not two", ["5 Pa", "6 Pa"]),
        (units.time_ns, "5 bis 6 sek", "one number is needed, not two", ["5 s", "6 s"]),
        (units.time_ns, "300 - 400", "one number is needed, not two", ["300 ms", "400 ms"]),
        (units.time_ns, "5 - 30", "one number is needed, not two", ["5 ms", "5 s", "30 ms"]),
        (units.pascal, "0.5 P", "is not a unit", ["0.5 Pa"]),
        (units.time_ns, "5 ms!", "is not a unit", ["5 ms"]),
        (units.beats_per_minute, "84 x", "is not a unit", ["84 bpm"]),
        (units.time_ns, "30 x", "is not a unit", []),
        (units.pascal, "5 $", "is not a pressure", []),
        (units.pascal, "5 $ Pa", "is not a pressure", []),
        (units.pascal, "about 5 kg", "is not a pressure", []),
        (units.pascal, "12.34.5 Pa", "is not a pressure", []),
        (units.pascal, "1,2,3 Pa", "is not a pressure", []),
        (units.pascal, "1, Pa", "is not a pressure", []),
        (units.time_ns, "30 sm", "not a unit of time", ["30 ms"]),  # and not s, a thousand times as long
    ],
)
def test_what_was_probably_meant(read, text, message, meant):
    with pytest.raises(QuantityError, match=message) as caught:
        read(text)
    assert re.findall('"([^"]+)"', caught.value.meant) == meant


def test_three_places_are_right_for_what_is_measured_so_finely():
    """A reading of 1.245 inH2O is no 1,245 of them; only three noughts, or parts of a microsecond, are doubtful."""
    assert units.pascal("1.245 inH2O") == pytest.approx(1.245 * 249.08891, rel=1e-9)
    assert units.time_ns("1.245 s") == 1_245_000_000
    assert units.time_ns("0.125 ms") == 125_000


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        (units.beats_per_minute, "20 bpm", 20),
        (units.beats_per_minute, "400 bpm", 400),
        (units.hertz, "0.001 mHz", 0.000001),
        (units.fraction_of_one, "0 %", 0.0),
        (units.days_ns, "0 days", 0),
        *((units.note_value, f"1/{whole}", Fraction(1, whole)) for whole in (1, 2, 4, 8, 16, 32, 64)),
    ],
)
def test_the_ends_of_what_is_allowed(read, text, value):
    assert read(text) == value


def test_what_is_too_long_is_not_thought_about():
    for length, meant in ((units.LONGEST, True), (units.LONGEST + 1, False)):
        text = "0,5" + " " * (length - 5) + "Pa"
        with pytest.raises(QuantityError) as caught:
            units.pascal(text)
        assert bool(caught.value.meant) is meant


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0.0 s"),
        (9.94, "9.9 s"),
        (10, "10 s"),
        (119, "119 s"),
        (120, "2 min"),
        (7199, "120 min"),
        (7200, "2 h"),
        (2 * 86_400 - 1, "48 h"),
        (2 * 86_400, "2 days"),
        (2.6 * 86_400, "3 days"),
    ],
)
def test_about_how_long(seconds, said):
    assert units.about(seconds) == said


def test_a_table_without_an_example():
    with pytest.raises(QuantityError) as caught:
        units.parse("much", {"lx": Fraction(1)}, "a brightness")
    assert "for example 1." in caught.value.hint


@given(st.text(max_size=40), st.sampled_from([units.pascal, units.time_ns, units.hertz, units.note_value]))
def test_any_text_is_a_quantity_or_is_refused_as_one(text, read):
    with contextlib.suppress(QuantityError):
        assert read(text) is not None


def test_the_nearest_word():
    assert units.nearest("PA", PRESSURE) == "Pa"
    assert units.nearest("cmh20", PRESSURE) == "cmH2O"
    assert units.nearest("xyzzy", PRESSURE) is None
    assert units.nearest("pb", PRESSURE) is None, "half the letters are no likeness"
    assert units.nearest("kpx", PRESSURE) == "kPa"
    assert units.nearest("grewn", {"gray": 0, "brown": 0, "grown": 0}) == "grown"
    assert units.nearest("abcx", {"abyz": 0}) is None


@pytest.mark.parametrize(
    ("text", "number"), [("60", 60), (" -5 ", -5), ("--5", None), ("6.0", None), ("", None), ("1" * 10, None)]
)
def test_whole_numbers(text, number):
    assert units.whole_number(text) == number
