"""What a benchmark gives: a table, a drawing of how its figures are spread, targets, and a file for history."""

from __future__ import annotations

import json
import os
import platform
import re
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

HISTORY = Path(__file__).parent.parent / "history"
QUANTILES = {"p50": 0.5, "p99": 0.99, "p99.9": 0.999, "max": 1.0}
PLACES = 4
"""Digits of a figure that are kept."""


@dataclass(frozen=True, slots=True)
class Target:
    """What is wanted of a figure: at most (``most``) or at least so much."""

    what: str
    wanted: float
    measured: float
    unit: str = ""
    most: bool = True

    @property
    def met(self) -> bool:
        return self.measured <= self.wanted if self.most else self.measured >= self.wanted

    def __str__(self) -> str:
        side = "at most" if self.most else "at least"
        unit = f" {self.unit}" if self.unit else ""
        return (
            f"{'met  ' if self.met else 'MISSED'} {self.what}: {digits(self.measured)}{unit} (wanted {side} "
            f"{digits(self.wanted)}{unit})"
        )


@dataclass(slots=True)
class Result:
    """The figures of one benchmark. ``spread``: by name, all values of what the drawing shows, in ``unit``."""

    letter: str
    title: str
    columns: Sequence[str]
    rows: dict[str, Sequence[float | str]] = field(default_factory=dict)
    targets: list[Target] = field(default_factory=list)
    spread: dict[str, Sequence[float]] = field(default_factory=dict)
    unit: str = ""
    remarks: list[str] = field(default_factory=list)

    def add(self, name: str, values: Sequence[float]) -> dict[str, float]:
        """A row of quantiles; they are given back."""
        found = quantiles(values)
        self.rows[name] = list(found.values())
        self.spread[name] = values
        return found

    def table(self) -> Table:
        table = Table(title=self.title, title_justify="left")
        for number, column in enumerate(("", *self.columns)):
            table.add_column(column, justify="right" if number else "left")
        for name, row in self.rows.items():
            table.add_row(name, *(value if isinstance(value, str) else digits(value) for value in row))
        return table


def quantiles(values: Sequence[float]) -> dict[str, float]:
    """Values at their ranks: of few values p99.9 is the largest."""
    ranked = sorted(values)
    return {name: ranked[min(len(ranked) - 1, int(share * len(ranked)))] for name, share in QUANTILES.items()}


def ratio(of: Mapping[str, float], to: Mapping[str, float], name: str) -> float:
    return of[name] / to[name]


def digits(value: float) -> str:
    """Three that mean something."""
    if value and abs(value) < 1000:
        return f"{value:.3g}"
    return f"{value:,.0f}"


def machine() -> dict[str, Any]:
    """Describe the machine of the measurement, and how busy it was."""
    names = re.findall(r"model name\s*: (.*)", Path("/proc/cpuinfo").read_text())
    return {
        "processor": names[0] if names else platform.machine(),
        "cores": os.cpu_count(),
        "kernel": platform.release(),
        "python": platform.python_version(),
        "load": [round(load, 1) for load in os.getloadavg()],
    }


def show(console: Console, result: Result) -> None:
    console.print(result.table())
    for remark in result.remarks:
        console.print(remark, highlight=False)
    for target in result.targets:
        console.print(f"  {target}", highlight=False, style=None if target.met else "bold red")
    console.print()


def draw(results: Sequence[Result], path: Path) -> None:
    """How the figures are spread: for each value the share of the others that are above it,
    both on scales of powers.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    drawn = [result for result in results if result.spread]
    if not drawn:
        return
    figure = Figure(figsize=(8, 3.2 * len(drawn)), layout="constrained")
    for result, axis in zip(drawn, figure.subplots(len(drawn), 1, squeeze=False).flat, strict=True):
        for number, (name, values) in enumerate(result.spread.items()):
            ranked = sorted(max(value, 0.1) for value in values)
            thin = sorted(
                {*range(0, len(ranked), max(1, len(ranked) // 400)), *range(max(0, len(ranked) - 100), len(ranked))}
            )
            axis.plot(
                [ranked[at] for at in thin],
                [1 - at / len(ranked) for at in thin],
                label=name,
                lw=1.2,
                ls=("-", "--", ":", "-.")[number % 4],
            )
        axis.set(xscale="log", yscale="log", title=result.title, xlabel=result.unit, ylabel="share above")
        axis.xaxis.set_major_formatter(FuncFormatter(lambda value, _place: digits(value)))
        axis.grid(alpha=0.3)
        axis.legend(fontsize=7, frameon=False)
    figure.savefig(path, format="svg", metadata={"Date": None})


def keep(results: Sequence[Result], where: Mapping[str, Any], folder: Path, quick: bool) -> Path:
    """A small file for history: what was measured, where, and how it stands to its targets."""
    folder.mkdir(exist_ok=True)
    now = datetime.now().astimezone()
    path = folder / f"{now:%Y-%m-%dT%H%M}-{''.join(result.letter for result in results)}.json"
    document = {
        "measured": now.isoformat(timespec="seconds"),
        "quick": quick,
        "machine": {**where, "load after": [round(load, 1) for load in os.getloadavg()]},
        "benchmarks": {
            result.letter: {
                "title": result.title,
                "columns": list(result.columns),
                "rows": {name: [_short(value) for value in row] for name, row in result.rows.items()},
                "targets": [
                    {"what": t.what, "wanted": t.wanted, "measured": _short(t.measured), "unit": t.unit, "met": t.met}
                    for t in result.targets
                ],
                "remarks": result.remarks,
            }
            for result in results
        },
    }
    path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    return path


def _short(value: float | str) -> float | str:
    return value if isinstance(value, str) else float(f"{value:.{PLACES}g}")


def middle(values: Sequence[float]) -> float:
    return statistics.median(values)
