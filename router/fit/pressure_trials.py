"""Trials of thresholds on a pressure recording: what the router would have heard of it with them."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from router.core.conditioning.pressure import Side
from router.core.units import NANOSECONDS
from router.fit.estimates import quantile
from router.fit.pressure_samples import SIGNS, Sizes, begun
from router.fit.recording import Pieces, Recording, Stretch, between

OFF_SHARE = 0.6
SETTLED = 3 * NANOSECONDS
"""Rest is not judged until so long after the beginning, while its level is not known."""


@dataclass(frozen=True, slots=True)
class Hump:
    """An effort as the sensor shows it. ``dip``: the least between its first and its last moment above ``on``."""

    begin: int
    top: int
    end: int
    size: float
    dip: float


@dataclass(slots=True)
class Trial:
    """Thresholds, and what the router hears in the recording with them. ``presses``: the time and the side of each."""

    sides: dict[str, Side]
    times: list[int]
    beyond: list[float]  # the background
    presses: list[tuple[int, str]]
    efforts: list[tuple[str, list[Hump], int]] = field(default_factory=list)  # side, humps, how many were heard
    strays: list[int] = field(default_factory=list)
    reach: dict[str, dict[int, float]] = field(default_factory=dict)  # of rest, by side and piece
    disturbed: set[int] = field(default_factory=set)  # pieces in which a press was heard that nobody meant

    def judge(self, recording: Recording, pieces: Pieces) -> None:
        taken: set[int] = set()
        covered = bytearray(len(self.times))  # samples that belong to no rest
        for stretch in recording.efforts:
            first, last = between(self.times, stretch.begin, stretch.end)
            side, humps = self._humps(first, last, stretch)
            within = [
                i for i, (t, word) in enumerate(self.presses) if stretch.begin <= t < stretch.end and word == side
            ]
            mine = [i for i in within if i not in taken][: max(1, len(humps))]
            taken.update(mine)
            self.efforts.append((side, humps, len(mine)))
            # An effort lasts beyond its stretch until it is over.
            threshold = 0.3 * max((hump.size for hump in humps), default=math.inf)
            while last < len(self.times) and SIGNS[side] * self.beyond[last] > threshold:
                last += 1
            covered[first:last] = b"\1" * (last - first)
        self.strays = [t for i, (t, _side) in enumerate(self.presses) if i not in taken and not recording.unjudged(t)]
        self.disturbed = {pieces.at(t) for t in self.strays}
        settled = self.times[0] + SETTLED if self.times else 0
        calm: dict[int, list[float]] = {}
        for t, value, busy in zip(self.times, self.beyond, covered, strict=True):
            if not busy and t > settled and not (recording.pauses and recording.unjudged(t)):
                calm.setdefault(pieces.at(t), []).append(value)
        for side in self.sides:
            share = 0.99 if side == "above" else 0.01
            self.reach[side] = {
                piece: max(0.0, SIGNS[side] * quantile(values, share)) for piece, values in calm.items()
            }

    def _humps(self, first: int, last: int, stretch: Stretch) -> tuple[str, list[Hump]]:
        """The efforts in some samples, and their side."""
        values = begun(self.beyond[first:last])
        first = last - len(values)
        largest = {side: max((SIGNS[side] * value for value in values), default=0.0) for side in self.sides}
        side = max(largest, key=lambda word: largest[word] / self.sides[word].on)
        size = largest[side]
        if size <= 0:
            return side, []
        signed = [SIGNS[side] * value for value in values]
        if not stretch.several:
            return side, [self._hump(signed, first, 0, len(signed), side)]
        humps: list[Hump] = []
        since: int | None = None
        for i, value in enumerate([*signed, 0.0]):
            if since is None and value > 0.4 * size:
                since = i
            elif since is not None and value < 0.2 * size:
                humps.append(self._hump(signed, first, since, i, side))
                since = None
        return side, humps

    def _hump(self, signed: Sequence[float], first: int, begin: int, end: int, side: str) -> Hump:
        part = signed[begin:end]
        top = max(range(len(part)), key=part.__getitem__)
        on = self.sides[side].on
        beyond = [i for i, value in enumerate(part) if value >= on]
        # A dip to rest is the gap between two efforts, and none within one.
        dip = min((part[i] for i in range(beyond[0], beyond[-1])), default=on) if beyond else on
        begun = next((i for i in range(top, -1, -1) if part[i] < 0.1 * part[top]), 0)
        over = next((i for i in range(top, len(part)) if part[i] < 0.1 * part[top]), len(part) - 1)
        times = self.times[first + begin : first + end]
        return Hump(times[begun], times[top], times[over], part[top], dip if dip > 0.25 * on else on)


def sides_at(on: Sizes, full: Sizes) -> dict[str, Side]:
    """Thresholds to try, by side."""
    return {side: Side(value, OFF_SHARE * value, max(1.5 * value, full[side])) for side, value in on.items()}


def holds(trial: Trial) -> list[float]:
    """How long each effort is above half of its height, in nanoseconds."""
    humps = [(side, hump) for side, humps, _ in trial.efforts for hump in humps]
    return [form[1] for side, hump in humps if (form := shape(trial, side, hump))]


def shape(trial: Trial, side: str, hump: Hump) -> tuple[float, float] | None:
    """An effort's rise from 10 % to 90 % of its height, and how long it is above half of it."""
    first, last = between(trial.times, hump.begin, hump.end + NANOSECONDS)
    signed = [SIGNS[side] * value for value in trial.beyond[first:last]]
    times = trial.times[first:last]
    top = bisect_left(times, hump.top)
    if not signed or top >= len(signed):
        return None
    back = range(top, -1, -1)
    low = next((i for i in back if signed[i] < 0.1 * hump.size), 0)
    nine_tenths = next((i for i in range(low, top + 1) if signed[i] >= 0.9 * hump.size), top)
    begin = next((i for i in back if signed[i] < 0.5 * hump.size), 0)
    end = next((i for i in range(top, len(signed)) if signed[i] < 0.5 * hump.size), len(signed) - 1)
    return float(times[nine_tenths] - times[low]), float(times[end] - times[begin])
