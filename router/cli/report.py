"""``router report``: what a child did, session by session; or the ward's week without any child."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from datetime import datetime
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from router import profile
from router.cli import places
from router.files import replacing
from router.profile import ProfileError
from router.records import LOG, children, read
from router.report import data, plots, ward
from router.report.history import History, Measured, gather, logs, measure
from router.report.html import html
from router.report.page import page
from router.report.session import Settings
from router.report.terminal import show
from router.units import NANOSECONDS, QuantityError, time_ns

NAME = "report"
HELP = "say what a child did, session by session, for the care team"
EXAMPLE = "router report wren --html wren.html"

MANY = 200
"""Logs from which on a bar of progress is shown."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument(
        "child", nargs="*", metavar="CHILD", help="the child's pseudonym, or session logs (.jsonl) to read"
    )
    parser.add_argument("--all", action="store_true", help="the ward's last seven days, without any child's detail")
    parser.add_argument("--html", type=Path, metavar="OUT.html", help="write a page with plots, to read and to print")
    parser.add_argument("--csv", action="store_true", help="one session a line, for a spreadsheet")
    parser.add_argument("--json", action="store_true", help="all figures, for a program to read")
    parser.add_argument(
        "--since", type=_day, metavar="DAY", help="leave out what was before this day, such as 2026-03-31"
    )
    parser.add_argument(
        "--window", type=_time, default=5.0, metavar="TIME", help='an effort within it answers a cue (default "5 s")'
    )
    parser.add_argument(
        "--gap", type=_time, default=5.0, metavar="TIME", help='a longer rest ends a stretch of playing (default "5 s")'
    )
    parser.add_argument(
        "--profile", type=Path, metavar="FILE", help="the child's profile, for the weights of its goals"
    )
    places.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Read the logs, show the figures: 0, or 1 if there is nothing to show."""
    if args.all == bool(args.child):
        print("router report: name a child, or logs, or use --all", file=sys.stderr)
        return 2
    if sum(map(bool, (args.csv, args.json))) > 1 or (args.all and args.csv):
        print("router report: choose one of --csv and --json; --all has no --csv", file=sys.stderr)
        return 2
    try:
        return _all(args) if args.all else _one(args)
    except _NothingToShow as nothing:
        print(f"router report: {nothing}", file=sys.stderr)
    except BrokenExecutor:
        print("router report: the system ended a process that read logs; is there enough memory?", file=sys.stderr)
    except OSError as error:
        print(f"router report: {error.filename}: {(error.strerror or str(error)).lower()}", file=sys.stderr)
    return 1


class _NothingToShow(Exception):  # noqa: N818 - nobody did wrong
    """Why, and what there is."""


def _one(args: argparse.Namespace) -> int:
    settings = Settings(args.window, args.gap)
    history = _history(args, settings)
    if args.html:
        try:
            drawings = plots.drawings(history)
        except ImportError:
            raise _NothingToShow(plots.MISSING) from None
    shown = page(history, settings, datetime.now())  # noqa: DTZ005 - the local clock, as in the names of the logs
    if args.html:
        _write(args.html, html(shown, drawings))
    if args.json:
        print(data.as_json(history, settings), end="")
    elif args.csv:
        print(data.as_csv(history), end="")
    elif args.html:
        print(f"written {args.html}: {len(history.sessions)} sessions")
    else:
        show(shown, Console())
    return 0


def _all(args: argparse.Namespace) -> int:
    now = datetime.now()  # noqa: DTZ005 - as above
    records = places.records(args)
    paths = [(folder.name, path) for folder in children(records) for path in ward.recent(folder, now)]
    measured = _measured([path for _, path in paths], Settings(args.window, args.gap))
    week = ward.ward(zip([child for child, _ in paths], measured, strict=True), now)
    if args.json:
        print(ward.as_json(week), end="")
        return 0
    shown = ward.ward_page(week)
    if args.html:
        _write(args.html, html(shown, {}))
        print(f"written {args.html}")
    else:
        show(shown, Console())
    return 0


def _history(args: argparse.Namespace, settings: Settings) -> History:
    named = [Path(name) for name in args.child]
    if all(path.suffix == LOG and path.is_file() for path in named):
        child = next((log.child for path in named if (log := read(path)).child is not None), "a child")
        paths = named
    elif len(named) > 1:
        missing = next(path for path in named if path.suffix != LOG or not path.is_file())
        raise _NothingToShow(f"{missing} is no session log; name one child, or logs")
    else:
        child = args.child[0]
        folder = places.records(args) / child
        if not folder.is_dir():
            raise _NothingToShow(places.nobody(child, places.records(args)))
        paths = logs(folder)
    history = gather(
        child, paths, settings, _measured(paths, settings), since=args.since, weights=_weights(args, child)
    )
    if not history.sessions:
        raise _NothingToShow("\n".join([f"there is no session of {child} to show", *_unused(history)]))
    return history


def _unused(history: History) -> list[str]:
    said = [f"{log}: {remark}" for log, remark in history.remarks]
    return said + ([f"logs without any effort or mark: {history.idle}"] if history.idle else [])


def _measured(paths: Sequence[Path], settings: Settings) -> Iterator[Measured]:
    """Each log measured; of many, on all processors and with a bar of progress."""
    task = partial(measure, settings=settings)
    if len(paths) < MANY:
        yield from map(task, paths)
        return
    try:
        pool = ProcessPoolExecutor(mp_context=get_context("spawn"))
    except (ImportError, OSError, NotImplementedError):  # a system that lets nobody share anything
        yield from map(task, paths)
        return
    with pool:
        found = pool.map(task, paths, chunksize=50)
        if not sys.stderr.isatty():
            yield from found
            return
        with Progress(console=Console(stderr=True), transient=True) as progress:
            yield from progress.track(found, total=len(paths), description="reading logs")


def _weights(args: argparse.Namespace, child: str) -> dict[str, float]:
    """The weights of the goals in the child's profile, if it is found and right."""
    if args.profile is not None:
        return dict(profile.load(profile.find(args.profile)).goals)
    for folder in places.profiles(args):
        if (folder / f"{child}.yaml").is_file():
            try:
                return dict(profile.load(folder / f"{child}.yaml").goals)
            except ProfileError:  # router check tells; a report must not fail for it
                continue
    return {}


def _write(path: Path, text: str) -> None:
    with replacing(path) as file:
        file.write(text.encode())


def _day(text: str) -> datetime:
    try:
        return datetime.strptime(text, "%Y-%m-%d")  # noqa: DTZ007 - a day by the local clock
    except ValueError:
        raise argparse.ArgumentTypeError(f'a day is written 2026-03-31, not "{text}"') from None


def _time(text: str) -> float:
    try:
        return time_ns(text) / NANOSECONDS
    except QuantityError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
