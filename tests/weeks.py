"""Weeks of a simulated child, on record: the shipped profile *lark*, a cheek against an air pad, ten sessions in three
weeks.

She tries more often and answers more cues from week to week, and tires within each session. ``python -m tests.weeks
FOLDER`` writes the logs, for the care team's page and for looking at a report.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from router.core.engine import Engine
from router.core.events import Mark
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.files import profile
from router.offline import simulate
from router.offline.player import play
from router.offline.simulate import Effort
from router.records.record_files import LOG, stem
from router.records.session_log import LogFile, digest, header

CHILD = "lark"
FIRST = datetime(2026, 3, 2, 10, 15)  # noqa: DTZ001 - by the local clock, wherever that is
DAYS = (0, 2, 4, 7, 9, 11, 14, 16, 17, 18)
BASELINE, PLAYING, END = 10.0, 130.0, 490.0
"""Seconds: when they begin."""


def meant(number: int, rng: random.Random) -> Iterator[tuple[float, str | Effort]]:
    """What happens in a session, in no order: marks, and efforts."""
    progress = number / (len(DAYS) - 1)
    yield BASELINE, "baseline"
    yield PLAYING, "playing"
    if number in (0, 4, 9):
        yield END - 20, f"goal reach {'+' if number else ''}{(-1, 0, 1)[(0, 4, 9).index(number)]}"
    if number == len(DAYS) - 1:
        yield 218.0, "smiled"
        yield 402.0, "pad slipped, put back"
    t = BASELINE + 4
    while t < END - 15:
        playing = t >= PLAYING
        tired = max(0.0, t - PLAYING) / (END - PLAYING)
        strength = min(1.0, max(0.05, rng.gauss(0.78 - 0.4 * tired, 0.12)))
        if playing and rng.random() < 0.35:
            yield t, "cue"
            if rng.random() < 0.5 + 0.4 * progress:
                t += rng.lognormvariate(0.25 - 0.3 * progress, 0.35)
                yield t, Effort(_ns(t), _ns(rng.uniform(0.5, 1.6)), strength)
            t += 6
        else:
            yield t, Effort(_ns(t), _ns(rng.uniform(0.4, 1.4)), strength)
        t += rng.uniform(5, 12) / (1 + 0.8 * progress) if playing else rng.uniform(9, 24)


def samples(number: int) -> Iterator[Stamped]:
    """What the sensor says in a session, and the marks."""
    rng = random.Random(f"weeks {number}")
    happens = list(meant(number, rng))
    efforts = [what for _, what in happens if isinstance(what, Effort)]
    marks = sorted((_ns(t), what) for t, what in happens if isinstance(what, str))
    low, high = 0.6 * simulate.IN_H2O, 3 * simulate.IN_H2O
    child = simulate.Pressure(rate=50)
    sensor = simulate.pressure("cheek", efforts, _ns(END), rng, low=low, high=high, child=child)
    return simulate.together(sensor, ((t, Mark(text)) for t, text in marks))


def write(folder: Path) -> list[Path]:
    """Play every session through the engine, and leave the logs as the router would."""
    loaded = profile.load(profile.find(CHILD))
    (folder / CHILD).mkdir(parents=True)
    written = []
    for number, day in enumerate(DAYS):
        began = FIRST + timedelta(days=day, minutes=7 * number)
        path = folder / CHILD / f"{stem(began, 'bed')}{LOG}"
        about = header(CHILD, seat="bed", began=began.isoformat(), profile=digest(loaded.path))
        with path.open("w", encoding="utf-8") as file:
            play(Engine(loaded.plan, LogFile(file, 0, about)), samples(number), loaded.plan.limits.note_length, {})
        written.append(path)
    return written


def _ns(seconds: float) -> int:
    return round(seconds * NANOSECONDS)


if __name__ == "__main__":
    write(Path(sys.argv[1]))
