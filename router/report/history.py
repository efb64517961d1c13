"""All sessions of a child: put together, compared, and followed over time.

Memory does not grow with the years: of sessions older than the latest only sums are kept. A writer of every session is
given each one once, in order (see ``gather``).
"""

from __future__ import annotations

import heapq
from bisect import insort
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from types import MappingProxyType

from router.records.record_files import LOG, NOBODY, TRACE, began, carries, read
from router.report import measures
from router.report.measures import Quartiles, SessionTrend
from router.report.session import FEWEST, Session, Settings, sessions

LATEST = 200
"""The most sessions in a trend, the latest: sessions of years ago say little of now, and every pair is compared."""

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
"""The measures that are followed from session to session, each taken from the time of playing."""


@dataclass(frozen=True, slots=True)
class Week:
    """Seven days: the number of sessions, their minutes of playing, and the median of each of ``MEASURES``."""

    sessions: int
    minutes: float
    middles: dict[str, float | None]


@dataclass(slots=True)
class History:
    """The sessions of a child, and what they show together.

    ``sessions``: the latest, oldest first: ``LATEST`` of them, and all of the last fourteen days. ``count``: how many
    there are in all; ``first``: when the first began; ``baselines``: how many have a baseline. ``attainment``: for the
    latest sessions in which a goal was scored: the scores known by then, and their T-score once each goal has one.
    ``remarks``: what could not be used, and of which log. ``idle``: how many logs hold nothing that the child or the
    therapist did. ``now``: by the local clock; a session of a later day is in no week, because this clock or the one
    that dated it is wrong. ``later``: the number of such sessions.
    """

    child: str
    weights: Mapping[str, float] = field(default_factory=dict)
    """The weight of each goal that the profile declares."""
    sessions: list[Session] = field(default_factory=list)
    count: int = 0
    first: datetime | None = None
    baselines: int = 0
    attainment: list[tuple[Session, dict[str, int], float | None]] = field(default_factory=list)
    remarks: list[tuple[str, str]] = field(default_factory=list)
    idle: int = 0
    now: datetime = datetime.max  # noqa: DTZ901 - local times, without a zone
    later: int = 0
    _last: datetime | None = None  # when the last session began that is not of a later day

    def add(self, session: Session) -> None:
        """Add a session; sessions come in order of time."""
        if not self.count:
            self.first = session.began
        self.count += 1
        if session.began is not None and session.began.date() > self.now.date():
            self.later += 1
        elif session.began is not None:
            self._last = max(session.began, self._last or session.began)
        self.baselines += session.baseline is not None
        insort(self.sessions, session, key=_start)
        while len(self.sessions) > LATEST and self._is_old(self.sessions[0]):
            del self.sessions[0]
        self._score(session)

    @property
    def latest(self) -> Session:
        """The last session."""
        return self.sessions[-1]

    def trends(self) -> dict[str, SessionTrend]:
        """Return how each measure changes from one session to the next."""
        found: dict[str, SessionTrend] = {}
        for name, of in MEASURES.items():
            values = [value for session in self.sessions[-LATEST:] if (value := of(session)) is not None]
            line = measures.trend(values) if len(values) >= FEWEST_FOR_TREND else None
            if line is not None:
                found[name] = line
        return found

    def against_baseline(self) -> tuple[float, float, int] | None:
        """Compare the rates of the latest sessions that have both phases: NAP, PND and the number of sessions."""
        both = [(s.baseline.rate, s.playing.rate) for s in self.sessions[-LATEST:] if s.baseline is not None]
        pairs = [(quiet, loud) for quiet, loud in both if quiet is not None and loud is not None]
        if len(pairs) < FEWEST:
            return None
        quiet, loud = zip(*pairs, strict=True)
        nap, pnd = measures.nap(quiet, loud), measures.pnd(quiet, loud)
        assert nap is not None  # there are pairs
        assert pnd is not None  # as above
        return nap, pnd, len(pairs)

    def weeks(self) -> tuple[Week, Week] | None:
        """The seven days up to the latest session not dated after today, and the seven before; None without one."""
        if self._last is None:
            return None
        end = self._last.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        return self._week(end), self._week(end - WEEK)

    def _is_old(self, session: Session) -> bool:
        """True if the session is too old for either of ``weeks``, or has no date."""
        return session.began is None or (self._last is not None and self._last - session.began >= 2 * WEEK)

    def _score(self, session: Session) -> None:
        scored = {name: x for name, x in session.goals.items() if not self.weights or name in self.weights}
        if not scored:
            return
        known = (self.attainment[-1][1] if self.attainment else {}) | scored
        names = list(self.weights) or sorted(known)
        whole = all(name in known for name in names)
        weights = [self.weights.get(name, 1.0) for name in names]
        t = measures.goal_attainment([known[name] for name in names], weights) if whole else None
        self.attainment.append((session, known, t))
        del self.attainment[:-LATEST]

    def _week(self, end: datetime) -> Week:
        inside = [s for s in self.sessions if s.began is not None and end - WEEK <= s.began < end]
        middles = {
            name: _median(measures.quartiles([value for s in inside if (value := of(s)) is not None]))
            for name, of in MEASURES.items()
        }
        return Week(len(inside), sum(s.playing.seconds for s in inside) / 60, middles)


def logs(folder: Path) -> list[Path]:
    """The session logs in a child's folder, by time."""
    if not folder.is_dir():
        return []
    found = (path for path in folder.iterdir() if path.name.endswith(LOG) and not path.name.endswith(TRACE[:-3]))
    return in_time(found)


def in_time(paths: Iterable[Path]) -> list[Path]:
    """Sort logs by the times in their names; names without a time come first."""
    return sorted(paths, key=lambda path: (_named(path), path.name))


def _named(path: Path) -> datetime:
    return began(path.name) or datetime.min  # noqa: DTZ901 - local times, without a zone


def _start(session: Session) -> datetime:
    return session.began or datetime.min  # noqa: DTZ901 - as above


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured log: its sessions without their timelines, and what could not be used."""

    log: str
    child: str | None
    sessions: list[Session]
    remarks: list[str]
    called: str = ""
    """The child's name as written in the log; may be the name of a copy of her profile."""


def measure(path: Path, settings: Settings) -> Measured:
    """Read a log and measure its sessions; one that cannot be read gives none and a remark."""
    try:
        log = read(path)
    except OSError as error:
        return Measured(path.name, None, [], [f"it cannot be read: {(error.strerror or str(error)).lower()}"])
    found = [replace(session, timeline=None) for session in sessions(log, settings)]
    return Measured(path.name, log.child, found, log.remarks, log.called)


def measure_all(paths: Iterable[Path], settings: Settings) -> list[Measured]:
    """Measure each log."""
    return [measure(path, settings) for path in paths]


def gather(
    history: History,
    paths: Sequence[Path],
    settings: Settings,
    measured: Iterable[Measured],
    *,
    since: datetime | None = None,
    each: Callable[[Session], None] = lambda _: None,
) -> None:
    """Add the sessions of some logs to the history, and call ``each`` with every one, in order.

    ``paths`` are in the order of ``in_time``; ``measured`` has the result of ``measure`` for each, from any process.
    Only the latest session gets its timeline.
    """
    latest: Path | None = None
    for session, path in _ordered(paths, _used(history, measured)):
        if since is None or session.began is None or session.began >= since:
            history.add(session)
            each(session)
            latest = path if history.latest is session else latest
    if latest is not None:
        again = sessions(read(latest), settings)
        history.sessions[-1] = next((s for s in again if s.began == history.latest.began), history.latest)


def _used(history: History, measured: Iterable[Measured]) -> Iterator[list[Session]]:
    """Yield the sessions of each log, none for another child's, and note in the history what could not be used."""
    for one in measured:
        if one.child not in (None, history.child) and not (one.child == NOBODY and carries(one.called, history.child)):
            history.remarks.append((one.log, f"it is a log of {one.child}, and is not used"))
            yield []
        else:
            history.remarks += [(one.log, remark) for remark in one.remarks]
            history.idle += not one.sessions and not one.remarks
            yield one.sessions


def _ordered(paths: Sequence[Path], found: Iterable[list[Session]]) -> Iterator[tuple[Session, Path]]:
    """Yield every session in order of time, also where the logs of two seats that played at once overlap."""
    waiting: list[tuple[datetime, int, Session, Path]] = []
    number = count()
    for place, (path, inside) in enumerate(zip(paths, found, strict=True), 1):
        for session in inside:
            heapq.heappush(waiting, (_start(session), next(number), session, path))
        until = _named(paths[place]) if place < len(paths) else datetime.max  # noqa: DTZ901 - as above
        while waiting and waiting[0][0] <= until:
            yield heapq.heappop(waiting)[2:]


def _median(of: Quartiles | None) -> float | None:
    return None if of is None else of.median
