"""The ward's last seven days without any child's detail: how much was played, and nothing that could be one child's.

A figure of fewer than five children is not shown: with so few, anybody who knows the ward knows whose it is.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType

from router import __version__
from router.records import record_files
from router.report import measures
from router.report.history import WEEK, Measured, logs
from router.report.measures import Quartiles
from router.report.page import DASH, PageSection, Piece, Points, ReportPage, Table, date, number, share, spread
from router.report.session import Session

SMALL = 5
"""Children; a figure of fewer is not shown. The smallest group that health statistics commonly print."""

PER_CHILD: Mapping[str, tuple[str, Callable[[list[Session]], float | None], Callable[[float | None], str]]] = (
    MappingProxyType(
        {
            "sessions": ("Sessions of a child", lambda own: float(len(own)), lambda x: number(x, 0)),
            "minutes": (
                "Minutes of playing of a child",
                lambda own: sum(s.playing.seconds for s in own) / 60,
                lambda x: number(x, 0),
            ),
            "a_minute": (
                "Efforts a minute",
                lambda own: _middle([s.playing.rate for s in own if s.playing.rate is not None]),
                lambda x: number(x, 1),
            ),
            "answered": (
                "Cues answered",
                lambda own: _share(sum(s.playing.answered for s in own), sum(s.playing.cues for s in own)),
                share,
            ),
        }
    )
)
"""The figures that are shown, by name: a label, the value of one child from its sessions, and how to write it."""


@dataclass(frozen=True, slots=True)
class Ward:
    """A week of all children.

    ``children`` is None if there are too few to say how many; ``figures`` has those that may be shown.
    """

    until: datetime
    children: int | None
    sessions: int | None
    figures: dict[str, Quartiles]


def recent(folder: Path, now: datetime) -> list[Path]:
    """A child's logs that may hold something of the last seven days; a log may have begun a day before them."""
    oldest = now - WEEK - timedelta(days=1)
    return [path for path in logs(folder) if (record_files.began(path.name) or now) >= oldest]


def ward(measured: Iterable[tuple[str, Measured]], now: datetime) -> Ward:
    """The week until ``now`` (by the local clock) in the logs of all children, each given with its child's name."""
    own: dict[str, list[Session]] = {}
    for child, one in measured:
        if one.child in (None, child):
            week = [s for s in one.sessions if s.began is not None and now - WEEK < s.began <= now]
            own.setdefault(child, []).extend(week)
    children = [found for found in own.values() if found]
    if len(children) < SMALL:
        return Ward(now, None, None, {})
    figures = {}
    for name, (_, of, _) in PER_CHILD.items():
        values = [value for found in children if (value := of(found)) is not None]
        quarters = measures.quartiles(values) if len(values) >= SMALL else None
        if quarters is not None:
            figures[name] = quarters
    return Ward(now, len(children), sum(map(len, children)), figures)


def ward_page(week: Ward) -> ReportPage:
    """The week in words and a table."""
    under = f"Seven days until {date(week.until)}. Made by router {__version__}."
    return ReportPage("The ward's week", under, [PageSection("All children together", list(_pieces(week)))])


def as_json(week: Ward) -> str:
    """The week for another program; what may not be shown is null."""
    shown = {name: asdict(week.figures[name]) if name in week.figures else None for name in PER_CHILD}
    told = {
        "until": week.until.isoformat(timespec="seconds"),
        "children": week.children,
        "sessions": week.sessions,
        "of_a_child": shown,
    }
    return json.dumps(told, indent=2) + "\n"


def _pieces(week: Ward) -> Iterator[Piece]:
    if week.children is None:
        yield (
            f"Fewer than {SMALL} children played in these seven days. Nothing is shown, because with so few children"
            " whoever knows the ward would know whose figures they are."
        )
        return
    yield f"{week.children} children played in {week.sessions} sessions."
    yield Table(
        ("", "middle of the children (range of the middle half)"),
        [
            (label, spread(week.figures[name], as_text) if name in week.figures else DASH)
            for name, (label, _, as_text) in PER_CHILD.items()
        ],
    )
    yield Points(
        [
            f"A dash stands where fewer than {SMALL} children are behind a figure.",
            (
                "Children differ in their movements, sensors and settings: compare no ward with another, and no child"
                " with these figures."
            ),
        ]
    )


def _middle(values: Sequence[float]) -> float | None:
    quarters = measures.quartiles(values)
    return None if quarters is None else quarters.median


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None
