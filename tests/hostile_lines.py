"""What the worst line costs of patterns that the check accepts: ten thousand by chance, each on lines that are hostile
to it.

    python -m tests.hostile_lines --count 10000

Each pattern is compiled anew for each line, so nothing is known of it yet: what a first line costs is the most that any
does. The time is the processor's for this thread, the least of three, as nothing but the pattern is meant. A tenth runs
with the other tests.
"""

import argparse
import random
import sys
import time
from typing import NamedTuple

import re2

from router.devices.line_pattern import LONGEST_LINE, LinePattern, PatternRefused

SIGNS = "0123456789.,;=+- aPx°é"
_ATOMS = (
    r"\d",
    r"\d",
    ".",
    r"\s",
    r"\w",
    r"[^,]",
    "[-+]",
    r"\.",
    r"[0-9.]",
    "[a-f]",
    r"\b",
    "^",
    "$",
    "1",
    "0",
    ",",
    ";",
    "=",
    "a",
    "P",
    "Pa",
    "x",
    "°",
)
_REPEATS = ("", "", "", "*", "+", "?", "*?", "+?", "{2}", "{1,3}", "{0,5}", "{3,}", "{10}", "{1,30}")
KNOWN = (
    r".*,.*(?P<value>\d+)Pa",
    r"(?P<value>\d+\.?\d*).*;$",
    r"(?P<value>(\d+)+)x",
    r"(?P<value>(a|a)*)b",
    r"((?P<value>\d*)*)*",
    r"(?P<value>((a+)b)*)c",
    r"(?P<value>(a|b)*a(a|b){20})c",
    r".*1.{8}(?P<value>\d)Q",
)
"""Patterns on which a matcher that goes back and tries again takes seconds, hours or for ever."""


class Worst(NamedTuple):
    """The dearest line of all: seconds, its pattern, and the line."""

    seconds: float
    pattern: str
    line: str


def piece(rng, depth):
    """A piece of a pattern."""
    kind = rng.random()
    if depth == 0 or kind < 0.5:
        text = rng.choice(_ATOMS)
        return (
            text
            if text in ("^", "$", r"\b") or (len(text) > 2 and text[0] not in "[\\")
            else text + rng.choice(_REPEATS)
        )
    inside = [piece(rng, depth - 1) for _ in range(rng.randint(1, 3))]
    return f"(?:{rng.choice(('', '|')).join(inside)}){rng.choice(_REPEATS)}"


def drawn(rng):
    """A pattern by chance, which the check may refuse."""
    before, value, after = ("".join(piece(rng, rng.randint(0, 3)) for _ in range(rng.randint(0, 2))) for _ in range(3))
    return f"{before}(?P<value>{value or piece(rng, 2)}){after}"


def accepted(rng):
    """A pattern that the check accepts, and how many it refused before."""
    refused = 0
    while True:
        text = drawn(rng)
        try:
            LinePattern(text)
        except PatternRefused:
            refused += 1
        else:
            return text, refused


def hostile(pattern, rng):
    """Lines that a pattern nearly finds something in:
    of its own signs, alike or by chance, as long as a line may be.
    """
    own = [sign for sign in pattern if sign in SIGNS] or ["1"]
    yield "1" * LONGEST_LINE
    yield rng.choice(own) * LONGEST_LINE
    yield "".join(rng.choice(own[:2]) for _ in range(LONGEST_LINE))
    yield "".join(rng.choice(own) for _ in range(LONGEST_LINE))
    yield "".join(rng.choice(SIGNS) for _ in range(LONGEST_LINE))
    yield "".join(rng.choice("01") for _ in range(LONGEST_LINE - 1)) + "!"


def cost(pattern, line):
    """Seconds of this thread's processor time for a line that ends as a line ends at ``LONGEST_LINE`` bytes."""
    line = line.encode()[:LONGEST_LINE].decode("utf-8", "ignore")
    best = float("inf")
    for _ in range(3):
        re2.purge()  # else the compiled pattern would be found again
        find = LinePattern(pattern).find
        begun = time.thread_time_ns()
        find(line)
        best = min(best, time.thread_time_ns() - begun)
    return best / 1e9


def try_all(count, seed):
    """Try so many patterns; give the worst line, the largest pattern, and how many drawn ones were refused."""
    rng = random.Random(seed)
    worst, largest, refused = Worst(0, "", ""), 0, 0
    for number in range(count):
        pattern, more = (KNOWN[number], 0) if number < len(KNOWN) else accepted(rng)
        refused += more
        largest = max(largest, LinePattern(pattern).size)
        worst = max(worst, *(Worst(cost(pattern, line), pattern, line) for line in hostile(pattern, rng)))
    return worst, largest, refused


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    worst, largest, refused = try_all(given.count, given.seed)
    say = sys.stdout.write
    say(f"{given.count} patterns accepted, {refused} refused, the largest of {largest} steps\n")
    say(f"the worst line took {worst.seconds * 1000:.3f} ms of processor time: {worst.pattern!r} on {worst.line!r}\n")
    return 0 if worst.seconds < 0.001 else 1


if __name__ == "__main__":
    sys.exit(main())
