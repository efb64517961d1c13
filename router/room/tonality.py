"""Which key is being played: Krumhansl and Schmuckler's way, on what was heard last.

    heard      how long each of the twelve notes was held, and how often it was struck; what is past counts for half
               after each ``HALF``
    compared   with the profiles of the 24 major and minor keys, by Pearson's correlation
    changed    when another key fits better than the present one by ``MARGIN``, and has fitted best for ``PATIENCE``; a
               first key needs no present one to be better than, but enough to have been heard

Nothing changes while nobody plays: a key is looked for when a key goes down. Relative major and minor have the same
notes; which of them it is shows in which notes are held most.

Sources: Krumhansl, Cognitive Foundations of Musical Pitch (1990), for the way. The profiles are Bellman's and Budge's
(Bellman, "About the determination of key of a musical excerpt", CMMR 2005), as in music21's analysis.discrete: of the
published ones they keep to the right key for most of the time in ``python -m tests.benchmarks.keys``. ``HALF``,
``MARGIN`` and ``PATIENCE`` are our choice: a longer memory errs less within a piece, and is slower to notice the next
one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import mul
from typing import NamedTuple

from router.core.units import NANOSECONDS

MAJOR = (16.80, 0.86, 12.95, 1.41, 13.49, 11.93, 1.25, 20.28, 1.80, 8.04, 0.62, 10.57)
MINOR = (18.16, 0.69, 12.99, 13.34, 1.07, 11.15, 1.38, 21.07, 7.49, 1.53, 0.92, 10.21)

HALF = 12 * NANOSECONDS
MARGIN = 0.05
PATIENCE = 3 * NANOSECONDS
STRUCK = NANOSECONDS // 5
"""Nanoseconds that a key counts for going down, beside the time for which it is held."""
LONGEST = 4 * NANOSECONDS
"""A key that is held longer counts no more: a weight on a key, or one whose note-off was lost, is not the tonic for
ever."""
ENOUGH = 4 * NANOSECONDS
"""Nanoseconds of notes, and different notes, that must have been heard before there is a first key."""
DIFFERENT = 4


class Key(NamedTuple):
    """A key: its tonic, 0 to 11, and whether it is a minor one."""

    tonic: int
    minor: bool


class Tonality:
    """Finds the key that is played. Times are monotonic nanoseconds; one before the last counts as the last."""

    def __init__(self, half: int = HALF, profiles: tuple[Sequence[float], Sequence[float]] = (MAJOR, MINOR)) -> None:
        self._half = half
        self._keys = {
            Key(tonic, bool(minor)): _centred([profile[(note - tonic) % 12] for note in range(12)])
            for minor, profile in enumerate(profiles)
            for tonic in range(12)
        }
        self._weights = [0.0] * 12
        self._held: dict[int, int] = {}  # when each key that is down went down
        self._at = 0  # until when what is held has been counted
        self._best: Key | None = None
        self._since = 0  # since when that one has fitted best
        self.key: Key | None = None
        """The key that is played, None until enough was heard."""

    def down(self, pitch: int, now: int) -> None:
        """A key goes down."""
        now = self._count(now)
        self._held[pitch] = now
        self._weights[pitch % 12] += STRUCK
        self._look(now)

    def up(self, pitch: int, now: int) -> None:
        """A key comes up; one that is not down is no matter."""
        self._count(now)
        self._held.pop(pitch, None)

    def _count(self, now: int) -> int:
        """Count what is held until ``now``."""
        last, now = self._at, max(now, self._at)
        faded = 0.5 ** ((now - last) / self._half)
        self._weights = [weight * faded for weight in self._weights]
        for pitch, since in self._held.items():
            self._weights[pitch % 12] += max(0, min(now, since + LONGEST) - last)
        self._at = now
        return now

    def _look(self, now: int) -> None:
        if sum(self._weights) < ENOUGH or sum(weight > 0 for weight in self._weights) < DIFFERENT:
            self._best = None
            return
        heard = _centred(self._weights)
        fit = {key: sum(map(mul, heard, profile)) for key, profile in self._keys.items()}
        best = max(fit, key=fit.__getitem__)
        if best != self._best:
            self._best, self._since = best, now
        clearly = self.key is None or fit[best] - fit[self.key] >= MARGIN
        if clearly and now - self._since >= PATIENCE:
            self.key = best


def _centred(values: Sequence[float]) -> list[float]:
    """Center values on their mean and scale them to length 1: products of two such lists add up to their correlation.

    All are 0 if all values are the same.
    """
    mean = sum(values) / len(values)
    length = math.hypot(*(value - mean for value in values))
    return [(value - mean) / length if length else 0.0 for value in values]
