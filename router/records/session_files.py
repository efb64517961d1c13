"""A session's files as they grow on the disk.

What could not be written is kept and written later, check sums and all.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import itertools
import json
import os
import zlib
from pathlib import Path
from typing import Any

from router.core.events import Sample
from router.records.record_files import LOG, TRACE
from router.records.session_log import log_line, missing_lines
from router.records.trace import header_line, sample_line

WAITING = 1 << 20
"""Bytes of one file that are kept while its disk cannot be written: some ten minutes of a busy session. Our choice."""


class GrowingFile:
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


class GrowingLog(GrowingFile):
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
            self._add(log_line(self._latest, "fault", missing_lines(missing)))

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


class GrowingTrace(GrowingFile):
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
