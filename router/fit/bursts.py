"""Bursts that nobody asked for in the recording of a pressure sensor: coughs, talk, crying, a spasm.

    train    two or more short pulses in quick succession, as coughs (2.5 to 4 a second) and syllables (80 to 160 ms)
             are
    large    as large as a gentle effort, while none was asked for

A threshold that hears the efforts hears these, too, so nothing can be learned from them: they are left out of the
judging and told. Smaller ones are judged, as a threshold can keep them out. So is everything if there is too much of
it: a breath that is as large as an effort again and again is what rest looks like.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from router.core.units import NANOSECONDS
from router.fit.estimates import quantile
from router.fit.pressure_samples import SIGNS
from router.fit.recording import BEFORE, LEAST_REST, Recording, Stretch

MILLISECOND = 1_000_000
BEGINS, OVER = 0.35, 0.2
"""A pulse begins above the first share of an ordinary effort and is over below the second. Our choice."""
SHORTEST, LONGEST_PULSE = 40 * MILLISECOND, 250 * MILLISECOND
"""Pulses of a train: longer than a sensor's spike; a syllable lasts 80 to 160 ms, a pulse of a cough up to 200 ms."""
QUICKEST, SLOWEST = 120 * MILLISECOND, 500 * MILLISECOND
"""From pulse to pulse of a train: coughs 2.5 to 4 a second, syllables 3 to 5; one may be too small to be seen."""
TOGETHER = 2 * NANOSECONDS
"""Pulses less than this apart, and no effort between them, belong to one burst, as cries and sentences do. Our
choice."""
AROUND = (150 * MILLISECOND, 300 * MILLISECOND)
"""Left out before and after a burst."""
SURELY, TENTH = 1.2, 10 * MILLISECOND
"""How much longer than the longest pulse an effort must last; the step in which that is told. Our choice."""
MOST_AT_REST = 3
"""With more bursts in the marked rest they are what rest looks like. Our choice."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """Pressure beyond rest and back, ``begin`` to ``end`` in nanoseconds; ``size``: a share of an ordinary effort."""

    begin: int
    end: int
    size: float


@dataclass(frozen=True, slots=True)
class Burst:
    """Pulses that nobody asked for. ``train``: they are short and come quickly one after another."""

    pulses: tuple[Pulse, ...]
    train: bool

    @property
    def begin(self) -> int:
        return self.pulses[0].begin - AROUND[0]

    @property
    def end(self) -> int:
        return self.pulses[-1].end + AROUND[1]


def bursts(
    times: Sequence[int], beyond: Sequence[float], sizes: Mapping[str, float], recording: Recording
) -> list[Burst]:
    """Find the bursts in a recording, in order.

    ``beyond``: pascals from rest at ``times``; ``sizes``: as ``fit.pressure_samples``.
    """
    pulses = list(_pulses(times, beyond, sizes))
    own = {stretch: _own(stretch, pulses) for stretch in recording.efforts}
    asked = {pulse for of in own.values() for pulse in of}
    free = [pulse for pulse in pulses if pulse not in asked and not recording.unjudged(pulse.begin)]
    gentle = quantile([max(pulse.size for pulse in of) for of in own.values() if of] or [1.0], 0.1)
    found = []
    for run in _runs(free, sorted(pulse.begin for pulse in asked)):
        train = any(len(part) > 1 for part in _trains(run))
        if train or max(pulse.size for pulse in run) >= gentle:
            found.append(Burst(tuple(run), train))
    at_rest = [burst for burst in found if recording.at_rest(burst.pulses[0].begin)]
    left = recording.seconds_of_rest * NANOSECONDS - sum(burst.end - burst.begin for burst in at_rest)
    return found if len(at_rest) <= MOST_AT_REST and left >= LEAST_REST else []


def without(recording: Recording, found: Sequence[Burst]) -> Recording:
    """Return the recording in which nobody judges the bursts, nor looks for an effort in them."""
    pauses = sorted([*recording.pauses, *((burst.begin, burst.end) for burst in found)])
    return replace(recording, pauses=pauses, efforts=[_cut(stretch, found) for stretch in recording.efforts])


def told(found: Sequence[Burst], held: float) -> list[str]:
    """Say what was left out, when it was, and what the router makes of it.

    ``held``: how long the shorter efforts are held, in nanoseconds.
    """
    said = []
    pulses = [pulse for burst in found if burst.train for pulse in burst.pulses]
    waits = max((SURELY * (pulse.end - pulse.begin) for pulse in pulses), default=0.0)
    if 0 < waits < held:
        said.append(
            f'"accept: {math.ceil(waits / TENTH) * TENTH // MILLISECOND} ms" would keep out what looks like coughs or'
            " talk; every note would come as much later"
        )
    for train, looks in (
        (True, "look like coughs or talk"),
        (False, "are as large as an effort, and none was asked for"),
    ):
        seconds = [f"{burst.pulses[0].begin / NANOSECONDS:.0f} s" for burst in found if burst.train is train]
        if seconds:
            said.append(
                f"{len(seconds)} burst{'s' * (len(seconds) > 1)} of pressure {looks} (at {', '.join(seconds)}): left"
                " out of the judging; one sensor cannot tell their beginning from an effort, so the router will"
                " play it"
            )
    return said


def _pulses(times: Sequence[int], beyond: Sequence[float], sizes: Mapping[str, float]) -> Iterator[Pulse]:
    since, size = 0, 0.0
    signed = [(SIGNS[side], ordinary) for side, ordinary in sizes.items()]
    for t, value in zip(times, beyond, strict=True):
        share = max(sign * value / ordinary for sign, ordinary in signed)
        if not size and share > BEGINS:
            since, size = t, share
        elif size and share < OVER:
            if t - since >= SHORTEST:
                yield Pulse(since, t, size)
            size = 0.0
        elif size:
            size = max(size, share)


def _own(stretch: Stretch, pulses: Sequence[Pulse]) -> list[Pulse]:
    """The pulses that are what was asked for.

    In a stretch of several all; otherwise the one that is nearest to its mark for its size, if it is no train.
    """
    inside = [pulse for pulse in pulses if stretch.begin <= pulse.begin < stretch.end]
    if stretch.several or len(inside) < 2:
        return inside
    trains = [part for part in _trains(inside) if len(part) > 1]
    others = [pulse for pulse in inside if not any(pulse in part for part in trains)]
    if not others:
        return inside  # what was asked for is itself quick
    mark = stretch.begin + BEFORE
    return [min(others, key=lambda pulse: (abs(pulse.begin - mark) + AROUND[0]) / pulse.size)]


def _trains(pulses: Sequence[Pulse]) -> list[list[Pulse]]:
    """Runs of short pulses that come as quickly as coughs or syllables."""
    short = [pulse for pulse in pulses if pulse.end - pulse.begin <= LONGEST_PULSE]
    parts: list[list[Pulse]] = []
    for pulse in short:
        if parts and QUICKEST <= pulse.begin - parts[-1][-1].begin <= SLOWEST:
            parts[-1].append(pulse)
        else:
            parts.append([pulse])
    return parts


def _runs(pulses: Sequence[Pulse], efforts: Sequence[int]) -> Iterator[list[Pulse]]:
    """Pulses that belong together; ``efforts``: when efforts begin, in order."""
    run: list[Pulse] = []
    for pulse in pulses:
        if run and (
            pulse.begin - run[-1].end > TOGETHER
            or bisect_left(efforts, run[-1].begin) != bisect_left(efforts, pulse.begin)
        ):
            yield run
            run = []
        run.append(pulse)
    if run:
        yield run


def _cut(stretch: Stretch, found: Sequence[Burst]) -> Stretch:
    """The stretch without the bursts at its ends."""
    if stretch.several:
        return stretch
    mark = stretch.begin + BEFORE
    for burst in found:
        if burst.begin < stretch.end and burst.end > stretch.begin:
            middle = (max(burst.begin, stretch.begin) + min(burst.end, stretch.end)) // 2
            if middle < mark:
                stretch = replace(stretch, begin=max(stretch.begin, min(burst.end, mark)))
            else:
                stretch = replace(stretch, end=min(stretch.end, max(burst.begin, mark)))
    return stretch
