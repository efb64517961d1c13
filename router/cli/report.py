"""``router report``: what a child did, session by session; or the ward's week without any child."""

from __future__ import annotations

import argparse
import os
import sys
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from router.cli import places, say
from router.core.units import NANOSECONDS, QuantityError, time_ns
from router.files import profile
from router.files.profile import ProfileError
from router.records.record_files import LOG, children, folders_of, read
from router.report import data, plots, ward
from router.report.history import History, Measured, gather, in_time, logs, measure, measure_all
from router.report.html import html
from router.report.page import page
from router.report.session import Settings
from router.report.terminal import show
from router.system.files import replacing

NAME = "report"
HELP = "say what a child did, session by session, for the care team"
EXAMPLE = "router report wren --html wren.html"

MANY = 200
"""Logs from which on a bar of progress is shown."""

AT_ONCE = 20
"""Logs that a process is given to read."""

AHEAD = 2 * (os.cpu_count() or 1)
"""Groups of ``AT_ONCE`` logs that are read before they are needed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
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
        say("router report: name a child, or logs, or use --all", file=sys.stderr)
        return 2
    if sum(map(bool, (args.csv, args.json))) > 1 or (args.all and args.csv):
        print("router report: choose one of --csv and --json; --all has no --csv", file=sys.stderr)
        return 2
    try:
        return _all(args) if args.all else _one(args)
    except _NothingToShow as nothing:
        say(f"router report: {nothing}", file=sys.stderr)
    except BrokenExecutor:
        say("router report: the system ended a process that read logs; is there enough memory?", file=sys.stderr)
    except BrokenPipeError:  # whoever reads it has seen enough
        raise
    except PermissionError as error:
        say(
            f"router report: {places.not_allowed(error, 'report', *args.child, *(['--all'] if args.all else []))}",
            file=sys.stderr,
        )
    except OSError as error:
        say(f"router report: {error.filename}: {(error.strerror or str(error)).lower()}", file=sys.stderr)
    return 1


class _NothingToShow(Exception):  # nobody did wrong
    """Why, and what there is."""


def _one(args: argparse.Namespace) -> int:
    settings = Settings(args.window, args.gap)
    child, paths = _named(args)
    now = datetime.now()  # noqa: DTZ005 - the local clock, as in the names of the logs
    history = History(child, _weights(args, child), now=now)
    for_programs = (
        data.Json(child, settings, sys.stdout) if args.json else data.Csv(child, sys.stdout) if args.csv else None
    )
    measured = _measured(paths, settings, bar=for_programs is None or not sys.stdout.isatty())
    gather(history, paths, settings, measured, since=args.since, each=for_programs or (lambda _: None))
    if not history.count:
        raise _NothingToShow("\n".join([f"there is no session of {child} to show", *_unused(history)]))
    if isinstance(for_programs, data.Json):
        for_programs.end(history)
    if args.html:
        try:
            drawings = plots.drawings(history)
        except ImportError:
            raise _NothingToShow(plots.MISSING) from None
    shown = page(history, settings, now)
    if args.html:
        _write(args.html, html(shown, drawings))
    if args.html and not for_programs:
        say(f"written {args.html}: {history.count} session{'' if history.count == 1 else 's'}")
    elif not for_programs:
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
        say(f"written {args.html}")
    else:
        show(shown, Console())
    return 0


def _named(args: argparse.Namespace) -> tuple[str, list[Path]]:
    """The child, and the logs to read."""
    named = [Path(name) for name in args.child]
    if all(path.suffix == LOG and path.is_file() for path in named):
        return next((log.child for path in named if (log := read(path)).child is not None), "a child"), in_time(named)
    if len(named) > 1:
        missing = next(path for path in named if path.suffix != LOG or not path.is_file())
        raise _NothingToShow(f"{missing} is no session log; name one child, or logs")
    child = args.child[0]
    found = [folder for folder in folders_of(child, places.records(args)) if folder.is_dir()]
    if not found:
        raise _NothingToShow(places.nobody(child, places.records(args)))
    return child, in_time(path for folder in found for path in logs(folder))


def _unused(history: History) -> list[str]:
    said = [f"{log}: {remark}" for log, remark in history.remarks]
    return said + ([f"logs without any effort or mark: {history.idle}"] if history.idle else [])


def _measured(paths: Sequence[Path], settings: Settings, *, bar: bool = True) -> Iterator[Measured]:
    """Each log measured; of many, on all processors and with a bar of progress."""
    one_by_one = (measure(path, settings) for path in paths)
    if len(paths) < MANY:
        yield from one_by_one
        return
    try:
        pool = ProcessPoolExecutor(mp_context=get_context("spawn"))
    except (ImportError, OSError, NotImplementedError):  # a system that lets nobody share anything
        yield from one_by_one
        return
    with pool:
        found = _ahead(pool, paths, settings)
        if not (bar and sys.stderr.isatty()):
            yield from found
            return
        # What goes to a file meanwhile is none of the bar's business.
        with Progress(console=Console(stderr=True), transient=True, redirect_stdout=False) as progress:
            yield from progress.track(found, total=len(paths), description="reading logs")


def _ahead(pool: Executor, paths: Sequence[Path], settings: Settings) -> Iterator[Measured]:
    """Measure logs in order, only so many ahead: ``pool.map`` would hold every result that is not asked for yet."""
    begun: deque[Future[list[Measured]]] = deque()
    for start in range(0, len(paths), AT_ONCE):
        begun.append(pool.submit(measure_all, paths[start : start + AT_ONCE], settings))
        if len(begun) > AHEAD:
            yield from begun.popleft().result()
    while begun:
        yield from begun.popleft().result()


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
