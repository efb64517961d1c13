"""Movements of a body, a bed and a tube that nobody meant.

Coughs, speech, crying, spasms; new postures; a tube that slips off.

Each is a bout (its kind, from, until) made of pulses. Sizes are shares of the child's ordinary effort, our choice, as
far as nothing else is said; a cough's pressure in the mouth is larger than any puff, at a cheek or a pad less of it
arrives.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from router.offline.simulate.movements import smooth

LONGEST = 18.0
"""No bout takes as many seconds."""

Rates = tuple[tuple[str, float], ...]
"""Kinds of bouts that a body has beside what it means, and how many a minute."""


@dataclass(frozen=True, slots=True)
class BodyPulse:
    """A rise (seconds), a plateau and a decay by an exponential's law, of a size in pascals."""

    start: float
    rise: float
    hold: float
    decay: float
    size: float

    @property
    def length(self) -> float:
        return self.rise + self.hold + 4 * self.decay

    def at(self, t: float) -> float:
        """The pressure at so many seconds since it began."""
        if t < self.rise + self.hold:
            return self.size * smooth(t / self.rise)
        return self.size * math.exp(-(t - self.rise - self.hold) / self.decay)


@dataclass(frozen=True, slots=True)
class Bout:
    """Something that nobody meant, in seconds; ``shifts``: what rest moves by, from when and within how long.

    ``off``: while a tube lies beside the child, nothing of the child is felt.
    """

    kind: str
    start: float
    end: float
    pulses: tuple[BodyPulse, ...] = ()
    shifts: tuple[tuple[float, float, float], ...] = ()
    off: bool = False


def bouts(body: Rates, seconds: float, effort: float, rng: random.Random) -> list[Bout]:
    """A session's bouts in order; none begins while another lasts, and the first two seconds are quiet."""
    found: list[Bout] = []
    begins = sorted((t, kind) for kind, rate in body for t in _times(rate, seconds, rng))
    busy = 0.0
    preload = rng.uniform(0.3, 3.0) * effort
    for t, kind in begins:
        if t < busy + 1.0:
            continue
        if kind == "slip":
            bout, preload = _slip(t, effort, preload, rng)
        else:
            bout = _MAKE[kind](t, effort, rng)
        if bout.end + 1.0 < seconds:
            found.append(bout)
            busy = bout.end
    return found


def rest_of(found: Sequence[Bout], t: float) -> float:
    """How far postures and slips have moved rest by a time."""
    return sum(size * smooth((t - when) / within) for bout in found for when, within, size in bout.shifts if t > when)


def _times(rate: float, seconds: float, rng: random.Random) -> Iterator[float]:
    """At least one in each session, or it would not be what its family says."""
    count = max(1, round(rng.gauss(1, 0.25) * rate * seconds / 60))
    for i in range(count):
        yield 2.0 + (seconds - 2.0 - LONGEST) * (i + rng.random()) / count


def _cough(t: float, effort: float, rng: random.Random) -> Bout:
    """2 to 7 pulses, 2.5 to 4 a second, each rising in 20 to 50 ms (from memory: its flow peaks within 100)."""
    start, frequency, size = t, rng.uniform(2.5, 4.0), rng.uniform(0.7, 3.0) * effort
    found = []
    for _ in range(rng.randint(2, 7)):
        height = size * rng.uniform(0.6, 1.1)
        found.append(BodyPulse(t, rng.uniform(0.02, 0.05), rng.uniform(0.02, 0.08), rng.uniform(0.03, 0.07), height))
        size *= rng.uniform(0.8, 1.0)  # the air runs out
        t += rng.uniform(0.85, 1.15) / frequency
    return Bout("cough", start, found[-1].start + found[-1].length, tuple(found))


def _speech(t: float, effort: float, rng: random.Random) -> Bout:
    """Syllables of 80 to 160 ms, 3 to 5 a second (children speak slower than adults: from memory).

    A /p/ has 5 to 8 cmH2O (from memory; above 3 even with a leak: Dalston, 1988): the size of a puff.
    """
    start, found = t, []
    for _ in range(rng.randint(1, 4)):
        for _ in range(rng.randint(2, 7)):
            length = rng.uniform(0.08, 0.16)
            found.append(BodyPulse(t, 0.3 * length, 0.3 * length, 0.1 * length, rng.uniform(0.3, 1.3) * effort))
            t += length + rng.uniform(0.06, 0.2)
        t += rng.uniform(0.3, 1.0)
    return Bout("speech", start, found[-1].start + found[-1].length, tuple(found))


def _crying(t: float, effort: float, rng: random.Random) -> Bout:
    """Cries of 0.6 to 1.3 s with a quick breath in between them (about one a second: from memory), for 5 to 15 s."""
    start, until, found = t, t + rng.uniform(5, 15), []
    while t < until:
        length = rng.uniform(0.6, 1.3)
        size = rng.uniform(0.5, 1.6) * effort
        found.append(BodyPulse(t, 0.1, length - 0.1, 0.06, size))
        inhaled = rng.uniform(0.2, 0.35)
        found.append(BodyPulse(t + length + 0.02, 0.06, inhaled - 0.06, 0.05, -rng.uniform(0.1, 0.4) * effort))
        t += length + inhaled + rng.uniform(0.0, 0.15)
    return Bout("crying", start, t, tuple(found))


def _spasm(t: float, effort: float, rng: random.Random) -> Bout:
    """A spasm: up within 0.1 to 0.5 s, for 1 to 5 s, slowly away; some shake at 5 to 8 Hz (clonus, from memory)."""
    rise, hold, decay = rng.uniform(0.1, 0.5), rng.uniform(1, 5), rng.uniform(0.2, 0.8)
    size = rng.uniform(1.0, 4.0) * effort
    found = [BodyPulse(t, rise, hold, decay, size)]
    if rng.random() < 0.4:
        step = 1 / rng.uniform(5, 8)
        shakes = int(hold / step)
        found += [BodyPulse(t + rise + i * step, 0.03, 0.02, 0.03, 0.25 * size) for i in range(shakes)]
    return Bout("spasm", t, t + found[0].length, tuple(found))


def _posture(t: float, effort: float, rng: random.Random) -> Bout:
    """A new posture: rest moves by 0.3 to 1.5 efforts within 0.1 to 1 s and stays there."""
    within = rng.uniform(0.1, 1.0)
    size = rng.choice((-1, 1)) * rng.uniform(0.3, 1.5) * effort
    return Bout("posture", t, t + within, shifts=((t, within, size),))


def _slip(t: float, effort: float, preload: float, rng: random.Random) -> tuple[Bout, float]:
    """A tube or pad slips off (its preload is gone), and is put on again with another preload after 3 to 15 s."""
    back = t + rng.uniform(3, 15)
    new = rng.uniform(0.3, 3.0) * effort
    touched = rng.uniform(0.2, 0.8)  # the hand that puts it back
    hand = BodyPulse(back - touched, 0.1, touched - 0.1, 0.05, rng.uniform(0.5, 2.0) * effort)
    shifts = ((t, rng.uniform(0.02, 0.3), -preload), (back, rng.uniform(0.2, 0.8), new))
    return Bout("slip", t, back + 1.0, (hand,), shifts, off=True), new


_MAKE: dict[str, Callable[[float, float, random.Random], Bout]] = {
    "cough": _cough,
    "speech": _speech,
    "crying": _crying,
    "spasm": _spasm,
    "posture": _posture,
}
