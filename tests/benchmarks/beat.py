"""How well the beat follows a MIDI clock that trembles, and how late the ticks of its own clock go out.

    python -m tests.benchmarks.beat                  a minute and a half
    python -m tests.benchmarks.beat --seconds 10

Following is on virtual time: clocks of 60 to 180 bpm, 32 beats each, every tick off by 3 ms at most (uniform), or by a normal
deviate of 3 ms. *tempo*: how far off it is after four beats, and from six on. *grid*: how far the beat's own quarters, as the engines
were told of them, are from the true ones, from the fifth on. Clock out is in real time: ticks of the clock through the loop and, in
turn, a bare timerfd with the same deadlines.
"""

from __future__ import annotations

import argparse
import random
import select
import statistics
from collections.abc import Sequence
from fractions import Fraction

from rich.console import Console
from rich.table import Table

from router import clock
from router.beat import Beat, ClockOut
from router.loop import Loop
from router.midi import CLOCK, CLOCKS, START
from router.music import Music
from router.timerfd import Timer
from router.units import NANOSECONDS

BEATS = 32
TEMPOS = (60, 90, 120, 150, 180)


def followed(bpm: int, kind: str, seed: int) -> tuple[float, list[float], list[float], int]:
    """The tempo's error after four beats, the errors from six on, the grid's in milliseconds, and how often it was told."""
    chance = random.Random(f"beat {bpm} {kind} {seed}")
    true = [NANOSECONDS + round(tick * 60 * NANOSECONDS / bpm / CLOCKS) for tick in range(CLOCKS * BEATS + 1)]
    off = [chance.uniform(-3, 3) if kind == "uniform" else chance.gauss(0, 3) for _ in true]
    heard = sorted(when + round(by * 1e6) for when, by in zip(true, off, strict=True))
    beat = Beat(Music(tempo=Fraction(100)))
    beat.hear([START], 0)
    told, after_four, later, grid, beats = 0, 0.0, list[float](), list[float](), iter(range(5, BEATS))
    due = next(beats)
    for tick, now in enumerate(heard):
        while due < BEATS and true[CLOCKS * due] < now:
            grid.append(float((beat.position(true[CLOCKS * due]) - due) * beat.quarter) / 1e6)
            due = next(beats, BEATS)
        told += beat.hear([CLOCK], now)
        error = abs(float(beat.music.tempo) / bpm - 1)
        if tick == 4 * CLOCKS:
            after_four = error
        if tick >= 6 * CLOCKS and tick % CLOCKS == 0:
            later.append(error)
    return after_four, later, grid, told


def through_the_loop(music: Music, seconds: float) -> list[int]:
    """How late each tick is taken from ``ClockOut``, in nanoseconds."""
    late: list[int] = []
    out = ClockOut(music, clock.now())
    until = clock.now() + round(seconds * NANOSECONDS)

    def raised(error: Exception) -> None:
        raise error

    loop = Loop(raised)

    def wake(_now: int) -> None:
        due = out.deadline()
        if out.wake(clock.now()):
            late.append(clock.now() - due)
        if due > until:
            loop.stop()

    loop.run(out.deadline, wake)
    loop.close()
    return late


def bare(music: Music, seconds: float) -> list[int]:
    """The same deadlines with nothing but a timer and epoll."""
    late: list[int] = []
    step = music.duration(Fraction(1, 4 * CLOCKS))
    since = clock.now()
    timer, poll = Timer(), select.epoll()
    poll.register(timer.fileno(), select.EPOLLIN)
    for tick in range(1, int(seconds * NANOSECONDS / step)):
        due = since + int(tick * step)
        timer.arm(due)
        poll.poll()
        late.append(clock.now() - due)
        timer.clear()
    poll.close()
    timer.close()
    return late


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clocks", type=int, default=50, help="clocks a tempo and kind of jitter (default 50)")
    parser.add_argument("--seconds", type=float, default=60, help="of clock out, half of it bare (default 60)")
    args = parser.parse_args(argv)
    console = Console(width=130)
    table = Table(title=f"following {args.clocks} clocks each")
    for name in (
        "jitter",
        "bpm",
        "four beats: median %",
        "95 %",
        "in 0.1 %",
        "six on: 95 %",
        "grid sd ms",
        "95 %",
        "told",
    ):
        table.add_column(name)
    for kind in ("uniform", "normal"):
        for bpm in TEMPOS:
            runs = [followed(bpm, kind, seed) for seed in range(args.clocks)]
            four = sorted(100 * run[0] for run in runs)
            later = sorted(100 * error for run in runs for error in run[1])
            grid = [off for run in runs for off in run[2]]
            table.add_row(
                kind,
                str(bpm),
                f"{statistics.median(four):.3f}",
                f"{four[int(0.95 * len(four))]:.3f}",
                f"{sum(error <= 0.1 for error in four) / len(four):.0%}",
                f"{later[int(0.95 * len(later))]:.3f}",
                f"{statistics.pstdev(grid):.2f}",
                f"{sorted(map(abs, grid))[int(0.95 * len(grid))]:.2f}",
                f"{statistics.mean(run[3] for run in runs):.0f}",
            )
    console.print(table)
    music, turns = Music(tempo=Fraction(120)), 6
    ours, floor = list[int](), list[int]()
    for _ in range(turns):  # in turn, so that both meet the same load
        ours += through_the_loop(music, args.seconds / 2 / turns)
        floor += bare(music, args.seconds / 2 / turns)
    table = Table(title=f"clock out: {len(ours)} ticks late by, in microseconds")
    for name in ("", "median", "95 %", "99 %", "sd"):
        table.add_column(name)
    figures = {}
    for name, late in (("clock out", sorted(ours)), ("bare timerfd", sorted(floor))):
        figures[name] = [late[int(share * len(late))] / 1000 for share in (0.5, 0.95, 0.99)]
        figures[name].append(statistics.pstdev(late) / 1000)
        table.add_row(name, *(f"{figure:.0f}" for figure in figures[name]))
    ratios = [one / other for one, other in zip(*figures.values(), strict=True)]
    table.add_row("ratio", *(f"{ratio:.2f}" for ratio in ratios))
    console.print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
