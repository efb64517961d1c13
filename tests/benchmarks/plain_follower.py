"""The peer that each row of the benchmark is held against: rest is the mean of the last 8 s, thresholds are fixed.

It needs no model of anything and a page of code; whoever hears children worse than this had better use it. What is
pressed is not rest, unless it lasts for more than 8 s. Its thresholds come from the same marked recording as the
router's: a third of the median effort, or as much as is needed above rest.
"""

from __future__ import annotations

import statistics
from collections import deque
from collections.abc import Mapping, Sequence

from router.core.events import Mark, PressureSample
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped

WINDOW = 8 * NANOSECONDS
SHARE, ABOVE_REST, MOST, RELEASE = 0.33, 1.2, 0.8, 0.6
SIGNS = {"above": 1, "below": -1}


class PlainFollower:
    """Presses of each side by fixed thresholds in pascals from the mean of the last 8 s."""

    def __init__(self, on: Mapping[str, float]) -> None:
        self.on = on
        self._held: dict[str, int] = {}  # sides that are pressed, and since when
        self._last: deque[tuple[int, float]] = deque()
        self._sum = 0.0

    def beyond(self, t: int, pascal: float) -> float:
        """How far a sample is from the mean of rest in the 8 s before it."""
        last = self._last
        while len(last) > 1 and t - last[0][0] > WINDOW and not self._held:
            self._sum -= last.popleft()[1]
        return pascal - self._sum / len(last) if last else 0.0

    def handle(self, t: int, pascal: float) -> list[str]:
        """The sides that this sample presses."""
        beyond = self.beyond(t, pascal)
        pressed = []
        for side, on in self.on.items():
            value = SIGNS[side] * beyond
            if side not in self._held and value >= on:
                self._held[side] = t
                pressed.append(side)
            elif side in self._held and (value < RELEASE * on or t - self._held[side] > WINDOW):
                if value >= RELEASE * on:  # it has lasted too long: this is rest now
                    self._last.clear()
                    self._sum = 0.0
                del self._held[side]
        if not self._held:
            self._last.append((t, pascal))
            self._sum += pascal
        return pressed


def thresholds(guided: Sequence[Stamped], sides: Sequence[str]) -> dict[str, float]:
    """Thresholds for the sides that somebody uses, by a marked recording:
    roughly, and again with what that hears left out of rest.
    """
    return _measured(guided, sides, _measured(guided, sides, {}))


def _measured(guided: Sequence[Stamped], sides: Sequence[str], roughly: dict[str, float]) -> dict[str, float]:
    follower = PlainFollower(roughly)
    beyond = []
    for t, one in guided:
        if isinstance(one, PressureSample):
            beyond.append((t, follower.beyond(t, one.pascal)))
            follower.handle(t, one.pascal)
    marks = [(t, one.text) for t, one in guided if isinstance(one, Mark)]
    begin, end = (next(t for t, text in marks if text == word) for word in ("rest", "end"))
    found = {}
    tops: dict[str, list[float]] = {side: [] for side in sides}
    for mark in (t for t, text in marks if text == "effort"):
        near = [value for t, value in beyond if mark - NANOSECONDS <= t <= mark + 2 * NANOSECONDS]
        top, side = max((max(SIGNS[side] * value for value in near), side) for side in sides)
        tops[side].append(top)
    for side in sides:
        # A cough's or a spike's few samples are not what rest looks like.
        rest = sorted(SIGNS[side] * value for t, value in beyond if begin <= t < end)
        high = rest[int(0.98 * len(rest))]
        if tops[side]:
            size = statistics.median(tops[side])
            found[side] = min(max(SHARE * size, ABOVE_REST * high), MOST * size)
    return found
