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
import gzip
import hashlib
import itertools
import json
import os
import queue
import threading
import zlib
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, TextIO

from router import __version__
from router.core.events import Mark, Sample
from router.core.units import NANOSECONDS
from router.records.record_files import LOG, TRACE, VERSION, stem
from router.records.retention import DAY, LEAST, ClockWhileOff, Retention
from router.records.trace import header_line, sample_line
from router.system import clock

QUEUE = 10_000
"""Events that may wait for the disk: some minutes of a busy session. Our choice."""

LAST_WAIT = 5.0
"""Seconds for the disk to take what is left when the daemon stops."""

ON_DISK = NANOSECONDS
"""Nanoseconds until what came is on the disk: as much as a power cut may cost."""

PATIENCE = (1, 2, 5, 10, 30)
"""Seconds until a disk that failed is tried again; the last one for ever."""

WAITING = 1 << 20
"""Bytes of one file that are kept while its disk cannot be written: some ten minutes of a busy session. Our choice."""

RECORD, RECORD_OFF = "record", "record off"
"""The marks that begin and end a recording of what the sensors say, in lower case."""

BASELINE, PLAYING = "baseline", "playing"
"""The marks that begin the phases of a session. In a baseline movements are heard and recorded, and nothing sounds."""

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
        return log_line((self._latest - self._start) / NANOSECONDS, "fault", _missing(missing))


def _missing(lines: int) -> dict[str, Any]:
    return {"error": f"{lines} lines are missing about here: the disk was too slow or failed", "missing": lines}


# --- the records of all children ----------------------------------------------------------------------------------


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
        self._folder, self._say, self._notes, self._size = folder, say, notes, size
        self._retention = Retention(folder, None if keep is None else keep // DAY, sessions, clock.now(), clock.wall())
        self._clock = ClockWhileOff(folder, clock.now(), clock.boot())
        self._queue: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._open: list[SessionRecorder] = []  # the writing thread's
        self._failed = 0  # attempts since it last worked
        self.trouble = ""
        """Why nothing can be recorded now; empty if all is well. Replaced by the writing thread."""
        self._sweep_failed = False
        self._flush_at: int | None = None
        self._thread = threading.Thread(target=self._work, name="records", daemon=True)
        self._thread.start()

    @property
    def clock_stands(self) -> bool:
        """Tell whether the clock stands still while the PC is off, as far as the starts so far show."""
        return self._clock.stands

    def begin(
        self, seat: str, child: str, profile_digest: str, now: int, *, record_raw: bool = False
    ) -> SessionRecorder:
        """A new session, whose time 0 is ``now`` (monotonic nanoseconds); ``child`` is the profile's pseudonym."""
        began = datetime.now().astimezone()
        about = header(child, seat=seat, began=began.isoformat(timespec="seconds"), profile=profile_digest)
        session = SessionRecorder(self, self._folder / child / stem(began, seat), about, now, notes=self._notes)
        session.record_raw = record_raw
        self.put(partial(self._begin, session, child), however_many=True)
        return session

    def close(self) -> None:
        """Write what is left, within ``LAST_WAIT``. Sessions are to be closed before."""
        self._queue.put(None)
        self._thread.join(LAST_WAIT)

    def put(self, job: Callable[[], None], *, however_many: bool = False) -> bool:
        """Have something done by the writing thread; False if too much waits already."""
        if self._queue.qsize() >= self._size and not however_many:
            return False
        self._queue.put(job)
        return True

    # --- from here on, the writing thread ---------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            try:
                job = self._next()
                if job is None:
                    break
                job()
            except Exception as error:  # noqa: BLE001 - a line that cannot be written must not cost those after it
                self._say("records_fault", why=f"the program failed: {error}")
        self._flush()

    def _next(self) -> Callable[[], None] | None:
        """The next thing to do; meanwhile what came is put on the disk, each second and not more often."""
        while True:
            now = clock.now()
            if self._flush_at is None and any(session.waits for session in self._open):
                seconds = PATIENCE[min(self._failed, len(PATIENCE)) - 1] if self._failed else ON_DISK / NANOSECONDS
                self._flush_at = now + round(seconds * NANOSECONDS)
            if self._flush_at is not None and now >= self._flush_at:
                self._flush()
                continue
            try:
                timeout = (LEAST if self._flush_at is None else self._flush_at - now) / NANOSECONDS
                return self._queue.get(timeout=timeout)
            except queue.Empty:
                self._note_clock()

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
        self._refused = self._said = 0  # as in BackgroundWriter
        self._log = _Log(path, about)
        self._trace: _Trace | None = None
        self._new_trace = partial(_Trace, path, about)

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


_MUSIC = frozenset({"note_on", "note_off", "control", "program", "chord"})
"""Events of what was played, not of what the child did."""
_OTHERS = frozenset({"heard"})
"""Events of what other children did: a child's log holds nobody else."""


class _File:
    """A file that grows by whole pieces.

    A piece that could not be written is kept and written later, in place of half a piece.
    """

    def __init__(self, path: Path) -> None:
        self._waiting = bytearray()
        self._path, self._made = path, False
        self._descriptor: int | None = None
        self._size = 0  # of what is on the disk for certain

    @property
    def waits(self) -> bool:
        return bool(self._waiting)

    @property
    def path(self) -> Path:
        """Where it is, once it is made."""
        return self._path

    def write(self) -> None:
        """Put what waits on the disk.

        Raises:
            OSError: it still waits, and the file is to be closed.
        """
        if not self._waiting:
            return
        if self._descriptor is not None and not self._is_there(self._descriptor):
            self.close()
        if self._descriptor is None:
            self._descriptor = self._opened()
        data = self._packed()
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(self._descriptor, rest) :]
        os.fsync(self._descriptor)
        self._size += len(data)
        self._waiting.clear()

    def close(self) -> None:
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def _is_there(self, descriptor: int) -> bool:
        """Tell whether the file is still under its name: the folder may be gone, or a card mounted over it."""
        try:
            return os.path.samestat(self._path.stat(), os.fstat(descriptor))
        except OSError:
            return False

    def _packed(self) -> bytes:
        return bytes(self._waiting)

    def _anew(self) -> None:
        """The file that was being written has gone: what waits is for another one."""

    def _opened(self) -> int:
        if self._made:
            try:
                descriptor = os.open(self._path, os.O_WRONLY | _BINARY)
            except FileNotFoundError:
                descriptor = None
            if descriptor is not None and os.fstat(descriptor).st_size >= self._size:
                os.ftruncate(descriptor, self._size)
                os.lseek(descriptor, 0, os.SEEK_END)
                return descriptor
            if descriptor is not None:  # another disk, or one that was repaired
                os.close(descriptor)
            if self._size:
                self._anew()
            self._size = 0
        return self._create()

    def _create(self) -> int:
        folder = self._path.parent
        for path in (folder.parent, folder):
            if not path.is_dir():
                path.mkdir(0o700, parents=True)
        stem, dot, ending = self._path.name.partition(".")
        for number in itertools.count(1):
            name = f"{stem}{f'-{number}' if number > 1 else ''}{dot}{ending}"
            try:
                descriptor = os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
            except FileExistsError:  # a clock that was set back
                continue
            self._path, self._made = folder / name, True
            _keep_name(folder)
            return descriptor
        raise AssertionError  # the numbers do not end


_BINARY = getattr(os, "O_BINARY", 0)


def _keep_name(folder: Path) -> None:
    """See that a power cut does not take a new file's name, where a folder can be synced."""
    with contextlib.suppress(PermissionError):  # Windows
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


class _Log(_File):
    """The session log as the module's docstring describes it."""

    def __init__(self, path: Path, about: dict[str, Any]) -> None:
        super().__init__(path.with_name(path.name + LOG))
        self.missing = 0
        """Lines that did not fit and have not been said to be missing yet."""
        self.lost = 0
        """Lines for which there was no room while the disk failed."""
        self._about = about
        self._latest = 0.0
        self._crc: int
        self._unchecked: bool
        self._ended: bool
        self._start()

    def event(self, t: float, event: str, fields: dict[str, Any]) -> None:
        if len(self._waiting) > WAITING:
            self.missing += 1
            self.lost += 1
            return
        self._latest = t
        self._say_missing()
        self._add(log_line(t, event, fields))

    def check(self) -> None:
        """The second is over: what came in it gets its check sum."""
        if self._unchecked and not self._ended:
            self._add(log_line(self._latest, "check", {"crc32": f"{self._crc:08x}"}))
            self._crc, self._unchecked = 0, False

    def end(self, t: float) -> None:
        self._latest = max(t, self._latest)
        self._say_missing()
        self.check()
        self._add_end()

    def _say_missing(self) -> None:
        missing, self.missing = self.missing, 0
        if missing:
            self._add(log_line(self._latest, "fault", _missing(missing)))

    def _start(self) -> None:
        self._sum = hashlib.sha256()
        self._crc, self._unchecked, self._ended = 0, False, False
        self._add(log_line(self._latest, "start", self._about))

    def _add(self, line: str) -> None:
        data = line.encode()
        self._waiting += data
        self._sum.update(data)
        self._crc, self._unchecked = zlib.crc32(data, self._crc), True

    def _anew(self) -> None:
        waiting, ended, latest = bytes(self._waiting), self._ended, self._latest
        if ended:  # the last line vouched for what was in the other file
            waiting = waiting[: waiting.rfind(b"\n", 0, -1) + 1]
        self._waiting.clear()
        if waiting:  # what is said of the other file comes before it
            self._latest = json.loads(waiting.partition(b"\n")[0])["t"]
        self._start()
        self._add(log_line(self._latest, "fault", {"error": "what came before is in another file, which has gone"}))
        self.check()
        self._waiting += waiting
        self._sum.update(waiting)
        self._latest = latest
        if ended:
            self._add_end()

    def _add_end(self) -> None:
        self._add(log_line(self._latest, "end", {"sha256": self._sum.hexdigest()}))
        self._ended = True


class _Trace(_File):
    """The samples of a session. Each second is a gzip member: damage or a cut costs no other seconds."""

    def __init__(self, path: Path, about: dict[str, Any]) -> None:
        super().__init__(path.with_name(path.name + TRACE))
        self._first = header_line(**about).encode()
        self._waiting += self._first
        self._latest = 0

    def sample(self, t: int, sample: Sample) -> None:
        if len(self._waiting) <= WAITING:
            self._latest = max(t, self._latest)  # a mark may overtake a sample that was stamped before it
            self._waiting += sample_line(self._latest, sample).encode()

    def _packed(self) -> bytes:
        return gzip.compress(self._waiting, mtime=0)

    def _anew(self) -> None:
        self._waiting[:0] = self._first
