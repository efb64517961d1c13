"""What a seat plays, kept on disk for the next start: ``plays.json`` says which profile, ``last-good.yaml`` is its text.

Each is written beside, flushed to the disk and renamed, and the folder is flushed too: after a power cut there is the
old one or the new one. Nothing that is found here is trusted: a file may be torn, empty, missing, or of somebody else.
"""

from __future__ import annotations

import errno
import json
import os
import threading
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from router.files import replacing
from router.judging import counts

PLAYS, COPY = "plays.json", "last-good.yaml"
"""The names of the two files."""

_LARGEST = 4096
"""Bytes of plays.json; it has about 150."""


@dataclass(frozen=True, slots=True)
class Played:
    """``child``: as it is asked for; ``file``: the name of its file; ``digest``: SHA-256 of its text.

    ``chosen``: somebody chose it. Otherwise it was the configuration's, which may name another one now.
    """

    child: str
    file: str
    digest: str
    chosen: bool


class Memory:
    """The memory of one seat, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._plays = folder / PLAYS
        self.copy = folder / COPY
        self._writing = threading.Lock()

    def played(self) -> Played | None:
        """What played last; None if nothing did, or what was written about it cannot be understood."""
        try:
            with self._plays.open("rb") as file:
                found = json.loads(file.read(_LARGEST))
            played = Played(**found)
        except (OSError, ValueError, TypeError, RecursionError):
            return None
        texts = (played.child, played.file, played.digest)
        sound = all(isinstance(text, str) for text in texts) and isinstance(played.chosen, bool)
        return played if sound and counts(played.file) else None

    def keep(self, played: Played, text: bytes) -> None:
        """This plays now. What is kept already is not written again.

        Raises:
            OSError: it cannot be written; what was kept before is still there.
        """
        if not self._writing.acquire(blocking=False):  # a thread that was given up hangs in the same files
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(self._folder))
        try:
            if self.played() != played or self._text() != text:
                self._write(played, text)
        finally:
            self._writing.release()

    def _write(self, played: Played, text: bytes) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        self._tidy()
        # The text first: one that is newer than what is said of it is as good, one that is older is not.
        for path, data in ((self.copy, text), (self._plays, json.dumps(asdict(played)).encode() + b"\n")):
            with replacing(path) as file:
                file.write(data)
        folder = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _text(self) -> bytes | None:
        try:
            return self.copy.read_bytes()
        except OSError:
            return None

    def _tidy(self) -> None:
        """Remove what a power cut left half-written."""
        for name in (self.copy.name, self._plays.name):
            for left in self._folder.glob(f".{name}.*.tmp"):
                with suppress(OSError):
                    left.unlink()
