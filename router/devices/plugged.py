"""News of what is plugged in: the folders in which the kernel and udev make a device's nodes and names are watched.

inotify(7) serves better than udev's own messages: it needs no rights, and works inside a sandboxed service and where no
udev runs. A new node can often be read only when udev has set its group a moment later; that changes the node, so it is
news as well. So nothing has to be polled.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

DEV = Path("/dev")
_NAMES = ("", "input", "input/by-id", "input/by-path", "serial", "serial/by-id", "serial/by-path", "snd")
FOLDERS = tuple(DEV / name for name in _NAMES)
"""Where input devices, serial lines and MIDI devices appear. Some are made only when the first device comes."""


class Plugged:
    """A descriptor that is readable when something has come or changed in ``FOLDERS`` or at one of ``paths``.

    Raises:
        OSError: the system does not let us watch.
    """

    def __init__(self, paths: Iterable[Path] = ()) -> None:
        from inotify_simple import INotify, flags  # noqa: PLC0415 - only Linux has it, and only the daemon needs it

        self._mask = flags.CREATE | flags.MOVED_TO | flags.ATTRIB | flags.ONLYDIR
        self._names: dict[Path, set[str]] = {}  # in folders that are not all ours only these names count
        for path in paths:
            if path.parent not in FOLDERS:
                self._names.setdefault(path.parent, set()).add(path.name)
        self._folders: dict[int, Path] = {}
        self._inotify: Any = INotify(nonblocking=True)
        try:
            self._watch()
        except BaseException:
            self.close()
            raise

    def fileno(self) -> int:
        return int(self._inotify.fileno())

    def read(self) -> bool:
        """Take the news, and tell whether it is worth looking for a device.

        Raises:
            OSError: the system no longer lets us watch.
        """
        news = False
        for event in self._inotify.read(timeout=0):
            names = self._names.get(self._folders.get(event.wd, DEV))
            news |= names is None or event.name in names
        self._watch()  # a folder may have been made, and removed and made again
        return news

    def close(self) -> None:
        self._inotify.close()

    def _watch(self) -> None:
        for folder in (*FOLDERS, *self._names):
            with suppress(FileNotFoundError, NotADirectoryError, PermissionError):
                self._folders[self._inotify.add_watch(folder, self._mask)] = folder
