"""How well the beat follows a MIDI clock that trembles and a hand that taps, and how late the ticks of its own clock go
out.

    python -m tests.benchmarks.beat                  some three minutes
    python -m tests.benchmarks.beat --seconds 12 --clocks 50

*Following* is on virtual time: clocks of 60 to 180 bpm, 32 beats each. "Jitter of 3 ms" may mean three things, so all
are measured: 3 ms from the earliest tick to the latest (uniform), 3 ms to either side (uniform), and a standard
deviation of 3 ms (normal). *four beats*: how far off the tempo is then, and how often it is within 0.1 %; *bound*: how
often the straight line of least squares through the 97 ticks could be, were it known that the tempo is steady, with the
standard error s / sqrt(n (n*n - 1) / 12) of its slope. *grid*: how far the beat's own quarters, as the engines were
told of them, are from the true ones, from the fifth on.

*Taps* are at 100 bpm, each off by a normal deviate (20 to 40 ms, our choice: no figure that we could check). *bound*:
the standard error of the mean of the intervals that count.

*Clock out* is in real time: ticks through the loop alone, through a whole daemon with the room's ports, and from a bare
timerfd with the same deadlines, a second of each in turn so that all meet the same load; with real-time priority
(SCHED_FIFO) too where it is granted, which the service asks for. The command asks for a median and a 95th percentile of
the daemon's ticks of no more than 1.5 times the bare ones under real-time priority; without, whatever else runs
decides, and the figures are only shown."""

from __future__ import annotations

import argparse
import math
import os
import random
import select
import statistics
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any

from rich.console import Console
from rich.table import Table

from router.core.midi import CLOCK, CLOCKS, START
from router.core.music import Music
from router.core.units import NANOSECONDS
from router.devices.descriptions import MidiPort
from router.devices.outputs import Output
from router.files.configuration import Ports
from router.live.daemon import Daemon
from router.room.beat import KEPT, Beat, ClockOut
from router.room.room import RoomPlan
from router.system import clock
from router.system.loop import Loop, Timer
from router.system.realtime import PRIORITY
from tests.shared.rooms import SAYS

BEATS = 32
TEMPOS = (60, 90, 120, 150, 180)
LEAST = 1.5
"""The most that clock out may deviate, as a multiple of the bare timer."""

JITTER: dict[str, tuple[Callable[[random.Random], float], float]] = {
    "3 ms in all": (lambda chance: chance.uniform(-1.5, 1.5), 3 / math.sqrt(12)),
    "3 ms each way": (lambda chance: chance.uniform(-3, 3), 3 / math.sqrt(3)),
    "sd 3 ms": (lambda chance: chance.gauss(0, 3), 3.0),
}
"""How far off a tick is, and its standard deviation, in milliseconds."""


def bound(bpm: float, sd: float, within: float = 0.001, ticks: int = 4 * CLOCKS + 1) -> float:
    """How often the line of least squares is within so much of the tempo, were its error normal."""
    error = sd / math.sqrt(ticks * (ticks * ticks - 1) / 12) / (60_000 / bpm / CLOCKS)
    return math.erf(within / error / math.sqrt(2))


def followed(bpm: int, kind: str, seed: int) -> tuple[float, list[float], list[float], int]:
    """The tempo's error after four beats, the errors from six on, the grid's in milliseconds,
    and how often it was told.
    """
    chance = random.Random(f"beat {bpm} {kind} {seed}")
    true = [NANOSECONDS + round(tick * 60 * NANOSECONDS / bpm / CLOCKS) for tick in range(CLOCKS * BEATS + 1)]
    off = [JITTER[kind][0](chance) for _ in true]
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


def tapped(sd: float, taps: int, seed: int, bpm: int = 100) -> float | None:
    """The tempo's error after so many taps of a hand, None if it has no tempo yet."""
    chance = random.Random(f"taps {sd} {seed}")
    beat = Beat(Music(tempo=Fraction(77)))
    for tap in range(taps):
        beat.tap(NANOSECONDS + round((tap * 60_000 / bpm + chance.gauss(0, sd)) * 1e6))
    return None if beat.music.tempo == 77 else abs(float(beat.music.tempo) / bpm - 1)


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


class _Stamps(Output):
    """A port that notes when a tick has come to it."""

    description = "stamps"

    def __init__(self) -> None:
        self.at: list[int] = []

    def send(self, data: tuple[int, ...], now: int) -> None:
        at = clock.now()
        if data == (CLOCK,):
            self.at.append(at)

    def close(self) -> None:
        pass


class _Silent:
    def __getattr__(self, name: str) -> Any:
        return lambda *_, **__: None


def through_the_daemon(music: Music, seconds: float) -> list[int]:
    """How late each tick reaches its port, in nanoseconds, with all that a daemon without seats does in a pass."""
    stamps, until = _Stamps(), clock.now() + round(seconds * NANOSECONDS)
    daemon = Daemon({}, _Silent(), room=RoomPlan(music, SAYS), ports=Ports(clock_to=MidiPort("bench")))
    daemon.outputs.open = lambda *_: stamps  # type: ignore[method-assign]
    daemon.loop.agenda.reminder(lambda _now: daemon.loop.stop()).set(until)
    step, origin = music.duration(Fraction(1, 4 * CLOCKS)), daemon.room.beat.music.origin
    daemon.run(lambda: None)
    places = [round((at - origin - step / 4) / step) for at in stamps.at]  # a tick is never early
    return [at - origin - math.ceil(place * step) for at, place in zip(stamps.at, places, strict=True)][3:]


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


WAYS = {"loop": through_the_loop, "daemon": through_the_daemon, "bare timerfd": bare}


def clock_out(console: Console, seconds: float, realtime: bool) -> bool:
    """Show the table of the ticks; return whether the daemon's are within ``LEAST``."""
    music, late = Music(tempo=Fraction(120)), {name: list[int]() for name in WAYS}
    for _ in range(max(1, round(seconds / len(WAYS)))):
        for name, way in WAYS.items():
            late[name] += way(music, 1)
    table = Table(
        title=f"clock out, {'real-time' if realtime else 'ordinary'} priority: microseconds late (times bare)"
    )
    for name in ("", "ticks", "median", "95 %", "99 %", "sd"):
        table.add_column(name)

    def figures(name: str) -> list[float]:
        row = sorted(late[name])
        return [*(row[int(share * len(row))] / 1000 for share in (0.5, 0.95, 0.99)), statistics.pstdev(row) / 1000]

    floor = figures("bare timerfd")
    for name in WAYS:
        cells = [f"{one:.0f} ({one / other:.2f})" for one, other in zip(figures(name), floor, strict=True)]
        table.add_row(name, str(len(late[name])), *cells)
    console.print(table)
    return all(one <= LEAST * other for one, other in zip(figures("daemon")[:2], floor[:2], strict=True))


def following(console: Console, clocks: int) -> None:
    table = Table(title=f"following {clocks} clocks each")
    for name in (
        "jitter",
        "bpm",
        "four beats: median %",
        "95 %",
        "in 0.1 %",
        "bound",
        "six on: 95 %",
        "grid sd ms",
        "95 %",
        "told",
    ):
        table.add_column(name)
    for kind, (_, sd) in JITTER.items():
        for bpm in TEMPOS:
            runs = [followed(bpm, kind, seed) for seed in range(clocks)]
            four = sorted(100 * run[0] for run in runs)
            later = sorted(100 * error for run in runs for error in run[1])
            grid = [off for run in runs for off in run[2]]
            table.add_row(
                kind,
                str(bpm),
                f"{statistics.median(four):.3f}",
                f"{four[int(0.95 * len(four))]:.3f}",
                f"{sum(error <= 0.1 for error in four) / len(four):.1%}",
                f"{bound(bpm, sd):.1%}",
                f"{later[int(0.95 * len(later))]:.3f}",
                f"{statistics.pstdev(grid):.2f}",
                f"{sorted(map(abs, grid))[int(0.95 * len(grid))]:.2f}",
                f"{statistics.mean(run[3] for run in runs):.0f}",
            )
    console.print(table)


def tapping(console: Console, hands: int) -> None:
    table = Table(title=f"{hands} hands that tap at 100 bpm: the tempo's error")
    for name in ("sd ms", "taps", "no tempo yet", "median %", "95 %", "rms %", "bound: rms %"):
        table.add_column(name)
    for sd in (20, 30, 40):
        for taps in (4, 8):
            errors = [tapped(sd, taps, seed) for seed in range(hands)]
            known = sorted(100 * error for error in errors if error is not None)
            table.add_row(
                str(sd),
                str(taps),
                f"{errors.count(None) / hands:.1%}",
                f"{statistics.median(known):.2f}",
                f"{known[int(0.95 * len(known))]:.2f}",
                f"{math.sqrt(statistics.mean(error * error for error in known)):.2f}",
                f"{100 * sd * math.sqrt(2) / min(KEPT, taps - 1) / 600:.2f}",
            )
    console.print(table)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clocks", type=int, default=200, help="clocks a tempo and kind of jitter (default 200)")
    parser.add_argument("--hands", type=int, default=1000, help="hands that tap, each in its own way (default 1000)")
    parser.add_argument("--seconds", type=float, default=90, help="of clock out with each priority (default 90)")
    args = parser.parse_args(argv)
    console = Console(width=130)
    following(console, args.clocks)
    tapping(console, args.hands)
    clock_out(console, args.seconds, realtime=False)
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    except (OSError, AttributeError) as error:
        console.print(f"real-time priority was refused ({error}): not measured")
        return 0
    return 0 if clock_out(console, args.seconds, realtime=True) else 1


if __name__ == "__main__":
    raise SystemExit(main())
