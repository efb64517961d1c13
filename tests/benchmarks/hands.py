"""Fingers on a switch and heads at a pointer: drawn, fitted on one session and scored on another.

The peer of each is what holds when a profile says nothing.
"""

from __future__ import annotations

import itertools
import math
import random
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from router import fit
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Plan
from router.core.events import Mark
from router.core.ledger import Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.offline import simulate
from router.offline.simulate import Effort
from router.testing import MILLISECOND, VirtualTime
from tests.benchmarks import pointer as heads
from tests.benchmarks.scores import Score

FIT_SECONDS, REST_SECONDS, SCORE_SECONDS = 75.0, 25.0, 120.0
GRID = PointerSettings(ZoneGrid(columns=4, rows=2))


@dataclass(frozen=True, slots=True)
class Finger:
    """A finger on a switch; milliseconds, and touches a minute that nobody meant. Our choice."""

    bounce: tuple[int, int]
    tremor: float
    hold: tuple[float, float]
    strays: tuple[float, float]
    stray: tuple[float, float]


FINGERS = {
    "ordinary": Finger((1, 10), 0.1, (300, 900), (0, 3), (10, 60)),
    "hard": Finger((1, 20), 0.3, (250, 700), (3, 8), (20, 110)),
}


def finger(seconds: float, rng: random.Random, drawn: Finger, guided: float) -> tuple[list[Stamped], list[Effort]]:
    """Samples of a switch, and what was meant. ``guided``: so many seconds of rest come first, and marks are set."""
    until = round(seconds * NANOSECONDS)
    hold = drawn.hold[0] / 1000
    meant = simulate.efforts(rng, until, every=3.5, length=hold, first=max(guided, 1) + 1)
    touches: list[Effort] = []
    t = 1.5
    while drawn.strays[0] > 0 and (t := t + rng.expovariate(drawn.strays[0] / 60)) < seconds - 1:
        at = round(t * NANOSECONDS)
        length = round(min(drawn.stray[1], drawn.stray[0] * math.exp(rng.gauss(0, 0.35))) * MILLISECOND)
        if all(at + length + 4e8 < one.start or at > one.start + one.length + 4e8 for one in meant):
            touches.append(Effort(at, length))
    child = simulate.Switch(bounce=drawn.bounce[0] * MILLISECOND, tremor=drawn.tremor)
    still = simulate.Switch(
        bounce=min(drawn.bounce[0] * MILLISECOND, round(drawn.stray[0] * MILLISECOND / 3)), tremor=0
    )
    samples = simulate.together(
        sorted(simulate.switch("pad", meant, rng, child), key=lambda stamped: stamped[0]),
        sorted(simulate.switch("pad", touches, rng, still), key=lambda stamped: stamped[0]),
    )
    if guided:
        marks: list[Stamped] = [(NANOSECONDS, Mark("rest")), (round(guided * NANOSECONDS), Mark("end"))]
        marks += [(one.start + round(rng.uniform(-0.3, 0.5) * NANOSECONDS), Mark("effort")) for one in meant]
        samples = simulate.together(samples, marks)
    return list(samples), meant


def _one(drawn: Finger, rng: random.Random) -> Finger:
    """Draw a child of a tier: each range becomes one value; of strays the middle and the longest."""
    middle = rng.uniform(drawn.stray[0], 0.5 * drawn.stray[1])
    return Finger(
        (rng.randint(*drawn.bounce),) * 2,
        rng.uniform(0, drawn.tremor),
        (rng.uniform(*drawn.hold),) * 2,
        (rng.uniform(*drawn.strays),) * 2,
        (middle, 2 * middle),
    )


def try_hand(kind: str, tier: str, seed: int, *, fitted: bool = True) -> Score:
    """Fit and score one finger or one head; without ``fitted`` what holds when a profile says nothing."""
    rng = random.Random(f"{kind} {tier} {seed}")
    if kind == "switch":
        drawn = _one(FINGERS[tier], rng)
        guided, _meant = finger(FIT_SECONDS, rng, drawn, REST_SECONDS)
        return _heard_finger(guided, *finger(SCORE_SECONDS, rng, drawn, 0.0), fitted=fitted)
    name = rng.choice(list(heads.HEADS))
    size = {"ordinary": heads.ORDINARY, "hard": heads.LARGE}[tier]
    sessions = [
        heads.session(heads.HEADS[name], size, f"{name} {rng.random()}", round(seconds * NANOSECONDS), GRID.grid)
        for seconds in (FIT_SECONDS, SCORE_SECONDS)
    ]
    return _heard_head(*sessions, rng, fitted=fitted)


def _try_finger(seed: int, fitted: bool, name: str) -> Score:
    rng = random.Random(f"{name} {seed}")
    drawn = simulate.FINGERS[name](rng)
    guided = simulate.press_switch(drawn, FIT_SECONDS, rng, guided=REST_SECONDS)
    session = simulate.press_switch(drawn, SCORE_SECONDS, rng)
    meant = [Effort(one.start, one.end - one.start) for one in session.efforts]
    return _heard_finger(guided.samples, session.samples, meant, session.unmeant, fitted=fitted)


def _try_head(seed: int, fitted: bool, name: str) -> Score:
    rng = random.Random(f"{name} {seed}")
    drawn = simulate.HEADS[name](rng)
    return _heard_head(*(_looked(drawn, seconds, rng) for seconds in (FIT_SECONDS, SCORE_SECONDS)), rng, fitted=fitted)


def _looked(drawn: simulate.Head, seconds: float, rng: random.Random) -> heads.Session:
    """A head that goes from zone to zone, as in ``heads.session``."""
    until = round(seconds * NANOSECONDS)
    visits, zones = heads.visits(until, GRID.grid, rng)
    quiet = simulate.pointer("head", visits, until, rng, simulate.Pointer(60, 0.0, (), 0.0, travel=drawn.travel))
    meant = heads.meant(visits, zones, quiet, until, GRID.grid)
    return heads.Session(list(simulate.look(drawn, visits, until, rng)), until, meant)


def _heard_finger(
    guided: Sequence[Stamped],
    samples: Sequence[Stamped],
    meant: Sequence[Effort],
    unmeant: Sequence[tuple[int, int, str]] = (),
    *,
    fitted: bool,
) -> Score:
    found = Score(len(meant), minutes=SCORE_SECONDS / 60)
    settings = SwitchSettings(debounce=30 * MILLISECOND)
    if fitted:
        began = time.process_time()
        try:
            times = fit.switch(fit.record(guided, "pad"), _alone(SwitchConditioner, settings)).settings
        except fit.FitError:
            return replace(found, refused=1)
        found.fits = [time.process_time() - began]
        settings = replace(settings, **{setting.path[-1]: round(setting.value) for setting in times})
    played = VirtualTime(Plan(Music(), Limits(), {"pad": partial(SwitchConditioner, "pad", settings)}, ()))
    for t, sample in samples:
        played.give(t, sample)
    played.go_on(round(SCORE_SECONDS * NANOSECONDS))
    presses = [t for t, _event, _fields in played.log.named("press")]
    for one in meant:
        mine = [t for t in presses if one.start <= t <= one.start + one.length + settings.accept]
        if mine:
            presses.remove(mine[0])
            found.heard += 1
            found.delays.append((mine[0] - one.start) / MILLISECOND)
    found.false = len(presses)
    found.unmeant = sum(any(begin <= t <= end + settings.accept for begin, end, _kind in unmeant) for t in presses)
    return found


def _heard_head(fit_on: heads.Session, score_on: heads.Session, rng: random.Random, *, fitted: bool) -> Score:
    settings, found = GRID, Score(len(score_on.meant), minutes=SCORE_SECONDS / 60)
    if fitted:
        marks = [(start + round(rng.uniform(0, 0.5) * NANOSECONDS), Mark("effort")) for start, *_ in fit_on.meant]
        recording = fit.record(simulate.together(fit_on.samples, marks), "head")
        began = time.process_time()
        try:
            values = fit.pointer(recording, _alone(PointerConditioner, settings)).settings
        except fit.FitError:
            return replace(found, refused=1)
        found.fits = [time.process_time() - began]
        grid = {setting.path[-1]: setting.value for setting in values}
        settings = replace(settings, grid=replace(settings.grid, **grid))
    result = heads.play(settings, score_on)
    found.heard, found.false = result.heard, result.false + result.again
    found.delays = [delay - settings.grid.dwell / MILLISECOND for delay in result.to_note]
    return found


def _alone(kind: Callable[..., Any], settings: Any) -> Any:
    """A conditioner that nobody plays; only its settings are looked at."""
    return kind("", settings, itertools.count(1).__next__, Alarm(Timers(), 0))


def switches(presses: int, *, seed: int = 1, bounce: int = 20 * MILLISECOND, tremor: float = 0.3) -> tuple[int, int]:
    """Presses meant and heard of fingers whose contacts bounce up to 20 ms after each edge, and that tremble off and on
    again.

    Debounce 30 ms, and 100 ms of release time, which the tremor needs: a finger that trembles is off for up to 80 ms.
    """
    rng = random.Random(seed)
    meant = heard = 0
    while meant < presses:
        finger = simulate.Switch(bounce=rng.randint(1, bounce // MILLISECOND) * MILLISECOND, tremor=tremor)
        some = simulate.efforts(rng, 400 * NANOSECONDS, every=1.6, length=0.5)[: presses - meant]
        settings = SwitchSettings(debounce=30 * MILLISECOND, release=100 * MILLISECOND)
        played = VirtualTime(Plan(Music(), Limits(), {"pad": partial(SwitchConditioner, "pad", settings)}, ()))
        for t, sample in sorted(simulate.switch("pad", some, rng, finger), key=lambda stamped: stamped[0]):
            played.give(t, sample)
        played.go_on(500 * NANOSECONDS)
        meant += len(some)
        heard += len(played.log.named("press"))
    return meant, heard


def _tried(seed: int, fitted: bool, kind: str, tier: str) -> Score:
    return try_hand(kind, tier, seed, fitted=fitted)


TRIES: Mapping[str, Callable[[int, bool], Score]] = {
    **{name: partial(_try_finger, name=name) for name in simulate.FINGERS},
    **{name: partial(_try_head, name=name) for name in simulate.HEADS},
    **{f"{kind}, {tier}": partial(_tried, kind=kind, tier=tier) for kind in ("switch", "pointer") for tier in FINGERS},
}
"""For each row of the table: the score of a seed's child, fitted or as it is when a profile says nothing."""
ROWS: Mapping[str, tuple[float, float]] = {
    **dict.fromkeys((*simulate.FINGERS, *simulate.HEADS), (0.95, 0.5)),
    **{
        f"{kind}, {tier}": (least, 0.25)
        for kind in ("switch", "pointer")
        for tier, least in (("ordinary", 0.99), ("hard", 0.95))
    },
}
"""The least share heard, the most false presses a minute."""
