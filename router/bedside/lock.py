"""Allow one router for one configuration: a lock in its runtime folder, which the kernel releases with the process.

Two routers would both play every activation, and both write the records. The lock's file tells the second one which
process holds it, and since when. Nothing need be cleared away after a crash.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import time
from pathlib import Path

from router.core.units import NANOSECONDS, about
from router.system import clock

NAME = "lock"
LETTING_GO = NANOSECONDS
"""Time in which a process that was killed has released its files."""
LOOK = 0.02
"""Seconds between two looks."""
_LARGEST = 256


class AlreadyRunning(Exception):  # nothing is wrong: another router plays already
    """Another router has it; the message says which."""


class Lock:
    """The lock, held until ``close`` or the end of the process. ``runtime``: the configuration's folder.

    Raises:
        Held: another router has it.
        OSError: it cannot be made there at all.
    """

    def __init__(self, runtime: Path) -> None:
        path = runtime / NAME
        runtime.mkdir(parents=True, exist_ok=True)
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK, 0o600)
        except PermissionError:
            if not path.exists():
                raise
            owner = path.stat().st_uid
            raise AlreadyRunning(
                f"{runtime} is in use by a router of the user {owner}; ask it: router status"
            ) from None
        try:
            self._take()
        except BaseException:
            os.close(self._file)
            raise
        holder = {"pid": os.getpid(), "boot": clock.boot(), "since": clock.since_boot()}
        data = json.dumps(holder).encode()
        try:
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, data, 0)
        except OSError:  # no room: then the second only cannot be told who has it
            pass

    def close(self) -> None:
        """Release the lock."""
        os.close(self._file)

    def _take(self) -> None:
        until = clock.now() + LETTING_GO
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EACCES):
                    raise
            if clock.now() >= until:
                raise AlreadyRunning(_who(os.pread(self._file, _LARGEST, 0)))
            time.sleep(LOOK)


def _who(data: bytes) -> str:
    """Say which router holds the lock, as far as that is written there."""
    try:
        found = json.loads(data)
        pid, since = int(found["pid"]), clock.since_boot() - int(found["since"])
        known = found["boot"] == clock.boot() and since >= 0
    except (ValueError, TypeError, KeyError, OverflowError):
        return "another router plays already with this configuration"
    ago = f", for {about(since / NANOSECONDS)}" if known else ""
    return f"another router plays already with this configuration: process {pid}{ago}"
