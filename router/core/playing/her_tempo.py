"""A tempo that follows the efforts: between two bounds, and smoothly within a phrase.

Each effort says how fast the step before it was played. Of that the tempo takes over a part, within a phrase
``WITHIN`` at most, at the beginning of a phrase more. A pause, or a burst, says nothing about a tempo.
"""

from __future__ import annotations

from fractions import Fraction

WITHIN, BETWEEN = 1.1, 1.3
"""The largest factor by which the tempo changes from one effort to the next: within a phrase, and where one begins. Our
choice: 10 % is heard as a tempo that gives way, and a song is at half its tempo after seven efforts."""
_SHARE = 0.5
"""How much of the difference is taken over: so much of a hand's unsteadiness is left out. Our choice."""
_PAUSE = 2
"""An effort that would make the tempo so many times slower than the slowest, or faster than the fastest, counts as
none. Our choice."""
SLOWEST, FASTEST = Fraction(1, 2), Fraction(5, 4)
"""The bounds that hold if none are written, as shares of the written tempo."""


class HerTempo:
    """The tempo as a share of the written one."""

    def __init__(self) -> None:
        self.share = Fraction(1)

    def follow(self, written: int, took: int, bounds: tuple[Fraction, Fraction], *, begins: bool) -> None:
        """Take a step into account.

        ``written``: its nanoseconds at the written tempo; ``took``: those that it took; ``bounds``: the least and the
        greatest share; ``begins``: a phrase begins with the step after it.
        """
        low, high = float(bounds[0]), float(bounds[1])
        heard = written / took if took > 0 else high * _PAUSE
        if not low / _PAUSE < heard < high * _PAUSE:
            return
        now, most = float(self.share), BETWEEN if begins else WITHIN
        wanted = now * (min(max(heard, low), high) / now) ** _SHARE
        share = min(max(wanted, now / most, low), now * most, max(high, now / most))
        self.share = Fraction(share).limit_denominator(1000)
