"""How well simulated children are heard, how late, and what it costs, beside a plain follower of rest.

    python -m tests.benchmarks.hearing                          everything; says how long it will take as it goes
    python -m tests.benchmarks.hearing --family gentle --children 10
    python -m tests.benchmarks.hearing --family gentle --each   child by child, of the development seeds only
    python -m tests.benchmarks.hearing --seeds report --jobs 2  what stands in the README: totals only
    python -m tests.benchmarks.hearing --json                   for a program to read

Each child is drawn at random from a seed (``router.offline.simulate``). Thresholds are fitted on one guided recording
of 75 s with marks that a helper's hand sets, and scored on another session of 120 s or as long as the family needs. An
effort is heard if a press of its side begins while it lasts; every other press is false, also those in a cough or a
spasm ("of it unmeant"). A child whose recording the fit refuses counts as one of whom nothing was heard. "delay" is
from the moment when the ideal effort (no noise, nothing underneath) crosses ``on`` to the press. "plain" is
``tests.benchmarks.plain_follower`` for pressures, and for fingers and heads what holds when a profile says nothing.

Report seeds are for the figures that are published: whoever changes the router looks at development seeds, and never at
a report seed by itself. Brackets hold 95 % intervals (``tests.benchmarks.intervals``).

"in time": the children of the tiers, fitted in the same way, who then play in time (one effort every 1 to 4 s, early or
late by 2 to 6 % of that, standard deviation). A switch's "delay" is from its first touch, so the acceptance time is in
it; a pointer's is from when a quiet head would have come, without the dwell.
"""

from __future__ import annotations

import argparse
import itertools
import json
import random
import statistics
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from rich.console import Console
from rich.progress import track
from rich.table import Table

from router import fit
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.engine import Engine, Plan
from router.core.events import Press, PressureSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.offline import simulate
from router.offline.simulate import CHILDREN, FAMILIES, TIERS, PressureChild, SimulatedSession
from router.testing import MILLISECOND
from tests.benchmarks import hands, intervals, open_signals
from tests.benchmarks.plain_follower import PlainFollower, thresholds
from tests.benchmarks.scores import Score

FIT_SECONDS, REST_SECONDS, SCORE_SECONDS = hands.FIT_SECONDS, hands.REST_SECONDS, hands.SCORE_SECONDS
FLOORS = {"ordinary": 0.99, "hard": 0.95}
"""The least share of efforts that must be heard in a tier."""
QUIET, DEMANDING = (0.99, 0.25), (0.95, 0.5)
"""The least share heard and the most false presses a minute, where the background is up to half an effort and nothing
misbehaves; and where it is as large as an effort, or the body or the sensor misbehaves."""
MOST_FALSE = 0.25
MOST_DELAY = 15.0
"""Milliseconds, median."""
MOST_COMPUTING = 2.0
"""Seconds of the processor's time for one fit."""
MOST_CPU = 0.05
"""A share of one core, for eight inputs of 1,000 samples a second."""
ANY = Side(on=100, off=60, full=300)
"""A side in a profile before it is fitted."""
SEEDS = {"development": 0, "report": 1_000_000}
"""The first seed of each range. Report seeds are never looked at one by one."""
AROUND = (NANOSECONDS // 10, 3 * NANOSECONDS // 10)
"""Nanoseconds before and after a bout in which a press still belongs to it."""

IN_TIME = {f"{family} in time": family for family in FAMILIES if family != "sucking"}


def child(family: str, tier: str, seed: int) -> tuple[PressureChild, SimulatedSession, SimulatedSession]:
    """A child of a tier, the session it is fitted on, and the one that it is scored on."""
    rng = random.Random(f"{family} {tier} {seed}")
    drawn = simulate.draw(IN_TIME.get(family, family), tier, rng)
    guided = simulate.session(drawn, FIT_SECONDS, rng, guided=REST_SECONDS)
    if family in IN_TIME:
        drawn = in_time(drawn, rng)
    return drawn, guided, simulate.session(drawn, SCORE_SECONDS, rng)


def in_time(drawn: PressureChild, rng: random.Random) -> PressureChild:
    """Let a child play in time.

    How far off it is: our choice; adults who tap to a beat are off by 2 to 4 % or so (from memory: Repp, Psychon. Bull.
    Rev. 12:969, 2005).
    """
    beat = rng.uniform(1.0, 4.0)
    return replace(
        drawn,
        beat=beat,
        early_or_late=rng.uniform(0.02, 0.06),
        hold=(min(drawn.hold[0], 0.4 * beat), min(drawn.hold[1], 0.45 * beat)),
    )


@dataclass(frozen=True, slots=True)
class Case:
    """A child to be heard: the guided session, another one of so many seconds, and the sides that it uses."""

    guided: SimulatedSession
    session: SimulatedSession
    seconds: float
    sides: tuple[int, ...]


def case(name: str, seed: int) -> Case:
    """The child of a row of the table (``ROWS``), by its seed."""
    if name in CHILDREN:
        rng = random.Random(f"{name} {seed}")
        drawn = CHILDREN[name].draw(rng)
        guided = simulate.sit(drawn, FIT_SECONDS, rng, guided=REST_SECONDS)
        return Case(guided, simulate.sit(drawn, drawn.seconds, rng), drawn.seconds, drawn.muscle.sides)
    if name in open_signals.ROWS:
        rng = random.Random(f"{name} {seed}")
        drawn, guided, session = open_signals.sessions(name, rng, FIT_SECONDS, REST_SECONDS, SCORE_SECONDS)
        return Case(guided, session, SCORE_SECONDS, drawn.muscle.sides)
    family, tier = TIERED[name]
    old, guided, session = child(family, tier, seed)
    return Case(guided, session, SCORE_SECONDS, old.sides)


def fit_settings(guided: SimulatedSession, sides: Sequence[int]) -> PressureSettings:
    """The settings that a fit gives to an input with these sides.

    Raises:
        fit.FitError: it gives none.
    """
    above, below = (ANY if sign in sides else None for sign in (1, -1))
    settings = PressureSettings(above=above, below=below)
    return fit.applied(fit.pressure(fit.record(guided.samples, "cheek"), settings), settings)


def presses_of(session: SimulatedSession, settings: PressureSettings) -> list[tuple[int, str]]:
    """Play a session to the router; return the presses, with their times and sides."""
    conditioner = PressureConditioner("cheek", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    return [
        (t, gesture.source.removeprefix("cheek."))
        for t, sample in session.samples
        for gesture in conditioner.handle(sample, t)
        if isinstance(gesture, Press)
    ]


def plain_presses_of(session: SimulatedSession, on: dict[str, float]) -> list[tuple[int, str]]:
    """Play a session to the plain follower; return the presses, with their times and sides."""
    follower = PlainFollower(on)
    return [
        (t, side)
        for t, sample in session.samples
        if isinstance(sample, PressureSample)
        for side in follower.handle(t, sample.pascal)
    ]


def judged(
    session: SimulatedSession, presses: Sequence[tuple[int, str]], on: dict[str, float], minutes: float
) -> Score:
    """Hold presses against what was meant. ``on``: the thresholds, from whose crossing a delay is counted."""
    found = Score(len(session.efforts), minutes=minutes)
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
        sign = 1 if effort.side == "above" else -1
        crossing = next(
            (t for t, p in session.ideal if effort.start <= t <= effort.end and sign * p >= on[effort.side]), None
        )
        if crossing is not None:
            found.delays.append((presses[hit][0] - crossing) / MILLISECOND)
    wrong = [t for i, (t, _side) in enumerate(presses) if i not in taken]
    found.false = len(wrong)
    found.unmeant = sum(
        any(begin - AROUND[0] <= t <= end + AROUND[1] for begin, end, _kind in session.unmeant) for t in wrong
    )
    return found


def score(session: SimulatedSession, settings: PressureSettings, seconds: float = SCORE_SECONDS) -> Score:
    """Hold the presses of a session against what was meant."""
    sides = {"above": settings.above, "below": settings.below}
    on = {word: side.on for word, side in sides.items() if side}
    return judged(session, presses_of(session, settings), on, seconds / 60)


def heard(this: Case) -> Score:
    """Fit and score one child."""
    refused = Score(len(this.session.efforts), minutes=this.seconds / 60, refused=1)
    began = time.process_time()
    try:
        settings = fit_settings(this.guided, this.sides)
    except fit.FitError:
        return refused
    finally:
        took = time.process_time() - began
    found = score(this.session, settings, this.seconds)
    found.fits = [took]
    return found


def plainly_heard(this: Case) -> Score:
    """The same child with the plain follower of rest."""
    sides = [word for word, sign in (("above", 1), ("below", -1)) if sign in this.sides]
    on = thresholds(this.guided.samples, sides)
    return judged(this.session, plain_presses_of(this.session, on), on, this.seconds / 60)


def try_row(seed: int, name: str) -> tuple[Score, Score]:
    """A child of a row as the router and as the peer hear it."""
    if name in hands.TRIES:
        return hands.TRIES[name](seed, True), hands.TRIES[name](seed, False)
    this = case(name, seed)
    return heard(this), plainly_heard(this)


TIERED = {f"{family}, {tier}": (family, tier) for tier in TIERS for family in (*FAMILIES, *IN_TIME)}
ROWS: dict[str, tuple[float, float]] = {
    **{name: DEMANDING if family.demanding else QUIET for name, family in CHILDREN.items()},
    **open_signals.ROWS,
    **hands.ROWS,
    **{name: (FLOORS[tier], MOST_FALSE) for name, (_family, tier) in TIERED.items()},
}
"""The promise of each row: the least share heard, the most false presses a minute."""


# --- cost ---------------------------------------------------------------------------------------------------------


def cost(fitted_to: PressureSettings | None = None, seconds: float = 10.0, inputs: int = 8, rate: int = 1000) -> float:
    """The share of one core that the engine takes for so many pressure inputs: its CPU time by the time of the samples.

    ``fitted_to`` are the settings of all of them; None: of a child whose profile says nothing but thresholds.
    """
    drawn = replace(simulate.draw("breathing", "hard", random.Random(1)), rate=rate)
    side = Side(0.5 * drawn.effort, 0.3 * drawn.effort, drawn.effort)
    names = [f"cheek{i}" for i in range(inputs)]
    settings = fitted_to or PressureSettings(above=side, below=side)
    plan = Plan(Music(), Limits(), {name: partial(PressureConditioner, name, settings) for name in names}, ())
    engine = Engine(plan, lambda _now, _event, _fields: None)
    engine.start(0)
    samples = list(_interleaved(drawn, seconds, names))
    began = time.process_time()
    for t, sample in samples:
        engine.handle(sample, t)
    return (time.process_time() - began) / seconds


def heaviest() -> PressureSettings:
    """The settings that cost the most: a rhythm that is known beforehand, and a running median against spikes."""
    for seed in itertools.count():
        this = case("ventilator", seed)
        try:
            settings = fit_settings(this.guided, this.sides)
        except fit.FitError:
            continue
        if settings.cycle is not None:
            return replace(settings, spikes=settings.spikes or 20 * MILLISECOND)
    raise AssertionError


def _interleaved(drawn: PressureChild, seconds: float, names: Sequence[str]) -> Iterator[Stamped]:
    session = simulate.session(drawn, seconds, random.Random(2))
    for t, sample in session.samples:
        assert isinstance(sample, PressureSample)
        for name in names:
            yield t, PressureSample(name, sample.pascal)


# --- the command --------------------------------------------------------------------------------------------------


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--family", nargs="+", choices=list(ROWS), default=list(ROWS), metavar="NAME", help=", ".join(ROWS)
    )
    parser.add_argument("--children", type=int, default=50, help="children a family (default 50)")
    parser.add_argument("--seeds", choices=list(SEEDS), default="development")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="leave out so many seeds (default 0)")
    parser.add_argument("--each", action="store_true", help="a line for each child (development seeds only)")
    parser.add_argument("--presses", type=int, default=10_000, help="presses of switches (default 10,000)")
    parser.add_argument("--jobs", type=int, default=1, help="processes at once (default 1)")
    parser.add_argument("--json", action="store_true", help="for a program to read")
    args = parser.parse_args(argv)
    if args.each and args.seeds == "report":
        parser.error("report seeds are not looked at child by child; use --seeds development")
    if any(name.startswith("recorded") for name in args.family):
        try:
            open_signals.recording()
        except open_signals.MissingError as error:
            parser.error(str(error))
    console = Console(stderr=True)
    first = SEEDS[args.seeds] + args.first
    seeds = range(first, first + args.children)
    out = Console(width=None if sys.stdout.isatty() else 160)
    rows: list[Row] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for name in args.family:
            some = partial(try_row, name=name)
            tries = map(some, seeds) if args.jobs == 1 else pool.map(some, seeds)
            pairs = list(track(tries, name, total=len(seeds), console=console, transient=True))
            rows.append(Row(name, [ours for ours, _ in pairs], [plain for _, plain in pairs]))
            if args.each:
                for seed, pair in zip(seeds, pairs, strict=True):
                    out.print(f"{name} {seed}: {pair[0].line} | plain {pair[1].line}")
    whole = set(args.family) == set(ROWS)
    meant, pressed = hands.switches(args.presses) if whole else (0, 0)
    share, most = cost(), cost(heaviest()) if whole else 0.0
    well = all(not row.unreached for row in rows) and meant == pressed and max(share, most) <= MOST_CPU
    if args.json:
        said = {
            "seeds": [seeds.start, seeds.stop - 1],
            "families": [row.figures for row in rows],
            "switches": {"presses": meant, "heard": pressed},
            "cpu_share": share,
            "cpu_share_rhythm_known": most,
            "reached": well,
        }
        sys.stdout.write(json.dumps(said) + "\n")
    else:
        out.print(_table(rows, f"{args.seeds} seeds, {len(seeds)} children a family"))
        for row in rows:
            if row.unreached:
                out.print(f"{row.name}: {'; '.join(row.unreached)}")
        fits = sorted(took for row in rows for one in row.ours for took in one.fits)
        if fits:
            out.print(f"a fit: {statistics.median(fits):.2f} s of computing (median), {fits[-1]:.2f} s at most")
        if whole:
            out.print(f"switches: {pressed} presses heard of {meant}, bounce of 1 to 20 ms and tremor")
        also = f", {most:.1%} with a known rhythm and against spikes" if whole else ""
        out.print(f"eight pressure inputs of 1,000 samples a second: {share:.1%} of one core{also}")
        out.print("all figures reached" if well else "NOT all figures reached")
    return 0 if well else 1


@dataclass(frozen=True, slots=True)
class Row:
    """A family: what became of each child with the router, and with the peer."""

    name: str
    ours: list[Score]
    plain: list[Score]

    @property
    def unreached(self) -> list[str]:
        """Parts of the promise that are not kept, in words."""
        total, least, most = Score.sum(self.ours), *ROWS[self.name]
        found = []
        if total.share < least:
            found.append(f"{total.share:.1%} heard, {least:.0%} promised")
        if total.false_a_minute > most:
            of_it = f" ({total.unmeant / total.minutes:.2f} of it unmeant)" if total.unmeant else ""
            found.append(f"{total.false_a_minute:.2f} false a minute{of_it}, {most:g} promised")
        if total.refused:
            found.append(f"{total.refused} of {len(self.ours)} recordings refused")
        if self.name not in hands.TRIES and total.delay > MOST_DELAY:
            found.append(f"{total.delay:.0f} ms of delay, {MOST_DELAY:g} promised")
        if max((took for one in self.ours for took in one.fits), default=0) > MOST_COMPUTING:
            found.append(f"a fit takes more than {MOST_COMPUTING:g} s")
        if self.behind:
            plain = Score.sum(self.plain)
            found.append(
                f"fewer heard than by plain, which has {plain.share:.1%} and {plain.false_a_minute:.2f} false a minute"
            )
        return found

    @property
    def behind(self) -> bool:
        """True where the peer hears more, by more than the interval of the difference over the same children."""
        pairs = [(a.heard - b.heard, a.efforts) for a, b in zip(self.ours, self.plain, strict=True)]
        return intervals.over_children(pairs)[1] < 0

    @property
    def figures(self) -> dict[str, Any]:
        fits = [took for one in self.ours for took in one.fits]
        found: dict[str, Any] = {"family": self.name, "children": len(self.ours), "unreached": self.unreached}
        if fits:
            found["fit_seconds"] = {"median": round(statistics.median(fits), 2), "most": round(max(fits), 2)}
        for word, scores in (("router", self.ours), ("plain", self.plain)):
            total = Score.sum(scores)
            found[word] = {
                "efforts": total.efforts,
                "heard": round(total.share, 4),
                "heard_95": [round(x, 4) for x in _heard(scores)],
                "false_a_minute": round(total.false_a_minute, 3),
                "false_95": [round(x, 3) for x in _false(scores)],
                "unmeant_a_minute": round(total.unmeant / total.minutes, 3),
                "refused": total.refused,
                "delay_ms": round(total.delay, 1),
                "delay_p95_ms": round(total.late, 1),
            }
        return found


def _heard(scores: Sequence[Score]) -> intervals.Interval:
    return intervals.share([(one.heard, one.efforts) for one in scores])


def _false(scores: Sequence[Score]) -> intervals.Interval:
    return intervals.rate([(one.false, one.minutes) for one in scores])


def _table(rows: Sequence[Row], title: str) -> Table:
    table = Table(title=title)
    table.add_column("family")
    columns = (
        "efforts",
        "heard %",
        "false/min",
        "of it unmeant",
        "refused",
        "delay ms",
        "p95",
        "plain heard %",
        "plain false/min",
    )
    for name in columns:
        table.add_column(name, justify="right")
    for row in rows:
        cells = []
        for scores in (row.ours, row.plain):
            total = Score.sum(scores)
            heard_by, false_by = _heard(scores), _false(scores)
            cells.append(f"{100 * total.share:.1f} [{100 * heard_by[0]:.1f}, {100 * heard_by[1]:.1f}]")
            cells.append(f"{total.false_a_minute:.2f} [{false_by[0]:.2f}, {false_by[1]:.2f}]")
        total = Score.sum(row.ours)
        of_it = f"{total.unmeant / total.minutes:.2f}"
        late = f"{total.delay:.0f}", f"{total.late:.0f}"
        table.add_row(row.name, str(total.efforts), *cells[:2], of_it, str(total.refused), *late, *cells[2:])
    return table


if __name__ == "__main__":
    sys.exit(main())
