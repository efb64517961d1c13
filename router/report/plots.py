"""The plots of a report, as drawings (SVG) that stand in a page. They need matplotlib; see ``MISSING``.

Colours are told apart by all eyes (Okabe and Ito, 2008) and, being of different darkness, on grey paper.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping
from statistics import median
from types import MappingProxyType
from typing import Any

from router.report.history import FEWEST_FOR_TREND, LATEST, MEASURES, History
from router.report.measures import Quartiles, trend
from router.report.page import FOLLOWED, day
from router.report.session import Session

MISSING = (
    "A page with plots needs matplotlib, which is not installed. Install it with: pip install"
    " 'bedside-midi-router[report]' (on Debian: apt install python3-matplotlib). Without it: router report CHILD, --csv"
    " and --json."
)

BLUE, ORANGE, GREEN, GREY, PALE = "#0072B2", "#D55E00", "#007A5A", "#666666", "#E9E4D8"
WIDE = 7.0
"""Inches: the text of an A4 page with margins of 16 mm."""

STYLE: Any = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": GREY,
    "axes.labelcolor": "#222222",
    "xtick.color": "#222222",
    "ytick.color": "#222222",
    "axes.grid": True,
    "axes.grid.axis": "y",
    "grid.color": "#E2E2E2",
    "grid.linewidth": 0.6,
    "text.parse_math": False,  # a name is no formula
    "svg.fonttype": "path",  # the same on every machine
}

QUARTERS: Mapping[str, Callable[[Session], Quartiles | None]] = MappingProxyType(
    {
        "hold": lambda session: session.playing.hold,
        "answer": lambda session: session.playing.answers,
        "strength": lambda session: session.playing.strength,
    }
)
"""Measures that have a range within a session."""


def drawings(history: History) -> dict[str, str]:
    """Draw every plot that has something to show; by its name in ``page.PlotPlace``.

    Raises:
        ImportError: matplotlib is not installed.
    """
    import matplotlib as mpl  # noqa: PLC0415 - slow to load, and not everybody has it

    made = {}
    for name, draw in (("timeline", _timeline), ("baseline", _baseline), ("trends", _trends)):
        with mpl.rc_context({**STYLE, "svg.hashsalt": name}):
            figure = draw(history)
            if figure is not None:
                made[name] = as_svg(figure, name)
    return made


def _figure(height: float, rows: int = 1, columns: int = 1, **more: Any) -> tuple[Any, Any]:
    from matplotlib.figure import Figure  # noqa: PLC0415 - as above

    figure = Figure(figsize=(WIDE, height), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False, **more)


def as_svg(figure: Any, name: str) -> str:
    """Return the drawing as it stands within a page: without links to other places, and with ids unique in the page."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    drawing = out.getvalue()
    drawing = drawing[drawing.index("<svg") :]
    drawing = re.sub(r"<metadata>.*?</metadata>\s*", "", drawing, flags=re.DOTALL)
    drawing = re.sub(r'(?<=\bid=")|(?<=href="#)|(?<=url\(#)', f"{name}-", drawing)
    # As wide as there is room for, and no wider than drawn.
    return re.sub(r'<svg ([^>]*?)height="[^"]*" ?([^>]*?)width="[^"]*"', r"<svg \1\2", drawing, count=1)


def _timeline(history: History) -> Any:
    session = history.latest
    line = session.timeline
    if line is None or session.seconds <= 0:
        return None
    sources = sorted({press.source for press in line.presses} | {source for _, source, _ in line.rejects})
    strong = [press for press in line.presses if session.playing.strength is not None]
    above = 0.3 * max(2, len(sources) + bool(line.cues))
    figure, axes = (
        _figure(above + 1.6, 2, sharex=True, height_ratios=[above + 0.2, 1.0]) if strong else _figure(above + 0.55)
    )
    top = axes[0][0]
    for start, end in line.baseline:
        for (axis,) in axes:
            axis.axvspan(start / 60, end / 60, color=PALE, lw=0)
    for start, end in line.away:
        top.axvspan(start / 60, end / 60, color="#CCCCCC", lw=0, hatch="///", alpha=0.5)
    for place, source in enumerate(sources):
        here = [press for press in line.presses if press.source == source]
        spans = [(p.start / 60, max((p.end or p.start) - p.start, session.seconds / 1000) / 60) for p in here]
        top.broken_barh(spans, (place - 0.32, 0.64), color=BLUE, lw=0)
        crosses = [t / 60 for t, name, _ in line.rejects if name == source]
        top.plot(crosses, [place] * len(crosses), "x", color=ORANGE, ms=4, mew=1)
    rows = list(sources)
    if line.cues:
        for t, answer in line.cues:
            top.plot(t / 60, len(rows), "v", color=GREEN, ms=5, mew=1, mfc=GREEN if answer is not None else "white")
        rows.append("cues")
    top.set_yticks(range(len(rows)), rows)
    top.set_ylim(-0.6, max(len(rows), 1) - 0.4)
    top.grid(visible=False)
    for number, (t, _) in enumerate(line.marks, 1):
        top.annotate(
            str(number), (t / 60, 1.0), xycoords=("data", "axes fraction"), ha="center", va="bottom", fontsize=7
        )
    if strong:
        below = axes[1][0]
        below.plot(
            [p.start / 60 for p in strong], [100 * p.strength for p in strong], "o", ms=2.6, color=BLUE, alpha=0.75
        )
        if (tiring := session.playing.tiring) is not None:
            there = [p.start / 60 for p in strong if any(a <= p.start <= b for a, b in line.playing)]
            ends = [there[0], there[-1]]
            below.plot(ends, [100 * (tiring.intercept + tiring.slope * x) for x in ends], color=ORANGE, lw=1.4)
        below.set_ylim(0, 104)
        below.set_ylabel("strength, %")
    axes[-1][0].set_xlim(0, session.seconds / 60)
    axes[-1][0].set_xlabel("minutes")
    return figure


def _baseline(history: History) -> Any:
    both = [s for s in history.sessions[-LATEST:] if s.baseline is not None and s.baseline.rate is not None]
    if history.against_baseline() is None:
        return None
    figure, axes = _figure(1.7)
    axis = axes[0][0]
    places = range(1, len(both) + 1)
    quiet = [s.baseline.rate for s in both if s.baseline is not None]
    axis.plot(places, quiet, "o--", ms=4, lw=0.8, color=GREY, mfc="white", label="baseline")
    axis.plot(places, [s.playing.rate for s in both], "o-", ms=4, lw=0.8, color=BLUE, label="playing")
    _sessions(axis, both)
    axis.set_ylabel("efforts a minute")
    axis.set_ylim(bottom=0)
    axis.legend(frameon=False, loc="upper left", ncols=2, bbox_to_anchor=(0, 1.22), borderaxespad=0)
    return figure


def _trends(history: History) -> Any:
    shown = history.sessions[-LATEST:]
    names = [n for n, of in MEASURES.items() if sum(of(s) is not None for s in shown) >= FEWEST_FOR_TREND]
    if not names:
        return None
    rows = -(-len(names) // 2)
    figure, axes = _figure(1.45 * rows, rows, 2)
    for axis in axes.flat[len(names) :]:
        axis.set_visible(False)
    for name, axis in zip(names, axes.flat, strict=False):
        _follow(axis, name, shown)
    return figure


def _follow(axis: Any, name: str, shown: list[Session]) -> None:
    of = MEASURES[name]
    scale = 100 if name in ("active", "answered", "strength") else 1
    points = [(place, value * scale) for place, s in enumerate(shown, 1) if (value := of(s)) is not None]
    places, values = zip(*points, strict=True)
    if name in QUARTERS:
        for place, session in enumerate(shown, 1):
            if (quarters := QUARTERS[name](session)) is not None:
                axis.vlines(place, quarters.low * scale, quarters.high * scale, color=BLUE, lw=1, alpha=0.5)
    axis.plot(places, values, "o", ms=3.4, color=BLUE)
    line = trend(values)
    if line is not None:  # the trend was taken over the numbers of the values, not over the places on the axis
        at = range(len(values))
        centre = median(at)
        axis.plot(places, [median(values) + line.slope * (x - centre) for x in at], color=ORANGE, lw=1.4)
    unit = ", %" if scale == 100 else ", s" if name in ("hold", "answer") else ""
    axis.set_title(f"{FOLLOWED[name][0]}{unit}", fontsize=9, loc="left")
    axis.set_ylim(bottom=0)
    _sessions(axis, shown)


def _sessions(axis: Any, shown: list[Session]) -> None:
    """The sessions along the axis: a few of them with their day."""
    few = sorted({round(i * (len(shown) - 1) / 3) for i in range(4)})
    days = [day(began) if (began := shown[i].began) is not None else str(i + 1) for i in few]
    axis.set_xticks([i + 1 for i in few], days)
    axis.set_xlim(0.5, len(shown) + 0.5)
