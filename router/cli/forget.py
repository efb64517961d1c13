"""``router forget``: delete all that this machine keeps of a child; first it only says what would go."""

from __future__ import annotations

import argparse
import contextlib
import gzip
import json
import re
import sys
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

from router.cli import places
from router.inputs.trace import LONGEST_LINE
from router.profile.diagnostics import tidy
from router.proven import TEXT
from router.records import CHILD
from router.remembered import COPY, PLAYS
from router.retention import WASTEBASKET

NAME = "forget"
HELP = "delete a child's logs, recordings, fits and copies"
EXAMPLE = "router forget wren, then router forget wren --yes"

LATELY = 60.0
"""Seconds: a log that was written so lately is perhaps being written still."""

UNKNOWN = """\
What this machine cannot know, and you must look for: reports that were written elsewhere, printed or sent; copies on other
machines, on sticks and in the hospital's backups; recordings that were kept elsewhere; the lines of the system's journal, which
hold the pseudonym and the times of efforts (journalctl --vacuum-time=1d empties it). What is deleted from a memory card can
sometimes be brought back: where that must not be, destroy the card."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("child", metavar="CHILD", help="the child's pseudonym")
    parser.add_argument(
        "--yes", action="store_true", help="delete; without it nothing is deleted, and all that would be is listed"
    )
    parser.add_argument("--json", action="store_true", help="for a program to read")
    places.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """List it, or delete it: 0, or 1 if there is nothing, or something could not be deleted."""
    child = args.child
    if not CHILD.fullmatch(child):  # it may never lead out of the folder of records
        print(f"router forget: {tidy(child)} cannot be a child's pseudonym", file=sys.stderr)
        return 2
    room = places.room(args)
    records = places.records(args)
    folders = [records / child, records / WASTEBASKET / child]
    files = [*(path for folder in folders for path in _records(folder)), *_memories(room.folders.state, child)]
    files += [path for path in sorted(room.folders.runtime.glob(f"*{PLAYS}")) if _child_in(_text(path)) == child]
    profiles = []
    for folder in (records, *places.profiles(args)):
        files += _beside(folder, child)
        profiles += [path for path in (folder / f"{child}.yaml",) if path.exists()]
    files = list(dict.fromkeys(files))
    if not files:
        print(f"router forget: {places.nobody(child, records)}", file=sys.stderr)
        return 1
    failed = _delete(files, folders) if args.yes else []
    if args.json:
        said = {
            "child": child,
            "deleted": [str(path) for path in files if args.yes and path not in dict(failed)],
            "would_delete": [] if args.yes else [str(path) for path in files],
            "failed": {str(path): why for path, why in failed},
            "profiles": [str(path) for path in profiles],
        }
        print(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        print("\n".join(_plainly(child, files, profiles, failed, done=args.yes)))
    return 1 if failed else 0


def _plainly(
    child: str, files: list[Path], profiles: list[Path], failed: list[tuple[Path, str]], *, done: bool
) -> Iterator[str]:
    yield f"{'Deleted' if done else 'To be deleted'} of {child}:"
    refused = dict(failed)
    for path in files:
        yield f"  {tidy(str(path))}{f'   NOT DELETED: {refused[path]}' if path in refused else ''}"
    yield ""
    if (
        any(path.is_symlink() or not path.exists() or time.time() - path.stat().st_mtime < LATELY for path in files)
        and not done
    ):
        yield f"Something of this was written just now: is {child} playing? Choose another child first (router use)."
        yield ""
    for path in profiles:
        yield f"The profile stays, as only you know whether it is needed: {tidy(str(path))}. Delete it yourself, and its copies."
    yield UNKNOWN
    if not done:
        yield ""
        yield f"Nothing has been deleted yet. To delete: router forget {child} --yes"


def _records(folder: Path) -> Iterator[Path]:
    """Everything in a child's folder; a link is deleted, and not what it leads to."""
    if folder.is_symlink():
        yield folder
        return
    if folder.is_dir():
        for path in sorted(folder.iterdir()):
            if path.is_dir() and not path.is_symlink():
                yield from _records(path)
            else:
                yield path


def _memories(state: Path, child: str) -> Iterator[Path]:
    """What a seat remembers for its next start, if it is this child's."""
    if not state.is_dir():
        return
    for seat in sorted(path for path in state.iterdir() if path.is_dir()):
        plays, copy = seat / PLAYS, seat / COPY
        hers = re.compile(rf"(?m)^child:\s*[\"']?{child}[\"']?\s*(#.*)?$")
        if _child_in(_text(plays)) == child or hers.search(_text(copy)):
            yield from (path for path in seat.iterdir() if path.name.lstrip(".").startswith((PLAYS, COPY)))
        yield from (path for path in seat.iterdir() if _is_proven(path) and hers.search(_text(path)))


def _is_proven(path: Path) -> bool:
    """Whether it is the text of a profile that has played for a minute, or what a power cut left of one."""
    return path.name.lstrip(".").startswith(TEXT.partition("{")[0])


def _beside(folder: Path, child: str) -> Iterator[Path]:
    """What fits leave beside a profile and among the records: recordings, pages with their picture, old profiles. Reports too."""
    if not folder.is_dir():
        return
    profile = re.compile(rf"\.?{re.escape(child)}\.ya?ml(\.old\d*|~|\.bak|\.\d+\.tmp|\.sw.)")
    title = re.compile(rf"<title>({re.escape(child)}, [^<]*: the fit|What {re.escape(child)} did)</title>")
    for path in sorted(path for path in folder.iterdir() if path.is_file()):
        if profile.fullmatch(path.name) or (
            path.name.endswith((".jsonl", ".jsonl.gz")) and _child_in(_first_line(path)) == child
        ):
            yield path
        elif path.suffix in (".html", ".htm") and title.search(_text(path)):
            yield path
            if (picture := path.with_suffix(".png")).is_file():
                yield picture


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(1 << 20).decode(errors="replace")
    except OSError:
        return ""


def _first_line(path: Path) -> str:
    opened = gzip.open if path.suffix == ".gz" else open
    try:
        with opened(path, "rb") as file:
            return file.readline(LONGEST_LINE).decode(errors="replace")
    except (OSError, EOFError, zlib.error):
        return ""


def _child_in(text: str) -> str | None:
    """Whose a file is that says so in JSON."""
    with contextlib.suppress(ValueError, RecursionError):
        found = json.loads(text)
        if isinstance(found, dict) and isinstance(found.get("child"), str):
            return str(found["child"])
    return None


def _delete(files: list[Path], folders: list[Path]) -> list[tuple[Path, str]]:
    """Delete them, and the child's folders; what could not be, and why."""
    failed = []
    for path in files:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            failed.append((path, (error.strerror or str(error)).lower()))
    for folder in folders:
        if folder.is_dir() and not folder.is_symlink():
            for inner in sorted((path for path in folder.rglob("*") if path.is_dir()), reverse=True):
                with contextlib.suppress(OSError):  # something in it could not be deleted, and has been told
                    inner.rmdir()
            with contextlib.suppress(OSError):
                folder.rmdir()
    return failed
