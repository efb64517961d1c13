"""The memory of a seat: what it plays, for the next start, and the profiles that have proved themselves.

``plays.json`` says which profile plays, and ``last-good.yaml`` is its text.

``plays.json`` has two places of a block each. A new entry is written over the empty one and put on the disk, and only
then the other is emptied: that takes no room, so it succeeds on a full disk too, and after a power cut there is the old
entry or the new one. The same file in ``/run``, if there is one, is written first and believed first: it outlives a
process that was killed, whatever the disk did meanwhile. Where nothing can be written, what was kept before is removed,
as it is no longer true: no child's profile is played for another's.

The text is written last, into a file beside it that is flushed and renamed; it counts only if its digest is the one in
``plays.json``. Nothing that is found here is trusted: a file may be torn, empty, missing, or of somebody else.

A profile that has played for a minute without the router dying is proven: it is played if a newer one kills the router.
The texts of those lie each in a file that is named by its digest, and their order in ``proven.json``, the latest first.
A text that does not match its file's name counts as missing.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import threading
import zlib
from collections.abc import Collection
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from router.bedside.checking import counts
from router.core.units import NANOSECONDS
from router.system.files import replacing

PLAYS, COPY = "plays.json", "last-good.yaml"
"""The names of the files of what plays."""

PLACE = 4096
"""Bytes of a place in plays.json: a block of the usual file systems. What it holds has about 200."""

PROVEN_AFTER = 60 * NANOSECONDS
"""How long a profile plays before it counts as proven."""

MOST_PROVEN = 3
"""Texts that are kept of a seat: the latest may be what kills, and the one before it may be of the same child."""

PROVEN_ORDER, PROVEN_TEXT = "proven.json", "proven-{}.yaml"
"""The names of the files of proven profiles."""

_LARGEST_ORDER = 4096


@dataclass(frozen=True, slots=True)
class LastProfile:
    """``child``: as it is asked for; ``file``: the name of its file; ``digest``: SHA-256 of its text.

    ``chosen``: somebody chose it. Otherwise it was the configuration's, which may name another one now.
    """

    child: str
    file: str
    digest: str
    chosen: bool


class SeatMemory:
    """The memory of one seat, in a folder of its own. ``quick``: a second ``plays.json``, in memory (/run)."""

    def __init__(self, folder: Path, quick: Path | None = None) -> None:
        self._folder = folder
        self._plays = _Plays(folder / PLAYS)
        self._quick = _Plays(quick) if quick is not None else None
        self.copy = folder / COPY
        self._writing = threading.Lock()

    def played(self) -> LastProfile | None:
        """Return what played last; None if nothing did, or what was written about it cannot be understood.

        Raises:
            OSError: something was written and cannot be read.
        """
        fault = None
        for plays in (self._quick, self._plays):
            if plays is None:
                continue
            try:
                if found := plays.read():
                    return found
            except OSError as error:
                fault = error
        if fault is not None:
            raise fault
        return None

    def keep(self, played: LastProfile, text: bytes) -> None:
        """Keep what plays now. What is kept already is not written again.

        Raises:
            OSError: it cannot be kept on the disk; what was kept before is not taken for it.
        """
        if not self._writing.acquire(blocking=False):  # a thread that was given up hangs in the same files
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(self._folder))
        try:
            self._keep_quickly(played)
            if not self._plays.holds(played):
                self._keep_plays(played)
            if self._text() != text:
                self._keep_text(text)
        finally:
            self._writing.release()

    def _keep_quickly(self, played: LastProfile) -> None:
        if self._quick is None or self._quick.holds(played):
            return
        try:
            self._quick.write(played)
        except (OSError, MemoryError):
            # The disk is there for it; only what is no longer true may not be believed first.
            self._quick.remove()

    def _keep_plays(self, played: LastProfile) -> None:
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._tidy()
            self._plays.write(played)
        except (OSError, MemoryError):
            with suppress(OSError):
                self.copy.unlink()
            self._plays.remove()
            self._folder.mkdir(parents=True, exist_ok=True)
            self._plays.write(played)  # there may be room now, or a place that is not worn out

    def _keep_text(self, text: bytes) -> None:
        with replacing(self.copy) as file:
            file.write(text)
        _sync(self._folder)

    def _text(self) -> bytes | None:
        try:
            return self.copy.read_bytes()
        except OSError:
            return None

    def _tidy(self) -> None:
        """Remove what a power cut left half-written."""
        for name in (COPY, PLAYS):
            for left in self._folder.glob(f".{name}.*.tmp"):
                with suppress(OSError):
                    left.unlink()


def quick_memory(runtime: Path, seat: str) -> Path:
    """The ``plays.json`` of a seat in the folder that lies in memory."""
    return runtime / f"{seat}.{PLAYS}"


class _Plays:
    """A file ``plays.json``, on the disk or in memory."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def read(self) -> LastProfile | None:
        """Read the newest entry; None if none can be understood. Try twice: the wrong child must not play.

        Raises:
            OSError: the file is there, and cannot be read.
        """
        try:
            return self._read()
        except (OSError, MemoryError):
            return self._read()

    def _read(self) -> LastProfile | None:
        try:
            with self._path.open("rb") as file:
                latest = _latest(file.read(2 * PLACE))
        except (FileNotFoundError, NotADirectoryError):
            return None
        return latest[2] if latest is not None else None

    def holds(self, played: LastProfile) -> bool:
        """True if this is the newest entry, as far as it can be read."""
        try:
            return self._read() == played
        except (OSError, MemoryError):
            return False

    def write(self, played: LastProfile) -> None:
        """Write this over the place that is empty, then empty the other.

        Raises:
            OSError: it is not on the disk; the entry before may still be there.
        """
        new = not self._path.exists()
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            latest = _latest(os.pread(descriptor, 2 * PLACE, 0))
            number, place, _ = latest or (0, 1, None)
            fields = {**asdict(played), "number": number + 1}
            line = json.dumps({**fields, "sum": _sum(fields)}).encode()
            if len(line) >= PLACE:
                raise OSError(errno.ENAMETOOLONG, os.strerror(errno.ENAMETOOLONG), str(self._path))
            _fill(descriptor, line, 1 - place)
            os.fsync(descriptor)
            with suppress(OSError):  # the newer of two counts
                _fill(descriptor, b"", place)
                os.fsync(descriptor)
        except OSError as error:
            error.filename = error.filename or str(self._path)
            raise
        finally:
            os.close(descriptor)
        if new:
            _sync(self._path.parent)

    def remove(self) -> None:
        """Remove the file, as its entry is no longer true."""
        with suppress(OSError):
            self._path.unlink()


def _fill(descriptor: int, line: bytes, place: int) -> None:
    """Write a line into a place, and blanks behind it to the place's end.

    Raises:
        OSError: it does not fit.
    """
    data = line.ljust(PLACE - 1) + b"\n"
    if os.pwrite(descriptor, data, place * PLACE) != PLACE:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _latest(data: bytes) -> tuple[int, int, LastProfile] | None:
    """The number, the place and the content of the newest line that is whole."""
    found = []
    for place in (0, 1):
        with suppress(ValueError, TypeError, AttributeError, RecursionError):
            fields = json.loads(data[place * PLACE : (place + 1) * PLACE])
            number, said = fields.pop("number", 0), fields.pop("sum", None)
            # 0: without a sum, as once.
            whole = said is None if number == 0 else said == _sum({**fields, "number": number})
            played = LastProfile(**fields)
            texts = (played.child, played.file, played.digest)
            sound = all(isinstance(text, str) for text in texts) and isinstance(played.chosen, bool)
            if whole and sound and isinstance(number, int) and counts(played.file):
                found.append((number, place, played))
    return max(found, key=lambda one: one[0], default=None)


def _sum(fields: dict[str, Any]) -> str:
    return f"{zlib.crc32(json.dumps(fields, sort_keys=True).encode()):08x}"


def _sync(folder: Path) -> None:
    """Flush the folder, so that a power cut does not take a new file's name."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Proven:
    """The proven profiles of one seat, in the folder of its memory."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def digests(self) -> list[str]:
        """The digests, the latest first; where their order cannot be read, by their files' times."""
        try:
            return self._order()
        except OSError:
            return self._there()

    def _order(self) -> list[str]:
        """The order as it was written.

        Raises:
            OSError: it is there, and cannot be read.
        """
        try:
            with (self._folder / PROVEN_ORDER).open("rb") as file:
                found = json.loads(file.read(_LARGEST_ORDER))
        except (FileNotFoundError, NotADirectoryError, ValueError, RecursionError):
            return []
        return [each for each in found if _is_digest(each)][:MOST_PROVEN] if isinstance(found, list) else []

    def _there(self) -> list[str]:
        try:
            found = [(path.stat().st_mtime_ns, path.stem) for path in self._folder.glob(PROVEN_TEXT.format("*"))]
        except OSError:
            return []
        digests = [stem.removeprefix("proven-") for _, stem in sorted(found, reverse=True)]
        return [digest for digest in digests if _is_digest(digest)][:MOST_PROVEN]

    def texts(self, without: Collection[str]) -> list[tuple[Path, str]]:
        """Path and digest of each text, the latest first, ``without`` those."""
        return [(self.path(digest), digest) for digest in self.digests() if digest not in without]

    def path(self, digest: str) -> Path:
        """Where the text of this digest is kept."""
        return self._folder / PROVEN_TEXT.format(digest)

    def keep(self, digest: str, text: bytes) -> None:
        """Keep a text that has proved itself; of those before it the oldest goes.

        Raises:
            OSError: it cannot be written, or what was kept before cannot be read; that is still there.
        """
        before = self._order()
        if before[:1] == [digest]:
            return
        now = [digest, *(each for each in before if each != digest)][:MOST_PROVEN]
        self._folder.mkdir(parents=True, exist_ok=True)
        with replacing(self.path(digest)) as file:
            file.write(text)
        with replacing(self._folder / PROVEN_ORDER) as file:
            file.write(json.dumps(now).encode())
        for path in self._folder.glob(PROVEN_TEXT.format("*")):
            if path not in [self.path(each) for each in now]:
                with suppress(OSError):
                    path.unlink()


def _is_digest(found: object) -> bool:
    return (
        isinstance(found, str)
        and len(found) == hashlib.sha256().digest_size * 2
        and set(found) <= set("0123456789abcdef")
    )
