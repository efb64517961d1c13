"""The folder of records: what lies where, and what has been kept long enough.

    RECORDS/CHILD/2026-11-25T103300-bed.jsonl             a session log, of the seat "bed"
    RECORDS/CHILD/2026-11-25T103300-bed.trace.jsonl.gz    what the sensors said in that session

Whatever else lies in a child's folder and begins with a date and a time in this way belongs to that time.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import Path

VERSION = 1
"""The version of the log's format, written into its first line."""

LOG = ".jsonl"
TRACE = ".trace.jsonl.gz"

_STEM = re.compile(r"(\d{4}-\d\d-\d\dT\d{6})-[^.]+")


def stem(began: datetime, seat: str) -> str:
    """What the names of a session's files begin with: its start by the local clock, and its seat."""
    return f"{began:%Y-%m-%dT%H%M%S}-{seat}"


def began(name: str) -> datetime | None:
    """When the session of a file of this name began, by the local clock; None if the name does not say."""
    found = _STEM.match(name)
    try:
        return datetime.strptime(found[1], "%Y-%m-%dT%H%M%S") if found else None  # noqa: DTZ007 - a local time, as written
    except ValueError:
        return None


def prune(folder: Path, now: datetime, keep: int | None, sessions: int | None) -> int:
    """Delete a child's sessions older than ``keep`` nanoseconds, and the oldest beyond ``sessions``, one of which begins now.

    A clock that has jumped must not cost a year of records: when nothing is as young as ``keep``, nothing is deleted for its
    age; if the clock was right, the session that begins now is young and the next one deletes what is old.

    Returns:
        How many sessions were deleted.

    Raises:
        OSError: something cannot be read or deleted.
    """
    if not folder.is_dir():
        return 0
    files: dict[tuple[datetime, str], list[Path]] = {}
    for path in folder.iterdir():
        when = began(path.name)
        if when is not None:
            files.setdefault((when, path.name.partition(".")[0]), []).append(path)
    ordered = sorted(files)
    gone = set(ordered[: max(0, len(ordered) - (sessions - 1))]) if sessions is not None else set()
    if keep is not None:
        oldest = now.replace(tzinfo=None) - timedelta(microseconds=keep // 1000)
        if ordered and ordered[-1][0] >= oldest:
            gone |= {key for key in ordered if key[0] < oldest}
    for key in gone:
        for path in files[key]:
            path.unlink()
    return len(gone)
