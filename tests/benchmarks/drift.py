"""How often a fit that is right is called wrong, and one that is wrong called right; and what following gives.

    python -m tests.benchmarks.drift                      20 children a family and tier: some forty minutes on two cores
    python -m tests.benchmarks.drift --children 5

Each child is fitted on 75 s, as in ``tests.benchmarks.hearing``, and plays for ten minutes. *steady*: it stays as it
was.
*tiring*: its efforts shrink by 7 % of the first a minute, to 30 %. "told" is how many children something was told of
(and which things), "misses" what was not heard. *follows*: the same with thresholds that may follow from 0.25 to 1.25
times what was fitted.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial

from rich.console import Console
from rich.progress import track
from rich.table import Table

from router import fit
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.events import Drifted, Press
from router.core.timers import Alarm, Timers
from router.offline import simulate
from router.offline.simulate import FAMILIES, TIERS, SimulatedSession
from tests.benchmarks import hearing

MINUTES = 10
TIRING = 0.07
FOLLOW = (0.25, 1.25)


@dataclass(slots=True)
class Score:
    """Sums over children."""

    children: int = 0
    told: int = 0
    what: Counter[str] = field(default_factory=Counter)
    efforts: int = 0
    heard: int = 0
    false: int = 0

    def add(self, other: Score) -> None:
        for name in ("children", "told", "efforts", "heard", "false"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.what += other.what


def follows(settings: PressureSettings) -> PressureSettings:
    def may(side: Side | None) -> Side | None:
        return side and replace(side, follow=(FOLLOW[0] * side.on, FOLLOW[1] * side.on))

    return replace(settings, above=may(settings.above), below=may(settings.below))


def played(session: SimulatedSession, settings: PressureSettings) -> Score:
    """Play a session; count what is heard and told of it."""
    made = PressureConditioner("cheek", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    gestures = [(t, gesture) for t, sample in session.samples for gesture in made.handle(sample, t)]
    presses = [(t, g.source.removeprefix("cheek.")) for t, g in gestures if isinstance(g, Press)]
    told = Counter(g.what for _t, g in gestures if isinstance(g, Drifted) and g.what != "followed")
    heard = sum(any(side == one.side and one.start <= t <= one.end for t, side in presses) for one in session.efforts)
    return Score(1, bool(told), Counter(dict.fromkeys(told, 1)), len(session.efforts), heard, len(presses) - heard)


def three(seed: int, family: str, tier: str) -> list[Score]:
    """A steady child; one that tires; the same with thresholds that follow."""
    drawn, guided, _session = hearing.child(family, tier, seed)
    try:
        settings = hearing.fit_settings(guided, drawn.sides)
    except fit.FitError:
        return [Score(), Score(), Score()]
    # Rest drifts to and fro in so long a time, and not on and on; and more samples tell no more.
    drawn = replace(drawn, rate=min(drawn.rate, 100), tires=0.0, drift=drawn.drift / 3)
    rng = random.Random(f"drift {family} {tier} {seed}")
    steady = simulate.session(drawn, 60 * MINUTES, rng)
    tiring = simulate.session(replace(drawn, tires=TIRING), 60 * MINUTES, rng)
    return [played(steady, settings), played(tiring, settings), played(tiring, follows(settings))]


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--children", type=int, default=20, help="children a family and tier (default 20)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes at once (default: all cores)")
    args = parser.parse_args(argv)
    table = Table(title=f"{args.children} children each, {MINUTES} minutes")
    for name in (
        "tier",
        "family",
        "steady: told",
        "which",
        "misses",
        "tiring: told",
        "misses",
        "follows: misses",
        "false/min",
    ):
        table.add_column(name)
    with ProcessPoolExecutor(args.jobs) as pool:
        for tier, family in itertools.product(TIERS, FAMILIES):
            sums = [Score(), Score(), Score()]
            tries = pool.map(partial(three, family=family, tier=tier), range(args.children))
            for scores in track(
                tries, f"{tier}, {family}", args.children, console=Console(stderr=True), transient=True
            ):
                for total, score in zip(sums, scores, strict=True):
                    total.add(score)
            steady, tiring, after = sums
            which = ", ".join(f"{what} {count}" for what, count in steady.what.items())
            table.add_row(
                tier,
                family,
                f"{steady.told} of {steady.children}",
                which,
                f"{1 - steady.heard / steady.efforts:.1%}",
                f"{tiring.told} of {tiring.children}",
                f"{1 - tiring.heard / tiring.efforts:.1%}",
                f"{1 - after.heard / after.efforts:.1%}",
                f"{tiring.false / MINUTES / tiring.children:.2f}, {after.false / MINUTES / after.children:.2f}",
            )
    Console(width=130).print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
