"""List a profile folder and judge its files: the work of ``ProfileFolder``'s worker.

Nothing here touches that object.

Only names in the folder are opened. Links that lead out of it, and what is no ordinary file, are not.
"""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from router.core.units import nearest
from router.files import profile
from router.files.diagnostics import START, Report, quoted, tidy
from router.files.loading import contents
from router.files.plugins import installed
from router.files.profile import Problem, Profile, ProfileError, schema
from router.files.profile.songs import FOLDER, MOST_BYTES, make_ready, with_files
from router.files.source import LARGEST
from router.live.worker import WorkerThread
from router.songs.apart import SUFFIXES
from router.system import clock
from router.system.files import LeadsOut, open_beneath

SILENT = "the USB stick or disk does not answer"

MOST_KEPT = LARGEST + 2 * MOST_BYTES
"""Bytes of a profile that is kept with its songs."""

MOST_NAMES = 30
"""Names in a message."""


@dataclass(frozen=True, slots=True)
class FileSigns:
    """The signs of a change of a file. ``put``: when it came to its place, nanoseconds of the wall clock."""

    modified: int
    size: int
    inode: int
    put: int
    file: bool  # or a link


@dataclass(frozen=True, slots=True)
class Watches:
    """inotify's numbers for the folder, for the folder of songs in it and for the folders above it."""

    folder: int | None = None
    songs: int | None = None
    above: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Looked:
    """A look at a folder. ``listing``: None if it cannot be read, for ``missing``; ``why`` no news comes, or empty."""

    watches: Watches
    listing: Mapping[str, FileSigns] | None
    missing: str
    why: str
    songs: Mapping[str, FileSigns] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """The judgement on a file. ``there``: True if it is in the folder. ``text``: its bytes, with its songs' files.

    ``songs``: the names of its songs' files, whether they are there or not.
    """

    name: str
    there: bool
    profile: Profile | None
    problems: list[Problem]
    text: bytes = b""
    empty: bool = False
    songs: frozenset[str] = frozenset()

    @property
    def may_pass(self) -> bool:
        """True if it may help to judge the file again."""
        return any(problem.may_pass for problem in self.problems)


def look_over(inotify: Any, folder: Path, before: Watches) -> Looked:
    """Watch the folder as it is there now, and list it. ``inotify`` None: only list it."""
    why, missing = "", ""
    watches = Watches()
    if inotify is not None:
        try:
            watches = _watch(inotify, folder)
        except OSError as error:  # too many watches on this system
            why = error.strerror or str(error)
        now = {*watches.above, watches.folder, watches.songs}
        for number in {*before.above, before.folder, before.songs} - {*now, None}:
            with suppress(OSError):  # it went with its folder
                inotify.rm_watch(number)
    there = listing(folder)
    if there is None:
        missing = "it may not be read" if folder.is_dir() else "it is not there"
    return Looked(watches, there, missing, why, song_listing(folder))


def _watch(inotify: Any, folder: Path) -> Watches:
    from inotify_simple import flags  # noqa: PLC0415 - as above

    above = set()
    for parent in reversed(folder.parents):  # from the top, so that one that is made meanwhile is news of the one above
        with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
            mask = flags.CREATE | flags.MOVED_TO | flags.ATTRIB | flags.MOVE_SELF | flags.ONLYDIR
            above.add(inotify.add_watch(parent, mask))
    changes = flags.CREATE | flags.MODIFY | flags.CLOSE_WRITE | flags.MOVED_TO | flags.MOVED_FROM | flags.DELETE
    mask = changes | flags.ATTRIB | flags.MOVE_SELF | flags.DELETE_SELF | flags.ONLYDIR
    found: dict[str, int] = {}
    for name, each in (("folder", folder), ("songs", folder / FOLDER)):
        with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
            found[name] = inotify.add_watch(each, mask)
    return Watches(above=frozenset(above), **found)


def listing(folder: Path, _worker: WorkerThread | None = None) -> dict[str, FileSigns] | None:
    """Everything in the folder that counts; None if there is no folder."""
    found = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if counts(entry.name):
                    with suppress(OSError):  # it has just gone
                        found[entry.name] = _signs(entry)
    except OSError:
        return None
    return found


def is_song(name: str) -> bool:
    """True if a file of this name may be a song of a profile."""
    return Path(name).suffix.lower() in SUFFIXES and not name.startswith(".")


def song_listing(folder: Path) -> dict[str, FileSigns]:
    """The songs in a profile folder and in its folder of songs, by name as a profile writes it."""
    found = {}
    for above, within in (("", folder), (f"{FOLDER}/", folder / FOLDER)):
        with suppress(OSError), os.scandir(within) as entries:
            for entry in entries:
                if is_song(entry.name):
                    with suppress(OSError):  # it has just gone
                        found[above + entry.name] = _signs(entry)
    return found


def _signs(entry: os.DirEntry[str]) -> FileSigns:
    status = entry.stat(follow_symlinks=False)
    file = stat.S_ISREG(status.st_mode) or stat.S_ISLNK(status.st_mode)
    return FileSigns(status.st_mtime_ns, status.st_size, status.st_ino, status.st_ctime_ns, file)


def judge_newest(
    folder: Path, names: Iterable[str], stuck: Callable[[], Collection[str]], worker: WorkerThread
) -> tuple[list[CheckedFile], Mapping[str, FileSigns] | None]:
    """Judge these files one after another until one is good; return the judgements, and what is in the folder."""
    there = listing(folder)
    judgements = []
    for name in names:
        judgements.append(judge(folder, name, worker, stuck))
        if judgements[-1].profile is not None:
            break
    return judgements, there


def judge_asked(
    folder: Path, child: str, stuck: Callable[[], Collection[str]], worker: WorkerThread
) -> tuple[CheckedFile, FileSigns | None]:
    """Judge the file of a child, if there is one; return the judgement, and its signs just before."""
    there = listing(folder)
    name = file_of(child, there or ())
    if name is None:
        names = [stem(name) for name in there or ()]
        problem = no_such_child(folder, child, names, there is None)
        return CheckedFile(child, there=False, profile=None, problems=[problem]), None
    return judge(folder, name, worker, stuck), (there or {}).get(name)


def judge(
    folder: Path,
    name: str,
    worker: WorkerThread,
    stuck: Callable[[], Collection[str]] = frozenset,
    *,
    any_name: bool = False,
) -> CheckedFile:
    """Read and check one file; the name stands in the folder, or did a moment ago.

    What is judged is what was opened beneath the folder, whatever is exchanged meanwhile. ``any_name``: the file need
    not be called as its child.
    """
    path = folder / name
    report = Report(str(folder / tidy(name)), schema.FORM)
    worker.at = name
    if name in stuck():
        return CheckedFile(name, there=True, profile=None, problems=[silent(path)])
    there = os.path.lexists(path)
    if tidy(name) != name:
        report.add(START, "the name of this file holds signs that cannot be shown", "Give it another name.")
    elif path.is_symlink() and not path.exists():
        report.add(START, "this is a link, and what it leads to is not there", "Put the file itself into the folder.")
    if len(report):
        return CheckedFile(name, there, None, report.problems)
    try:
        text = contents(path, report, partial(open_beneath, folder, name), MOST_KEPT if any_name else LARGEST)
    except LeadsOut:
        report.add(START, "this is a link that leads out of the folder", "Put the file itself into the folder.")
        text = None
    if text is None:
        return CheckedFile(name, there, None, report.problems)
    try:
        installed().try_again(clock.now())
        found = profile.load(path, text)
        if not any_name and stem(name) != found.child:
            report.add(START, *_misnamed(folder, name, found.child))
            return CheckedFile(name, there, None, report.problems, text)
        make_ready(found.plan)
        if found.song_files and not any_name:
            text = with_files(text, found.song_files)
        return CheckedFile(name, there, replace(found, song_files={}), [], text, songs=frozenset(found.song_files))
    except ProfileError as error:
        return CheckedFile(name, there, None, error.problems, text, empty=not text, songs=error.names_files)
    except Exception as error:  # noqa: BLE001 - a fault of ours in checking this file must not keep others from playing
        report.add(START, f"the router fails at this file ({type(error).__name__}: {error})", "Please tell its makers.")
        return CheckedFile(name, there, None, report.problems, text)


def _misnamed(folder: Path, name: str, child: str) -> tuple[str, str]:
    """Say what is wrong with a file that is not named after its child, and the remedy."""
    right = f"{child}.yaml"
    wrong = f"the child of this file is {quoted(child)}, and the file is called {quoted(name)}"
    if os.path.lexists(folder / right):
        return wrong, (
            f"If it is a copy, take it out of the folder: {quoted(right)} is there. "
            'If it is for another child, write her pseudonym behind "child:", and name the file after it.'
        )
    return wrong, f'Call it {quoted(right)}. If it is for another child, write her pseudonym behind "child:".'


def is_gone(path: Path, _worker: WorkerThread) -> bool:
    """True if nothing is there, not even a link."""
    return not os.path.lexists(path)


# --- names ----------------------------------------------------------------------------------------------------------


def counts(name: str) -> bool:
    """True if a file of this name counts as a profile; what editors write beside it does not."""
    return name.lower().endswith((".yaml", ".yml")) and not name.startswith(".") and "/" not in name


_NOT_YAML = (".txt", ".rtf", ".doc", ".docx", ".odt", ".pages")
"""The endings of word processors' files."""


def passed_over(name: str) -> str:
    """Say why a file of this name is not taken for a profile, if somebody may think that it is one; else nothing.

    Hidden files, the recordings and pages of ``router fit``, and the profiles that it put aside (.old) are nothing of
    that kind.
    """
    lower = name.lower()
    if counts(name) or name.startswith(".") or re.search(r"\.ya?ml\.old\d*$", lower):
        return ""
    if lower.endswith(("~", ".orig", ".bak", ".part", ".tmp", ".swp", "#")) and (".yaml" in lower or ".yml" in lower):
        return "its name is that of a copy that a program leaves; a profile's name ends in .yaml"
    if lower.endswith(".txt") and lower[:-4].endswith((".yaml", ".yml")):
        return f"its name ends in .txt; rename it to {name[:-4]}"
    if lower.endswith(_NOT_YAML):
        return f"its name ends in {lower[lower.rindex('.') :]}, and a profile is a text file whose name ends in .yaml"
    if ".yaml" in lower or ".yml" in lower:
        return "its name does not end in .yaml"
    return ""


def all_passed_over(folder: Path, _worker: WorkerThread | None = None) -> dict[str, str]:
    """The files in the folder that are passed over, and why: the first ``MOST_NAMES`` by name."""
    try:
        with os.scandir(folder) as entries:
            found = {entry.name: why for entry in entries if (why := passed_over(entry.name))}
    except OSError:
        return {}
    return {tidy(name): found[name] for name in sorted(found)[:MOST_NAMES]}


def stem(name: str) -> str:
    """The child's name in a file's name."""
    return name.rsplit(".", 1)[0]


def means(child: str, name: str) -> bool:
    """True if this name of a child or of a file means the file. One letter can be written in two ways (Unicode)."""
    wanted = unicodedata.normalize("NFC", child)
    return wanted in {unicodedata.normalize("NFC", each) for each in (name, stem(name))}


def file_of(child: str, names: Iterable[str]) -> str | None:
    """The file of a child; .yaml before .yml."""
    return next((name for name in sorted(names) if means(child, name)), None)


def silent(path: Path) -> Problem:
    """Return the problem of a file that stalls."""
    why = f"this file cannot be read: {SILENT}"
    return Problem(tidy(str(path)), 1, 1, why, "Is the USB stick plugged in?", may_pass=True)


def suspected(path: Path) -> Problem:
    """Return the problem of a profile that has killed the router."""
    hint = "Change it, or put an older one in its place. The log says when it happened, and what was at work."
    return Problem(
        tidy(str(path)), 1, 1, "the router died again and again while this played, so it plays no more as it is", hint
    )


def no_such_child(folder: Path, child: str, names: Iterable[str], missing: bool = False) -> Problem:
    """Return the problem of a child without a profile in the folder: who may be meant, and who is there."""
    known = sorted({tidy(name) for name in names})
    near = nearest(child, known)
    hint = f'Did you mean "{near}"?  ' if near else ""
    more = f" and {len(known) - MOST_NAMES} more" if len(known) > MOST_NAMES else ""
    hint += f"There are: {', '.join(known[:MOST_NAMES])}{more}." if known else "There is no profile in it."
    if missing:
        return Problem(
            tidy(str(folder)), 1, 1, "the folder of the profiles is not there", "Is its USB stick plugged in?"
        )
    return Problem(tidy(str(folder)), 1, 1, f"there is no profile called {quoted(tidy(child))} in this folder", hint)
