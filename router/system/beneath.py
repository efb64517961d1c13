"""Open a file beneath a folder, and nothing else, whatever somebody exchanges meanwhile.

Whoever may write into the folder could put a link there that leads to a file which only the router may read, at the
very moment between looking at the name and opening it. So the kernel resolves the name and opens in one step
(openat2(2), RESOLVE_BENEATH), and what is read is what was opened. Where that is refused (Linux before 5.6, some
containers), no link is followed at all.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import stat
from pathlib import Path

_OPENAT2 = 437 if platform.machine() != "alpha" else 547
"""The number of the system call; the same on every architecture that Debian has (asm-generic/unistd.h)."""

_BENEATH = 0x08
_NO_MAGIC = 0x02
"""RESOLVE_BENEATH and RESOLVE_NO_MAGICLINKS of linux/openat2.h: /proc leads out of the folder, too."""

_FOUND = os.O_PATH | os.O_CLOEXEC
"""To find it without opening it: a pipe or a line that somebody puts there must not be waited for."""

_REFUSED = frozenset({errno.ENOSYS, errno.EPERM, errno.E2BIG, errno.EINVAL})


class LeadsOut(OSError):  # it says what the link does
    """A link leads out of the folder, or may not be followed."""


class NoFile(OSError):  # as above
    """Something is no ordinary file: a folder, a pipe, a device."""


class _How(ctypes.Structure):
    _fields_ = (("flags", ctypes.c_uint64), ("mode", ctypes.c_uint64), ("resolve", ctypes.c_uint64))


def open_beneath(folder: Path, name: str) -> int:
    """Open the file of this name for reading; return its descriptor, which is the caller's to close.

    Links inside the folder are followed, also those that name their place from the root.

    Raises:
        LeadsOut: it leads out of the folder.
        NoFile: it is no ordinary file.
        OSError: it cannot be opened.
    """
    inside = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        try:
            found = _find(inside, name)
        except LeadsOut:
            whole, there = Path(os.path.realpath(folder)), Path(os.path.realpath(folder / name))
            if not there.is_relative_to(whole):
                raise
            found = _find(inside, str(there.relative_to(whole)))  # the kernel judges again
    finally:
        os.close(inside)
    try:
        if not stat.S_ISREG(os.fstat(found).st_mode):
            raise NoFile(errno.EINVAL, "this is not an ordinary file", name)
        return os.open(f"/proc/self/fd/{found}", os.O_RDONLY | os.O_CLOEXEC)  # exactly what was found
    finally:
        os.close(found)


def _find(inside: int, name: str) -> int:
    how = _How(_FOUND, 0, _BENEATH | _NO_MAGIC)
    libc = ctypes.CDLL(None, use_errno=True)
    descriptor = libc.syscall(_OPENAT2, inside, os.fsencode(name), ctypes.byref(how), ctypes.sizeof(how))
    if descriptor >= 0:
        return int(descriptor)
    number = ctypes.get_errno()
    if number in _REFUSED:
        return _find_no_link(inside, name)
    if number in (errno.EXDEV, errno.ELOOP):
        raise LeadsOut(number, os.strerror(number), name)
    raise OSError(number, os.strerror(number), name)


def _find_no_link(inside: int, name: str) -> int:
    """Find it, step by step and following no link."""
    *above, last = Path(name).parts
    steps: list[int] = []
    try:
        for part in above:
            steps.append(
                os.open(
                    part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=(steps or [inside])[-1]
                )
            )
        found = os.open(last, _FOUND | os.O_NOFOLLOW, dir_fd=(steps or [inside])[-1])
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENOTDIR):
            raise LeadsOut(error.errno, os.strerror(error.errno), name) from error
        raise
    finally:
        for step in steps:
            os.close(step)
    if stat.S_ISLNK(os.fstat(found).st_mode):
        os.close(found)
        raise LeadsOut(errno.ELOOP, os.strerror(errno.ELOOP), name)
    return found
