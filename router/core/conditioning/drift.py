"""Signs that thresholds no longer fit the child: efforts that shrink, near-misses, rest that grows restless.

A *try* is an effort, or a near-miss: a rise that stayed below ``on`` and came near it. Three things are told, with
figures:

    efforts shrink     half of the last eight efforts reach less than 1.35 times ``on``, and less than 0.65 times
                       ``full`` (a fitted ``full`` is what one effort of ten reached)
    near-misses        three of the last ten tries were near-misses
    rest is restless   the reach of rest, how far it goes in two seconds (four pieces) without an effort, is more than
                       0.45 times ``on`` and more than 1.5 times that of the first fifteen windows; each a median of
                       fifteen

Each is told again only after three minutes. With bounds to follow in, ``on`` follows the last eight tries, so that it
stays the same share of their median size as it was of the first eight; by 3 % at most after each try, never below twice
the widest reach of rest, and never out of the bounds. All numbers are our choice, from simulated children
(tests/benchmarks/drift.py).
"""

from __future__ import annotations

from collections import deque
from statistics import median

from router.core.events import Drifted
from router.core.units import NANOSECONDS

NEAR = 0.75
"""The share of ``on`` below which a rise is restlessness and no try."""
SHRUNK, OF_FULL = 1.35, 0.65
FEW = 8
TRIES, MISSED = 10, 3
WINDOW, WINDOWS = 2 * NANOSECONDS, 15
PIECE = WINDOW // 4
"""Rest is looked at in pieces of this length, so that there is some between quick efforts, too."""
KNOWN = 4
"""Windows after which the reach of rest is known well enough to keep clear of it."""
RESTLESS, MORE = 0.45, 1.5
AGAIN = 180 * NANOSECONDS
PACE = 0.03
CLEAR = 2.0
MOVED = 0.1
"""The share by which a threshold that follows must have moved to be told again."""


class Drift:
    """The drift of one side of an input. ``on`` and ``full`` in pascals; ``follow``: bounds for ``on``, or None."""

    def __init__(self, source: str, on: float, full: float, follow: tuple[float, float] | None) -> None:
        self._source, self._follow = source, follow
        self._full = full
        self.on = on
        """The threshold as it should be now."""
        self.reach = 0.0
        """Furthest that rest has gone in the present piece, in pascals."""
        self.due = 0
        """The time at which this piece is over."""
        self._tried = 0  # for so many more pieces an effort's rise or fall may be in them
        self._window: list[float] = []  # the reach of the pieces of the present window
        self._told_on = on
        self._efforts: deque[float] = deque(maxlen=FEW)
        self._sizes: deque[float] = deque(maxlen=FEW)  # of tries
        self._missed: deque[bool] = deque(maxlen=TRIES)
        self._share: float | None = None  # of the first tries that ``on`` was
        self._reaches: deque[float] = deque(maxlen=WINDOWS)
        self._first_reach: float | None = None
        self._widest = 0.0  # how far rest ever went: lower thresholds see less of it
        self._told: dict[str, int] = {}

    def tried(self, peak: float, now: int, *, heard: bool) -> list[Drifted]:
        """Take an effort (``heard``) or a near-miss; ``peak``: its largest pressure, pascals from rest."""
        self._tried = 2
        if not heard and peak < NEAR * self.on:
            return []
        self._missed.append(not heard)
        self._sizes.append(peak)
        if heard:
            self._efforts.append(peak)
        told = self._go_after() if self._follow else []
        if len(self._efforts) == FEW and (usual := median(self._efforts)) < min(SHRUNK * self.on, OF_FULL * self._full):
            told += self._tell("efforts shrink", now, ordinary=usual)
        if (missed := sum(self._missed)) >= MISSED and len(self._missed) == TRIES:
            told += self._tell("near-misses", now, missed=missed, of=TRIES)
        return told

    def rests(self, now: int) -> list[Drifted]:
        """Take a piece of rest; to be called when ``due`` has come and nothing is going on."""
        self.due = now + PIECE
        reach, self.reach = self.reach, 0.0
        if self._tried:  # its rise and its fall are no rest
            self._tried -= 1
            return []
        self._window.append(reach)
        if len(self._window) < WINDOW // PIECE:
            return []
        reach = max(self._window)
        self._window.clear()
        self._reaches.append(reach)
        if len(self._reaches) < WINDOWS:
            return []
        reach = median(self._reaches)
        self._widest = max(self._widest, reach)
        if self._first_reach is None:
            self._first_reach = reach
        if reach > RESTLESS * self.on and reach > MORE * self._first_reach:
            return self._tell("rest is restless", now, reach=reach)
        return []

    def _tell(self, what: str, now: int, **figures: float) -> list[Drifted]:
        before = self._told.get(what)
        if before is not None and now - before < AGAIN:
            return []
        self._told[what] = now
        return [self._said(what, **figures)]

    def _said(self, what: str, **figures: float) -> Drifted:
        rounded = {name: round(value, 1) for name, value in {**figures, "on": self.on}.items()}
        return Drifted(self._source, what, tuple(rounded.items()))

    def _known_reach(self) -> float:
        """How far rest goes, as far as it is known yet; 0 at first."""
        return max(self._widest, median(self._reaches)) if len(self._reaches) >= KNOWN else self._widest

    def _go_after(self) -> list[Drifted]:
        if len(self._sizes) < FEW:
            return []
        usual = median(self._sizes)
        if self._share is None:
            self._share = min(0.7, max(0.3, self.on / usual))
        assert self._follow is not None  # asked only if there are bounds
        lowest, highest = self._follow
        target = min(highest, max(lowest, CLEAR * self._known_reach(), self._share * usual))
        self.on += max(-PACE * self.on, min(PACE * self.on, target - self.on))
        if abs(self.on - self._told_on) < MOVED * self._told_on:
            return []
        self._told_on = self.on
        return [self._said("followed", ordinary=usual)]
