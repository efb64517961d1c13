"""The session log: one JSON object a line, the same from the daemon and from ``router play``.

Each line holds ``t`` (seconds from the start, microseconds kept), ``event`` and the event's own fields; see the
formats in DEVELOPERS.md. Only the profile's pseudonym is ever written.

Live, everything leaves through a bounded queue to a thread of its own, so that a slow disk never delays a note. What
does not fit is counted, and the log itself says where lines are missing. A disk that fails is tried again and again;
what waited meanwhile is written then. The files of a child lie in a folder of its own (see records.py):

    2026-11-25T103300-bed.jsonl             the session log
    2026-11-25T103300-bed.trace.jsonl.gz    what the sensors said, if that was asked for: a trace for ``router play``

Each second in which something came, the log is closed with a line ``check`` (the CRC-32 of all bytes since the last
such line, so that damage is found and its second is known) and put on the disk (fsync), so that a power cut costs a
second. The last line, ``end``, holds the SHA-256 of everything before it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from router.core.events import Mark, Sample
from router.core.units import NANOSECONDS
from router.records.record_files import stem
from router.records.retention import DAY, LEAST, ClockWhileOff, Retention
from router.records.session_files import GrowingLog, GrowingTrace
from router.records.session_log import QUEUE, WriterThread, header, remark
from router.system import clock

ON_DISK = NANOSECONDS
"""Nanoseconds until what came is on the disk: as much as a power cut may cost."""

PATIENCE = (1, 2, 5, 10, 30)
"""Seconds until a disk that failed is tried again; the last one for ever."""

RECORD, RECORD_OFF = "record", "record off"
"""The marks that begin and end a recording of what the sensors say, in lower case."""

BASELINE, PLAYING = "baseline", "playing"
"""The marks that begin the phases of a session. In a baseline movements are heard and recorded, and nothing sounds."""


class Records:
    """The folder with the records of all children, and the one thread that writes there.

    Nothing here ever waits for a disk.

    ``say(event, **fields)`` is told, by that thread, what the technician should know: ``records_fault`` (once an
    outage), ``records_again``, ``records_put_away`` (into the wastebasket), ``records_deleted`` (from it). ``keep`` is
    how old records may get, in nanoseconds, and ``sessions`` on how many days of one child they are kept, both by the
    days that ``retention.py`` counts; None keeps them for ever. Without ``notes`` the logs hold what the child did and
    not what it played.
    """

    def __init__(
        self,
        folder: Path,
        say: Callable[..., None],
        *,
        keep: int | None = None,
        sessions: int | None = None,
        notes: bool = True,
        size: int = QUEUE,
    ) -> None:
        self._folder, self._say, self._notes = folder, say, notes
        self._retention = Retention(folder, None if keep is None else keep // DAY, sessions, clock.now(), clock.wall())
        self._clock = ClockWhileOff(folder, clock.now(), clock.boot())
        self._open: list[SessionRecorder] = []  # the writing thread's
        self._failed = 0  # attempts since it last worked
        self.trouble = ""
        """Why nothing can be recorded now; empty if all is well. Replaced by the writing thread."""
        self._sweep_failed = False
        self._flush_at: int | None = None
        self._thread: WriterThread[Callable[[], None]] = WriterThread(
            "records", lambda job: job(), self._program_failed, due=self._due, last=self._flush, size=size
        )

    @property
    def clock_stands(self) -> bool:
        """Tell whether the clock stands still while the PC is off, as far as the starts so far show."""
        return self._clock.stands

    def begin(
        self, seat: str, child: str, profile_digest: str, now: int, *, record_raw: bool = False
    ) -> SessionRecorder:
        """A new session, whose time 0 is ``now`` (monotonic nanoseconds); ``child`` is the profile's pseudonym."""
        began = datetime.now().astimezone()
        about = header(child, seat=seat, began=began.isoformat(timespec="milliseconds"), profile=profile_digest)
        session = SessionRecorder(self, self._folder / child / stem(began, seat), about, now, notes=self._notes)
        session.record_raw = record_raw
        self.put(partial(self._begin, session, child), however_many=True)
        return session

    def close(self) -> None:
        """Write what is left, within ``LAST_WAIT``. Sessions are to be closed before."""
        self._thread.close()

    def put(self, job: Callable[[], None], *, however_many: bool = False) -> bool:
        """Have something done by the writing thread; False if too much waits already."""
        return self._thread.put(job, however_many=however_many)

    # --- from here on, the writing thread ---------------------------------------------------------------------

    def _program_failed(self, error: Exception) -> None:
        self._say("records_fault", why=f"the program failed: {error}")

    def _due(self) -> float:
        """Put on the disk what came, each second and not more often; return the seconds until that is due again."""
        self._note_clock()
        while True:
            now = clock.now()
            if self._flush_at is None and any(session.waits for session in self._open):
                seconds = PATIENCE[min(self._failed, len(PATIENCE)) - 1] if self._failed else ON_DISK / NANOSECONDS
                self._flush_at = now + round(seconds * NANOSECONDS)
            if self._flush_at is None or now < self._flush_at:
                return (LEAST if self._flush_at is None else self._flush_at - now) / NANOSECONDS
            self._flush()

    def _begin(self, session: SessionRecorder, child: str) -> None:
        self._open.append(session)
        self._sweep(child)

    def _sweep(self, child: str | None = None) -> None:
        """See to what has been kept long enough. A fault in it is no fault in writing, and is said once."""
        playing = [path for session in self._open for path in session.paths]
        try:
            for swept in self._retention.sweep(clock.now(), clock.wall(), child, playing):
                self._say(
                    "records_deleted" if swept.deleted else "records_put_away",
                    child=swept.child,
                    sessions=swept.sessions,
                    why="in the wastebasket long enough" if swept.deleted else "older or more than are to be kept",
                )
        except OSError as error:
            if not self._sweep_failed:
                why = (error.strerror or str(error)).lower()
                self._say("records_kept_too_long", file=str(error.filename), why=why)
            self._sweep_failed = True
        else:
            self._sweep_failed = False

    def _flush(self) -> None:
        self._flush_at = None
        self._note_clock()
        failed = None
        for session in self._open:
            try:
                session.flush()
            except OSError as error:
                failed = error
        if failed is not None:
            self._fault(failed)
        elif self._failed:
            self._failed, self.trouble = 0, ""
            self._say("records_again", folder=str(self._folder))
        for session in self._open:
            if session.over and not session.waits:
                session.shut()
        self._open = [session for session in self._open if session.waits or not session.over]
        if failed is None and self._retention.due(clock.now(), clock.wall()):
            self._sweep()

    def _note_clock(self) -> None:
        if self._clock.due(now := clock.now()):
            with contextlib.suppress(OSError):  # a disk that cannot be written is told of where a record should be
                self._clock.note(now, clock.wall())

    def _fault(self, error: OSError) -> None:
        self._failed += 1
        why = (error.strerror or str(error)).lower()
        self.trouble = f"{self._folder}: {why}"
        if self._failed == 1:
            self._say("records_fault", folder=str(self._folder), why=why)


class SessionRecorder:
    """A child's session: an engine's ``observe``, and all else that is recorded. Made by ``Records.begin``.

    Every method may be called on the loop's thread, and none waits. With ``record_raw`` what the sensors say is
    recorded, too; the mark ``record`` asks for it from then on, and ``record off`` ends it. Marks are recorded with it
    without being given to ``sample``.
    """

    def __init__(self, records: Records, path: Path, about: dict[str, Any], start: int, *, notes: bool) -> None:
        self.record_raw = False
        self.over = False
        """True once it has been closed (for the writing thread)."""
        self._records, self._start = records, start
        self._left_out: frozenset[str] = _OTHERS if notes else _OTHERS | _MUSIC
        self._started = False
        self._refused = self._said = 0  # one for each thread, as in BackgroundWriter
        self._log = GrowingLog(path, about)
        self._trace: GrowingTrace | None = None
        self._new_trace = partial(GrowingTrace, path, about)

    @property
    def lost(self) -> int:
        """Lines of the log that are missing since it began: too much waited for the disk."""
        return self._refused + self._log.lost

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """An engine's ``observe``."""
        if event in self._left_out:
            return
        if event == "start" and not self._started:  # the first line has said it
            self._started = True
            return
        try:
            self._put(partial(self._event, now, event, fields))
        except MemoryError:
            self._refused += 1
        if event == "mark":
            asked = fields["text"].strip().casefold()
            if asked in (RECORD, RECORD_OFF):
                self.record_raw = asked == RECORD
            self.sample(now, Mark(remark(fields["text"])))

    def sample(self, now: int, sample: Sample) -> None:
        """Record a sample; nothing is done unless ``record_raw``."""
        if self.record_raw:
            self._put(partial(self._sample, now, sample))

    def mark(self, now: int, text: str) -> None:
        """A remark that comes by another way than through the engine."""
        self(now, "mark", {"text": text})

    def close(self, now: int) -> None:
        """The session is over."""
        self._records.put(partial(self._close, now), however_many=True)

    def _put(self, job: Callable[[], None]) -> None:
        if not self._records.put(job):
            self._refused += 1

    # --- from here on, the writing thread ---------------------------------------------------------------------

    @property
    def waits(self) -> bool:
        """Tell whether something is not on the disk yet."""
        return self._log.waits or (self._trace is not None and self._trace.waits)

    @property
    def paths(self) -> list[Path]:
        """The files that are being written."""
        return [file.path for file in (self._log, self._trace) if file is not None]

    def flush(self) -> None:
        """Put on the disk what came.

        Raises:
            OSError: it cannot be; it is kept, as much as there is room for.
        """
        self._log.check()
        try:
            self._log.write()
            if self._trace is not None:
                self._trace.write()
        except OSError:
            self.shut()  # the disk may be another one when it is there again
            raise

    def shut(self) -> None:
        """Close the files; they are opened again if there is more to write."""
        self._log.close()
        if self._trace is not None:
            self._trace.close()

    def _event(self, now: int, event: str, fields: dict[str, Any]) -> None:
        self._say_refused()
        try:
            if event == "mark":
                fields = {**fields, "text": remark(fields["text"])}
            self._log.event((now - self._start) / NANOSECONDS, event, fields)
        except MemoryError:
            self._log.missing += 1
            self._log.lost += 1
            raise

    def _sample(self, now: int, sample: Sample) -> None:
        if self._trace is None:
            self._trace = self._new_trace()
        self._trace.sample(now - self._start, sample)

    def _close(self, now: int) -> None:
        self._say_refused()
        self._log.end((now - self._start) / NANOSECONDS)
        self.over = True

    def _say_refused(self) -> None:
        missing = self._refused - self._said
        self._said += missing
        self._log.missing += missing


_MUSIC = frozenset({"note_on", "note_off", "control", "program", "chord", "music", "song"})
"""Events of what was played, not of what the child did."""
_OTHERS = frozenset({"heard"})
"""Events of what other children did: a child's log holds nobody else."""
