"""How long records are kept: by days on which the router ran, and never by what a clock says alone.

    RECORDS/.days.json             the days that have been counted
    RECORDS/.clock.json            when the clock was last seen to go, and how often it stood still while the PC was off
    RECORDS/CHILD/.seen.json       how many days had been counted when each session was first seen
    RECORDS/.wastebasket/CHILD/    what is kept no longer, for ``IN_WASTEBASKET`` more of such days

A clock may be wrong by years: its battery is empty, somebody mistyped, the network sets it while the router runs. So a
date counts once, and only after the router has run on it for ``LEAST`` while that clock and the monotonic one agreed; a
jump counts nothing. What cannot be read is begun again, which keeps records for longer.

Nothing here reads a clock: the time is told.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from router.core.units import NANOSECONDS
from router.records.record_files import began, folders
from router.system.files import replacing

DAY = 86_400 * NANOSECONDS

LEAST = 600 * NANOSECONDS
"""How long the router must have run on a day for it to count. Our choice: the shortest session, with its
preparation."""

APART = 2 * NANOSECONDS
"""A clock that has moved by more against the monotonic one was set. Both are slewed alike; a leap second is one
second."""

IN_WASTEBASKET = 30
"""Days on which the router ran, for which what is kept no longer can be brought back. Our choice."""

WASTEBASKET = ".wastebasket"
DAYS, SEEN, CLOCK = ".days.json", ".seen.json", ".clock.json"

STILL = 900 * NANOSECONDS
"""From the last note of the clock to the next start, when no time went by in between: a note is at most ``LEAST``
old."""

STARTS = 5
"""Starts in a row that are more than a technician switching it off and on. Our choice."""

_DATES = 4000
"""The latest dates that are remembered as counted: more than ten years of days."""


class Running:
    """The dates on which this process has run, by a clock that agreed with the monotonic one.

    Times are nanoseconds: ``now`` of the monotonic clock, ``wall`` since 1970 in UTC, so that no time zone changes a
    date.
    """

    def __init__(self, now: int, wall: int) -> None:
        self._since, self._offset = now, wall - now

    def dates(self, now: int, wall: int) -> list[int]:
        """Return the dates, in days since 1970, with at least ``LEAST`` of running since the clock was last set."""
        if abs(wall - now - self._offset) > APART:  # it was set, or the machine slept
            self._since, self._offset = now, wall - now
        start = self._since + self._offset
        return [
            date
            for date in range(start // DAY, wall // DAY + 1)
            if min(wall, (date + 1) * DAY) - max(start, date * DAY) >= LEAST
        ]

    def counted(self, now: int) -> None:
        """All dates until now have been written down."""
        self._since = max(self._since, now - DAY)


class ClockWhileOff:
    """Finds out if the clock goes on while the PC is off: with no battery or network each start is on the same day.

    ``boot`` is which switching-on this is, "" if that is not known: then nothing is said.
    """

    def __init__(self, folder: Path, now: int, boot: str) -> None:
        self._path, self._began, self._boot = folder / CLOCK, now, boot
        self._starts: int | None = None  # in a row, at which it had stood still
        self._noted = now

    @property
    def stands(self) -> bool:
        """Tell whether it has stood still so often that not each time was a quick restart."""
        return (self._starts or 0) >= STARTS

    def due(self, now: int) -> bool:
        """Tell whether it is time to note the clock; touches no disk."""
        return bool(self._boot) and now - self._noted >= LEAST

    def note(self, now: int, wall: int) -> None:
        """Write down where the clock is, for the next start to compare.

        Raises:
            OSError: it cannot be written.
        """
        self._noted = now
        if not self._path.parent.is_dir():
            return
        if self._starts is None:
            before = _read(self._path)
            then, starts = before.get("wall"), before.get("starts")
            if type(then) is not int or type(starts) is not int:
                self._starts = 0
            elif before.get("boot") == self._boot:
                self._starts = starts
            else:
                self._starts = starts + 1 if wall - (now - self._began) - then < STILL else 0
        _write(self._path, {"boot": self._boot, "wall": wall, "starts": self._starts})


class Swept(NamedTuple):
    """Sessions of one child that went into the wastebasket, or were deleted from it."""

    child: str
    sessions: int
    deleted: bool


class Retention:
    """Moves what has been kept long enough into the wastebasket, and empties that.

    ``keep``: for how many counted days a session is kept; ``sessions``: on how many counted days with sessions a
    child's are kept, as another profile for a moment is no session of its own. None: no end.
    """

    def __init__(self, folder: Path, keep: int | None, sessions: int | None, now: int, wall: int) -> None:
        self._folder, self._keep, self._sessions = folder, keep, sessions
        self._running = Running(now, wall)
        self._swept_at: int | None = None
        self._noticed: set[int] = set()

    def due(self, now: int, wall: int) -> bool:
        """Tell whether a new day counts since ``sweep`` was last called; touches no disk."""
        return not self._noticed.issuperset(self._running.dates(now, wall))

    def sweep(self, now: int, wall: int, child: str | None, playing: Collection[Path]) -> Iterator[Swept]:
        """Count today if it is time, then sweep all folders if a day was counted since, or else the child's.

        ``playing``: the files that are being written; they stay.

        Raises:
            OSError: something cannot be read, moved or written.
        """
        dates = self._running.dates(now, wall)
        self._noticed.update(dates)
        count = self._count(dates)
        self._running.counted(now)
        if self._swept_at != count:
            chosen, wastebasket = folders(self._folder), folders(self._folder / WASTEBASKET)
        else:
            chosen, wastebasket = [self._folder / child] if child is not None else [], []
        for folder in chosen:
            if moved := self._move(folder, count, playing):
                yield Swept(folder.name, moved, deleted=False)
        for folder in wastebasket:
            if deleted := _empty(folder, count):
                yield Swept(folder.name, deleted, deleted=True)
        self._swept_at = count

    def _count(self, dates: list[int]) -> int:
        """How many days have been counted, these among them."""
        path = self._folder / DAYS
        found = _read(path)
        before = found.get("dates")
        before = [date for date in before if type(date) is int] if isinstance(before, list) else []
        count = found.get("count")
        count = count if type(count) is int and count >= len(before) else len(before)
        new = [date for date in dates if date not in before]
        if new and self._folder.is_dir():
            count += len(new)
            _write(path, {"count": count, "dates": [*before, *new][-_DATES:]})
        return count

    def _move(self, folder: Path, count: int, playing: Collection[Path]) -> int:
        """Move a child's sessions that have been kept long enough; return how many."""
        seen = _seen(folder, count)
        old = {session for session, when in seen.items() if self._keep is not None and count - when > self._keep}
        if self._sessions is not None:
            days = sorted(set(seen.values()), reverse=True)[: self._sessions]
            old |= {session for session, when in seen.items() if when not in days}
        old -= {_session(path.name) for path in playing if path.parent == folder}
        for path in sorted(folder.iterdir()) if old else ():
            if _session(path.name) in old and began(path.name) is not None:
                _put_away(path, self._folder / WASTEBASKET / folder.name)
        return len(old)


def _session(name: str) -> str:
    """The log and the recording of a session have this in common."""
    return name.partition(".")[0]


def _seen(folder: Path, count: int) -> dict[str, int]:
    """How many days had been counted when each session in the folder was first seen; new ones are noted."""
    there = {_session(path.name) for path in folder.iterdir() if began(path.name)} if folder.is_dir() else set()
    before = _read(folder / SEEN)
    seen = {}
    for session in sorted(there):
        when = before.get(session)
        seen[session] = when if type(when) is int and 0 <= when <= count else count
    if seen != before and folder.is_dir():
        _write(folder / SEEN, seen)
    return seen


def _put_away(path: Path, to: Path) -> None:
    """Move a file into the wastebasket, where nothing is overwritten."""
    to.mkdir(0o700, parents=True, exist_ok=True)
    stem, dot, ending = path.name.partition(".")
    name, number = path.name, 1
    while (to / name).exists():
        number += 1
        name = f"{stem}-{number}{dot}{ending}"
    path.rename(to / name)


def _empty(folder: Path, count: int) -> int:
    """Delete what has been in a child's wastebasket long enough; return how many sessions."""
    seen = _seen(folder, count)
    old = {session for session, when in seen.items() if count - when > IN_WASTEBASKET}
    for path in list(folder.iterdir()):
        if _session(path.name) in old and began(path.name) is not None:
            path.unlink()
    if len(old) == len(seen):
        (folder / SEEN).unlink(missing_ok=True)
        with contextlib.suppress(OSError):  # something else lies there
            folder.rmdir()
    return len(old)


def _read(path: Path) -> dict[str, Any]:
    """Read what was written there; empty if it cannot be understood, so that counting begins again."""
    try:
        found = json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _write(path: Path, what: dict[str, Any]) -> None:
    with replacing(path, private=True) as file:
        file.write(json.dumps(what).encode() + b"\n")
