"""The lines of a session log, and writing them to one file: at once offline, from a thread of its own live.

``WriterThread`` is that thread, for everything that is written beside the loop.
"""

from __future__ import annotations

import hashlib
import json
import queue
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Generic, TextIO, TypeVar

from router import __version__
from router.core.units import NANOSECONDS
from router.records.record_files import VERSION

QUEUE = 10_000
"""Events that may wait for the disk: some minutes of a busy session. Our choice."""

LAST_WAIT = 5.0
"""Seconds for the disk to take what is left when the daemon stops."""

LONGEST_MARK = 200
"""Letters of a remark that are kept; far above a sentence."""

Item = TypeVar("Item")


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


class WriterThread(Generic[Item]):
    """A thread that does one thing after another with what it is given, ``do``; who gives it never waits.

    Args:
        name: the thread's.
        do: may raise anything: that costs this one thing, and ``fault`` is told.
        fault: is told by this thread; must not raise.
        due: is called before each wait; does what is due by time, and returns how many seconds are left until the next
            is; None: nothing is.
        last: is called when all was done and ``close`` was asked for.
        size: things that may wait.
    """

    def __init__(
        self,
        name: str,
        do: Callable[[Item], None],
        fault: Callable[[Exception], None],
        *,
        due: Callable[[], float | None] = lambda: None,
        last: Callable[[], None] = lambda: None,
        size: int = QUEUE,
    ) -> None:
        self._do, self._fault, self._due, self._last, self._size = do, fault, due, last, size
        self._queue: queue.SimpleQueue[Item | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    @property
    def idle(self) -> bool:
        """Tell whether nothing waits to be done."""
        return self._queue.empty()

    def put(self, item: Item, *, however_many: bool = False) -> bool:
        """Have this done; False if too much waits already."""
        if self._queue.qsize() >= self._size and not however_many:
            return False
        self._queue.put(item)
        return True

    def close(self) -> bool:
        """Do what is left, within ``LAST_WAIT``; return whether all was done."""
        self._queue.put(None)
        self._thread.join(LAST_WAIT)
        return not self._thread.is_alive()

    # --- from here on, the thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        goes_on = True
        while goes_on:
            try:
                item = self._next()
                goes_on = item is not None
                if item is not None:
                    self._do(item)
            except Exception as error:  # noqa: BLE001 - what cannot be written must not cost what comes after it
                self._fault(error)
        try:
            self._last()
        except Exception as error:  # noqa: BLE001 - as above
            self._fault(error)

    def _next(self) -> Item | None:
        """Wait for the next thing; meanwhile do what is due. None: all was done, and ``close`` was asked for."""
        while True:
            try:
                return self._queue.get(timeout=self._due())
            except queue.Empty:
                continue


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
        self._refused = self._said = 0  # lines that did not fit, and how many of them are said to be missing: one
        # number for each thread, so that neither waits for the other
        self._failed = 0  # lines that could not be written since it last worked
        self._unwritten = 0  # and since it began
        # At the end nothing more is written, but what is missing is said.
        self._thread = WriterThread("writer", self._write, self._fault, last=lambda: self._write(str), size=size)

    @property
    def lost(self) -> int:
        """Lines that are missing since it began: they did not fit or could not be written."""
        return self._refused + self._unwritten

    def put(self, line: Callable[[], str]) -> None:
        """A line, made when it is written."""
        if not self._thread.put(line):
            self._refused += 1

    def close(self) -> bool:
        """Write what is left, within ``LAST_WAIT``, and say whether it was; then the file is the caller's to close."""
        return self._thread.close()

    # --- from here on, the writing thread ---------------------------------------------------------------------

    def _write(self, line: Callable[[], str]) -> None:
        refused = self._refused - self._said
        if missing := refused + self._failed:
            # A new line first: the last one may have been cut off.
            self._file.write(("\n" if self._failed else "") + self._lost(missing))
        self._file.write(line())
        if self._thread.idle:
            self._file.flush()
        self._said += refused
        self._failed = 0

    def _fault(self, error: Exception) -> None:
        if not self._failed and self._on_fault is not None and isinstance(error, OSError):
            self._on_fault(error)
        self._failed += 1
        self._unwritten += 1


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
