"""The session log: one JSON object a line, the same from the daemon and from ``router play``.

Each line holds ``t`` (seconds from the start, microseconds kept), ``event`` and the event's own fields; see the
formats in DEVELOPERS.md. Only the profile's pseudonym is ever written.
"""

from __future__ import annotations

import json
from typing import Any, TextIO

from router.units import NANOSECONDS


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
