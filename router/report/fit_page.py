"""A page about a fit, for a colleague who was not there: the recording with its thresholds, and what was heard of it.

The picture is drawn once, by matplotlib, as SVG within the page and as PNG beside it. Colours are those of Okabe and
Ito (Color Universal Design, 2008), which colour-blind people tell apart; each mark has a shape of its own, too.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from router.core.conditioning.base import Conditioner
from router.core.conditioning.pointer import PointerConditioner
from router.core.conditioning.pressure import PressureConditioner
from router.core.events import PointerSample, SwitchSample
from router.core.units import NANOSECONDS, PRESSURE
from router.fit.pressures import applied, beyond_rest
from router.fit.recording import FitError, Recording
from router.fit.result import Fit
from router.report.html import html
from router.report.page import PageSection, PlotPlace, Points, ReportPage, Table, Verdict
from router.report.plots import as_svg
from router.system.files import replacing

HEARD, MISSED, FALSE, LINE, REST = "#0072B2", "#D55E00", "#CC79A7", "#333333", "#E8E8E8"
POINTS = 3000
"""The most points of a line that are drawn; more could not be seen."""
WIDE, HIGH = 11.0, 4.6
"""Inches."""

DRAWING = "fit"
"""The name of the one drawing."""
HOW_SURE = (
    'How sure: the range is where the number would lie in nine of ten measurements like this one. "sure": anywhere in'
    ' that range the recording would have been heard alike; "fairly sure": at this value it is, at the ends of the'
    ' range it may not be; "unsure": measure again.'
)
CAUTION = (
    "This is about playing music. It measures no health, and must not be used to watch over anybody's breathing or"
    " condition."
)


@dataclass(frozen=True, slots=True)
class FitPage:
    """The content of the page. ``settings`` and ``measured`` are already written out, in the therapist's unit."""

    child: str
    input: str
    recording: Recording
    fit: Fit
    conditioner: Conditioner
    settings: Sequence[dict[str, Any]]
    measured: dict[str, str]
    remarks: Sequence[str]

    def write(self, path: Path) -> tuple[Path, Path]:
        """Write the page, and its picture beside it as PNG; return both paths.

        Raises:
            FitError: matplotlib is not installed.
            OSError: they cannot be written.
        """
        svg, png = self._drawn()
        picture = path.with_suffix(".png")
        with replacing(path) as file:
            file.write(html(self._page(), {DRAWING: svg}).encode())
        with replacing(picture) as file:
            file.write(png)
        return path, picture

    # --- the page ---------------------------------------------------------------------------------------------

    def _page(self) -> ReportPage:
        heard, tried = self.fit.heard, self.fit.tried
        rest = f"{self.fit.seconds_of_rest:.0f} s of rest"
        summary = (
            f"{heard.heard} of {heard.efforts} efforts heard; {heard.false} false presses in {rest}, {heard.elsewhere}"
            " between efforts"
        )
        numbers = [(each["setting"], each["value"], _how_sure(each), each["why"]) for each in self.settings]
        sections = [
            PageSection(
                "",
                [
                    Verdict(
                        f"With these numbers {heard.heard} of {heard.efforts} efforts would have been heard, and"
                        f" {heard.false} times nobody in {rest} ({heard.elsewhere} between efforts)."
                    ),
                    (
                        f"Tried on parts that the fit had not seen: {tried.heard} of {tried.efforts}, and"
                        f" {tried.false} times nobody ({tried.elsewhere} between efforts)."
                    ),
                    PlotPlace(DRAWING, summary),
                ],
            ),
            PageSection("The numbers", [Table(("setting", "value", "how sure", "why"), numbers, HOW_SURE)]),
            PageSection("What was measured", [Table(("", ""), [*self.measured.items()])]),
        ]
        if self.remarks:
            sections.append(PageSection("Mind", [Points(list(self.remarks))]))
        sections.append(PageSection("", [CAUTION]))
        return ReportPage(f"{self.child}, {self.input}: the fit", "", sections, broad=True)

    # --- the picture ------------------------------------------------------------------------------------------

    def _drawn(self) -> tuple[str, bytes]:
        try:
            import matplotlib as mpl  # noqa: PLC0415 - not everyone has it, and it is slow to load
            from matplotlib.figure import Figure  # noqa: PLC0415 - as above
        except ImportError as error:
            raise FitError(
                "a page needs matplotlib, which is not installed",
                'pip install "bedside-midi-router[report]" brings it; on Debian: apt-get install python3-matplotlib.',
            ) from error
        with mpl.rc_context(
            {"svg.hashsalt": "router", "font.size": 10, "axes.spines.top": False, "axes.spines.right": False}
        ):
            figure = Figure(figsize=(WIDE, HIGH), layout="constrained")
            axes = figure.subplots()
            self._draw(axes)
            png = io.BytesIO()
            figure.savefig(png, format="png", dpi=150, metadata={"Software": None})
            return as_svg(figure, DRAWING), png.getvalue()

    def _draw(self, axes: Any) -> None:
        last = self.recording.samples[-1][0]
        first = self.recording.samples[0][0]
        for i, (begin, end) in enumerate(self.recording.rests):
            axes.axvspan(
                begin / NANOSECONDS, end / NANOSECONDS, color=REST, lw=0, label="" if i else "rest was asked for"
            )
        if isinstance(self.conditioner, PressureConditioner):
            top = self._pressure(axes, self.conditioner)
        elif isinstance(self.conditioner, PointerConditioner):
            top = self._pointer(axes, self.conditioner)
        else:
            top = self._switch(axes)
        self._efforts(axes, top)
        axes.set_xlim(first / NANOSECONDS, last / NANOSECONDS)
        axes.set_xlabel("seconds")
        heard, rest = self.fit.heard, f"{self.fit.seconds_of_rest:.0f} s of rest"
        axes.set_title(
            f"{self.child}, {self.input}: {heard.heard} of {heard.efforts} efforts heard, {heard.false} false in"
            f" {rest}, {heard.elsewhere} between efforts",
            loc="left",
        )
        axes.legend(
            loc="upper left", bbox_to_anchor=(0, -0.13), ncols=6, frameon=False, handlelength=1.6, columnspacing=1.4
        )

    def _pressure(self, axes: Any, conditioner: PressureConditioner) -> float:
        settings = applied(self.fit, conditioner.settings)
        shown = {each["setting"]: each["value"] for each in self.settings}
        unit = next(iter(shown.values())).split()[-1]
        whole = float(PRESSURE[unit])
        times, beyond = beyond_rest(self.recording, settings)
        seconds, values = _thin([t / NANOSECONDS for t in times], [value / whole for value in beyond])
        axes.plot(seconds, values, color=LINE, lw=0.9, label="pressure from rest")
        sides = {setting.path[0] for setting in self.fit.settings}
        for word, sign in (("above", 1), ("below", -1)):
            side = settings.above if sign > 0 else settings.below
            if word not in sides or side is None:
                continue
            for name, value, style in (("on", side.on, "-"), ("off", side.off, "--"), ("full", side.full, ":")):
                axes.axhline(sign * value / whole, color="#009E73", lw=1.3, ls=style)
                axes.annotate(
                    f"{name} {shown[f'{word}.{name}'].split()[0]}",
                    (1.0, sign * value / whole),
                    (4, 0),
                    xycoords=("axes fraction", "data"),
                    textcoords="offset points",
                    va="center",
                    color="#00694d",
                )
        low, high = min(values), max(values)
        axes.set_ylim(low - 0.1 * (high - low), high + 0.25 * (high - low))
        axes.set_ylabel(f"{unit} from rest")
        return high + 0.08 * (high - low)

    def _pointer(self, axes: Any, conditioner: PointerConditioner) -> float:
        samples = [(t / NANOSECONDS, s) for t, s in self.recording.samples if isinstance(s, PointerSample)]
        seconds = [t for t, _s in samples]
        grid = conditioner.settings.grid
        for values, colour, label in (
            ([s.x for _t, s in samples], LINE, "from the left"),
            ([s.y for _t, s in samples], "#56B4E9", "from the top"),
        ):
            axes.plot(*_thin(seconds, values), color=colour, lw=1.0, label=label)
        for i in range(1, grid.columns):
            axes.axhline(i / grid.columns, color=LINE, lw=0.6, ls=":")
        axes.set_ylim(0, 1.15)
        axes.set_ylabel("place (lines: between columns)")
        return 1.05

    def _switch(self, axes: Any) -> float:
        seconds: list[float] = []
        values: list[float] = []
        for t, sample in self.recording.samples:
            seconds.append(t / NANOSECONDS)
            values.append(float(isinstance(sample, SwitchSample) and sample.pressed))
        axes.step(seconds, values, where="post", color=LINE, lw=0.9, label="contact")
        axes.set_yticks((0, 1), ("open", "closed"))
        axes.set_ylim(-0.1, 1.5)
        return 1.2

    def _efforts(self, axes: Any, top: float) -> None:
        low = axes.get_ylim()[0]
        for heard, colour, marker, label in ((True, HEARD, "o", "heard"), (False, MISSED, "X", "missed")):
            efforts = [each for each in self.fit.judged if each.heard is heard]
            places = [(each.begin + each.end) / 2 / NANOSECONDS for each in efforts]
            axes.scatter(
                places,
                [top] * len(places),
                color=colour,
                marker=marker,
                s=55,
                zorder=3,
                label=f"{label}: {len(places)}",
            )
            for each in efforts:
                axes.plot([each.begin / NANOSECONDS, each.end / NANOSECONDS], [top, top], color=colour, lw=2, alpha=0.5)
        false = [t / NANOSECONDS for t in self.fit.false]
        axes.scatter(
            false,
            [low + 0.06 * (top - low)] * len(false),
            color=FALSE,
            marker="^",
            s=70,
            zorder=3,
            label=f"false: {len(false)}",
        )


def _how_sure(each: dict[str, Any]) -> str:
    return each["sure"] if each["from"] == each["to"] else f"{each['sure']}, {each['from']} to {each['to']}"


def _thin(seconds: Sequence[float], values: Sequence[float]) -> tuple[list[float], list[float]]:
    """Reduce a line to the lowest and the highest point of each piece, so that no peak is lost."""
    if len(seconds) <= POINTS:
        return list(seconds), list(values)
    size = -(-2 * len(seconds) // POINTS)

    def extremes() -> Iterator[int]:
        for begin in range(0, len(seconds), size):
            piece = range(begin, min(begin + size, len(seconds)))
            yield from sorted({min(piece, key=values.__getitem__), max(piece, key=values.__getitem__)})

    places = list(extremes())
    return [seconds[i] for i in places], [values[i] for i in places]
