"""Patterns for a sensor's line: whatever the check accepts takes a time that grows with the line only."""

import time

import pytest

from router.devices.descriptions import ANY_NUMBER, SerialDevice
from router.devices.inputs.serial import Reading
from router.devices.line_pattern import LONGEST_LINE, LinePattern, PatternRefused
from router.files.profile import load, shipped
from tests import hostile_lines

FINE = {
    ANY_NUMBER: ("P -12.5 Pa", "-12.5"),
    r"(?P<value>-?\d+(\.\d+)?)": ("3", "3"),
    r"^\s*P\s*=\s*(?P<value>[+-]?\d+)": (" P = +7", "+7"),
    r"(?:a|b) (?P<value>\d+)": ("c 1 b 2", "2"),
    r"(?P<value>[(*+]+)": ("1(*2", "(*"),
    r"\((?P<value>\d+)\)+": ("(8)", "8"),
    r"(?<value>\d+)°": ("7 8°", "8"),
    r"(?i)PA=(?P<value>\d+)": ("pa=5", "5"),
    r"^(?:[^,]*,){9}(?P<value>\d+)": ("a,b,c,d,e,f,g,h,é,10,11", "10"),
    r".*,.*(?P<value>\d+)Pa": ("1,23Pa", "3"),
    r"(?P<value>(\d+)+)x": ("12x", "12"),
}
"""A pattern, a line, and the number in it."""

REFUSED = {
    "(": 'a bracket "(" is not closed',
    "(?P<value>": 'a bracket "(" is not closed',
    "(?P<value>1))": 'a bracket ")" closes nothing',
    "[": 'a set that begins with "[" is not closed',
    "(?P<value>[9-0])": '"9-0" is no set of characters',
    "*(?P<value>1)": '"*" stands where there is nothing to repeat',
    "(?P<value>1)++": '"++" repeats what repeats already',
    "(?P<value>1){99999999999}": '"{99999999999" is no number of repetitions',
    "(?P<value>1){1001}": '"{1001}" is no number of repetitions',
    "(?P<value>1){,3}": '"{,3}" does not say where it begins',
    "(?P<value>1)\\": "a single \\ stands at the end",
    r"(?=x)(?P<value>1)": "cannot look ahead or back",
    r"(?!x)(?P<value>1)": "cannot look ahead or back",
    r"(?<=x)(?P<value>1)": "cannot look ahead or back",
    r"(?<!x)(?P<value>1)": "cannot look ahead or back",
    r"(x)(?P<value>1)\1": "cannot ask for what it found before",
    r"(?P<value>1)(?P=value)": 'cannot ask for what it found before, as "(?P=" does',
    r"(x)?(?P<value>1)(?(1)y)": 'cannot hold "(?("',
    r"(?>x)(?P<value>1)": 'cannot hold "(?>"',
    r"(?x) (?P<value>1)": 'cannot hold "(?x"',
    r"(?P<value>1)\Z": r'"\Z" means nothing in a pattern',
    r"\C(?P<value>1)": "half a character",
    r"(?P<value>1)(?P<value>2)": 'two groups of this pattern are called "value"',
    r"\d+": 'no group called "value"',
    r"(?P<value>1?1?1?){99}": "too large",
    r"(?P<value>\pL{60})": "too large",
    "(?P<value>1)\ud800": "cannot be read",
}
"""A pattern, and what is said of it. Nearly all are right for Python's own matcher."""


@pytest.mark.parametrize("pattern", FINE)
def test_a_pattern_that_is_fine_finds_its_number(pattern):
    line, value = FINE[pattern]
    assert LinePattern(pattern).find(line) == value


@pytest.mark.parametrize("pattern", REFUSED)
def test_a_pattern_that_is_not_has_a_reason_and_a_remedy(pattern):
    with pytest.raises(PatternRefused) as refused:
        LinePattern(pattern)
    assert REFUSED[pattern] in refused.value.message
    assert refused.value.hint
    assert refused.value.piece in pattern


def test_the_shipped_patterns_are_accepted():
    found = [
        device.line
        for file in sorted(shipped().glob("*.yaml"))
        for device in load(file).devices.values()
        if isinstance(device, SerialDevice)
    ]
    assert len(found) >= 3
    for line in found:
        LinePattern(line)


def test_bytes_that_are_no_text_are_no_number():
    reading = Reading("cheek", SerialDevice("x", line="(?P<value>.*)"), is_switch=False)
    assert reading.sample(b"\x80\xff1".decode("utf-8", "replace")) is None
    assert reading.sample("1\ud800") is None


def test_the_worst_of_a_thousand_patterns_costs_a_few_thousand_turns_of_an_empty_loop():
    """Counted in processor time of this thread, beside a floor of the same run: no other load counts."""

    def floor():
        begun = time.thread_time_ns()
        for _ in range(10_000):
            pass
        return (time.thread_time_ns() - begun) / 1e9

    least = min(floor() for _ in range(20))
    worst, largest, _ = hostile_lines.try_all(1_000, seed=2)
    again = min(hostile_lines.cost(worst.pattern, worst.line) for _ in range(5))
    assert largest > 100, "the patterns are too simple to say anything"
    assert again < 10 * least, worst


@pytest.mark.parametrize("pattern", hostile_lines.KNOWN)
def test_twice_the_line_takes_no_more_than_its_share(pattern):
    """On these Python's own matcher takes four times as long, or twice for each character more."""
    line = "1" * (LONGEST_LINE // 4)
    short = min(hostile_lines.cost(pattern, line) for _ in range(5))
    assert min(hostile_lines.cost(pattern, line * 4) for _ in range(5)) < 12 * max(short, 5e-6)
