"""b. How late the notes of an arpeggio are, 32 a second, beside a bare loop on one timerfd and beside cyclictest with
the same step.

The places of the notes are known from the press alone: its stamp, and so many steps. A note's lateness is from its
place to when ``send_message`` has returned; of cyclictest, whose work is nothing, to when it wakes. Each plays some
seconds in turn, with nothing else of ours running, with a program that computes, and with one for each core.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from .figures import QUANTILES, Result, Target, middle, ratio
from .live import before_others, may_have_priority, profile, world
from .players import PRIORITY

STEP = 31_250_000
"""Nanoseconds: a 1/32 at 240 bpm."""
ARPEGGIO = (
    "note: {degree: 1}",
    "chord: {kind: triad}",
    "arpeggio: {order: up, rate: 1/32, gate: 50 %}",
    "velocity: {fixed: 80}",
    "release: {when: released}",
)
LOADS = {"nothing else": 0, "one core busy": 1, "both cores busy": 2}
DRIFT = 100.0
"""Microseconds by which the punctual ones of the last notes may be later than those of the first:
a drift of 1 in 80,000.
"""


def measure(quick: bool) -> Result:
    result = Result("b", "b. In time: late by, µs", list(QUANTILES), unit="µs")
    rounds, seconds = (1, 3) if quick else (3, 8)
    for fifo in (False, True) if may_have_priority() else (False,):
        for load, busy in LOADS.items():
            how = f"{load}{', SCHED_FIFO' if fifo else ''}"
            late: dict[str, list[float]] = {"router": [], "bare": [], "cyclictest": []}
            drifts = []
            with world() as here, computing(busy):
                players = here.players(("router", "bare"), profile(ARPEGGIO), step=STEP, fifo=fifo)
                time.sleep(0.5)
                presses: dict[str, list[int]] = {name: [] for name in players}
                for _ in range(rounds):
                    for name, player in players.items():
                        with before_others(fifo):
                            player.tap()
                        presses[name].append(player.written[-1])
                        time.sleep(seconds)
                        player.tap()
                        time.sleep(0.3)
                    late["cyclictest"] += cyclictest(seconds, fifo)
                for name, player in players.items():
                    sent, _ended = player.ended()
                    for pressed in presses[name]:
                        notes = [t for t in sent if pressed <= t < pressed + (seconds + 0.25) * 1e9]
                        places = of_places(pressed // 1000 * 1000, notes)
                        late[name] += places
                        if name == "router":
                            quarter = len(places) // 4
                            drifts.append(min(places[-quarter:]) - min(places[:quarter]))
                        wanted = seconds * 1e9 / STEP
                        assert len(notes) > 0.9 * wanted, f"{name}, {how}: {len(notes)} notes of {wanted:.0f}"
            found = {name: result.add(f"{name}, {how}", values) for name, values in late.items() if values}
            share = ratio(found["router"], found["bare"], "p99")
            result.targets.append(Target(f"p99 as a multiple of the bare loop's, {how}", 1.3, share, "times"))
            result.targets.append(
                Target(f"drift from the first quarter to the last, {how}", DRIFT, middle(drifts), "µs")
            )
    if not shutil.which("cyclictest"):
        result.remarks.append("cyclictest is not installed (Debian: rt-tests).")
    return result


def of_places(origin: int, notes: list[int]) -> list[float]:
    """How late each note is after its place, in microseconds; the first, which comes with the press, is left out."""
    return [(note - origin) % STEP / 1000 for note in notes[1:]]


def cyclictest(seconds: int, fifo: bool) -> list[float]:
    """What cyclictest finds with this step, in microseconds; empty where it is not installed."""
    program = shutil.which("cyclictest")
    if program is None:
        return []
    options = ["-q", "-t1", "-i", str(STEP // 1000), "-l", str(seconds * 1_000_000_000 // STEP), "-h", "100000"]
    options += ["-p", str(PRIORITY)] if fifo else ["--policy=other"]
    said = subprocess.run([program, *options], check=True, stdout=subprocess.PIPE, text=True).stdout
    counts = (map(int, line) for line in re.findall(r"^(\d{6}) (\d+)$", said, re.MULTILINE))
    return [float(late) for late, count in counts for _ in range(count)]


@contextmanager
def computing(programs: int) -> Iterator[None]:
    """Run so many programs that do nothing but compute."""
    started = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(programs)]
    try:
        yield
    finally:
        for program in started:
            program.kill()
            program.wait()
