"""Simple movements: a switch, a pressure sensor, a head and a keyboard do what a list of efforts says.

Bounce, tremor, breath, drift and noise are laid over the efforts.
"""

from __future__ import annotations

import heapq
import itertools
import math
import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from router.core.events import Mark, MidiSample, PointerSample, PressureSample, SwitchSample
from router.core.units import NANOSECONDS, PRESSURE
from router.devices.inputs.base import Stamped

CM_H2O = 98.0665
"""Pascals in a centimetre of water, conventional. Source: NIST SP 811 (2008), appendix B.8."""
IN_H2O = float(PRESSURE["inH2O"])
MARKED_LATE = 0.5
"""Seconds by which a helper's hand is late at most in marking an effort."""


@dataclass(frozen=True, slots=True)
class Effort:
    """A deliberate movement: its start and length in nanoseconds; its strength, 0 to 1."""

    start: int
    length: int
    strength: float = 0.5


@dataclass(frozen=True, slots=True)
class Visit:
    """A place looked at: when the pointer sets off for it, in nanoseconds, and where it is, 0 to 1."""

    start: int
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Switch:
    """A finger on a switch.

    Bounce: our choice; mechanical contacts settle within a few milliseconds (common practice, no source).
    """

    bounce: int = 5_000_000
    """How long the contact bounces at most after each edge, in nanoseconds."""
    tremor: float = 0.15
    """The share of presses in which the finger shakes off and on again once, within ``bounce`` times four."""


@dataclass(frozen=True, slots=True)
class Pressure:
    """An air pad or tube at a sensor. Pressures in pascals, frequencies in hertz.

    Breath: 26 a minute, the median at two years (Fleming et al., Lancet 377:1011-1018, 2011); its height, the drift and
    the noise are our choice, after what an open tube near a face picks up.
    """

    rate: int = 100
    """Samples a second."""
    rest: float = 40.0
    """The sensor's reading at rest when it is switched on; no sensor reads exactly 0."""
    drift: float = 0.5 * CM_H2O
    """How far rest wanders up and down within ``drift_period``."""
    drift_period: float = 60.0
    breath: float = 0.1 * CM_H2O
    breath_frequency: float = 26 / 60
    noise: float = 0.05 * CM_H2O
    rise: float = 0.12
    """Seconds from rest to the whole effort, and back."""


@dataclass(frozen=True, slots=True)
class Pointer:
    """A head that points. Shares of the whole width or height; frequencies in hertz.

    Most head tremors and jerks are at about 2 and 4 Hz (J. Neurol. Neurosurg. Psychiatry 42:705, 1979); slow
    involuntary movement peaks at 0.3 to 0.6 Hz (Neilson, same journal 37:171-177, 1974). Their sizes are our choice.
    """

    rate: int = 60
    tremor: float = 0.012
    tremor_frequencies: tuple[float, ...] = (2.0, 4.0)
    sway: float = 0.015
    sway_frequency: float = 0.45
    travel: float = 0.5
    """Seconds from one place to the next."""


SUCKING = (2.1, 14.05 * CM_H2O)
"""Sucks a second and their height in pascals, at three months (Martens, Hines, Zimmerman, Early Human Development,
2020)."""


def efforts(
    rng: random.Random, until: int, *, every: float, length: float, first: float = 1.0, spread: float = 0.25
) -> list[Effort]:
    """Efforts until a time in nanoseconds.

    One ``every`` so many seconds, held for ``length``, each give or take ``spread``.

    An effort has ended before the next begins.
    """
    found: list[Effort] = []
    t = first
    while True:
        held = length * rng.uniform(1 - spread, 1 + spread)
        if (t + held) * NANOSECONDS >= until:
            return found
        found.append(Effort(ns(t), ns(held), rng.uniform(0.3, 1.0)))
        t += max(every * rng.uniform(1 - spread, 1 + spread), held * 1.2)


def bursts(rng: random.Random, until: int, *, first: float = 1.0) -> list[Effort]:
    """Sucking as small children do: bursts of 6 to 12 sucks at 2.1 Hz, pauses of 3 to 10 s.

    Bursts: Zimmerman, Carpenito, Martens, PLoS ONE 15, 2020; rate as ``SUCKING``; pauses are from memory.
    """
    found: list[Effort] = []
    period, t = 1 / SUCKING[0], first
    while True:
        for _ in range(int(rng.uniform(6, 13))):
            if (t + period) * NANOSECONDS >= until:
                return found
            found.append(Effort(ns(t), ns(period / 2), rng.uniform(0.5, 1.0)))
            t += period
        t += rng.uniform(3, 10)


def switch(name: str, presses: Iterable[Effort], rng: random.Random, child: Switch | None = None) -> Iterator[Stamped]:
    """The contact of a switch: each press with its bounce, some with a shake of the finger."""
    child = child or Switch()
    for press in presses:
        for edge, closed in ((press.start, True), (press.start + press.length, False)):
            yield edge, SwitchSample(name, closed)
            shakes = closed and rng.random() < child.tremor
            for t in _flutter(rng, edge, 4 * child.bounce if shakes else child.bounce, 1 if shakes else 2):
                yield t[0], SwitchSample(name, not closed)
                yield t[1], SwitchSample(name, closed)


def pressure(
    name: str,
    pushes: Sequence[Effort],
    until: int,
    rng: random.Random,
    *,
    low: float,
    high: float,
    child: Pressure | None = None,
) -> Iterator[Stamped]:
    """A pressure sensor until a time in nanoseconds.

    A push of strength 0 reaches ``low`` pascals from rest, one of 1 ``high``.

    Negative ``low`` and ``high`` are suction.
    """
    child = child or Pressure()
    phases = [rng.uniform(0, math.tau) for _ in range(2)]
    waiting = list(pushes)
    for t in _clock(child.rate, until):
        while waiting and t >= waiting[0].start + waiting[0].length + ns(child.rise):
            del waiting[0]
        seconds = t / NANOSECONDS
        pascal = child.rest + child.drift / 2 * math.sin(math.tau * seconds / child.drift_period + phases[0])
        pascal += child.breath / 2 * math.sin(math.tau * seconds * child.breath_frequency + phases[1])
        pascal += rng.gauss(0, child.noise / 3)  # so that nearly all of it lies within ``noise``
        for push in itertools.takewhile(lambda push: push.start <= t, waiting):  # noqa: B023 - used up at once
            pascal += (low + (high - low) * push.strength) * _swell(t - push.start, push.length, ns(child.rise))
        yield t, PressureSample(name, round(pascal, 2))


def pointer(
    name: str, visits: Sequence[Visit], until: int, rng: random.Random, child: Pointer | None = None
) -> Iterator[Stamped]:
    """A head pointer until a time in nanoseconds: it travels to each place and stays there, trembling.

    It is at the first place from the beginning.
    """
    child = child or Pointer()
    phases = [rng.uniform(0, math.tau) for _ in range(2 * len(child.tremor_frequencies) + 2)]
    place = start = (visits[0].x, visits[0].y) if visits else (0.5, 0.5)
    target, left = start, -ns(child.travel)
    waiting = list(visits)
    for t in _clock(child.rate, until):
        while waiting and t >= waiting[0].start:
            visit = waiting.pop(0)
            start, target, left = place, (visit.x, visit.y), visit.start
        share = smooth((t - left) / ns(child.travel))
        place = (start[0] + (target[0] - start[0]) * share, start[1] + (target[1] - start[1]) * share)
        seen = [place[axis] + _shake(child, phases, axis, t / NANOSECONDS) for axis in (0, 1)]
        yield t, PointerSample(name, *(round(min(1.0, max(0.0, value)), 4) for value in seen))


def keyboard(name: str, notes: Iterable[tuple[Effort, int]], channel: int = 1) -> Iterator[Stamped]:
    """A MIDI keyboard: efforts with their keys (0 to 127); the strength becomes the velocity."""
    events = []
    for effort, key in notes:
        velocity = max(1, round(127 * effort.strength))
        events.append((effort.start, MidiSample(name, (0x90 | channel - 1, key, velocity))))
        events.append((effort.start + effort.length, MidiSample(name, (0x80 | channel - 1, key, 64))))
    yield from sorted(events, key=lambda event: event[0])


@dataclass(frozen=True, slots=True)
class Struck:
    """Keys that are struck together.

    When, by the score, and for how long, in nanoseconds; how hard, 0 to 1; the keys, 0 to 127.
    """

    start: int
    length: int
    strength: float
    keys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Hands:
    """How somebody leads from a MIDI keyboard.

    Times are in seconds; all of it is our choice, for somebody who has played for years.

    ``ahead``: whoever leads is a little before the beat, so that the chord is known when the beat comes (it settles for
    30 ms). ``spread`` and ``roll`` are standard deviations: of where a chord lies in time, and of its keys about it.
    """

    ahead: float = 0.06
    spread: float = 0.006
    roll: float = 0.003
    pedal: float = 0.15
    """From a chord until the pedal holds it; it comes up as the next chord is struck."""


def pianist(
    name: str,
    played: Sequence[Struck],
    rng: random.Random,
    *,
    chords: Iterable[int] = (),
    pedals: Iterable[tuple[int, int, int]] = (),
    channel: int = 1,
    hands: Hands | None = None,
) -> Iterator[Stamped]:
    """A keyboard played in time, with a hand's spread.

    ``chords``: the times, by the score, at which the sustain pedal is changed.

    ``pedals``: others that go down and come up again, as controller and two times in nanoseconds, as they are.
    """
    hands = hands or Hands()

    def human(when: int) -> int:
        return max(0, when - ns(hands.ahead) + ns(rng.gauss(0, hands.spread)))

    places = {when: human(when) for when in sorted({each.start for each in played})}
    notes = [
        (
            Effort(max(0, places[each.start] + ns(abs(rng.gauss(0, hands.roll)))), each.length, each.strength),
            key,
        )
        for each in played
        for key in each.keys
    ]
    moved: list[tuple[int, int, int]] = []
    for when in chords:
        struck = places.get(when, when)
        moved += [(struck, 64, 0), (struck + ns(hands.pedal), 64, 127)]
    for controller, down, up in pedals:
        moved += [(down, controller, 127), (up, controller, 0)]
    controls = [(when, MidiSample(name, (0xB0 | channel - 1, number, value))) for when, number, value in sorted(moved)]
    return together(controls, keyboard(name, notes, channel))


def together(*sources: Iterable[Stamped]) -> Iterator[Stamped]:
    """Several inputs on one time line."""
    return heapq.merge(*sources, key=lambda stamped: stamped[0])


def marks(efforts: Iterable[float], rest: float, rng: random.Random) -> Iterator[Stamped]:
    """The marks of a guided session by a helper's hand, which is up to ``MARKED_LATE`` late for each effort.

    ``efforts``: when each begins; ``rest``: until when nothing is asked. In seconds.
    """
    yield ns(1.0), Mark("rest")
    yield ns(rest), Mark("end")
    yield from ((ns(t), Mark("effort")) for t in sorted(begin + rng.uniform(0, MARKED_LATE) for begin in efforts))


def _clock(rate: int, until: int) -> Iterator[int]:
    """The times of a sensor's samples; counted, not added up."""
    count = 0
    while (t := count * NANOSECONDS // rate) < until:
        yield t
        count += 1


def _flutter(rng: random.Random, edge: int, within: int, times: int) -> list[tuple[int, int]]:
    """When a contact opens and closes again, a few times within some nanoseconds after an edge."""
    points = sorted(edge + 1 + int(rng.random() * (within - 1)) for _ in range(2 * times)) if within > 1 else []
    return list(zip(points[::2], points[1::2], strict=True))


def _swell(since: int, length: int, rise: int) -> float:
    """How much of an effort there is: up within ``rise``, held to ``length``, down within ``rise``."""
    if since > length:
        return 1.0 - smooth((since - length) / rise)
    return smooth(since / rise)


def smooth(share: float) -> float:
    """From 0 to 1 without a corner."""
    share = min(1.0, max(0.0, share))
    return share * share * (3 - 2 * share)


def _shake(child: Pointer, phases: Sequence[float], axis: int, seconds: float) -> float:
    waves = len(child.tremor_frequencies)
    shake = child.sway * math.sin(math.tau * child.sway_frequency * seconds + phases[2 * waves + axis])
    for i, frequency in enumerate(child.tremor_frequencies):
        shake += child.tremor / waves * math.sin(math.tau * frequency * seconds + phases[axis * waves + i])
    return shake


def ns(seconds: float) -> int:
    """Seconds as whole nanoseconds."""
    return round(seconds * NANOSECONDS)
