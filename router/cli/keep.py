"""``router keep``: a MIDI file, a score, a sound file and a page of what was played, to take home."""

from __future__ import annotations

import argparse
import contextlib
import io
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import BinaryIO

from router.cli import places, say
from router.core.units import NANOSECONDS
from router.devices.outputs.base import OutputError
from router.keep.engraving import MissingError
from router.keep.played import Played, played
from router.keep.score import TooLongError
from router.records.record_files import CHILD, began, folders_of, read
from router.report.history import in_time, logs
from router.report.page import date as day_in_words
from router.system.files import replacing

NAME = "keep"
HELP = "make a recording, a score and a page of what was played, to take home"
EXAMPLE = 'router keep --child wren --since today --midi song.mid --page song.html --title "For grandmother"'


UNNOTED = 'Where the configuration says "notes: no" under records, logs hold what a child did and not what it played.'
"""The likely reason why a log has no notes."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "log", nargs="*", type=Path, metavar="LOG", help="session logs (.jsonl), or what router play --log wrote"
    )
    parser.add_argument("--child", metavar="CHILD", help="the child's pseudonym, in place of LOG")
    parser.add_argument(
        "--since",
        type=_day,
        default=date.min,
        metavar="DAY",
        help='with --child: the sessions from this day on: "today", "yesterday" or such as 2026-03-31',
    )
    parser.add_argument("--midi", type=Path, metavar="OUT.mid", help="write a MIDI file, a track for each part")
    parser.add_argument("--score", type=Path, metavar="OUT.musicxml", help="write a score to read and print (MusicXML)")
    parser.add_argument("--sound", type=Path, metavar="OUT.wav", help="write a sound file, at -16 LUFS")
    parser.add_argument("--page", type=Path, metavar="OUT.html", help="write a page with the score and the sound in it")
    parser.add_argument("--title", default="", metavar="TEXT", help="the title; nothing else says whose it is")
    parser.add_argument(
        "--date", metavar="TEXT", help='what the page says of when, in place of the day; "" for nothing'
    )
    places.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Read the logs, write what is asked for: 0, or 1 if there is nothing to keep or a file cannot be written."""
    if wrong := _wrong(args):
        say(f"router keep: {wrong}", file=sys.stderr)
        return 2
    try:
        found = played([read(path, played=True) for path in _paths(args)])
        if not found.notes:
            raise _NothingToKeepError("\n".join(["nothing was played that could be kept", *found.remarks, UNNOTED]))
        written = _write(args, found)
    except (_NothingToKeepError, OutputError, TooLongError, MissingError) as error:
        say(f"router keep: {error}", file=sys.stderr)
        return 1
    except PermissionError as error:
        say(f"router keep: {places.not_allowed(error, 'keep', *map(str, args.log))}", file=sys.stderr)
        return 1
    except OSError as error:
        place = "" if error.filename is None else f"{error.filename}: "
        say(f"router keep: {place}{(error.strerror or str(error)).lower()}", file=sys.stderr)
        return 1
    say(_plainly(found))
    for line in [*found.remarks, *(f"written {path}" for path in written)]:
        say(line)
    say("Only you may read these files, and nothing sends them anywhere: they are the family's to give.")
    return 0


class _NothingToKeepError(Exception):
    """Why, and what there is."""


def _wrong(args: argparse.Namespace) -> str:
    """Say what is wrong with the arguments; nothing if all is right."""
    if bool(args.log) == bool(args.child):
        return "name a log, or a child: router keep LOG --midi OUT.mid, router keep --child wren --since today ..."
    if args.child and not CHILD.fullmatch(args.child):  # it may never lead out of the folder of records
        return f'"{args.child}" cannot be a child\'s pseudonym'
    options = ("midi", "score", "sound", "page")
    if not any(getattr(args, option) for option in options):
        return "say what to write: --midi, --score, --sound or --page"
    used = {path.resolve(): "a log" for path in args.log}
    for option in options:
        path: Path | None = getattr(args, option)
        if path is None or (path.exists() and not path.is_file()):
            continue
        if path.resolve() in used:
            return f"--{option} {path} would overwrite {used[path.resolve()]}"
        used[path.resolve()] = f"--{option}"
        if places.records(args).resolve() in path.resolve().parents:
            return (
                f"--{option} {path} would lie among the records, which are deleted after a time and by router forget;"
                " what is kept is the family's: write it elsewhere"
            )
    return ""


def _paths(args: argparse.Namespace) -> list[Path]:
    if args.log:
        return list(args.log)
    folder = places.records(args)
    found = [path for each in folders_of(args.child, folder) if each.is_dir() for path in logs(each)]
    if not found:
        raise _NothingToKeepError(places.nobody(args.child, folder))
    since = in_time(path for path in found if (at := began(path.name)) is None or at.date() >= args.since)
    if not since:
        raise _NothingToKeepError(f"there is no session of {args.child} since {args.since}")
    return since


def _write(args: argparse.Namespace, found: Played) -> list[Path]:
    """Write the files, all of them or none; their paths."""
    from router.keep import engraving, family_page, midi, musicxml, score, sound

    if args.page:
        engraving.ready()

    with contextlib.ExitStack() as stack:

        def file(path: Path) -> BinaryIO:
            return stack.enter_context(replacing(path, private=True))

        if args.midi:
            midi.write(found, file(args.midi), args.title)
        if args.score:
            musicxml.write(score.sheet(found, args.title), file(args.score))
        if args.sound or args.page:
            heard = stack.enter_context(tempfile.TemporaryFile()) if args.page else file(args.sound)
            with _progress(found) as rendered:
                sound.write(found, heard, rendered)
        if args.page:
            heard.seek(0)
            drawn = io.BytesIO()
            musicxml.write(score.sheet(found), drawn)
            pictures = engraving.pictures(drawn.getvalue().decode())
            when = args.date if args.date is not None else day_in_words(found.began) if found.began else ""
            file(args.page).write(family_page.page(args.title, when, pictures, engraving.smaller(heard)).encode())
            if args.sound:
                heard.seek(0)
                shutil.copyfileobj(heard, file(args.sound))
    return [path for path in (args.midi, args.score, args.sound, args.page) if path]


@contextlib.contextmanager
def _progress(found: Played) -> Iterator[Callable[[int], None]]:
    """Show on a terminal how far rendering is; what is yielded is told of each second."""
    if not sys.stderr.isatty():
        yield lambda _second: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True, redirect_stdout=False) as progress:
        task = progress.add_task("rendering", total=found.end / NANOSECONDS)
        yield lambda second: progress.update(task, completed=second)


def _plainly(found: Played) -> str:
    tracks = ", ".join(f"{found.name(track)} ({_count(len(track.notes), 'note')})" for track in found.tracks)
    return f"{_count(found.sessions, 'session')}, {found.end / NANOSECONDS:.0f} s: {tracks}"


def _count(number: int, one: str) -> str:
    return f"{number} {one}{'' if number == 1 else 's'}"


def _day(text: str) -> date:
    days = {"today": 0, "yesterday": 1}
    try:
        if text.strip().casefold() in days:
            return date.today() - timedelta(days=days[text.strip().casefold()])  # noqa: DTZ011 - as the logs' names
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{text}" is not a day; write today, or such as 2026-03-31') from None
