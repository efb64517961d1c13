"""Simulated children: samples as their movements would give, from a seed, so that the same seed gives the same child.

Each source gives the samples of one input, in time order; ``together`` joins several. What a child *means* to do is a
list of efforts (or visits of places); bounce, tremor, breath, drift and noise are laid over it. So what should be heard
is known beforehand, and a test can hold the router to it.

The numbers describe published measurements, for trying the router out. They are never a target for a child.
"""

from __future__ import annotations

import heapq
import itertools
import math
import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from router.core.events import Found, Lost, Mark, MidiSample, PointerSample, PressureSample, SwitchSample
from router.core.units import NANOSECONDS, PRESSURE
from router.devices.inputs.base import Stamped

CM_H2O = 98.0665
"""Pascals in a centimetre of water, conventional. Source: NIST SP 811 (2008), appendix B.8."""
IN_H2O = float(PRESSURE["inH2O"])


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
    """A finger on a switch. Bounce: our choice; mechanical contacts settle within a few milliseconds (common practice, no source)."""

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
"""Sucks a second and their height in pascals, at three months (Martens, Hines, Zimmerman, Early Human Development, 2020)."""


def efforts(
    rng: random.Random, until: int, *, every: float, length: float, first: float = 1.0, spread: float = 0.25
) -> list[Effort]:
    """Efforts until a time in nanoseconds: one ``every`` so many seconds, held for ``length``, each give or take ``spread``.

    An effort has ended before the next begins.
    """
    found: list[Effort] = []
    t = first
    while True:
        held = length * rng.uniform(1 - spread, 1 + spread)
        if (t + held) * NANOSECONDS >= until:
            return found
        found.append(Effort(_ns(t), _ns(held), rng.uniform(0.3, 1.0)))
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
            found.append(Effort(_ns(t), _ns(period / 2), rng.uniform(0.5, 1.0)))
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
    """A pressure sensor until a time in nanoseconds. A push of strength 0 reaches ``low`` pascals from rest, one of 1 ``high``.

    Negative ``low`` and ``high`` are suction.
    """
    child = child or Pressure()
    phases = [rng.uniform(0, math.tau) for _ in range(2)]
    waiting = list(pushes)
    for t in _clock(child.rate, until):
        while waiting and t >= waiting[0].start + waiting[0].length + _ns(child.rise):
            del waiting[0]
        seconds = t / NANOSECONDS
        pascal = child.rest + child.drift / 2 * math.sin(math.tau * seconds / child.drift_period + phases[0])
        pascal += child.breath / 2 * math.sin(math.tau * seconds * child.breath_frequency + phases[1])
        pascal += rng.gauss(0, child.noise / 3)  # so that nearly all of it lies within ``noise``
        for push in itertools.takewhile(lambda push: push.start <= t, waiting):  # noqa: B023 - used up at once
            pascal += (low + (high - low) * push.strength) * _swell(t - push.start, push.length, _ns(child.rise))
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
    target, left = start, -_ns(child.travel)
    waiting = list(visits)
    for t in _clock(child.rate, until):
        while waiting and t >= waiting[0].start:
            visit = waiting.pop(0)
            start, target, left = place, (visit.x, visit.y), visit.start
        share = _smooth((t - left) / _ns(child.travel))
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
    """Keys that are struck together: when, by the score, and for how long, in nanoseconds; how hard, 0 to 1; the keys, 0 to 127."""

    start: int
    length: int
    strength: float
    keys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Hands:
    """How somebody leads from a MIDI keyboard. Times in seconds; all of it our choice, for somebody who has played for years.

    ``ahead``: whoever leads is a little before the beat, so that the chord is known when the beat comes (it settles for 30 ms).
    ``spread`` and ``roll`` are standard deviations: of where a chord lies in time, and of its keys about it.
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
    """A keyboard played in time, with a hand's spread. ``chords``: the times, by the score, at which the sustain pedal is changed.

    ``pedals``: others that go down and come up again, as controller and two times in nanoseconds, as they are.
    """
    hands = hands or Hands()

    def human(when: int) -> int:
        return max(0, when - _ns(hands.ahead) + _ns(rng.gauss(0, hands.spread)))

    places = {when: human(when) for when in sorted({each.start for each in played})}
    notes = [
        (
            Effort(max(0, places[each.start] + _ns(abs(rng.gauss(0, hands.roll)))), each.length, each.strength),
            key,
        )
        for each in played
        for key in each.keys
    ]
    moved: list[tuple[int, int, int]] = []
    for when in chords:
        struck = places.get(when, when)
        moved += [(struck, 64, 0), (struck + _ns(hands.pedal), 64, 127)]
    for controller, down, up in pedals:
        moved += [(down, controller, 127), (up, controller, 0)]
    controls = [(when, MidiSample(name, (0xB0 | channel - 1, number, value))) for when, number, value in sorted(moved)]
    return together(controls, keyboard(name, notes, channel))


def together(*sources: Iterable[Stamped]) -> Iterator[Stamped]:
    """Several inputs on one time line."""
    return heapq.merge(*sources, key=lambda stamped: stamped[0])


# --- children who play a pressure sensor, drawn at random ---------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tier:
    """How hard the background makes it: its size from crest to trough, a share of the child's ordinary effort; drift in pascals a minute."""

    background: tuple[float, float]
    drift: float


TIERS: Mapping[str, Tier] = MappingProxyType(
    {
        "ordinary": Tier((0.0, 0.25), 40.0),
        "hard": Tier((0.45, 0.55), 0.5 * IN_H2O),
    }
)

FAMILIES = ("ventilated", "breathing", "writhing", "sucking")
"""Cheek efforts over a ventilator; puffs and sips over breathing; a squeeze pad under a writhing hand; bursts of sucking."""


@dataclass(frozen=True, slots=True)
class PressureChild:
    """A child at a pressure sensor, and the sensor. ``draw`` says from where the numbers are. Pressures in pascals, times in seconds.

    ``effort`` is the ordinary effort, of which each one is ``spread`` more or less; ``tires`` is the share that it loses
    in a minute. ``background`` is the size of what lies under it, from crest to trough, and ``shape`` how it goes.
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
    postures: float = 0.0
    """New postures in a minute, each of which moves rest by up to a quarter of an effort."""
    beat: float = 0.0
    """From effort to effort of a child that plays in time, so long that each is over before the next; 0: it does not."""
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
    """Samples (and marks, if the session was guided), what was meant, and for each sample the effort's own pressure in it.

    The last is what a sensor without noise would read of a child without background: the ideal that a delay is measured from.
    """

    samples: list[Stamped]
    efforts: list[Meant]
    ideal: list[tuple[int, float]]


def draw(family: str, tier: str, rng: random.Random) -> PressureChild:
    """A child of one of ``FAMILIES`` at one of ``TIERS``.

    Efforts of cheek and breath: 1.5 to 7 cmH2O, gentle against the 70 to 85 that healthy children of 7 to 14 reach (Tomalak et
    al., Pediatr. Pulmonol., 2002). A squeezed pad: four times that, about a twentieth of a healthy hand (de Souza et al.,
    Physiotherapy 100:313, 2014: 48 kPa). Sucking: 9 to 20 cmH2O at 1.7 to 2.3 Hz (Martens et al., Early Human Development,
    2020; Cunha et al., J. Pediatr. Neonat. Individ. Med., 2019). Breathing: 12 to 44 a minute by age (Fleming et al., Lancet
    377:1011, 2011). Ventilators: 12 to 60 a minute, inspiration 0.3 to 1 s (starting values of published handbooks for
    newborns and for older children). Writhing: a spectrum that peaks at 0.3 to 0.6 Hz and is nothing above 2 to 3 Hz (Neilson, J.
    Neurol. Neurosurg. Psychiatry 37:171, 1974). How efforts rise, how regular each thing is, noise, and sensors: our choice, wide.
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

    ``guided``: so many seconds of rest come first, and marks are set as somebody who watches would: ``rest`` and ``end``
    around the rest, ``effort`` within half a second of the beginning of each effort (of each burst for sucking, ``end`` after it).
    """
    count = round(seconds * child.rate)
    meant = _meant(child, seconds, rng, first=max(guided, 2.0))
    ideal = [0.0] * count
    for start, length, sign, peak in meant:
        _add(ideal, child.rate, start, length, _form(child, length, sign * peak, rng))
    under = _background(child, count, rng)
    wander, phase = rng.uniform(40, 90), rng.uniform(0, math.tau)
    steps = _postures(child, seconds, rng)
    samples: list[Stamped] = []
    for i in range(count):
        t = i / child.rate
        rest = child.offset + child.drift * (t / 60 + 0.3 * math.sin(math.tau * t / wander + phase))
        rest += sum(size * _smooth((t - when) / 0.5) for when, size in steps)
        pascal = ideal[i] + under[i] + rest + rng.gauss(0, child.noise)
        if child.step:
            pascal = round(pascal / child.step) * child.step
        samples.append((i * NANOSECONDS // child.rate, PressureSample(name, round(pascal, 3))))
    if guided:
        samples = list(together(samples, _marks(meant, guided, rng)))
    efforts = [
        Meant(_ns(start), _ns(start + length), "above" if sign > 0 else "below", peak)
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
        value = min(_smooth(t / rise), _smooth((length - t) / fall)) * (1 - sag * t / length)
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
        return _smooth(x / rising) if x < rising else 1 - _smooth((x - rising) / (1 - rising))

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


def _postures(child: PressureChild, seconds: float, rng: random.Random) -> list[tuple[float, float]]:
    steps, t = [], 0.0
    while child.postures and (t := t + rng.expovariate(child.postures / 60)) < seconds:
        steps.append((t, rng.uniform(-0.25, 0.25) * child.effort))
    return steps


def _marks(meant: Sequence[_Try], rest: float, rng: random.Random) -> Iterator[Stamped]:
    yield _ns(1.0), Mark("rest")
    yield _ns(rest), Mark("end")
    ended = rest
    for i, (start, length, _sign, _peak) in enumerate(meant):
        in_burst = i > 0 and start - ended < 0.8
        if not in_burst:
            yield _ns(max(ended, start + rng.uniform(-0.5, 0.5))), Mark("effort")
        ended = start + length
        last_of_burst = i + 1 == len(meant) or meant[i + 1][0] - ended >= 0.8
        if in_burst and last_of_burst:
            yield _ns(ended), Mark("end")


# --- sensors that fail --------------------------------------------------------------------------------------------

FAULTS = ("saturated", "tube off", "frozen", "no number", "unplugged")


def failing(
    samples: Iterable[Stamped], fault: str, start: int, end: int, *, highest: float = 4000.0
) -> Iterator[Stamped]:
    """Pressure samples of a sensor that fails from ``start`` to ``end`` (nanoseconds) in one of ``FAULTS``.

    ``highest`` is the largest pressure that the sensor can say, in pascals.
    """
    if fault not in FAULTS:
        raise ValueError(f"there is no fault called {fault!r}; there are {', '.join(FAULTS)}")
    held = 0.0
    fails = False
    for t, sample in samples:
        now_fails = start <= t < end
        if fault == "unplugged" and isinstance(sample, PressureSample) and now_fails is not fails:
            yield t, Lost(sample.input) if now_fails else Found(sample.input)
        fails = now_fails
        if not isinstance(sample, PressureSample) or not fails:
            held = sample.pascal if isinstance(sample, PressureSample) else held
            yield t, sample
        elif fault != "unplugged":
            wrong = {"saturated": highest, "tube off": 0.0, "frozen": held, "no number": math.nan}[fault]
            yield t, PressureSample(sample.input, wrong)


# --- arithmetic ----------------------------------------------------------------------------------------------------


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
        return 1.0 - _smooth((since - length) / rise)
    return _smooth(since / rise)


def _smooth(share: float) -> float:
    """From 0 to 1 without a corner."""
    share = min(1.0, max(0.0, share))
    return share * share * (3 - 2 * share)


def _shake(child: Pointer, phases: Sequence[float], axis: int, seconds: float) -> float:
    waves = len(child.tremor_frequencies)
    shake = child.sway * math.sin(math.tau * child.sway_frequency * seconds + phases[2 * waves + axis])
    for i, frequency in enumerate(child.tremor_frequencies):
        shake += child.tremor / waves * math.sin(math.tau * frequency * seconds + phases[axis * waves + i])
    return shake


def _ns(seconds: float) -> int:
    return round(seconds * NANOSECONDS)
