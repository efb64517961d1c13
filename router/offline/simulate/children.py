"""Children at a pressure sensor as they come: families that go to where real bodies, beds and sensors go.

``CHILDREN`` holds them by name. Each says what it is about and draws its children; ``sit`` gives a child's session. A
family is *demanding* where the background is as large as an effort, or the body or the sensor misbehaves.

Efforts of cheek and breath: 1 to 10 cmH2O, 1 to 10 % of what healthy children of 7 to 14 reach (70 to 85 cmH2O: Tomalak
et al., Pediatr. Pulmonol., 2002); gentle ones 1 to 3. How many bouts, how large and how irregular each thing is: our
choice, wide, where the parts (``breaths``, ``pulls``, ``bodies``, ``sensors``) name no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from router.core.events import PressureSample
from router.devices.inputs.base import Stamped
from router.offline.simulate import breaths
from router.offline.simulate.bodies import Bout, Rates, bouts, rest_of
from router.offline.simulate.breaths import WAVES, BreathRhythm, background, spontaneous, suctions, ventilator
from router.offline.simulate.movements import CM_H2O, IN_H2O, marks, ns, together
from router.offline.simulate.pulls import Muscle, add, muscle, pulls
from router.offline.simulate.sensors import Sensor, arrivals, leaked, reading
from router.offline.simulate.tiers import Meant, SimulatedSession

GENTLE = (1.0 * CM_H2O, 3.0 * CM_H2O)
PUFF = (1.5 * CM_H2O, 10.0 * CM_H2O)
RATES = (50, 60, 100, 100, 100, 125, 200, 250, 500, 1000)


@dataclass(frozen=True, slots=True)
class Child:
    """A child, its bed and its sensor. ``seconds``: how long a session must be to show what the family is about."""

    muscle: Muscle
    sensor: Sensor
    rhythm: BreathRhythm | None = None
    body: Rates = ()
    seconds: float = 120.0


@dataclass(frozen=True, slots=True)
class Family:
    """Children of one kind: in one sentence, whether they are demanding, and a child of it by chance."""

    about: str
    demanding: bool
    draw: Callable[[random.Random], Child]


def sit(
    child: Child,
    seconds: float,
    rng: random.Random,
    *,
    guided: float = 0.0,
    name: str = "cheek",
    beneath: Callable[[Sequence[float]], list[float]] | None = None,
) -> SimulatedSession:
    """Simulate a child's sensor for ``seconds``.

    ``beneath`` gives another background than the child's rhythm: pascals at times in seconds.

    ``guided``: so many seconds of rest come first, and a helper's hand sets the marks: ``rest`` and ``end`` around the
    rest, ``effort`` up to half a second after an effort has begun. Coughs, spasms and new postures come in it as they
    come; nobody makes a recording during suction or goes on with one whose tube has slipped off.
    """
    taken, read = arrivals(child.sensor, seconds, rng)
    body, rhythm = child.body, child.rhythm
    if guided:
        body = tuple(rate for rate in body if rate[0] != "slip")
        rhythm = rhythm and replace(rhythm, suctions=0.0)
    unmeant = bouts(body, seconds, child.muscle.size, rng)
    suction = suctions(rhythm, seconds, rng)
    busy = [*((bout.start - 0.3, bout.end + 0.2) for bout in unmeant), *suction]
    meant = pulls(child.muscle, seconds, rng, max(guided, 1.0), busy)
    ideal = [0.0] * len(taken)
    for pull in meant:
        add(ideal, taken, pull.start, pull.length, pull.form)
    under = background(taken, rhythm, rng, suction) if rhythm else [0.0] * len(taken)
    if beneath:
        under = beneath(taken)
    _lay_over(under, taken, unmeant)
    ideal, under = (leaked(values, taken, child.sensor.leak) for values in (ideal, under))
    rest = _rest(child.sensor, taken, rng)
    pascal = [a + b + c for a, b, c in zip(ideal, under, rest, strict=True)]
    values = reading(child.sensor, pascal, child.muscle.size, rng)
    samples: list[Stamped] = [(t, PressureSample(name, value)) for t, value in zip(read, values, strict=True)]
    if guided:
        samples = list(together(samples, marks((pull.start for pull in meant), guided, rng)))
    return SimulatedSession(
        samples,
        [Meant(ns(p.start), ns(p.start + p.length), "above" if p.sign > 0 else "below", p.peak) for p in meant],
        list(zip(read, ideal, strict=True)),
        tuple((ns(a), ns(b), kind) for a, b, kind in _unmeant(unmeant, suction)),
    )


def _lay_over(under: list[float], times: Sequence[float], unmeant: Sequence[Bout]) -> None:
    for bout in unmeant:
        if bout.off:
            for i, t in enumerate(times):
                if bout.shifts[0][0] <= t < bout.shifts[1][0]:
                    under[i] = 0.0
        for pulse in bout.pulses:
            add(under, times, pulse.start, pulse.length, pulse.at)
    if any(bout.shifts for bout in unmeant):
        for i, t in enumerate(times):
            under[i] += rest_of(unmeant, t)


def _rest(sensor: Sensor, times: Sequence[float], rng: random.Random) -> Iterator[float]:
    """A straight line and a slow wave, as a sensor that warms and a tube that settles have (our choice)."""
    period, phase = rng.uniform(40, 90), rng.uniform(0, math.tau)
    for t in times:
        yield sensor.offset + sensor.drift * (t / 60 + 0.3 * math.sin(math.tau * t / period + phase))


def _unmeant(unmeant: Sequence[Bout], suction: Sequence[breaths.Span]) -> Iterator[tuple[float, float, str]]:
    yield from ((bout.start, bout.end, bout.kind) for bout in unmeant)
    yield from ((start, end, "suction") for start, end in suction)


# --- the families --------------------------------------------------------------------------------------------------


def _sensor(size: float, rng: random.Random, drift: float = 40.0) -> Sensor:
    return Sensor(
        rate=rng.choice(RATES),
        noise=rng.uniform(0.004, 0.015) * size,
        offset=rng.uniform(-400, 400),
        drift=rng.choice((-1, 1)) * rng.uniform(0.4, 1.0) * drift,
        step=rng.choice((0.0, 0.0, 0.1, 1.0)),
    )


def _quiet(rng: random.Random, *, over: float = 0.25, sizes: tuple[float, float] = GENTLE) -> Child:
    """A cheek over breathing or a ventilator of up to ``over`` efforts."""
    size = rng.uniform(*sizes)
    make = rng.choice((spontaneous, _any_ventilator))
    return Child(muscle(size, (1,), rng), _sensor(size, rng), make(rng.uniform(0.0, over) * size, rng))


def _any_ventilator(height: float, rng: random.Random, **more: float) -> BreathRhythm:
    return ventilator(rng.choice(WAVES[:5]), height, rng, **more)


def _gentle(rng: random.Random) -> Child:
    size = rng.uniform(*GENTLE)
    make = rng.choice((spontaneous, _any_ventilator, _any_ventilator))
    return Child(muscle(size, (1,), rng), _sensor(size, rng), make(rng.uniform(0.9, 1.6) * size, rng))


def _puffs(rng: random.Random) -> Child:
    size = rng.uniform(*PUFF)
    return Child(muscle(size, (1, -1), rng), _sensor(size, rng), spontaneous(rng.uniform(0.0, 0.25) * size, rng))


def _hard_puffs(rng: random.Random) -> Child:
    size = rng.uniform(*PUFF)
    pause = rng.uniform(0.5, 1.2)
    moves = replace(
        muscle(size, (1, -1), rng),
        spread=rng.uniform(0.15, 0.25),
        hold=(0.2, rng.uniform(2.5, 4.0)),
        pause=(pause, pause + rng.uniform(0.3, 3.0)),
        quick_turn=rng.uniform(0.0, 0.2),
    )
    return Child(moves, _sensor(size, rng, 0.5 * IN_H2O), spontaneous(rng.uniform(0.3, 0.5) * size, rng))


def _ventilated(rng: random.Random) -> Child:
    size = rng.uniform(*GENTLE)
    return Child(muscle(size, (1,), rng), _sensor(size, rng), _any_ventilator(rng.uniform(0.8, 1.2) * size, rng))


def _irregular(rng: random.Random) -> Child:
    size = rng.uniform(*GENTLE)
    rhythm = ventilator(
        rng.choice(WAVES[:2]),
        rng.uniform(0.8, 1.2) * size,
        rng,
        irregular=rng.uniform(0.05, 0.15),
        sighs=rng.uniform(0.5, 2.0),
        pauses=rng.uniform(0.0, 1.0),
        suctions=rng.uniform(0.2, 0.6),
    )
    return Child(muscle(size, (1,), rng), _sensor(size, rng), rhythm)


def _writhing(rng: random.Random) -> Child:
    """A squeeze pad in a writhing hand.

    Four times a gentle effort, as a hand is (de Souza et al., Physiotherapy 100:313, 2014).
    """
    size = 4 * rng.uniform(*GENTLE)
    rhythm = BreathRhythm("writhing", rng.uniform(0.3, 0.5) * size, rng.uniform(0.3, 0.6))
    return Child(muscle(size, (1,), rng), _sensor(size, rng, 0.5 * IN_H2O), rhythm)


def _tiring(rng: random.Random) -> Child:
    child = _quiet(rng)
    return replace(child, muscle=replace(child.muscle, fades=0.4), seconds=240.0)


def _bouts(*rates: tuple[str, float, float]) -> Callable[[random.Random], Child]:
    """Quiet children whose bodies do these things between the least and the most times a minute."""

    def draw(rng: random.Random) -> Child:
        found = tuple((kind, rng.uniform(least, most)) for kind, least, most in rates)
        child = _quiet(rng)
        return replace(child, body=found)

    return draw


def _sensed(change: Callable[[Sensor, float, random.Random], Sensor]) -> Callable[[random.Random], Child]:
    """Quiet children at a sensor that is changed, which is told the size of an effort."""

    def draw(rng: random.Random) -> Child:
        child = _quiet(rng)
        return replace(child, sensor=change(child.sensor, child.muscle.size, rng))

    return draw


def _eight_bits(sensor: Sensor, size: float, rng: random.Random) -> Sensor:
    """256 steps over 10 to 20 efforts to both sides, so that an effort has 6 to 13 of them."""
    reach = rng.uniform(10, 20) * size
    return replace(sensor, step=2 * reach / 256, reach=reach, offset=rng.uniform(-1, 1) * size)


def _spiky(sensor: Sensor, _size: float, rng: random.Random) -> Sensor:
    return replace(sensor, spikes=math.exp(rng.uniform(0, math.log(30))))


def _slow(sensor: Sensor, _size: float, _rng: random.Random) -> Sensor:
    return replace(sensor, rate=20)


def _jittery(sensor: Sensor, _size: float, rng: random.Random) -> Sensor:
    return replace(
        sensor, rate=rng.choice((50, 100, 200)), jitter=rng.uniform(0.1, 0.5), batch=rng.choice((1, 1, 2, 4))
    )


def _leaky(sensor: Sensor, _size: float, rng: random.Random) -> Sensor:
    return replace(sensor, leak=rng.uniform(1.0, 5.0))


def _all_at_once(rng: random.Random) -> Child:
    size = rng.uniform(*GENTLE)
    make = rng.choice((spontaneous, _any_ventilator))
    sensor = replace(_sensor(size, rng, 0.5 * IN_H2O), spikes=rng.uniform(0.5, 3), jitter=rng.uniform(0.0, 0.3))
    rhythm = make(rng.uniform(0.3, 0.7) * size, rng, sighs=rng.uniform(0.0, 1.0), irregular=rng.uniform(0.02, 0.1))
    body = (("cough", rng.uniform(0.3, 1.0)), ("posture", rng.uniform(0.3, 1.0)))
    return Child(replace(muscle(size, (1,), rng), fades=rng.uniform(0.5, 1.0)), sensor, rhythm, body)


CHILDREN: Mapping[str, Family] = MappingProxyType(
    {
        "quiet": Family("gentle cheek, up to a quarter of an effort under it", demanding=False, draw=_quiet),
        "puffs": Family("puffs and sips over breathing of up to a quarter", demanding=False, draw=_puffs),
        "hard puffs": Family(
            "puffs and sips, long, close together, over breathing of a third to a half",
            demanding=False,
            draw=_hard_puffs,
        ),
        "writhing": Family("a squeeze pad in a writhing hand, of a third to a half", demanding=False, draw=_writhing),
        "tiring": Family("efforts that fade to 40 % in four minutes", demanding=False, draw=_tiring),
        "eight bits": Family("a sensor of 256 steps", demanding=False, draw=_sensed(_eight_bits)),
        "slow": Family("a sensor of 20 samples a second", demanding=False, draw=_sensed(_slow)),
        "jittery": Family("samples that come late and several at once", demanding=False, draw=_sensed(_jittery)),
        "gentle": Family("gentle cheek over a rhythm of 0.9 to 1.6 efforts", demanding=True, draw=_gentle),
        "ventilator": Family("gentle cheek over a ventilator of 0.8 to 1.2 efforts", demanding=True, draw=_ventilated),
        "irregular": Family(
            "the same, pressure-controlled and irregular, with sighs, pauses and suction",
            demanding=True,
            draw=_irregular,
        ),
        "slipping": Family("a tube that slips off and goes back on", demanding=True, draw=_bouts(("slip", 0.4, 1.0))),
        "postures": Family("rest that moves by 0.3 to 1.5 efforts", demanding=True, draw=_bouts(("posture", 0.5, 1.5))),
        "leaking": Family("a tube or pad that leaks, by 1 to 5 s", demanding=True, draw=_sensed(_leaky)),
        "spikes": Family("single samples far away, 1 to 30 a minute", demanding=True, draw=_sensed(_spiky)),
        "coughing": Family("coughs, 0.7 to 3 efforts large", demanding=True, draw=_bouts(("cough", 0.5, 2.0))),
        "speaking": Family("speech", demanding=True, draw=_bouts(("speech", 0.5, 2.0))),
        "crying": Family("crying for 5 to 15 s", demanding=True, draw=_bouts(("crying", 0.3, 0.8))),
        "spasms": Family("spasms of 1 to 4 efforts", demanding=True, draw=_bouts(("spasm", 0.5, 1.5))),
        "all at once": Family(
            "coughs, postures, spikes, sighs and tiring over a rhythm of 0.3 to 0.7", demanding=True, draw=_all_at_once
        ),
    }
)
"""Families of children at a pressure sensor."""
