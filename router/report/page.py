"""A report in words and tables, the same for the terminal and for paper: its content, not its looks.

Nurses and parents read it: an *effort* is whatever the router heard as one; *playing* and *baseline* are the phases of
a session. A figure that cannot be known is a dash.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from router import __version__
from router.report.history import FEWEST_FOR_TREND, LATEST, MEASURES, History
from router.report.measures import Quartiles, SessionTrend
from router.report.session import BIN, Figures, Session, Settings

DASH, MINUS = "\u2013", "\u2212"
SHOWN = 30
"""The most sessions that the table shows; the files for programs hold all of them."""

FILTERS = {
    "accept": "too short to count",
    "lockout": "too soon after the one before",
    "near": "not quite strong enough to count",
}
"""The reason why a filter did not count an effort, in words, by the filter's setting in the profile."""

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Table:
    """``head`` and ``rows`` of texts; the first column names the row. ``caption`` says how to read it."""

    head: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class PlotPlace:
    """The place of a plot on paper: the plot's name, and what it shows, in words."""

    name: str
    caption: str


@dataclass(frozen=True, slots=True)
class Points:
    """A list."""

    items: list[str]


@dataclass(frozen=True, slots=True)
class Verdict:
    """The sentence that says it all; it stands out."""

    text: str


@dataclass(frozen=True, slots=True)
class SoundPlace:
    """A sound that is in the page (``source``: a data URL), and what it is, in words."""

    source: str
    caption: str


Piece = str | Verdict | Table | PlotPlace | SoundPlace | Points


@dataclass(frozen=True, slots=True)
class PageSection:
    """A heading, which may be empty, and what stands under it."""

    heading: str
    pieces: list[Piece]


@dataclass(frozen=True, slots=True)
class ReportPage:
    """A whole page. ``broad``: its tables and drawings need more than the width of a page of text."""

    title: str
    under: str
    sections: list[PageSection] = field(default_factory=list)
    broad: bool = False


def page(history: History, settings: Settings, made: datetime) -> ReportPage:
    """The report on a child; ``made`` is now, by the local clock."""
    count = history.count
    under = f"{_count(count, 'session')}{_span(history)}. Made {date(made)} by router {__version__}."
    sections = [
        PageSection("The latest session", list(_latest(history, settings))),
        PageSection("Was it meant? Playing against baseline", list(_against(history))),
        PageSection("From session to session", list(_over_time(history))),
    ]
    if goals := history.attainment:
        sections.append(PageSection("Goals", list(_goals(history, goals))))
    if history.remarks or history.idle:
        sections.append(PageSection("What could not be used", [Points(list(_unused(history)))]))
    sections.append(PageSection("How to read this", [Points(list(CAUTIONS))]))
    return ReportPage(f"What {history.child} did", under, sections)


CAUTIONS = (
    "An effort is what the sensor and its settings let through as one. What they did not hear is in no figure here.",
    (
        "Only a baseline shows that efforts were meant: some minutes in which the same movements make no sound. More"
        " efforts while playing than then speak for it. The number of efforts alone does not."
    ),
    (
        "Sessions differ in more than the child: sensor, position, time of day, medicine, who was there. Where the"
        " profile was changed, figures before and after it may not be comparable."
    ),
    (
        "An answer is any effort within the time given after a cue. Some of them come by chance; a child that plays all"
        " the time answers every cue."
    ),
    (
        "Strength is how far an effort went from the gentlest to the strongest that the profile asks for. It is no"
        " force, and cannot be compared between children or sensors."
    ),
    (
        "A point is a hundredth: from 40 % to 45 % is 5 points. A middle value is the median: half lie below it, half"
        " above. A range in brackets holds the middle half, that of a trend what is likely (95 of 100). From few"
        " sessions little can be said, and the ranges are wide."
    ),
    (
        "These figures describe. They are no test, no diagnosis and no reason to change a treatment. The router is not"
        " a medical device."
    ),
)


# --- sections -----------------------------------------------------------------------------------------------------


def _latest(history: History, settings: Settings) -> Iterator[Piece]:
    session = history.latest
    playing, baseline = session.playing, session.baseline
    yield (
        f"{when(session)}, {duration(session.seconds)}{f', seat {session.seat}' if session.seat else ''}."
        f" {_in_short(session)}"
    )
    columns = [("playing", playing)] + ([("baseline", baseline)] if baseline is not None else [])
    rows = [(name, *(of(figures) for _, figures in columns)) for name, of in _rows(settings)]
    rows = [row for row in rows if any(cell != DASH for cell in row[1:])]
    yield Table(
        ("", *(name for name, _ in columns)),
        rows,
        "Middle value, and in brackets the range of the middle half."
        + (" In the baseline the movements made no sound." if baseline is not None else ""),
    )
    yield PlotPlace("timeline", _timeline_words(session))
    if playing.tiring is not None:
        yield f"Strength while playing, from minute to minute: {change(playing.tiring, _points, ' points')}."
    if session.rejects:
        yield f"Heard, but not counted: {_filtered(session.rejects)}."
    if noticed := "; ".join(
        f"{source} at {clock(t)}: {what}" for t, source, what in session.drifts if what != "followed"
    ):
        yield f"Its settings may fit the child no longer ({noticed}). router fit measures anew."
    if len(session.sources) > 1:
        yield f"By movement: {', '.join(f'{name} {count}' for name, count in sorted(session.sources.items()))}."
    if session.away > 0:
        yield (
            f"A sensor was away for {duration(session.away)}: what was done with it then is not in the figures, though"
            " the time is."
        )
    if session.timeline is not None and session.timeline.marks:
        yield Table(
            ("mark", "at", "remark"),
            [(str(n), clock(t), text) for n, (t, text) in enumerate(session.timeline.marks, 1)],
        )


def _in_short(session: Session) -> str:
    """Sum up a session in one or two sentences."""
    playing, baseline = session.playing, session.baseline
    said = f"{_count(playing.presses, 'effort')} in {duration(playing.seconds)} of playing"
    if playing.rate is not None:
        said += f", {number(playing.rate, 1)} a minute"
    if baseline is not None and baseline.rate is not None:
        said += f" (in the baseline: {number(baseline.rate, 1)})"
    if playing.cues:
        said += (
            f". {playing.answered} of {_count(playing.cues, 'cue')} {'was' if playing.answered == 1 else 'were'}"
            " answered"
        )
        if playing.answers is not None:
            said += f", usually after {seconds(playing.answers.median)}"
    return f"{said}."


def _rows(settings: Settings) -> list[tuple[str, Callable[[Figures], str]]]:
    return [
        ("Length", lambda f: duration(f.seconds)),
        ("Efforts", lambda f: str(f.presses)),
        ("Efforts a minute", lambda f: number(f.rate, 1)),
        ("Each held", lambda f: spread(f.hold, seconds)),
        ("From one effort to the next", lambda f: spread(f.between, seconds)),
        ("Share of the time pressed", lambda f: share(f.active)),
        (
            f"Longest stretch of playing (rests up to {number(settings.gap, 0)} s)",
            lambda f: duration(f.longest) if f.hold else DASH,
        ),
        ("Cues", lambda f: str(f.cues) if f.cues else DASH),
        (
            f"Cues answered within {number(settings.window, 0)} s",
            lambda f: f"{f.answered} of {f.cues} ({share(f.answered / f.cues)})" if f.cues else DASH,
        ),
        ("No response", lambda f: str(f.cues - f.answered) if f.cues else DASH),
        ("Answered after", lambda f: spread(f.answers, seconds)),
        ("Strength", lambda f: spread(f.strength, share)),
    ]


def _against(history: History) -> Iterator[Piece]:
    session = history.latest
    if session.nap is not None and session.pnd is not None:
        yield (
            f"In the latest session, cut into pieces of {number(BIN, 0)} s:"
            f" {_compared(session.nap, session.pnd, 'piece')}"
        )
    elif session.baseline is not None:
        yield (
            f"The latest session is too short to compare: it takes {number(3 * BIN, 0)} s of baseline and as much of"
            " playing."
        )
    if (found := history.against_baseline()) is not None:
        nap, pnd, count = found
        latest = "latest " if count < history.baselines else ""
        yield f"Over the {latest}{_count(count, 'session')} with a baseline: {_compared(nap, pnd, 'session')}"
        yield PlotPlace("baseline", "Efforts a minute in each session: in the baseline, and while playing.")
    if not history.baselines:
        yield (
            "No session has a baseline, so nothing here shows whether the efforts were meant. Before the music begins,"
            ' let the child move for two or three minutes without sound: mark it with "router mark baseline", then'
            ' "router mark playing".'
        )


def _compared(nap: float, pnd: float, piece: str) -> str:
    return (
        f"of all pairs of a {piece} of playing and one of baseline, {share(nap)} had more efforts while playing (NAP"
        f" {number(nap, 2)}; by chance alone it is half). {share(pnd)} of playing lay above every {piece} of baseline"
        f" (PND {number(pnd, 2)})."
    )


def _over_time(history: History) -> Iterator[Piece]:
    weeks = history.weeks()
    if history.later:
        yield (
            f"{_count(history.later, 'session')} of a day later than today ({date(history.now)}): the clock of this"
            " computer is wrong, or was wrong when they were recorded. They are in no week."
        )
    if weeks is not None and weeks[1].sessions:
        this, before = weeks
        rows = [
            ("Sessions", str(this.sessions), str(before.sessions)),
            ("Time of playing", f"{number(this.minutes, 0)} min", f"{number(before.minutes, 0)} min"),
        ]
        rows += [
            (label, as_text(this.middles[name]), as_text(before.middles[name]))
            for name, (label, as_text) in FOLLOWED.items()
            if this.middles[name] is not None or before.middles[name] is not None
        ]
        yield Table(("middle of the sessions", "last 7 days", "7 days before"), rows)
    trends = history.trends()
    if trends:
        considered = "" if history.count <= LATEST else f" of the latest {LATEST}"
        yield PlotPlace("trends", "Each session's middle value with the range of its middle half, and the trend.")
        yield f"From one session to the next{considered}:"
        yield Points([f"{FOLLOWED[name][0]}: {_trend_words(name, line)}." for name, line in trends.items()])
    else:
        yield f"A trend needs {FEWEST_FOR_TREND} sessions."
    yield _table(history)


def _trend_words(name: str, line: SessionTrend) -> str:
    if name in ("answered", "active", "strength"):
        return change(line, _points, " points")
    return change(line, lambda x: f"{x:.2f}", " s" if name in ("hold", "answer") else "")


def _table(history: History) -> Table:
    shown = history.sessions[-SHOWN:]
    rows = []
    profile = history.sessions[-SHOWN - 1].profile if len(history.sessions) > SHOWN else shown[0].profile
    for session in shown:
        notes = []
        if session.profile != profile:
            notes.append("profile changed")
        if session.remarks:
            notes.append("log incomplete")
        profile = session.profile
        figures = session.playing
        rows.append(
            (
                short(session) if _year(session) == _year(history.latest) else when(session),
                number(figures.seconds / 60, 1),
                str(figures.presses),
                number(figures.rate, 1),
                seconds(figures.hold.median) if figures.hold else DASH,
                f"{figures.answered}/{figures.cues}" if figures.cues else DASH,
                seconds(figures.answers.median) if figures.answers else DASH,
                share(figures.strength.median) if figures.strength else DASH,
                number(session.baseline.rate, 1) if session.baseline else DASH,
                ", ".join(notes),
            )
        )
    head = ("session", "min", "efforts", "a min", "held", "cues", "after", "strength", "baseline", "")
    used = [0, *(i for i in range(1, len(head)) if any(row[i] not in ("", DASH) for row in rows))]
    more = history.count - len(shown)
    caption = (
        "All of the time of playing. Cues: how many were answered, and after what time. Baseline: efforts a minute"
        " in it."
    )
    if more:
        caption += f" The latest {len(shown)}; {more} before them are in the files that --csv and --json write."
    return Table(tuple(head[i] for i in used), [tuple(row[i] for i in used) for row in rows], caption)


def _goals(history: History, found: list[tuple[Session, dict[str, int], float | None]]) -> Iterator[Piece]:
    names = list(history.weights) or sorted({name for _, known, _ in found for name in known})
    rows = [
        (when(session), *(_score(known[name]) if name in known else DASH for name in names), number(t, 1))
        for session, known, t in found[-SHOWN:]
    ]
    weighted = ", ".join(f"{name} {weight:g}" for name, weight in history.weights.items())
    yield Table(
        ("session", *names, "T"),
        rows,
        "Scores from \u22122 to +2; 0 is what was expected. T is 50 when all goals are reached as expected (Kiresuk and"
        " Sherman), "
        + (
            f"with the weights of the profile: {weighted}."
            if weighted
            else "with equal weights: the profile declares none."
        )
        + (f" The latest {SHOWN} are shown." if len(found) > SHOWN else ""),
    )


def _year(session: Session) -> int | None:
    return session.began.year if session.began is not None else None


def _score(score: int) -> str:
    return f"+{score}" if score > 0 else str(score).replace("-", MINUS)


def _unused(history: History) -> Iterator[str]:
    for log, remark in history.remarks[-SHOWN:]:
        yield f"{log}: {remark}."
    if len(history.remarks) > SHOWN:
        yield f"{len(history.remarks) - SHOWN} more remarks are in the file that --json writes."
    if history.idle:
        yield f"{_count(history.idle, 'log')} {'holds' if history.idle == 1 else 'hold'} no effort and no mark."


def _timeline_words(session: Session) -> str:
    parts = ["Efforts as they came, each as long as it was held"]
    if session.timeline is not None and session.timeline.cues:
        parts.append("cues above: filled where they were answered, hollow where not")
    if session.baseline is not None:
        parts.append("the baseline shaded")
    if session.rejects:
        parts.append("small crosses for what was heard but not counted")
    return "; ".join(parts) + "."


def _filtered(rejects: dict[str, int]) -> str:
    return ", ".join(f"{count} {FILTERS.get(by, f'by {by}')}" for by, count in sorted(rejects.items()))


# --- words --------------------------------------------------------------------------------------------------------


def plain(text: str) -> str:
    """Put a space in place of every character that cannot be shown."""
    return "".join(c if c.isprintable() else " " for c in text)


def number(value: float | None, digits: int) -> str:
    """A number, or a dash."""
    return DASH if value is None else f"{value:.{digits}f}"


def seconds(value: float | None) -> str:
    """A short time."""
    if value is None:
        return DASH
    return f"{value:.2f} s" if value < 0.995 else f"{value:.1f} s" if value < 59.95 else duration(value)


def duration(value: float) -> str:
    """A longer time."""
    if round(value) < 60:
        return f"{value:.0f} s"
    minutes, rest = divmod(round(value), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def share(value: float | None) -> str:
    """A share of a whole."""
    return DASH if value is None else f"{100 * value:.0f} %"


def spread(of: Quartiles | None, as_text: Callable[[float | None], str]) -> str:
    """A middle value and the range of the middle half."""
    if of is None:
        return DASH
    if of.count == 1:
        return as_text(of.median)
    low, high = as_text(of.low), as_text(of.high)
    number, unit = low.split(" ", 1) if " " in low else (low, "")
    return f"{as_text(of.median)} ({number if unit and high.endswith(f' {unit}') else low} to {high})"


def change(line: SessionTrend, as_text: Callable[[float], str], unit: str = "") -> str:
    """A trend in words."""
    between = f"likely between {_signed(line.low, as_text)} and {_signed(line.high, as_text)}{unit}"
    if not line.sure:
        return f"no clear change ({between})"
    return f"{'rises' if line.slope > 0 else 'falls'} by {as_text(abs(line.slope))}{unit} ({between})"


def _signed(value: float, as_text: Callable[[float], str]) -> str:
    text = as_text(abs(value))
    return text if not text.strip("0.") else f"{'+' if value > 0 else MINUS}{text}"


def _points(value: float) -> str:
    return f"{100 * value:.1f}"


def clock(t: float) -> str:
    """A moment of a session: minutes and seconds from its start."""
    return f"{int(t // 60)}:{int(t % 60):02d}"


def date(at: datetime) -> str:
    """A day, written in the same way everywhere."""
    return f"{DAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]} {at.year}"


def when(session: Session) -> str:
    """The day and time of a session, or its log if they are not known."""
    return session.log if session.began is None else f"{date(session.began)}, {session.began:%H:%M}"


def day(at: datetime) -> str:
    """A day where there is little room, and the year can be seen elsewhere."""
    return f"{at.day} {MONTHS[at.month - 1]}"


def short(session: Session) -> str:
    """The day and time of a session, for a table."""
    return session.log if session.began is None else f"{day(session.began)} {session.began:%H:%M}"


def _span(history: History) -> str:
    first, last = history.first, history.latest.began
    if first is None or last is None:
        return ""
    return f", {date(first)}" if first.date() == last.date() else f", {date(first)} to {date(last)}"


def _count(many: int, one: str) -> str:
    return f"{many} {one}{'' if many == 1 else 's'}"


FOLLOWED: dict[str, tuple[str, Callable[[float | None], str]]] = {
    "rate": ("Efforts a minute", lambda x: number(x, 1)),
    "hold": ("Each held", seconds),
    "answer": ("Answered after", seconds),
    "answered": ("Cues answered", share),
    "active": ("Share of the time pressed", share),
    "strength": ("Strength", share),
}
"""The label of each measure of ``history.MEASURES``, in the same order, and how to write a value of it."""
assert list(FOLLOWED) == list(MEASURES)  # two tables, one list
