from __future__ import annotations

import argparse
import importlib
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from . import __doc__ as manual
from .figures import HISTORY, draw, keep, machine, show

BENCHMARKS = {
    "a": "reaction",
    "b": "in_time",
    "c": "throughput",
    "d": "pauses",
    "e": "start",
    "f": "memory",
    "g": "idle",
    "h": "offline",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Measure, show, keep: 0 if every target was met, 1 if one was not."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.speed",
        description=manual,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "which", nargs="*", metavar="LETTER", choices=[*BENCHMARKS, []], help="which ones (default: all)"
    )
    parser.add_argument(
        "--quick", action="store_true", help="fewer rounds, to see that it works and about where it stands"
    )
    parser.add_argument("--plot", type=Path, default=HISTORY / "spread.svg", metavar="OUT.svg", help="the drawing")
    parser.add_argument("--keep", type=Path, default=HISTORY, metavar="FOLDER", help="where the figures are kept")
    args = parser.parse_args(argv)
    console, where, results = Console(width=120), machine(), []
    console.print(", ".join(f"{name}: {value}" for name, value in where.items()), highlight=False)
    for letter in sorted(set(args.which)) or BENCHMARKS:
        result = importlib.import_module(f"{__package__}.{BENCHMARKS[letter]}").measure(args.quick)
        show(console, result)
        results.append(result)
    console.print(f"kept in {keep(results, where, args.keep, args.quick)}", highlight=False)
    draw(results, args.plot)
    return 0 if all(target.met for result in results for target in result.targets) else 1


if __name__ == "__main__":
    raise SystemExit(main())
