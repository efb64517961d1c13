"""Fingers on a switch that drag, double, tremble and rest: contacts as they open and close, and what was meant.

``FINGERS`` holds the families by name. Tremor frequencies are published (``pulls``), all other numbers are our choice.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from router.core.events import SwitchSample
from router.devices.inputs.base import Stamped
from router.offline.simulate.movements import marks, ns, together
from router.offline.simulate.tiers import Meant, SimulatedSession

Closed = list[tuple[float, float]]
"""When a contact is closed: from and until in seconds, in order."""


@dataclass(frozen=True, slots=True)
class Finger:
    """A finger. Times in seconds; shares of its presses; strays and rests a minute."""

    hold: tuple[float, float]
    pause: tuple[float, float]
    bounce: float = 0.005
    """Longest bounce of the contact after an edge."""
    drags: float = 0.0
    """The share of presses after which it drags over the switch: 1 to 3 touches within ``drag`` of letting go."""
    drag: float = 0.45
    doubles: float = 0.0
    """The share of presses that come out as two, 80 to 300 ms apart."""
    tremor: float = 0.0
    """The share of presses in which it trembles off and on while it should hold."""
    tremor_frequency: float = 5.0
    off: float = 0.3
    """The share of a tremor's cycle in which the contact is open."""
    strays: float = 0.0
    """Touches a minute that nobody meant, of 10 to 60 ms."""
    rests: float = 0.0
    """Times a minute that it comes to rest on the switch, for 3 to 20 s."""


def press_switch(
    finger: Finger, seconds: float, rng: random.Random, *, guided: float = 0.0, name: str = "pad"
) -> SimulatedSession:
    """Simulate a switch for ``seconds``; ``guided`` and its marks are those of ``sit``.

    A finger rests when no press is near.
    """
    closed: Closed = []
    meant: list[tuple[float, float]] = []
    unmeant: list[tuple[float, float, str]] = []
    t = max(guided, 1.0) + rng.uniform(*finger.pause)
    while t + finger.hold[1] + 2 < seconds:
        length = rng.uniform(*finger.hold)
        meant.append((t, t + length))
        closed += _press(finger, t, length, rng)
        t = closed[-1][1] + rng.uniform(*finger.pause)
        if rng.random() < finger.rests / 60 * (t - meant[-1][0]) and t + 25 < seconds:
            rests = rng.uniform(3, 20)
            closed.append((t, t + rests))
            unmeant.append((t, t + rests, "rest"))
            t += rests + rng.uniform(*finger.pause)
    for _ in range(round(finger.strays * seconds / 60)):
        touch = rng.uniform(1.5, seconds - 1)
        length = rng.uniform(0.01, 0.06)
        if all(touch + length + 0.5 < begin or touch > end + 0.5 for begin, end in closed):
            closed.append((touch, touch + length))
            unmeant.append((touch, touch + length, "stray"))
    samples: list[Stamped] = list(_contact(sorted(closed), finger.bounce, rng, name))
    if guided:
        samples = list(together(samples, marks((begin for begin, _end in meant), guided, rng)))
    efforts = [Meant(ns(begin), ns(end), "", 1.0) for begin, end in meant]
    return SimulatedSession(samples, efforts, [], tuple((ns(a), ns(b), kind) for a, b, kind in sorted(unmeant)))


def _press(finger: Finger, t: float, length: float, rng: random.Random) -> Closed:
    """Return when the contact is closed for one press that is meant: trembling, doubled or dragging, as it comes."""
    found: Closed = []
    if rng.random() < finger.tremor:
        cycle = 1 / finger.tremor_frequency
        end = t + length
        while t < end:
            this = cycle * rng.uniform(0.8, 1.2)
            found.append((t, min(end, t + this * (1 - finger.off))))
            t += this
    else:
        found.append((t, t + length))
    last = found[-1][1]
    if rng.random() < finger.doubles:
        again = last + rng.uniform(0.08, 0.3)
        found.append((again, again + length * rng.uniform(0.3, 1.0)))
    elif rng.random() < finger.drags:
        touch = last
        for _ in range(rng.randint(1, 3)):
            touch += rng.uniform(0.03, finger.drag / 3)
            length = rng.uniform(0.015, finger.drag / 4)
            if touch + length < last + finger.drag:
                found.append((touch, touch + length))
                touch += length
    return found


def _contact(closed: Closed, bounce: float, rng: random.Random, name: str) -> list[Stamped]:
    """Edges with their bounce, which is over before the next edge."""
    edges = [(t, state) for begin, end in closed for t, state in ((begin, True), (end, False))]
    found: list[Stamped] = []
    for i, (t, state) in enumerate(edges):
        room = min(bounce, 0.4 * (edges[i + 1][0] - t) if i + 1 < len(edges) else bounce)
        found.append((ns(t), SwitchSample(name, state)))
        points = sorted(ns(t + rng.uniform(0, room)) for _ in range(2 * rng.randint(0, 2)))
        found += [(when, SwitchSample(name, not state if k % 2 == 0 else state)) for k, when in enumerate(points)]
    return found


def _ordinary(rng: random.Random) -> Finger:
    hold = rng.uniform(0.15, 0.5)
    return Finger(
        (hold, hold * rng.uniform(1.2, 3.0)), (rng.uniform(0.8, 1.5), rng.uniform(2, 5)), rng.uniform(0.001, 0.015)
    )


def _dragging(rng: random.Random) -> Finger:
    return replace(_ordinary(rng), drags=rng.uniform(0.3, 1.0), drag=rng.uniform(0.2, 0.45))


def _doubling(rng: random.Random) -> Finger:
    return replace(_ordinary(rng), doubles=rng.uniform(0.1, 0.6))


def _trembling(rng: random.Random) -> Finger:
    return replace(
        _ordinary(rng),
        tremor=rng.uniform(0.3, 1.0),
        tremor_frequency=rng.uniform(3.0, 10.0),
        off=rng.uniform(0.1, 0.5),
        strays=rng.uniform(0, 3),
    )


def _resting(rng: random.Random) -> Finger:
    return replace(_ordinary(rng), rests=rng.uniform(0.3, 1.0), strays=rng.uniform(0, 2))


FINGERS: Mapping[str, Callable[[random.Random], Finger]] = MappingProxyType(
    {
        "dragging finger": _dragging,
        "doubling finger": _doubling,
        "trembling finger": _trembling,
        "resting finger": _resting,
    }
)
