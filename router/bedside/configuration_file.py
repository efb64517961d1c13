"""The configuration's file on this PC: read at the start, and again when a hang-up (SIGHUP) asks for that.

    settled        the configuration to begin with: the file's, the last good one, or what holds without a file
    read_again     beside the loop, as its disk may stall; the service manager is told when it is over

The last file that was right is kept in the service's state folder.

Invariants: a file that is wrong changes nothing: what held before holds on, and why is said; however many ask at once,
the file is read again once more and not once each.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from router.files import configuration
from router.files.configuration import Configuration
from router.files.profile import ProfileError
from router.live.daemon import notify
from router.live.surroundings import EventLog
from router.live.worker import Job, Worker
from router.system import clock
from router.system.files import replacing


class ConfigurationFile:
    """The file that a running router reads again. ``follow`` is given, in the loop, each configuration that is right.

    ``refused``: why the file does not hold now, and what holds instead; empty if it holds.
    """

    def __init__(
        self, path: Path, log: EventLog, worker: Worker, follow: Callable[[Configuration], None], refused: str = ""
    ) -> None:
        self.refused = refused
        self._path, self._log, self._worker, self._follow = path, log, worker, follow

    def read_again(self) -> None:
        """Read the file again, beside the loop: its disk may stall, and hundreds may ask at once."""
        notify("RELOADING=1", f"MONOTONIC_USEC={clock.now() // 1000}")
        if not self._worker.waiting(self._read):
            read = partial(_fresh, self._path, self._log)
            self._worker.do(Job(lambda _worker: read(), self._read, lambda _at, _now: self._over()))

    def _read(self, fresh: Configuration | str, _now: int) -> None:
        if isinstance(fresh, str):
            self.refused = f"the configuration was refused when it was read again, so the one before holds:\n{fresh}"
        else:
            self.refused = ""
            self._follow(fresh)
        self._over()

    def _over(self) -> None:
        if not self._worker.waiting(self._read):
            notify("READY=1")


def settled(path: Path, log: EventLog) -> tuple[Configuration, str]:
    """Return the configuration to begin with; the last good one if the file is wrong, as no room must stay silent.

    With it comes why the file was refused and what holds instead; empty if it was taken. The last good one is kept in
    the service's state folder.
    """
    fresh = _fresh(path, log)
    if isinstance(fresh, Configuration):
        return fresh, ""
    kept = _kept()
    try:
        chosen, instead = configuration.load(kept), f"the last good one, {kept}"
    except ProfileError:
        chosen, instead = configuration.DEFAULT, "what holds where there is no such file"
    log.warning("configuration_instead", what=instead)
    refused = f"the configuration was refused at the start, so this one holds: {instead}\n{fresh}"
    return replace(chosen, path=path), refused  # that path is read again when we are told to


def _kept() -> Path:
    """Where the last good configuration is kept (systemd.exec(5), StateDirectory)."""
    return Path(os.environ.get("STATE_DIRECTORY", configuration.DEFAULT.folders.state)) / "last-good-router.yaml"


def _fresh(path: Path, log: EventLog) -> Configuration | str:
    """Read the file, and keep it as the last good one; or return why it is refused. May wait for a disk."""
    try:
        fresh = configuration.load(path)
    except ProfileError as error:
        log.warning("configuration_refused", why=str(error))
        return str(error)
    try:
        with replacing(_kept()) as file:
            file.write(path.read_bytes())
    except OSError as error:
        why = f"{error.filename or _kept()}: {error.strerror}"
        log.warning("configuration_not_kept", why=f"{why}; if the file is broken at the next start, an older one holds")
    return fresh
