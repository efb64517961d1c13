"""Children who play a pressure sensor, drawn at random from a family and a tier of difficulty."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from router.core.events import Mark, PressureSample
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.offline.simulate.movements import IN_H2O, ns, smooth, together


@dataclass(frozen=True, slots=True)
class Tier:
    """How hard the background makes it.

    Its size from crest to trough, a share of the child's ordinary effort; drift in pascals a minute.
    """

    background: tuple[float, float]
    drift: float


TIERS: Mapping[str, Tier] = MappingProxyType(
    {
        "ordinary": Tier((0.0, 0.25), 40.0),
        "hard": Tier((0.45, 0.55), 0.5 * IN_H2O),
    }
)

FAMILIES = ("ventilated", "breathing", "writhing", "sucking")
"""Cheek efforts over a ventilator; puffs and sips over breathing; a squeeze pad under a writhing hand; bursts of
sucking."""


@dataclass(frozen=True, slots=True)
class PressureChild:
    """A child at a pressure sensor, and the sensor. ``draw`` says where the numbers are from. In pascals and seconds.

    ``effort`` is the ordinary effort, of which each one is ``spread`` more or less; ``tires`` is the share that it
    loses in a minute. ``background`` is the size of what lies under it, from crest to trough, and ``shape`` how it
    goes.
    """

    family: str
    effort: float
    spread: float
    tires: float
    rise: tuple[float, float]
    fall: tuple[float, float]
    hold: tuple[float, float]
    pause: tuple[float, float]
    form: str
    sides: tuple[int, ...]
    shape: str
    background: float
    frequency: float
    inspiration: float
    """The share of a cycle in which the background rises."""
    irregular: float
    """Standard deviation of the length and the height of its cycles, as a share."""
    drift: float
    """Pascals a minute."""
    noise: float
    """Standard deviation."""
    offset: float
    rate: int
    step: float
    """The least difference that the sensor can say; 0: any."""
    beat: float = 0.0
    """From effort to effort of a child that plays in time, so long that each is over before the next; 0: it does
    not."""
    early_or_late: float = 0.0
    """Standard deviation of where its efforts begin, as a share of ``beat``."""


@dataclass(frozen=True, slots=True)
class Meant:
    """An effort as meant: nanoseconds from the start, side (``above``, ``below``), largest pressure from rest."""

    start: int
    end: int
    side: str
    peak: float


@dataclass(frozen=True, slots=True)
class SimulatedSession:
    """Samples (and marks, if the session was guided), what was meant, and each sample's share of the effort.

    The last is what a sensor without noise would read of a child without background: the ideal that a delay is measured
    from.
    """

    samples: list[Stamped]
    efforts: list[Meant]
    ideal: list[tuple[int, float]]
    unmeant: tuple[tuple[int, int, str], ...] = ()
    """Bouts of the body, the bed or the tube: from and until in nanoseconds, and its kind."""


def draw(family: str, tier: str, rng: random.Random) -> PressureChild:
    """A child of one of ``FAMILIES`` at one of ``TIERS``.

    Efforts of cheek and breath: 1.5 to 7 cmH2O, gentle against the 70 to 85 that healthy children of 7 to 14 reach
    (Tomalak et al., Pediatr. Pulmonol., 2002). A squeezed pad: four times that, about a twentieth of a healthy hand (de
    Souza et al., Physiotherapy 100:313, 2014: 48 kPa). Sucking: 9 to 20 cmH2O at 1.7 to 2.3 Hz (Martens et al., Early
    Human Development, 2020; Cunha et al., J. Pediatr. Neonat. Individ. Med., 2019). Breathing: 12 to 44 a minute by age
    (Fleming et al., Lancet 377:1011, 2011). Ventilators: 12 to 60 a minute, inspiration 0.3 to 1 s (starting values of
    published handbooks for newborns and for older children). Writhing: a spectrum that peaks at 0.3 to 0.6 Hz and is
    nothing above 2 to 3 Hz (Neilson, J. Neurol. Neurosurg. Psychiatry 37:171, 1974). How efforts rise, how regular each
    thing is, noise, and sensors: our choice, wide.
    """
    if family not in FAMILIES:
        raise ValueError(f"there is no family of children called {family!r}; there are {', '.join(FAMILIES)}")
    level = TIERS[tier]
    sucking = family == "sucking"
    effort = rng.uniform(900, 1900) if sucking else rng.uniform(150, 700) * (4 if family == "writhing" else 1)
    shapes = {
        "ventilated": ("lung", "pause", "square", "saw", "sine"),
        "breathing": ("sine", "breath", "pause"),
        "writhing": ("writhing",),
        "sucking": ("sine", "breath"),
    }
    frequency = rng.uniform(0.2, 1.0) if family == "ventilated" else rng.uniform(0.2, 0.73)
    inspiration = min(rng.uniform(0.3, 1.0) * frequency, 0.45) if family == "ventilated" else rng.uniform(0.33, 0.5)
    rise, fall, hold = rng.uniform(0.08, 0.3), rng.uniform(0.08, 0.3), rng.uniform(0.8, 2.5)
    pause = rng.uniform(1.0, 2.5)
    return PressureChild(
        family=family,
        effort=effort,
        spread=0.25 if sucking else rng.uniform(0.1, 0.25),
        tires=rng.choice((0.0, rng.uniform(0.0, 0.04))),
        rise=(0.8 * rise, 1.2 * rise),
        fall=(0.8 * fall, 1.2 * fall),
        hold=(rng.uniform(0.2, 0.5), hold),
        pause=(pause, pause + rng.uniform(1.0, 5.0)),
        form="suck" if sucking else rng.choice(("held", "held", "swell", "sag", "wavering")),
        sides=(-1,) if sucking else (1, -1) if family == "breathing" else (1,),
        shape=rng.choice(shapes[family]),
        background=rng.uniform(*level.background) * effort,
        frequency=rng.uniform(0.3, 0.6) if family == "writhing" else frequency,
        inspiration=inspiration,
        irregular=rng.uniform(0.0, 0.02) if family == "ventilated" else rng.uniform(0.02, 0.1),
        drift=rng.choice((-1, 1)) * rng.uniform(0.4, 1.0) * level.drift,
        noise=rng.uniform(0.004, 0.015) * effort,
        offset=rng.uniform(-400, 400),
        rate=rng.choice((50, 60, 100, 100, 125, 200, 250, 500, 1000)),
        step=rng.choice((0.0, 0.0, 0.1, 1.0, effort / 100)),
    )


def session(
    child: PressureChild, seconds: float, rng: random.Random, *, guided: float = 0.0, name: str = "cheek"
) -> SimulatedSession:
    """Simulate a child's sensor for ``seconds``.

    ``guided``: so many seconds of rest come first, and marks are set as somebody who watches would: ``rest`` and
    ``end`` around the rest, ``effort`` within half a second of the beginning of each effort (of each burst for sucking,
    ``end`` after it).
    """
    count = round(seconds * child.rate)
    meant = _meant(child, seconds, rng, first=max(guided, 2.0))
    ideal = [0.0] * count
    for start, length, sign, peak in meant:
        _add(ideal, child.rate, start, length, _form(child, length, sign * peak, rng))
    under = _background(child, count, rng)
    wander, phase = rng.uniform(40, 90), rng.uniform(0, math.tau)
    samples: list[Stamped] = []
    for i in range(count):
        t = i / child.rate
        rest = child.offset + child.drift * (t / 60 + 0.3 * math.sin(math.tau * t / wander + phase))
        pascal = ideal[i] + under[i] + rest + rng.gauss(0, child.noise)
        if child.step:
            pascal = round(pascal / child.step) * child.step
        samples.append((i * NANOSECONDS // child.rate, PressureSample(name, round(pascal, 3))))
    if guided:
        samples = list(together(samples, _marks(meant, guided, rng)))
    efforts = [
        Meant(ns(start), ns(start + length), "above" if sign > 0 else "below", peak)
        for start, length, sign, peak in meant
    ]
    return SimulatedSession(samples, efforts, [(i * NANOSECONDS // child.rate, value) for i, value in enumerate(ideal)])


_Try = tuple[float, float, int, float]  # start and length in seconds, sign, peak in pascals


def _meant(child: PressureChild, seconds: float, rng: random.Random, first: float) -> list[_Try]:
    found: list[_Try] = []
    t = begun = first + (rng.uniform(0, child.beat) if child.beat else 0.0)
    sides = child.sides[:1] if child.beat else child.sides  # nobody changes sides from beat to beat
    while True:
        if child.beat:
            length = rng.uniform(*child.rise) + rng.uniform(*child.hold) + rng.uniform(*child.fall)
            lengths = [min(length, 0.75 * child.beat)]
            starts = [max(t + 0.1, begun + (len(found) + rng.gauss(0, child.early_or_late)) * child.beat)]
        elif child.form == "suck":
            t += rng.uniform(3, 10)
            sucks = rng.randint(6, 12)
            frequency = rng.uniform(1.7, 2.3)
            lengths = [rng.uniform(0.5, 0.75) / frequency for _ in range(sucks)]
            starts = [t + i / frequency for i in range(sucks)]
        else:
            t += rng.uniform(*child.pause)
            lengths = [rng.uniform(*child.rise) + rng.uniform(*child.hold) + rng.uniform(*child.fall)]
            starts = [t]
        if starts[-1] + lengths[-1] + 0.5 > seconds:
            return found
        for start, length in zip(starts, lengths, strict=True):
            peak = child.effort * rng.uniform(1 - child.spread, 1 + child.spread) * (1 - child.tires * t / 60)
            found.append((start, length, rng.choice(sides), peak))
        t = starts[-1] + lengths[-1]


def _form(child: PressureChild, length: float, peak: float, rng: random.Random) -> Callable[[float], float]:
    """An effort's pressure by the time since its beginning."""
    if child.form == "suck":
        return lambda t: peak * math.sin(math.pi * t / length)
    rise, fall = rng.uniform(*child.rise), rng.uniform(*child.fall)
    sag = rng.uniform(0.0, 0.25) if child.form == "sag" else 0.0
    waver = rng.uniform(0.03, 0.1) if child.form == "wavering" else 0.0
    frequency, phase = rng.uniform(1.5, 4.0), rng.uniform(0, math.tau)  # action tremor (Neilson, see draw)

    def held(t: float) -> float:
        value = min(smooth(t / rise), smooth((length - t) / fall)) * (1 - sag * t / length)
        return peak * value * (1 + waver * math.sin(math.tau * frequency * t + phase))

    def swell(t: float) -> float:
        return peak * math.pow(max(0.0, math.sin(math.pi * t / length)), 0.7)

    return swell if child.form == "swell" else held


def _add(onto: list[float], rate: int, start: float, length: float, form: Callable[[float], float]) -> None:
    first = math.ceil(start * rate)
    for i in range(first, min(len(onto), math.floor((start + length) * rate) + 1)):
        onto[i] += form(min(length, i / rate - start))


def _background(child: PressureChild, count: int, rng: random.Random) -> list[float]:
    """The signal under the efforts: cycle after cycle, or the wandering of a hand."""
    if child.shape == "writhing":
        return _writhing(child, count, rng)
    shape = _cycle(child, rng)
    values: list[float] = []
    t = -rng.uniform(0, 1 / child.frequency)
    while len(values) < count:
        length = max(0.3, rng.gauss(1, child.irregular)) / child.frequency
        height = child.background * max(0.3, rng.gauss(1, child.irregular))
        last = min(count, math.ceil((t + length) * child.rate))
        values += [height * shape((i / child.rate - t) / length) for i in range(len(values), last)]
        t += length
    # A tube or a pad has no corners: a running mean over 50 ms.
    width = max(1, round(0.05 * child.rate))
    sums = list(itertools.accumulate(values, initial=0.0))
    return [(sums[i + 1] - sums[max(0, i + 1 - width)]) / min(i + 1, width) for i in range(count)]


def _cycle(child: PressureChild, rng: random.Random) -> Callable[[float], float]:
    """A cycle from 0 to 1 and back to 0, by the share of it that is over."""
    rising = child.inspiration
    quick = rng.uniform(0.15, 0.4)  # of a part, within which it has gone two thirds of its way
    plateau = rng.uniform(0.2, 0.6) * rising

    def sine(x: float) -> float:
        return 0.5 - 0.5 * math.cos(math.tau * x)

    def breath(x: float) -> float:  # in faster than out
        return smooth(x / rising) if x < rising else 1 - smooth((x - rising) / (1 - rising))

    def lung(x: float) -> float:  # filling and emptying through a resistance
        full = 1 - math.exp(-1 / quick)
        if x < rising:
            return (1 - math.exp(-x / rising / quick)) / full
        gone = (x - rising) / (1 - rising)
        return (math.exp(-gone / quick) - math.exp(-1 / quick)) / full

    def pause(x: float) -> float:  # up, held, and down
        up = rising - plateau
        if x < up:
            return x / up
        return 1.0 if x < rising else math.exp(-(x - rising) / (1 - rising) / quick)

    def square(x: float) -> float:
        return min(1.0, x / 0.04) if x < rising else max(0.0, 1 - (x - rising) / 0.06)

    def saw(x: float) -> float:
        return x / rising if x < rising else max(0.0, 1 - (x - rising) / (0.5 * (1 - rising)))

    return {"sine": sine, "breath": breath, "lung": lung, "pause": pause, "square": square, "saw": saw}[child.shape]


def _writhing(child: PressureChild, count: int, rng: random.Random) -> list[float]:
    waves = [(rng.gauss(child.frequency, 0.18), rng.uniform(0, math.tau), rng.gauss(0, 1)) for _ in range(24)]
    waves = [(abs(f), phase, size) for f, phase, size in waves if abs(f) < 2]
    every = max(1, child.rate // 50)  # nothing in it is faster than 2 Hz: straight lines between 50 points a second
    points = [
        sum(size * math.sin(math.tau * f * i * every / child.rate + phase) for f, phase, size in waves)
        for i in range(count // every + 2)
    ]
    crest = sorted(map(abs, points))[int(0.98 * len(points))]
    scale = child.background / 2 / crest
    return [
        scale * (points[i // every] + (points[i // every + 1] - points[i // every]) * (i % every) / every)
        for i in range(count)
    ]


def _marks(meant: Sequence[_Try], rest: float, rng: random.Random) -> Iterator[Stamped]:
    yield ns(1.0), Mark("rest")
    yield ns(rest), Mark("end")
    ended = rest
    for i, (start, length, _sign, _peak) in enumerate(meant):
        in_burst = i > 0 and start - ended < 0.8
        if not in_burst:
            yield ns(max(ended, start + rng.uniform(-0.5, 0.5))), Mark("effort")
        ended = start + length
        last_of_burst = i + 1 == len(meant) or meant[i + 1][0] - ended >= 0.8
        if in_burst and last_of_burst:
            yield ns(ended), Mark("end")
