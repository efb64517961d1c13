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
from dataclasses import dataclass, field
from pathlib import Path

from router.bedside.checking import counts
from router.bedside.memory import COPY, PLAYS, PROVEN_TEXT
from router.cli import places, say
from router.files.diagnostics import tidy
from router.records.record_files import CHILD, carries, folders_of
from router.records.retention import WASTEBASKET
from router.records.trace import LONGEST_LINE

NAME = "forget"
HELP = "delete a child's logs, recordings, fits and copies"
EXAMPLE = "router forget wren, then router forget wren --yes"

LATELY = 60.0
"""Seconds: a log that was written so lately is perhaps being written still."""

UNKNOWN = """\
What this machine cannot know, and you must look for: reports that were written elsewhere, printed or sent; copies on
other machines, on USB sticks and in the hospital's backups; older versions of a folder that is under version control;
what was kept for the family, which is theirs (router keep), and recordings elsewhere; the lines of the system's
journal, which hold the pseudonym and the times of efforts (journalctl --vacuum-time=1d empties it). What is deleted
from a memory card can sometimes be brought back: where that must not be, destroy the card."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("child", metavar="CHILD", help="the child's pseudonym")
    parser.add_argument(
        "--yes", action="store_true", help="delete; without it nothing is deleted, and all that would be is listed"
    )
    parser.add_argument("--profile", action="store_true", help="the child's profile and its copies, too")
    parser.add_argument("--json", action="store_true", help="for a program to read")
    places.add_arguments(parser)


@dataclass(slots=True)
class _Found:
    """The files of a child.

    ``files`` are deleted; ``profiles`` only if that is asked for; ``others`` only carry her name.
    """

    files: list[Path] = field(default_factory=list)
    profiles: list[Path] = field(default_factory=list)
    others: list[Path] = field(default_factory=list)
    folders: list[Path] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.files or self.profiles or self.others)


def run(args: argparse.Namespace) -> int:
    """List it, or delete it: 0, or 1 if there is nothing, or something of hers is left after deleting."""
    if not CHILD.fullmatch(args.child):  # it may never lead out of the folder of records
        say(f"router forget: {tidy(args.child)} cannot be a child's pseudonym", file=sys.stderr)
        return 2
    try:
        return _run(args)
    except PermissionError as error:
        words = [word for word, said in (("--profile", args.profile), ("--yes", args.yes)) if said]
        say(f"router forget: {places.not_allowed(error, 'forget', args.child, *words)}", file=sys.stderr)
    except OSError as error:
        say(f"router forget: {error.filename}: {(error.strerror or str(error)).lower()}", file=sys.stderr)
    return 1


def _run(args: argparse.Namespace) -> int:
    child = args.child
    found = _find(args)
    if args.profile:
        found.files, found.profiles = [*found.files, *found.profiles], []
    if not found.files:
        say(f"router forget: {places.nobody(child, places.records(args))}", file=sys.stderr)
        say("\n".join(_remaining(found, child)), end="", file=sys.stderr)
        return 1
    failed = _delete(found.files, found.folders) if args.yes else []
    left = _find(args) if args.yes else found
    if args.json:
        said = {
            "child": child,
            "deleted": [str(path) for path in found.files if args.yes and path not in dict(failed)],
            "would_delete": [] if args.yes else [str(path) for path in found.files],
            "failed": {str(path): why for path, why in failed},
            "profiles": [str(path) for path in found.profiles],
            "carry_the_name": [str(path) for path in found.others],
        }
        print(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        say("\n".join(_plainly(child, found, failed, done=args.yes)))
    return 1 if failed or (args.yes and left) else 0


def _plainly(child: str, found: _Found, failed: list[tuple[Path, str]], *, done: bool) -> Iterator[str]:
    yield f"{'Deleted' if done else 'To be deleted'} of {child}:"
    refused = dict(failed)
    for path in found.files:
        yield f"  {tidy(str(path))}{f'   NOT DELETED: {refused[path]}' if path in refused else ''}"
    yield ""
    if not done and any(map(_is_new, found.files)):
        yield f"Something of this was written just now: is {child} playing? Choose another child first (router use)."
        yield ""
    yield from _remaining(found, child)
    yield UNKNOWN
    if not done:
        yield ""
        yield f"Nothing has been deleted yet. To delete: router forget {child} --yes"


def _remaining(found: _Found, child: str) -> Iterator[str]:
    for path in found.profiles:
        yield f"The profile stays, as only you know whether it is needed: {tidy(str(path))}"
    if found.profiles:
        yield f"To delete it and its copies, too: router forget {child} --profile --yes"
        yield ""
    for path in found.others:
        yield f"It carries the name {child}, and stays; look at it, and delete it yourself: {tidy(str(path))}"
    if found.others:
        yield ""


def _is_new(path: Path) -> bool:
    return path.is_symlink() or not path.exists() or time.time() - path.stat().st_mtime < LATELY


# --- what there is ----------------------------------------------------------------------------------------------------


def _find(args: argparse.Namespace) -> _Found:
    """Find each file that carries the child in its place, in a header or in its name.

    Raises:
        OSError: a folder cannot be looked into.
    """
    room, records, child = places.configured(args), places.records(args), args.child
    found = _Found(folders=[*folders_of(child, records), *folders_of(child, records / WASTEBASKET)])
    for folder in found.folders:
        found.files += _all_in(folder)
    found.files += _memories(room.folders.state, child)
    found.files += [path for path in sorted(room.folders.runtime.glob(f"*{PLAYS}")) if _names_child(_text(path), child)]
    own = set(found.folders)
    for folder in dict.fromkeys((records, *places.profiles(args))):
        for path in _below(folder, own):
            _sort(path, child, found)
    found.files = list(dict.fromkeys(found.files))
    return found


def _sort(path: Path, child: str, found: _Found) -> None:
    """Put a file that lies among profiles or records where it belongs, if it is hers."""
    owner = _owner(path)
    called = carries(path.name, child)
    if path.suffix in (".html", ".htm") and _title(child).search(_text(path)):
        found.files.append(path)
        if (picture := path.with_suffix(".png")).is_file():
            found.files.append(picture)
    elif owner == child or (called and owner is None):
        if counts(path.name):
            found.profiles.append(path)
        elif owner == child or _beside_profile(child).fullmatch(path.name):
            found.files.append(path)
        elif path not in found.files and not _is_picture(path, child):
            found.others.append(path)


def _is_picture(path: Path, child: str) -> bool:
    """Return True for the picture of a page that is deleted."""
    return path.suffix == ".png" and bool(_title(child).search(_text(path.with_suffix(".html"))))


def _title(child: str) -> re.Pattern[str]:
    """The titles of our own pages."""
    name = re.escape(child)
    return re.compile(rf"<title>({name}, [^<]*: the fit|What {name} did)</title>")


def _beside_profile(child: str) -> re.Pattern[str]:
    """The names of what editors, sync tools and fits leave beside a profile; none of it is played."""
    name = re.escape(child)
    ending = r"\.(old\d*|bak|orig|new|part|tmp|rej|\d+\.tmp|sw.|dpkg-\w+)|~"
    return re.compile(rf"[.~#]*(syncthing~)?{name}\.ya?ml(({ending})|#)*", re.IGNORECASE)


def _owner(path: Path) -> str | None:
    """Return whose a file is by what stands in it.

    A log or a recording says so in its first line, a profile behind ``child:``.
    """
    if path.name.endswith((".jsonl", ".jsonl.gz")):
        return _child_in(_first_line(path))
    if ".y" in path.name.casefold():
        found = _CHILD_LINE.search(_text(path))
        return found[1] if found else None
    return None


_CHILD_LINE = re.compile(r"""(?m)^["']?child["']?[ \t]*:[ \t]*["']?([a-z][a-z0-9-]*)["']?[ \t]*(?:#.*)?\r?$""")


def _all_in(folder: Path) -> Iterator[Path]:
    """Everything in a child's folder; a link is deleted, and not what it leads to."""
    if folder.is_symlink():
        yield folder
    elif folder.is_dir():
        yield from _below(folder, set())


def _below(folder: Path, without: set[Path]) -> Iterator[Path]:
    """Yield every file below a folder, and every link, which is not followed.

    Nothing is looked for in folders ``without``, nor in a store of versions.
    """
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.is_dir() and not path.is_symlink():
            if path not in without and path.name != ".git":
                yield from _below(path, without)
        elif path not in without:
            yield path


def _memories(state: Path, child: str) -> Iterator[Path]:
    """The files in which a seat remembers this child for its next start."""
    if not state.is_dir():
        return
    for seat in sorted(path for path in state.iterdir() if path.is_dir()):
        plays, copy = seat / PLAYS, seat / COPY
        if _names_child(_text(plays), child) or _says(_text(copy), child):
            yield from (path for path in seat.iterdir() if path.name.lstrip(".").startswith((PLAYS, COPY)))
        yield from (path for path in seat.iterdir() if _is_proven(path) and _says(_text(path), child))


def _says(text: str, child: str) -> bool:
    """Return True if a profile's text is this child's."""
    return any(found[1] == child for found in _CHILD_LINE.finditer(text))


def _names_child(text: str, child: str) -> bool:
    """Return True if what is remembered is of this child, by her pseudonym or by the name of a copy of her profile."""
    said = re.findall(r'"(?:child|file)":\s*"((?:[^"\\]|\\.)*)"', text)
    return any(name == child or (not CHILD.fullmatch(name) and carries(name, child)) for name in said)


def _is_proven(path: Path) -> bool:
    """Return True for the text of a profile that has played for a minute, or what a power cut left of one."""
    return path.name.lstrip(".").startswith(PROVEN_TEXT.partition("{")[0])


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
    """The child that a text in JSON names; None if it names none."""
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
