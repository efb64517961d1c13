"""The folder of records: what lies where, and reading what was written; ``retention.py`` says how long it is kept.

    RECORDS/CHILD/2026-11-25T103300-bed.jsonl             a session log, of the seat "bed"
    RECORDS/CHILD/2026-11-25T103300-bed.trace.jsonl.gz    what the sensors said in that session

Whatever else lies in a child's folder and begins with a date and a time in this way belongs to that time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

VERSION = 1
"""The version of the log's format, written into its first line."""

LOG = ".jsonl"
TRACE = ".trace.jsonl.gz"

CHILD = re.compile(r"[a-z][a-z0-9-]{0,31}")
"""The name of a child's folder: a pseudonym, as profiles have it."""

NOBODY = "somebody whose name is no pseudonym"
"""The owner of a log whose name for the child no profile can have: it goes into no report."""

_STEM = re.compile(r"(\d{4}-\d\d-\d\dT\d{6})-[^.]+")


def stem(began: datetime, seat: str) -> str:
    """The beginning of the names of a session's files: its start by the local clock, and its seat."""
    return f"{began:%Y-%m-%dT%H%M%S}-{seat}"


def began(name: str) -> datetime | None:
    """The time at which the session of a file of this name began, by the local clock; None if the name does not say."""
    found = _STEM.match(name)
    try:
        return datetime.strptime(found[1], "%Y-%m-%dT%H%M%S") if found else None  # noqa: DTZ007 - a local time, as written
    except ValueError:
        return None


def children(folder: Path) -> list[Path]:
    """The folders of the children in the folder of records."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if path.is_dir() and CHILD.fullmatch(path.name))


def carries(name: str, child: str) -> bool:
    """Tell whether a file's or folder's name holds a child's pseudonym as a whole word, as names of copies do."""
    return child in {word.strip("-") for word in re.split(r"[^a-z0-9-]+", name.casefold())}


def folders_of(child: str, folder: Path) -> list[Path]:
    """The folders with a child's records.

    They are her own, and those that were called after a copy of her profile (until version 0.1).
    """
    old = (path for path in folders(folder) if not CHILD.fullmatch(path.name) and carries(path.name, child))
    return [folder / child, *old]


def folders(folder: Path) -> list[Path]:
    """Every folder of somebody's in the folder of records, under whatever name; none that is hidden or a link."""
    if not folder.is_dir():
        return []
    return sorted(
        path for path in folder.iterdir() if not path.name.startswith(".") and path.is_dir() and not path.is_symlink()
    )


# --- reading a log ------------------------------------------------------------------------------------------------

LARGEST = 1 << 28
"""Bytes of a log that are read; a day of playing without a pause has some 50 MB."""

LONGEST = 366 * 86_400.0
"""Seconds: a time beyond a year is a mistake in the file."""

_TOLD = frozenset(
    {"start", "stop", "press", "release", "reject", "mark", "lost", "found", "fault", "swap", "near", "drift"}
)
"""The events that say what the child did and what happened around it."""

PLAYED = frozenset({"music", "song", "program", "note_on", "note_off", "control", "chord"})
"""The events that say what was played, and in what music."""


class Event(NamedTuple):
    """A line of a log: seconds from the start, the event, and its fields."""

    t: float
    event: str
    fields: dict[str, Any]


@dataclass(slots=True)
class SessionLog:
    """A log as far as it could be read; ``remarks`` say what could not be, for people.

    ``child`` is None where the first line does not say; ``began`` is by the local clock of the machine that played,
    None for a log of ``router play``. ``closed``: the log came to its end, and no power cut ended it.
    """

    name: str
    child: str | None = None
    called: str = ""
    """The child's name in the first line, valid or not."""
    seat: str = ""
    profile: str = ""
    began: datetime | None = None
    events: list[Event] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    closed: bool = False


def read(path: Path, *, played: bool = False) -> SessionLog:
    """Read a log, whatever is wrong with it: damage costs the second in which it is, and is remarked on.

    ``played``: what was played is read, too.

    Raises:
        OSError: the file cannot be read at all.
    """
    log = SessionLog(path.name, began=began(path.name))
    with path.open("rb") as file:
        data = file.read(min(os.fstat(file.fileno()).st_size, LARGEST) + 1)  # room is made for as much as is asked for
    if len(data) > LARGEST:
        log.remarks.append("it is too large to be a log, and is not used")
    elif not data.strip(b"\0 \t\r\n"):
        log.remarks.append("it is empty")
    else:
        _LogReader(log, played=played).read(data)
    return log


# Each begins with letters that are found fast.
_CHECK = re.compile(rb', "event": "check", "crc32": "([0-9a-f]{8})"\}\n')
_END = re.compile(rb', "event": "end", "sha256": "([0-9a-f]{64})"\}\n')
_PLAYED = b', "event": "note_'
"""The beginning of a line about a note: most of a log, and few who read it need it."""


class _LogReader:
    """Takes the lines of a log, block by block: what a check sum vouches for, what none does, and what one accuses."""

    def __init__(self, log: SessionLog, *, played: bool) -> None:
        self._log, self._played = log, played
        self._told = _TOLD | PLAYED if played else _TOLD
        self._last = 0.0
        self._unread = 0  # lines that are no line of a log
        self._back = 0  # lines that go back in time
        self._summed = False
        self._sound: list[memoryview] = []  # what a check sum vouches for and has not been taken yet
        self._newer: Any = None

    def read(self, data: bytes) -> None:
        log = self._log
        place = data.rfind(b"\n") + 1
        rest = data[place:]
        end = self._blocks(data[:place])
        if rest.strip(b"\0 \t\r"):  # a power cut may leave half a line
            whole = rest.rstrip().endswith(b"}") and self._line(rest)
            if not whole:
                log.remarks.append("the last line was cut off and is left out")
        if self._newer is not None:
            log.events.clear()
            log.remarks[:] = [
                f"it was written by a newer router (format {self._newer}; this one reads {VERSION}), and is not used"
            ]
            return
        if self._unread:
            log.remarks.append(f"{_lines(self._unread)} could not be read and {_are(self._unread)} left out")
        if self._back:
            log.remarks.append(f"{_lines(self._back)} stood out of order and {_are(self._back)} put in order")
            log.events.sort(key=lambda event: event.t)
        if missing := sum(_number(event.fields.get("missing")) for event in log.events if event.event == "fault"):
            log.remarks.append(f"{_lines(missing)} are missing: the disk was too slow or failed while the child played")
        if end is not None:
            log.closed = True
            found, said = end
            if found != said and not log.remarks:
                log.remarks.append("lines have been taken out, added or changed since it was written")
        elif self._summed:
            log.remarks.append("it has no end: the power went, or the child is still playing")
        else:
            log.closed = any(event.event == "stop" for event in log.events)

    def _blocks(self, data: bytes) -> tuple[str, str] | None:
        """Read all whole lines. Returns the hash of a log that has an end, and the hash that it says."""
        whole = memoryview(data)
        end = _END.search(data)
        stop = _line_of(data, end) if end is not None else len(data)
        start = 0
        for check in _CHECK.finditer(data, 0, stop):
            self._summed = True
            line = _line_of(data, check)
            block = whole[start:line]
            if zlib.crc32(block) == int(check[1], 16):
                self._sound.append(block)
            else:
                self._damaged(bytes(block), data[line : check.end()])
            start = check.end()
        self._unvouched(data[start:stop].split(b"\n"))
        return (hashlib.sha256(whole[:stop]).hexdigest(), end[1].decode()) if end is not None else None

    def _take_sound(self) -> None:
        """Take the lines that check sums vouch for, all at once, as that is several times as fast."""
        lines = [line for line in b"".join(self._sound).split(b"\n") if line and (self._played or _PLAYED not in line)]
        self._sound = []
        try:
            taken = json.loads(b"[" + b",".join(lines) + b"]")
        except (ValueError, RecursionError):  # not written by a router
            self._unvouched(lines)
        else:
            for fields in taken:
                self._unread += not (isinstance(fields, dict) and self._take(fields))

    def _unvouched(self, lines: Iterable[bytes]) -> None:
        if self._sound:
            self._take_sound()
        for line in lines:
            if line.strip(b"\0 \t\r"):
                self._unread += not self._line(line)

    def _damaged(self, block: bytes, check: bytes) -> None:
        if self._sound:
            self._take_sound()
        t = (_parsed(check) or {}).get("t")
        about = f"between {self._last:.1f} s and {t:.1f} s" if type(t) in _NUMBERS else f"after {self._last:.1f} s"
        count = block.count(b"\n")
        self._log.remarks.append(f"it is damaged {about}: {_lines(count)} there {_are(count)} not used")
        self._log.events.append(Event(self._last, "fault", {"error": "damaged"}))

    def _line(self, line: bytes) -> bool:
        """Take one line; False if it is none of a log."""
        fields = _parsed(line)
        return fields is not None and self._take(fields)

    def _take(self, fields: dict[str, Any]) -> bool:
        t, event = fields.pop("t", None), fields.pop("event", None)
        if type(t) not in _NUMBERS or not 0 <= t <= LONGEST or not isinstance(event, str):
            return False
        if event in self._told:
            sound = _FIELDS.get(event)
            if sound is not None and not sound(fields):
                return False
            if event == "start" and "log" in fields:
                self._header(fields)
            if t < self._last:
                self._back += 1
            else:
                self._last = t
            self._log.events.append(Event(float(t), event, fields))
        return True

    def _header(self, fields: dict[str, Any]) -> None:
        log, version = self._log, fields["log"]
        if version != VERSION:
            self._newer = version if isinstance(version, int | str) else "unknown"
        if isinstance(child := fields.get("child"), str):
            log.child, log.called = child if CHILD.fullmatch(child) else NOBODY, child
        if isinstance(seat := fields.get("seat"), str):
            log.seat = seat
        if isinstance(profile := fields.get("profile"), str):
            log.profile = profile
        if isinstance(when := fields.get("began"), str):
            with contextlib.suppress(ValueError):
                log.began = datetime.fromisoformat(when).replace(tzinfo=None)


def _line_of(data: bytes, found: re.Match[bytes]) -> int:
    """Where the line begins in which something was found."""
    return data.rfind(b"\n", 0, found.start()) + 1


_NUMBERS = frozenset({int, float})


def _source(fields: dict[str, Any]) -> bool:
    return isinstance(fields.get("input"), str)


def _press(fields: dict[str, Any]) -> bool:
    strength: Any = fields.get("strength")
    return _source(fields) and type(strength) in _NUMBERS and 0 <= strength <= 1


_FIELDS: Mapping[str, Callable[[dict[str, Any]], bool]] = MappingProxyType(
    {
        "press": _press,
        "release": _source,
        "lost": _source,
        "found": _source,
        "near": lambda fields: _source(fields) and type(fields.get("reach")) in _NUMBERS,
        "drift": lambda fields: _source(fields) and isinstance(fields.get("what"), str),
        "reject": lambda fields: _source(fields) and isinstance(fields.get("by"), str),
        "mark": lambda fields: isinstance(fields.get("text"), str),
    }
)
"""The fields that an event must have."""


def _parsed(line: bytes) -> dict[str, Any] | None:
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return fields if isinstance(fields, dict) else None


def _number(value: Any) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 < value < 1_000_000_000 else 0


def _lines(count: int) -> str:
    return "1 line" if count == 1 else f"{count} lines"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"
