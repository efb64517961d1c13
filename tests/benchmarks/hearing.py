"""How well simulated children are heard, how late, and what it costs.

    python -m tests.benchmarks.hearing                     everything, about ten minutes on two cores
    python -m tests.benchmarks.hearing --children 10       the children only as many a family and tier
    python -m tests.benchmarks.hearing --json              for a program to read

Each child is drawn at random from a seed (``router.offline.simulate.draw``). Thresholds are fitted on one guided recording of 75 s
and scored on another session of 120 s. An effort is heard if a press of its side begins while it lasts; every other press
is false. A child whose recording the fit refuses counts as one of whom nothing was heard. "plain" is the same detector without
the rhythm underneath: it follows the rest level and has hysteresis, with thresholds fitted for itself.
"delay" is from the moment when the ideal effort (no noise, nothing underneath) crosses ``on`` to the press.

"in time": the same children, fitted in the same way, who then play in time (one effort every 1 to 4 s, early or late by 2 to
6 % of that, standard deviation).

Fingers on a switch and heads at a pointer come in the same two tiers and are fitted and scored in the same way; "plain" is
then what holds when a profile says nothing. A switch's "delay" is from its first touch, so the acceptance time is in it; a
pointer's is from when a quiet head would have come, without the dwell.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from typing import Any

from rich.console import Console
from rich.progress import track
from rich.table import Table

from router import fit
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Engine, Plan
from router.core.events import Mark, Press, PressureSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.offline import simulate
from router.offline.simulate import FAMILIES, TIERS, Effort, PressureChild, SimulatedSession
from router.testing import MILLISECOND, VirtualTime
from tests.benchmarks import pointer as heads

FIT_SECONDS, REST_SECONDS, SCORE_SECONDS = 75.0, 25.0, 120.0
FLOORS = {"ordinary": 0.99, "hard": 0.95}
"""The least share of efforts that must be heard."""
MOST_FALSE = 0.25
"""False presses a minute."""
MOST_DELAY = 15.0
"""Milliseconds, median."""
MOST_COMPUTING = 2.0
"""Seconds of the processor's time for one fit."""
MOST_CPU = 0.25
"""Of one core, for eight inputs of 1,000 samples a second."""
ANY = Side(on=100, off=60, full=300)
"""What stands in a profile before it is fitted."""


@dataclass(slots=True)
class Score:
    """What became of some sessions. ``delays`` in milliseconds."""

    efforts: int = 0
    heard: int = 0
    false: int = 0
    minutes: float = 0.0
    refused: int = 0
    delays: list[float] = field(default_factory=list)
    slowest_fit: float = 0.0
    """Seconds of computing."""

    def add(self, other: Score) -> None:
        self.efforts += other.efforts
        self.heard += other.heard
        self.false += other.false
        self.minutes += other.minutes
        self.refused += other.refused
        self.delays += other.delays
        self.slowest_fit = max(self.slowest_fit, other.slowest_fit)

    @property
    def share(self) -> float:
        return self.heard / self.efforts

    @property
    def false_a_minute(self) -> float:
        return self.false / self.minutes

    @property
    def delay(self) -> float:
        return statistics.median(self.delays) if self.delays else 0.0


IN_TIME = {f"{family} in time": family for family in FAMILIES if family != "sucking"}


def child(family: str, tier: str, seed: int) -> tuple[PressureChild, SimulatedSession, SimulatedSession]:
    """A child, the session it is fitted on, and the one that it is scored on."""
    rng = random.Random(f"{family} {tier} {seed}")
    drawn = simulate.draw(IN_TIME.get(family, family), tier, rng)
    guided = simulate.session(drawn, FIT_SECONDS, rng, guided=REST_SECONDS)
    if family in IN_TIME:
        drawn = in_time(drawn, rng)
    return drawn, guided, simulate.session(drawn, SCORE_SECONDS, rng)


def in_time(drawn: PressureChild, rng: random.Random) -> PressureChild:
    """This child, when it plays in time. How far off it is: our choice; adults who tap to a beat are off by 2 to 4 % or so (from
    memory: Repp, Psychon. Bull. Rev. 12:969, 2005)."""
    beat = rng.uniform(1.0, 4.0)
    return replace(
        drawn,
        beat=beat,
        early_or_late=rng.uniform(0.02, 0.06),
        hold=(min(drawn.hold[0], 0.4 * beat), min(drawn.hold[1], 0.45 * beat)),
    )


def fitted(drawn: PressureChild, guided: SimulatedSession, *, rhythm: bool) -> PressureSettings:
    """The settings that a fit of the guided session gives.

    Raises:
        fit.FitError: it gives none.
    """
    above, below = (ANY if sign in drawn.sides else None for sign in (1, -1))
    settings = PressureSettings(above=above, below=below, rhythm=rhythm)
    return fit.applied(fit.pressure(fit.record(guided.samples, "cheek"), settings), settings)


def score(session: SimulatedSession, settings: PressureSettings) -> Score:
    """Hold the presses of a session against what was meant."""
    conditioner = PressureConditioner("cheek", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    presses = [
        (t, gesture.source.removeprefix("cheek."))
        for t, sample in session.samples
        for gesture in conditioner.handle(sample, t)
        if isinstance(gesture, Press)
    ]
    found = Score(len(session.efforts), minutes=SCORE_SECONDS / 60)
    taken: set[int] = set()
    for effort in session.efforts:
        mine = (
            i
            for i, (t, side) in enumerate(presses)
            if side == effort.side and effort.start <= t <= effort.end and i not in taken
        )
        hit = next(mine, None)
        if hit is None:
            continue
        taken.add(hit)
        found.heard += 1
        side = settings.above if effort.side == "above" else settings.below
        crossing = next(
            (t for t, pascal in session.ideal if effort.start <= t <= effort.end and abs(pascal) >= side.on), None
        )
        if crossing is not None:
            found.delays.append((presses[hit][0] - crossing) / MILLISECOND)
    found.false = len(presses) - len(taken)
    return found


def try_child(family: str, tier: str, seed: int, *, rhythm: bool = True) -> Score:
    """Fit and score one child."""
    drawn, guided, session = child(family, tier, seed)
    began = time.process_time()
    try:
        settings = fitted(drawn, guided, rhythm=rhythm)
    except fit.FitError:
        return Score(len(session.efforts), minutes=SCORE_SECONDS / 60, refused=1)
    took = time.process_time() - began
    found = score(session, settings)
    found.slowest_fit = took
    return found


def _both_of(seed: int, family: str, tier: str) -> tuple[Score, Score]:
    if family in HANDS:
        return try_hand(family, tier, seed), try_hand(family, tier, seed, fitted=False)
    return _both(seed, family, tier)


def _both(seed: int, family: str, tier: str) -> tuple[Score, Score]:
    return try_child(family, tier, seed), try_child(family, tier, seed, rhythm=False)


# --- fingers and heads --------------------------------------------------------------------------------------------

HANDS = ("switch", "pointer")
EVERY = [*FAMILIES, *IN_TIME, *HANDS]
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
    """One child of a tier: each range becomes one value; of strays the middle and the longest."""
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
    return (_try_finger if kind == "switch" else _try_head)(tier, rng, fitted=fitted)


def _try_finger(tier: str, rng: random.Random, *, fitted: bool) -> Score:
    drawn = _one(FINGERS[tier], rng)
    guided, _meant = finger(FIT_SECONDS, rng, drawn, REST_SECONDS)
    samples, meant = finger(SCORE_SECONDS, rng, drawn, 0.0)
    found = Score(len(meant), minutes=SCORE_SECONDS / 60)
    settings = SwitchSettings(debounce=30 * MILLISECOND)
    if fitted:
        began = time.process_time()
        try:
            times = fit.switch(fit.record(guided, "pad"), _alone(SwitchConditioner, settings)).settings
        except fit.FitError:
            return replace(found, refused=1)
        found.slowest_fit = time.process_time() - began
        settings = replace(settings, **{setting.path[-1]: round(setting.value) for setting in times})
    played = VirtualTime(Plan(Music(), Limits(), {"pad": partial(SwitchConditioner, "pad", settings)}, ()))
    for t, sample in samples:
        played.give(t, sample)
    played.go_on(round(SCORE_SECONDS * NANOSECONDS))
    presses = [t for t, _event, _fields in played.log.named("press")]
    for one in meant:
        mine = [t for t in presses if one.start <= t <= one.start + one.length + settings.accept]
        if mine:
            found.heard += 1
            found.delays.append((mine[0] - one.start) / MILLISECOND)
    found.false = len(presses) - found.heard
    return found


def _try_head(tier: str, rng: random.Random, *, fitted: bool) -> Score:
    name = rng.choice(list(heads.HEADS))
    size = {"ordinary": heads.ORDINARY, "hard": heads.LARGE}[tier]
    fit_on, score_on = (
        heads.session(heads.HEADS[name], size, f"{name} {rng.random()}", round(seconds * NANOSECONDS), GRID.grid)
        for seconds in (FIT_SECONDS, SCORE_SECONDS)
    )
    settings, found = GRID, Score(len(score_on.meant), minutes=SCORE_SECONDS / 60)
    if fitted:
        marks = [(start + round(rng.uniform(0, 0.5) * NANOSECONDS), Mark("effort")) for start, *_ in fit_on.meant]
        recording = fit.record(simulate.together(fit_on.samples, marks), "head")
        began = time.process_time()
        try:
            values = fit.pointer(recording, _alone(PointerConditioner, settings)).settings
        except fit.FitError:
            return replace(found, refused=1)
        found.slowest_fit = time.process_time() - began
        grid = {setting.path[-1]: setting.value for setting in values}
        settings = replace(settings, grid=replace(settings.grid, **grid))
    result = heads.play(settings, score_on)
    found.heard, found.false = result.heard, result.false + result.again
    found.delays = [delay - settings.grid.dwell / MILLISECOND for delay in result.to_note]
    return found


def _alone(kind: Callable[..., Any], settings: Any) -> Any:
    """A conditioner that nobody plays; only its settings are looked at."""
    return kind("", settings, itertools.count(1).__next__, Alarm(Timers(), 0))


# --- switches -----------------------------------------------------------------------------------------------------


def switches(presses: int, *, seed: int = 1, bounce: int = 20 * MILLISECOND, tremor: float = 0.3) -> tuple[int, int]:
    """Presses meant and heard of fingers whose contacts bounce up to 20 ms after each edge, and that tremble off and on again.

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


# --- cost ---------------------------------------------------------------------------------------------------------


def cost(seconds: float = 10.0, inputs: int = 8, rate: int = 1000) -> float:
    """The share of one core that the engine takes for so many pressure inputs: its CPU time by the time of the samples."""
    drawn = replace(simulate.draw("breathing", "hard", random.Random(1)), rate=rate)
    side = Side(0.5 * drawn.effort, 0.3 * drawn.effort, drawn.effort)
    names = [f"cheek{i}" for i in range(inputs)]
    settings = PressureSettings(above=side, below=side)
    plan = Plan(Music(), Limits(), {name: partial(PressureConditioner, name, settings) for name in names}, ())
    engine = Engine(plan, lambda _now, _event, _fields: None)
    engine.start(0)
    samples = list(_interleaved(drawn, seconds, names))
    began = time.process_time()
    for t, sample in samples:
        engine.handle(sample, t)
    return (time.process_time() - began) / seconds


def _interleaved(drawn: PressureChild, seconds: float, names: Sequence[str]) -> Iterator[Stamped]:
    session = simulate.session(drawn, seconds, random.Random(2))
    for t, sample in session.samples:
        assert isinstance(sample, PressureSample)
        for name in names:
            yield t, PressureSample(name, sample.pascal)


# --- the command --------------------------------------------------------------------------------------------------


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--children", type=int, default=50, help="children a family and tier (default 50)")
    parser.add_argument("--first", type=int, default=0, metavar="SEED", help="the seed of the first child (default 0)")
    parser.add_argument("--families", nargs="+", choices=EVERY, default=EVERY)
    parser.add_argument("--tiers", nargs="+", choices=list(TIERS), default=list(TIERS))
    parser.add_argument("--presses", type=int, default=10_000, help="presses of switches (default 10,000)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes at once (default: all cores)")
    parser.add_argument("--json", action="store_true", help="for a program to read")
    args = parser.parse_args(argv)
    console = Console(stderr=True)
    seeds = range(args.first, args.first + args.children)
    rows: list[tuple[str, str, Score, Score]] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for tier, family in itertools.product(args.tiers, args.families):
            ours, plain = Score(), Score()
            tries = pool.map(partial(_both_of, family=family, tier=tier), seeds)
            for one, other in track(tries, f"{tier}, {family}", total=len(seeds), console=console, transient=True):
                ours.add(one)
                plain.add(other)
            rows.append((tier, family, ours, plain))
    meant, heard = switches(args.presses)
    share = cost()
    well = (
        all(row[2].share >= FLOORS[row[0]] and row[2].false_a_minute <= MOST_FALSE for row in rows)
        and all(row[2].delay <= MOST_DELAY for row in rows if row[1] not in HANDS)
        and all(row[2].slowest_fit < MOST_COMPUTING for row in rows)
        and meant == heard
        and share < MOST_CPU
    )
    if args.json:
        said = {
            "seeds": [seeds.start, seeds.stop - 1],
            "children": [
                {"tier": t, "family": f, **_figures(ours), "plain": _figures(plain)} for t, f, ours, plain in rows
            ],
            "switches": {"presses": meant, "heard": heard},
            "cpu_share": share,
            "reached": well,
        }
        sys.stdout.write(json.dumps(said) + "\n")
    else:
        out = Console(width=None if sys.stdout.isatty() else 110)
        out.print(_table(rows, seeds))
        out.print(f"switches: {heard} presses heard of {meant}, bounce of 1 to 20 ms and tremor")
        out.print(f"eight pressure inputs of 1,000 samples a second: {share:.1%} of one core")
        out.print("all figures reached" if well else "NOT all figures reached")
    return 0 if well else 1


def _figures(found: Score) -> dict[str, float]:
    figures = asdict(found)
    del figures["delays"]
    return {
        **figures,
        "share_heard": round(found.share, 4),
        "false_a_minute": round(found.false_a_minute, 3),
        "delay_ms": round(found.delay, 1),
    }


def _table(rows: Sequence[tuple[str, str, Score, Score]], seeds: range) -> Table:
    table = Table(
        title=f"seeds {seeds.start} to {seeds.stop - 1}, {FIT_SECONDS:g} s to fit, {SCORE_SECONDS:g} s to score"
    )
    for name in ("tier", "family"):
        table.add_column(name)
    for name in ("efforts", "heard", "false/min", "delay ms", "refused", "fit s", "plain heard", "plain false/min"):
        table.add_column(name, justify="right")
    for tier, family, ours, plain in rows:
        cells = [str(ours.efforts), f"{ours.share:.2%}", f"{ours.false_a_minute:.2f}", f"{ours.delay:.0f}"]
        cells += [str(ours.refused), f"{ours.slowest_fit:.1f}", f"{plain.share:.1%}", f"{plain.false_a_minute:.2f}"]
        table.add_row(tier, family, *cells)
    return table


if __name__ == "__main__":
    sys.exit(main())
