"""A report for other programs: a table with one session a line (CSV), or everything (JSON).

Unknown is empty, or null.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from types import MappingProxyType
from typing import Any, TextIO

from router.report.history import History
from router.report.measures import Quartiles, SessionTrend
from router.report.session import Figures, Session, Settings

VERSION = 1
"""The version of the format that ``Json`` writes."""


class Csv:
    """A writer of sessions, one a line, comma-separated; times in seconds unless the heading says otherwise."""

    def __init__(self, child: str, out: TextIO) -> None:
        self._child = child
        self._writer = csv.writer(out, lineterminator="\n")
        self._headed = False

    def __call__(self, session: Session) -> None:
        """Write a session, after the heading if it is the first."""
        if not self._headed:
            self._writer.writerow(["child", *_COLUMNS])
            self._headed = True
        self._writer.writerow([self._child, *(_cell(of(session)) for of in _COLUMNS.values())])


class Json:
    """A writer of all figures of each session, and at the end of the trends and what could not be used."""

    def __init__(self, child: str, settings: Settings, out: TextIO) -> None:
        self._head = {"report": VERSION, "child": child, "settings": asdict(settings)}
        self._out = out
        self._begun = False

    def __call__(self, session: Session) -> None:
        """Write a session."""
        before = ",\n    " if self._begun else f'{_text(self._head)[:-2]},\n  "sessions": [\n    '
        self._begun = True
        self._out.write(before + _text(_session(session)).replace("\n", "\n    "))

    def end(self, history: History) -> None:
        """Write what all sessions show together; at least one session must have been written before."""
        weeks = history.weeks()
        compared = history.against_baseline()
        rest = {
            "later_than_today": history.later,
            "trends": {name: _trend(line) for name, line in history.trends().items()},
            "against_baseline": None
            if compared is None
            else {"nap": compared[0], "pnd": compared[1], "sessions": compared[2]},
            "weeks": None if weeks is None else {"last_7_days": asdict(weeks[0]), "7_days_before": asdict(weeks[1])},
            "goals": {
                "weights": dict(history.weights),
                "scored": [
                    {"log": session.log, "began": _when(session), "scores": scores, "t": t}
                    for session, scores, t in history.attainment
                ],
            },
            "not_used": [{"log": log, "remark": remark} for log, remark in history.remarks],
            "idle_logs": history.idle,
        }
        self._out.write(f"\n  ],{_text(rest)[1:]}\n")


def _text(value: Any) -> str:
    return json.dumps(_rounded(value), indent=2, ensure_ascii=False)


def _session(session: Session) -> dict[str, Any]:
    return {
        "log": session.log,
        "seat": session.seat,
        "began": _when(session),
        "seconds": session.seconds,
        "playing": _figures(session.playing),
        "baseline": None if session.baseline is None else _figures(session.baseline),
        "nap": session.nap,
        "pnd": session.pnd,
        "sources": session.sources,
        "not_counted": session.rejects,
        "away": session.away,
        "drift": [{"t": t, "input": source, "what": what} for t, source, what in session.drifts],
        "goals": session.goals,
        "profile": session.profile,
        "remarks": list(session.remarks),
    }


def _figures(figures: Figures) -> dict[str, Any]:
    return {
        "seconds": figures.seconds,
        "presses": figures.presses,
        "a_minute": figures.rate,
        "hold": _quartiles(figures.hold),
        "between": _quartiles(figures.between),
        "active": figures.active,
        "longest": figures.longest,
        "cues": figures.cues,
        "no_response": figures.cues - figures.answered,
        "answer": _quartiles(figures.answers),
        "strength": _quartiles(figures.strength),
        "strength_a_minute": None if figures.tiring is None else _trend(figures.tiring),
    }


def _quartiles(of: Quartiles | None) -> dict[str, float] | None:
    return None if of is None else asdict(of)


def _trend(line: SessionTrend) -> dict[str, float]:
    return {"slope": line.slope, "low": line.low, "high": line.high}


def _when(session: Session) -> str | None:
    return None if session.began is None else session.began.isoformat(timespec="seconds")


def _rounded(value: Any) -> Any:
    """Round every float to microseconds, so that no digit comes from the arithmetic alone."""
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list) else value


def _cell(value: Any) -> Any:
    return "" if value is None else round(value, 6) if isinstance(value, float) else value


def _part(of: Callable[[Figures], Quartiles | None], name: str) -> Callable[[Session], Any]:
    def part(session: Session) -> Any:
        quarters = of(session.playing)
        return None if quarters is None else getattr(quarters, name)

    return part


_COLUMNS: Mapping[str, Callable[[Session], Any]] = MappingProxyType(
    {
        "began": _when,
        "seat": lambda s: s.seat,
        "log": lambda s: s.log,
        "seconds": lambda s: s.seconds,
        "playing_seconds": lambda s: s.playing.seconds,
        "presses": lambda s: s.playing.presses,
        "a_minute": lambda s: s.playing.rate,
        "hold_median": _part(lambda f: f.hold, "median"),
        "hold_low": _part(lambda f: f.hold, "low"),
        "hold_high": _part(lambda f: f.hold, "high"),
        "between_median": _part(lambda f: f.between, "median"),
        "between_low": _part(lambda f: f.between, "low"),
        "between_high": _part(lambda f: f.between, "high"),
        "active": lambda s: s.playing.active,
        "longest": lambda s: s.playing.longest,
        "cues": lambda s: s.playing.cues,
        "answered": lambda s: s.playing.answered,
        "answer_median": _part(lambda f: f.answers, "median"),
        "answer_low": _part(lambda f: f.answers, "low"),
        "answer_high": _part(lambda f: f.answers, "high"),
        "strength_median": _part(lambda f: f.strength, "median"),
        "strength_low": _part(lambda f: f.strength, "low"),
        "strength_high": _part(lambda f: f.strength, "high"),
        "strength_a_minute": lambda s: s.playing.tiring and s.playing.tiring.slope,
        "baseline_seconds": lambda s: s.baseline and s.baseline.seconds,
        "baseline_presses": lambda s: s.baseline and s.baseline.presses,
        "baseline_a_minute": lambda s: s.baseline and s.baseline.rate,
        "nap": lambda s: s.nap,
        "pnd": lambda s: s.pnd,
        "not_counted": lambda s: sum(s.rejects.values()),
        "away": lambda s: s.away,
        "profile": lambda s: s.profile,
        "incomplete": lambda s: int(bool(s.remarks)),
    }
)
