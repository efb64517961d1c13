"""The session log: one JSON object a line, the same from the daemon and from ``router play``.

Each line holds ``t`` (seconds from the start, microseconds kept), ``event`` and the event's own fields; see the
formats in DEVELOPERS.md. Only the profile's pseudonym is ever written.

Live, lines leave through a bounded queue to a thread of their own, so that a slow disk never delays a note. What does
not fit is counted, and the log itself says where lines are missing.
"""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Callable
from typing import Any, TextIO

from router.units import NANOSECONDS

QUEUE = 10_000
"""Events that may wait for the disk: some minutes of a busy session. Our choice."""

LAST_WAIT = 5.0
"""Seconds for the disk to take what is left when the daemon stops."""


def log_line(t: float, event: str, fields: dict[str, Any]) -> str:
    """One line of the log, with its line end."""
    return json.dumps({"t": round(t, 6), "event": event, **fields}, ensure_ascii=False) + "\n"


class LogFile:
    """Writes each event as it comes: for offline work, where waiting for the disk harms nobody."""

    def __init__(self, file: TextIO, start: int) -> None:
        self._file, self._start = file, start

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """An engine's ``observe``."""
        self._file.write(log_line((now - self._start) / NANOSECONDS, event, fields))


class BackgroundWriter:
    """Writes lines to a file from a thread of its own; ``put`` never waits.

    ``lost`` makes the line that stands in for a number of lines that did not fit. ``on_fault`` is told, by the
    writing thread and once, why the file cannot be written; from then on lines are lost, and the music plays on.
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
        self._thread = threading.Thread(target=self._write, name="writer", daemon=True)
        self._thread.start()

    def put(self, line: Callable[[], str]) -> None:
        """A line, made when it is written."""
        try:
            self._queue.put_nowait(line)
        except queue.Full:
            self._refused += 1

    def close(self) -> None:
        """Write what is left, within ``LAST_WAIT``; the file is the caller's to close."""
        try:
            self._queue.put(None, timeout=LAST_WAIT)
        except queue.Full:
            return
        self._thread.join(LAST_WAIT)

    def _write(self) -> None:
        working = True
        while (line := self._queue.get()) is not None:
            if working:
                working = self._written(line)
        if working:
            self._written(str)  # nothing more, but what is missing is said

    def _written(self, line: Callable[[], str]) -> bool:
        missing = self._refused - self._said
        try:
            if missing:
                self._said += missing
                self._file.write(self._lost(missing))
            self._file.write(line())
            if self._queue.empty():
                self._file.flush()
        except OSError as error:
            if self._on_fault is not None:
                self._on_fault(error)
            return False
        return True


class BackgroundLog:
    """The session log of the daemon; ``start`` is the monotonic time of its 0."""

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
        fields = {"error": f"{missing} lines are missing about here: the disk was too slow"}
        return log_line((self._latest - self._start) / NANOSECONDS, "fault", fields)
