"""All sessions of a child: put together, compared, and followed over time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType

from router.records import LOG, TRACE, read
from router.report import measures
from router.report.measures import Quartiles, Trend
from router.report.session import FEWEST, Session, Settings, sessions

LATEST = 200
"""A trend is that of at most so many sessions, the latest: what was years ago says little of now, and every pair is compared."""

FEWEST_FOR_TREND = 5
"""With fewer sessions the interval of a trend says nothing. Our choice."""

WEEK = timedelta(days=7)

Measure = Callable[[Session], float | None]

MEASURES: Mapping[str, Measure] = MappingProxyType(
    {
        "rate": lambda session: session.playing.rate,
        "hold": lambda session: _median(session.playing.hold),
        "answer": lambda session: _median(session.playing.answers),
        "answered": lambda session: session.playing.answered / session.playing.cues if session.playing.cues else None,
        "active": lambda session: session.playing.active,
        "strength": lambda session: _median(session.playing.strength),
    }
)
"""What is followed from session to session, all of the time of playing."""


@dataclass(frozen=True, slots=True)
class Week:
    """Seven days: how many sessions there were, how long together, and the middle of what is followed."""

    sessions: int
    minutes: float
    middles: dict[str, float | None]


@dataclass(frozen=True, slots=True)
class History:
    """All sessions of a child, oldest first, and what they show together.

    ``remarks``: what could not be used, and of which log. ``idle``: how many logs hold nothing that the child or the therapist did.
    """

    child: str
    sessions: list[Session]
    remarks: list[tuple[str, str]] = field(default_factory=list)
    idle: int = 0
    weights: Mapping[str, float] = field(default_factory=dict)
    """Of the goals that the profile declares."""

    @property
    def latest(self) -> Session:
        """The last session."""
        return self.sessions[-1]

    def trends(self) -> dict[str, Trend]:
        """How each measure changes from one session to the next."""
        found: dict[str, Trend] = {}
        for name, of in MEASURES.items():
            values = [value for session in self.sessions[-LATEST:] if (value := of(session)) is not None]
            line = measures.trend(values) if len(values) >= FEWEST_FOR_TREND else None
            if line is not None:
                found[name] = line
        return found

    def against_baseline(self) -> tuple[float, float, int] | None:
        """Rates of playing against those of baseline over all sessions that have both: NAP, PND, and of how many sessions."""
        both = [(s.baseline.rate, s.playing.rate) for s in self.sessions[-LATEST:] if s.baseline is not None]
        pairs = [(quiet, loud) for quiet, loud in both if quiet is not None and loud is not None]
        if len(pairs) < FEWEST:
            return None
        quiet, loud = zip(*pairs, strict=True)
        nap, pnd = measures.nap(quiet, loud), measures.pnd(quiet, loud)
        assert nap is not None  # noqa: S101 - there are pairs
        assert pnd is not None  # noqa: S101 - as above
        return nap, pnd, len(pairs)

    def weeks(self) -> tuple[Week, Week] | None:
        """The seven days up to the latest session, and the seven before; None without a clock."""
        last = self.latest.began
        if last is None:
            return None
        end = last.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        return self._week(end), self._week(end - WEEK)

    def attainment(self) -> list[tuple[Session, dict[str, int], float | None]]:
        """For each session in which a goal was scored: the scores known by then, and their T-score once each goal has one."""
        known: dict[str, int] = {}
        found = []
        for session in self.sessions:
            scored = {name: x for name, x in session.goals.items() if not self.weights or name in self.weights}
            if scored:
                known = known | scored
                names = list(self.weights) or sorted(known)
                whole = all(name in known for name in names)
                weights = [self.weights.get(name, 1.0) for name in names]
                t = measures.goal_attainment([known[name] for name in names], weights) if whole else None
                found.append((session, dict(known), t))
        return found

    def _week(self, end: datetime) -> Week:
        inside = [s for s in self.sessions if s.began is not None and end - WEEK <= s.began < end]
        middles = {
            name: _median(measures.quartiles([value for s in inside if (value := of(s)) is not None]))
            for name, of in MEASURES.items()
        }
        return Week(len(inside), sum(s.playing.seconds for s in inside) / 60, middles)


def logs(folder: Path) -> list[Path]:
    """The session logs in a child's folder, by name, which is by time."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.name.endswith(LOG) and not path.name.endswith(TRACE[:-3]))


@dataclass(frozen=True, slots=True)
class Measured:
    """What one log gives: its sessions without their timelines, and what could not be used."""

    log: str
    child: str | None
    sessions: list[Session]
    remarks: list[str]


def measure(path: Path, settings: Settings) -> Measured:
    """Read a log and measure its sessions; one that cannot be read gives none and a remark."""
    try:
        log = read(path)
    except OSError as error:
        return Measured(path.name, None, [], [f"it cannot be read: {(error.strerror or str(error)).lower()}"])
    found = [replace(session, timeline=None) for session in sessions(log, settings)]
    return Measured(path.name, log.child, found, log.remarks)


def gather(
    child: str,
    paths: Sequence[Path],
    settings: Settings,
    measured: Iterable[Measured],
    *,
    since: datetime | None = None,
    weights: Mapping[str, float] | None = None,
) -> History:
    """The history in some logs. ``measured`` is ``measure`` of each of them, by whatever processes.

    Only the latest session gets its timeline: memory does not grow with the years.
    """
    found: list[tuple[Session, Path]] = []
    remarks: list[tuple[str, str]] = []
    idle = 0
    for path, one in zip(paths, measured, strict=True):
        if one.child not in (None, child):
            remarks.append((one.log, f"it is a log of {one.child}, and is not used"))
            continue
        remarks += [(one.log, remark) for remark in one.remarks]
        idle += not one.sessions and not one.remarks
        found += [(s, path) for s in one.sessions if since is None or s.began is None or s.began >= since]
    found.sort(key=lambda each: each[0].began or datetime.min)  # noqa: DTZ901 - local times, without a zone
    if found:
        latest, path = found[-1]
        again = next((s for s in sessions(read(path), settings) if s.began == latest.began), latest)
        found[-1] = (again, path)
    return History(child, [session for session, _ in found], remarks, idle, weights or {})


def _median(of: Quartiles | None) -> float | None:
    return None if of is None else of.median
