"""A pressure recording as a fit takes it: thinned, looked at for sense, and played to the real conditioning."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from router.core.conditioning.pressure import PressureConditioner, PressureSettings
from router.core.conditioning.spikes import Spikes
from router.core.events import Lost, Press, PressureSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.fit.estimates import spread
from router.fit.recording import BEFORE, FitError, Recording, between

SEARCH_RATE = 100
"""Samples a second that thresholds are searched with; more tell no more about efforts of a tenth of a second."""

TAIL = 0.3
"""An effort goes on as long as it is beyond this share of the largest pressure near it. Our choice."""

SPIKE = 40_000_000
"""Nanoseconds: an excursion that lasts longer is no spike, unless it is a single reading. Efforts take at least 60 ms
to rise and fall."""
LEAP, BEYOND_NOISE, SETTLES = 0.25, 12.0, 0.3
ANOTHER_SIDE = 0.15
"""The share of efforts from which on a side that the profile does not listen to is one that the child uses. Our
choice."""
FEWEST_SPIKES, FEW_READINGS = 2, 20
"""Spikes in a recording, and readings, from which on a running median is worth its delay. Our choice, as the shares
above."""

SIGNS = {"above": 1, "below": -1}

Sizes = dict[str, float]
"""The ordinary effort of each side that has any, in pascals."""


@dataclass(slots=True)
class Samples:
    """Times and pressures, no more than ``SEARCH_RATE`` a second, and when the sensor was lost."""

    times: list[int] = field(default_factory=list)
    pascals: list[float] = field(default_factory=list)
    losses: list[int] = field(default_factory=list)


def thinned(samples: Sequence[Stamped], spikes: int = 0) -> Samples:
    """Take no more samples a second than a search needs, after the running median over ``spikes`` nanoseconds."""
    thin = Samples()
    due = samples[0][0]
    median_of = Spikes(spikes).without if spikes else lambda value, _now: value
    for t, sample in samples:
        if isinstance(sample, Lost):
            thin.losses.append(t)
        elif isinstance(sample, PressureSample):
            pascal = median_of(sample.pascal, t) if math.isfinite(sample.pascal) else sample.pascal
            if t >= due:
                thin.times.append(t)
                thin.pascals.append(pascal)
                due = max(due + NANOSECONDS // SEARCH_RATE, t - NANOSECONDS // SEARCH_RATE)
    if not thin.times:
        raise FitError("the recording holds no pressure of this input", "Record this input, or name another one.")
    return thin


def spike_width(samples: Sequence[Stamped]) -> int:
    """Return the time over which a running median passes over the spikes of a recording, in nanoseconds.

    0: there are none.

    A spike is a leap of more than a quarter of what the recording goes up and down, and far beyond its noise, that
    comes back at once.
    """
    read = [(t, s.pascal) for t, s in samples if isinstance(s, PressureSample) and math.isfinite(s.pascal)]
    if len(read) < FEW_READINGS:
        return 0
    values = [pascal for _, pascal in read]
    ordered = sorted(values)
    reach = ordered[int(0.98 * len(ordered))] - ordered[int(0.02 * len(ordered))]
    leap = max(LEAP * reach, BEYOND_NOISE * spread([b - a for a, b in itertools.pairwise(values)]))
    every = median(b - a for (a, _), (b, _) in itertools.pairwise(read))
    most = max(1, round(SPIKE / every)) if every > 0 else 1
    longest = count = 0
    i = 1
    while i < len(values):
        jump = values[i] - values[i - 1]
        if abs(jump) > leap:
            back = next((k for k in range(1, most + 1) if abs(_left(values, i, k)) < SETTLES * abs(jump)), 0)
            if back:
                longest, count, i = max(longest, back), count + 1, i + back
        i += 1
    return round((2 * longest + 0.5) * every) if count >= FEWEST_SPIKES else 0


def _left(values: Sequence[float], at: int, later: int) -> float:
    """How far a value is from the one before ``at``; infinite behind the end."""
    return values[at + later] - values[at - 1] if at + later < len(values) else math.inf


def sane(samples: Samples, recording: Recording) -> None:
    """Refuse a sensor that never changes, or that is at its limit in most efforts, which hides how large they are."""
    values = samples.pascals
    low, rest, high = min(values), median(values), max(values)
    if low == high:
        raise FitError(
            "the sensor says the same all the time", "Is the tube connected, and is this the right input? Try it again."
        )
    for end, word in ((low, "lowest"), (high, "highest")):
        if abs(end - rest) < max(high - rest, rest - low) / 2:
            continue  # the side on which nobody tries
        held = 0
        for stretch in recording.efforts:
            places = range(*between(samples.times, stretch.begin, stretch.end))
            at_end = [samples.times[i] for i in places if values[i] == end]
            held += len(at_end) > 2 and at_end[-1] - at_end[0] > NANOSECONDS // 5
        if held > len(recording.efforts) / 2:
            raise FitError(
                f"in {held} efforts the sensor stays at its {word} value, so it cannot say how large they are",
                "Use a sensor with a wider range, or let some air out of the pad.",
            )


def first_sizes(samples: Samples, recording: Recording, asked: Sequence[str]) -> Sizes:
    """Estimate the ordinary effort of each side on which there are efforts, roughly.

    ``asked``: the sides that the profile listens to; another one must hold more than a stray effort.
    """
    found = roughly(samples, recording)
    few = max(2, ANOTHER_SIDE * len(recording.efforts))
    sizes = {
        side: median(sizes)
        for side, sizes in found.items()
        if median(sizes) > 0 and (side in asked or len(sizes) >= few)
    }
    # A stretch that looks the other way because nobody tried in it makes no side.
    least = max(sizes.values(), default=0.0) / 2
    return {side: size for side, size in sizes.items() if size > least} or dict.fromkeys(asked, 1.0)


def roughly(samples: Samples, recording: Recording) -> dict[str, list[float]]:
    """The size of each effort, by side: the furthest from the median of the nearby samples that belong to no effort."""
    found: dict[str, list[float]] = {}
    times, values = samples.times, samples.pascals
    tried = bytearray(len(times))
    for stretch in recording.efforts:
        first, last = between(times, stretch.begin, stretch.end)
        tried[first:last] = b"\1" * (last - first)
    for stretch in recording.efforts:
        middle = stretch.begin + BEFORE
        near = range(*between(times, middle - 8 * NANOSECONDS + 1, middle + 8 * NANOSECONDS))
        around = [values[i] for i in near if not tried[i]]
        inside = [values[i] for i in range(*between(times, stretch.begin, stretch.end))]
        if inside and around:
            level = median(around)
            beyond = begun([pascal - level for pascal in inside])
            side = max(SIGNS, key=lambda word: max(SIGNS[word] * value for value in beyond))
            found.setdefault(side, []).append(max(SIGNS[side] * value for value in beyond))
    return found


def begun(beyond: Sequence[float]) -> Sequence[float]:
    """Leave out the first values of a stretch as far as they are the end of the effort before it.

    ``beyond``: pressures from rest. They are that end if another effort of half its size or more follows a return to
    rest.
    """
    if not beyond:
        return beyond
    sign = 1 if beyond[0] > 0 else -1
    over = TAIL * max(map(abs, beyond))
    until = next((i for i, value in enumerate(beyond) if sign * value < over), len(beyond))
    rest = beyond[until:]
    return rest if max(map(abs, rest), default=0.0) >= max(map(abs, beyond[:until]), default=0.0) / 2 else beyond


def condition(samples: Samples, settings: PressureSettings) -> tuple[list[int], list[float], list[tuple[int, str]]]:
    """Condition the samples as the router does: times, pressures beyond the background, presses with their sides."""
    made = PressureConditioner("", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    times: list[int] = []
    beyond: list[float] = []
    presses: list[tuple[int, str]] = []
    losses = samples.losses[::-1]
    for t, pascal in zip(samples.times, samples.pascals, strict=True):
        while losses and t >= losses[-1]:
            made.lost(losses.pop())
        rest = made.rest
        if rest is not None:
            times.append(t)
            beyond.append(pascal - rest)
        presses += [
            (t, gesture.source.removeprefix("."))
            for gesture in made.handle(PressureSample("", pascal), t)
            if isinstance(gesture, Press)
        ]
    return times, beyond, presses
