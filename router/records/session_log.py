"""The lines of a session log, and writing them to one file: at once offline, from a thread of its own live."""

from __future__ import annotations

import hashlib
import json
import queue
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

from router import __version__
from router.core.units import NANOSECONDS
from router.records.record_files import VERSION

QUEUE = 10_000
"""Events that may wait for the disk: some minutes of a busy session. Our choice."""

LAST_WAIT = 5.0
"""Seconds for the disk to take what is left when the daemon stops."""

LONGEST_MARK = 200
"""Letters of a remark that are kept; far above a sentence."""


def log_line(t: float, event: str, fields: dict[str, Any]) -> str:
    """Write an event as a line of the log, with its line end."""
    return json.dumps({"t": round(t, 6), "event": event, **fields}, ensure_ascii=False) + "\n"


def header(child: str, **more: Any) -> dict[str, Any]:
    """The fields of the first line, ``start``: the version of the format, whose it is, and what made it."""
    return {"log": VERSION, "child": child, **more, "router": __version__}


def digest(profile: Path) -> str:
    """The SHA-256 of a profile's file, which tells one state of the profile from another."""
    return hashlib.sha256(profile.read_bytes()).hexdigest()


def remark(text: str) -> str:
    """A mark's text as it is written: one line of what can be shown, not too long."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:LONGEST_MARK]


class LogFile:
    """Writes each event as it comes: for offline work, where waiting for the disk harms nobody.

    ``about`` goes into the first ``start``; see ``header``.
    """

    def __init__(self, file: TextIO, start: int, about: dict[str, Any] | None = None) -> None:
        self._file, self._start = file, start
        self._about = about or {}

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """An engine's ``observe``."""
        if event == "start":
            fields, self._about = {**fields, **self._about}, {}
        self._file.write(log_line((now - self._start) / NANOSECONDS, event, fields))


class BackgroundWriter:
    """Writes lines to a file from a thread of its own; ``put`` never waits.

    ``lost`` makes the line that stands in for a number of lines that did not fit or could not be written. ``on_fault``
    is told, by the writing thread and once until it works again, why the file cannot be written; the music plays on.
    """

    def __init__(
        self,
        file: TextIO,
        lost: Callable[[int], str],
        on_fault: Callable[[OSError], None] | None = None,
        size: int = QUEUE,
    ) -> None:
        self._file, self._lost, self._on_fault = file, lost, on_fault
        self._queue: queue.Queue[Callable[[], str] | None] = queue.Queue(size)
        self._refused = self._said = 0  # lines that did not fit, and how many of them are said to be missing: one
        # number for each thread, so that neither waits for the other
        self._failed = 0  # lines that could not be written since it last worked
        self._unwritten = 0  # and since it began
        self._thread = threading.Thread(target=self._write, name="writer", daemon=True)
        self._thread.start()

    @property
    def lost(self) -> int:
        """Lines that are missing since it began: they did not fit or could not be written."""
        return self._refused + self._unwritten

    def put(self, line: Callable[[], str]) -> None:
        """A line, made when it is written."""
        try:
            self._queue.put_nowait(line)
        except queue.Full:
            self._refused += 1

    def close(self) -> bool:
        """Write what is left, within ``LAST_WAIT``, and say whether it was; then the file is the caller's to close."""
        try:
            self._queue.put(None, timeout=LAST_WAIT)
        except queue.Full:
            return False
        self._thread.join(LAST_WAIT)
        return not self._thread.is_alive()

    def _write(self) -> None:
        while (line := self._queue.get()) is not None:
            self._written(line)
        self._written(str)  # nothing more, but what is missing is said

    def _written(self, line: Callable[[], str]) -> None:
        refused = self._refused - self._said
        try:
            if missing := refused + self._failed:
                # A new line first: the last one may have been cut off.
                self._file.write(("\n" if self._failed else "") + self._lost(missing))
            self._file.write(line())
            if self._queue.empty():
                self._file.flush()
        except (OSError, MemoryError) as error:
            if not self._failed and self._on_fault is not None and isinstance(error, OSError):
                self._on_fault(error)
            self._failed += 1
            self._unwritten += 1
        else:
            self._said += refused
            self._failed = 0


class BackgroundLog:
    """A session log in one file that the caller has opened; ``start`` is the monotonic time of its 0."""

    def __init__(
        self, file: TextIO, start: int, on_fault: Callable[[OSError], None] | None = None, size: int = QUEUE
    ) -> None:
        self._start = start
        self._latest = start
        self._writer = BackgroundWriter(file, self._gap, on_fault, size)

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """An engine's ``observe``."""
        self._writer.put(lambda: self._line(now, event, fields))

    def close(self) -> None:
        """Write what is left."""
        self._writer.close()

    def _line(self, now: int, event: str, fields: dict[str, Any]) -> str:
        self._latest = now
        return log_line((now - self._start) / NANOSECONDS, event, fields)

    def _gap(self, missing: int) -> str:
        return log_line((self._latest - self._start) / NANOSECONDS, "fault", missing_lines(missing))


def missing_lines(lines: int) -> dict[str, Any]:
    """Return the fields of a ``fault`` that says how many lines are missing."""
    return {"error": f"{lines} lines are missing about here: the disk was too slow or failed", "missing": lines}
