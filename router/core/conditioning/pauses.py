"""Rest that has moved, found from the pauses of a child that plays on: they leave no long stillness.

A level counts at which the pressure was as still as at rest before an effort, and is again after it. If the pressure
was at rest in between, that may have been the effort, or rest itself: then it takes one effort more, and levels that
agree better than those of sips to which nobody listens.

Invariants:
  * where rest itself moves by more than a share of ``on`` within a pause, nothing is found;
  * what stood during a press is forgotten when it is released.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from statistics import fmean

PAUSE = 6
"""Blocks of 100 ms that are a pause: 0.6 s. Our choice, as what follows."""
AWAY = 0.5
"""A pressure nearer to rest than this share of ``on`` is rest."""
AS_STILL, LEAST = 1.2, 0.03
"""A pause is still if it moves by so many times what nine of ten moved at rest, or by this share of ``on``."""
RESTLESS = 0.35
"""Where rest moves by this share of ``on`` within a pause, pauses say nothing."""
SAME = 0.2
"""Two pauses are at one level if they differ by less than this share of ``on``; in doubt by less than half of it."""
REMEMBERED = 30
"""Pauses at rest whose movement is remembered."""
SOON = 80
"""Blocks after which a pause is forgotten."""


class Pauses:
    """Takes the pressure block by block.

    ``on`` in pascals; ``signs``: 1 and -1 of the sides on which efforts are; ``stacked``: more may be wanted on top of
    an effort, a firmer one or a level, so what is still within an effort says nothing.
    """

    def __init__(self, on: float, signs: Sequence[int], *, stacked: bool) -> None:
        self._on, self._signs, self._stacked = on, signs, stacked
        self._rests: list[float] = []  # the present pause at rest
        self._moves: deque[float] = deque(maxlen=REMEMBERED)  # how far each of them moved
        self.forget()

    def forget(self) -> None:
        """Begin again where the signal is now; how still rest is stays known."""
        self._pause: deque[float] = deque(maxlen=PAUSE)
        self._rests.clear()
        self._effort = False
        self.stands: float | None = None
        """The level at which the pressure was last as still as at rest, away from rest; None: at none."""
        self.pressed = False
        """The pressure stood there during an effort."""
        self.tried = False
        """An effort was made from there."""
        self._side = 1  # of rest, on which it stood
        self._returns = 0  # how often the pressure came back after an effort
        self._doubtful = False  # it was at rest in between
        self._age = 0  # blocks since it was last there

    def add(self, mean: float, rest: float, *, effort: bool) -> float | None:
        """Take a block; return how far rest has moved once that is sure."""
        if effort is not self._effort:  # a pause holds no rise and no fall
            self._effort = effort
            self._pause.clear()
        self._pause.append(mean)
        self._age += 1
        self._look_at_rest(mean, at_rest=not effort and abs(mean - rest) < AWAY * self._on)
        ended = self.pressed and (not effort or (mean - rest) * self._side < AWAY * self._on)
        if ended or self._age > SOON or (effort and self._stacked):
            self.stands = None
        if len(self._pause) < PAUSE or not self._moves:
            return None
        usual = sorted(self._moves)[9 * (len(self._moves) - 1) // 10]
        if usual > RESTLESS * self._on:
            self.stands = None
        elif self.stands is not None and any(
            sign * (mean - self.stands) >= self._on for sign in ((self._side,) if self.pressed else self._signs)
        ):
            self.tried = True
        else:
            low, high = min(self._pause), max(self._pause)
            away = low - rest > AWAY * self._on or high - rest < -AWAY * self._on
            if away and not (effort and self._stacked) and high - low <= max(LEAST * self._on, AS_STILL * usual):
                return self._still_at(fmean(self._pause), rest, effort=effort)
        return None

    def _look_at_rest(self, mean: float, *, at_rest: bool) -> None:
        if not at_rest:
            self._rests.clear()
            return
        self._rests.append(mean)
        if len(self._rests) == PAUSE:
            self._moves.append(max(self._rests) - min(self._rests))
            self._rests.clear()
            self._doubtful = True
            if not self.tried:
                self.stands = None

    def _still_at(self, level: float, rest: float, *, effort: bool) -> float | None:
        same = (SAME / 2 if self._doubtful else SAME) * self._on
        if self.stands is None or abs(level - self.stands) > same:
            self.pressed, self._returns, self._doubtful = effort, 0, False
            self._side = 1 if level > rest else -1
        elif self.tried:
            self._returns += 1
            if self._returns > self._doubtful:
                return level - rest
        self.stands, self.tried, self._age = level, False, 0
        return None
