"""What each setting of a head pointer costs in delay and gives in fewer mistakes, over simulated heads.

    python -m tests.benchmarks.pointer                    the whole table, some two minutes
    python -m tests.benchmarks.pointer --heads steady writhing --minutes 0.5
    python -m tests.benchmarks.pointer --svg table.svg

A head goes from place to place and stays in each; tremor, writhing or jerks are laid over it, so what it means is
known. One setting is changed at a time, all others stay as recommended. "missed": places stayed in that did not
play. "false": presses of a place that was not meant, a minute. "again": presses of a place that had played already,
because tremor carried the head out of it, a minute. "to note": from when the quiet head would have come into the
zone to its press, the dwell included. "to end": from when the quiet head would have left the zone to the release.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rich.console import Console
from rich.progress import track
from rich.table import Table

from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.engine import Plan
from router.core.events import PointerSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.units import NANOSECONDS
from router.offline.simulate import Pointer, Visit, pointer
from router.testing import MILLISECOND, VirtualTime

RECOMMENDED = PointerSettings(ZoneGrid(columns=4, rows=2))
"""Filter, hysteresis, dwell and grace time are the conditioning's defaults, and the profile's."""

STAY = 4.0
"""Seconds for each place, the way to it included. Our choice."""
ORDINARY, LARGE = 1.0, 3.5
"""How many times as large as below a head's tremor, writhing or jerks are. Our choice."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a head does beside what it means. Frequencies in hertz; ``swing``: how far at most, in shares of the whole.

    ``jerks`` a minute carry it ``far``, out and back within 80 to 200 ms.
    """

    frequencies: tuple[float, ...]
    swing: float
    jerks: float = 0.0
    far: float = 0.15
    travel: float = 0.5
    """Seconds from one place to the next, however far."""


# Frequencies are published; sizes are our choice. A zone is 0.25 wide and 0.5 high, so from its middle 0.125 to a
# border: half of that is ordinary here, and large goes beyond it.
HEADS: Mapping[str, Head] = {
    "steady": Head((0.45, 2.0, 4.0), 0.01),
    "tremor": Head((2.0, 4.0), 0.06),  # where most head tremors and jerks lie: JNNP 42:705, 1979
    "writhing": Head((0.3, 0.37, 0.45, 0.53, 0.6), 0.06),  # slow involuntary movement: Neilson, JNNP 37:171-177, 1974
    "dystonia": Head((0.27, 2.61, 5.07), 0.06),  # cervical dystonia, medians of three bands: MDS abstract 28738
    "jerks": Head((0.45, 2.0, 4.0), 0.02, jerks=15),
    "slow": Head((0.45, 2.0, 4.0), 0.02, travel=1.5),
}


def with_grid(settings: PointerSettings, **grid: Any) -> PointerSettings:
    return replace(settings, grid=replace(settings.grid, **grid))


BARE = with_grid(replace(RECOMMENDED, min_cutoff=None), hysteresis=0.0, grace_time=0)
"""Only the dwell is left: what a setting gives by itself is seen beside it."""


def sweeps(base: PointerSettings) -> Mapping[str, Sequence[tuple[str, PointerSettings]]]:
    """One setting changed at a time. The filter has two;
    where it is off, each is seen with the other as recommended.
    """
    filtered = replace(base, min_cutoff=RECOMMENDED.min_cutoff)
    return {
        "min_cutoff": [
            ("smooth: no", replace(base, min_cutoff=None)),
            *((f"{value:g} Hz", replace(base, min_cutoff=value)) for value in (0.25, 0.5, 1.0, 1.5, 3.0, 6.0)),
        ],
        "beta": [(f"{value:g}", replace(filtered, beta=value)) for value in (0.0, 0.02, 0.5, 1.0, 2.0, 4.0, 8.0)],
        "hysteresis": [
            (f"{100 * value:g} %", with_grid(base, hysteresis=value)) for value in (0.0, 0.1, 0.2, 0.3, 0.4)
        ],
        "dwell": [
            (f"{value} ms", with_grid(base, dwell=value * MILLISECOND)) for value in (0, 200, 400, 600, 800, 1000, 1500)
        ],
        "grace_time": [
            (f"{value} ms", with_grid(base, grace_time=value * MILLISECOND))
            for value in (0, 50, 100, 150, 200, 300, 500)
        ],
    }


SETTINGS = tuple(sweeps(BARE))


@dataclass(slots=True)
class Score:
    """Sums over one or several heads; times in milliseconds."""

    minutes: float = 0.0
    meant: int = 0
    heard: int = 0
    false: int = 0
    again: int = 0
    to_note: list[float] = field(default_factory=list)
    to_end: list[float] = field(default_factory=list)

    def add(self, other: Score) -> None:
        self.minutes += other.minutes
        self.meant += other.meant
        self.heard += other.heard
        self.false += other.false
        self.again += other.again
        self.to_note += other.to_note
        self.to_end += other.to_end


@dataclass(frozen=True, slots=True)
class Session:
    """A head for some time: what it gives, where it meant to be, and when a quiet head would have come and left."""

    samples: Sequence[tuple[int, PointerSample]]
    until: int
    meant: Sequence[tuple[int, int, int, int]]  # from, zone, comes, leaves


def session(head: Head, size: float, seed: str, until: int, grid: ZoneGrid) -> Session:
    """The same seed gives the same head."""
    rng = random.Random(seed)
    places, zones = visits(until, grid, rng)
    moves = Pointer(tremor=size * head.swing, tremor_frequencies=head.frequencies, sway=0.0, travel=head.travel)
    quiet = pointer("head", places, until, random.Random(seed), replace(moves, tremor=0.0))
    samples = pointer("head", places, until, rng, moves)
    return Session(list(jerked(samples, head, size, until, rng)), until, meant(places, zones, quiet, until, grid))


def visits(until: int, grid: ZoneGrid, rng: random.Random) -> tuple[list[Visit], list[int]]:
    """Places to go to, one after another, and their zones."""
    places: list[Visit] = []
    zones: list[int] = []
    stay = round(STAY * NANOSECONDS)
    for start in range(0, until - stay + 1, stay):
        zones.append(rng.choice([zone for zone in range(grid.zones) if zones[-1:] != [zone]]))
        row, column = divmod(zones[-1], grid.columns)
        # Nobody aims at the very middle: give or take a tenth of the zone. Our choice.
        aim = [0.5 + rng.uniform(-0.1, 0.1) for _ in range(2)]
        places.append(Visit(start, (column + aim[0]) / grid.columns, (row + aim[1]) / grid.rows))
    return places, zones


def meant(
    places: Sequence[Visit],
    zones: Sequence[int],
    quiet: Iterable[tuple[int, PointerSample]],
    until: int,
    grid: ZoneGrid,
) -> list[tuple[int, int, int, int]]:
    """Each place that is meant: when the head sets off for it, its zone, and when the quiet head comes and leaves."""
    path = [(when, plain_zone(place, grid)) for when, place in quiet]
    found = []
    for visit, zone, following in zip(places, zones, [*places[1:], Visit(until, 0, 0)], strict=True):
        comes = next(when for when, where in path if when >= visit.start and where == zone)
        leaves = next((when for when, where in path if when >= following.start and where != zone), until)
        found.append((visit.start, zone, comes, leaves))
    return found


def plain_zone(place: PointerSample, grid: ZoneGrid) -> int:
    column = min(int(place.x * grid.columns), grid.columns - 1)
    return min(int(place.y * grid.rows), grid.rows - 1) * grid.columns + column


def jerked(
    samples: Iterable[tuple[int, PointerSample]], head: Head, size: float, until: int, rng: random.Random
) -> Iterator[tuple[int, PointerSample]]:
    """Short jerks to one side, out and back, at random times."""
    jerks = [
        (rng.uniform(0, until), rng.uniform(80, 200) * MILLISECOND, size * head.far * rng.choice((-1, 1)))
        for _ in range(round(head.jerks * until / 60 / NANOSECONDS))
    ]
    for when, place in samples:
        shift = sum(
            far * math.sin(math.pi * (when - start) / length)
            for start, length, far in jerks
            if start <= when <= start + length
        )
        yield when, PointerSample("head", min(1.0, max(0.0, place.x + shift)), place.y)


def play(settings: PointerSettings, heard: Session) -> Score:
    """One session through the conditioner in an engine, on virtual time."""
    make = {"head": lambda voice, alarm: PointerConditioner("head", settings, voice, alarm)}
    engine = VirtualTime(Plan(Music(), Limits(), make, ()))
    for when, sample in heard.samples:
        engine.give(when, sample)
    engine.go_on(heard.until)
    return score(heard, [(when, fields.get("zone")) for when, _, fields in engine.log.named("press", "release")])


def score(heard: Session, events: Sequence[tuple[int, int | None]]) -> Score:
    """``events``: presses with their zone counted from 1, and releases with None."""
    result = Score(heard.until / 60 / NANOSECONDS, len(heard.meant))
    ends = [start for start, *_ in heard.meant[1:]] + [heard.until]
    played = False
    index = -1
    ending = None  # of the visit that plays, when it is left
    for when, zone in events:
        while index + 1 < len(heard.meant) and when >= (heard.meant[index + 1][0]):
            index, played = index + 1, False
        if index < 0:
            continue  # where the head rests before the first place
        _, wanted, comes, leaves = heard.meant[index]
        if zone is None:
            if ending is not None and when >= ending:
                result.to_end.append((when - ending) / MILLISECOND)
                ending = None
        elif zone - 1 != wanted:
            result.false += 1
        elif played:
            result.again += 1
        elif when < ends[index]:
            played = True
            result.heard += 1
            result.to_note.append((when - comes) / MILLISECOND)
            ending = leaves
    return result


def run(settings: PointerSettings, sessions: Iterable[Session]) -> Score:
    total = Score()
    for heard in sessions:
        total.add(play(settings, heard))
    return total


def row(result: Score) -> list[str]:
    def times(values: Sequence[float]) -> str:
        if len(values) < 2:
            return "-"
        return f"{statistics.median(values):.0f} / {statistics.quantiles(values, n=20)[-1]:.0f}"

    return [
        f"{100 * (1 - result.heard / result.meant):.1f}",
        f"{result.false / result.minutes:.2f}",
        f"{result.again / result.minutes:.2f}",
        times(result.to_note),
        times(result.to_end),
    ]


COLUMNS = ("missed %", "false/min", "again/min", "to note ms", "to end ms")
"""Times: median / 95 %."""


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="What each setting of a head pointer costs and gives.")
    parser.add_argument("--heads", nargs="+", choices=HEADS, default=list(HEADS))
    parser.add_argument("--minutes", type=float, default=4.0, help="of each head")
    parser.add_argument("--seed", default="1")
    parser.add_argument(
        "--size", choices=("ordinary", "large"), default="large", help="of the heads in the last two tables"
    )
    parser.add_argument("--settings", nargs="*", choices=SETTINGS, default=SETTINGS)
    parser.add_argument("--svg", metavar="FILE", help="keep the table as a picture too")
    args = parser.parse_args(argv)
    console = Console(record=True, width=110 if args.svg else None)
    until = round(args.minutes * 60 * NANOSECONDS)
    sessions = {
        (name, size): session(HEADS[name], size, f"{name} {args.seed}", until, RECOMMENDED.grid)
        for size in (ORDINARY, LARGE)
        for name in args.heads
    }
    compared = [heard for (_, size), heard in sessions.items() if size == (LARGE if args.size == "large" else ORDINARY)]
    progress = Console(stderr=True)

    table = Table("head", "size", *COLUMNS, title=f"As recommended, {args.minutes:g} min of each head")
    for name, size in track(sessions, description="heads", console=progress, transient=True):
        table.add_row(name, f"{size:g}", *row(play(RECOMMENDED, sessions[name, size])))
    console.print(table)

    for title, base in (
        ("Each setting alone: all others off, only the dwell stays; * off", BARE),
        ("One setting changed, the others as recommended; * recommended", RECOMMENDED),
    ):
        table = Table("setting", "value", *COLUMNS, title=f"{title}. All {args.size} heads together")
        steps = [(name, *step) for name, values in sweeps(base).items() if name in args.settings for step in values]
        last = None
        for name, label, chosen in track(steps, description="settings", console=progress, transient=True):
            if last not in (None, name):
                table.add_section()
            star = " *" if chosen == base else ""
            table.add_row("" if last == name else name, label + star, *row(run(chosen, compared)))
            last = name
        console.print(table)
    if args.svg:
        console.save_svg(args.svg, title="head pointer")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
