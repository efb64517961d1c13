"""Files that are whole or not there, and files beneath a folder that are opened whatever somebody exchanges meanwhile.

Whoever may write into a folder could put a link there that leads to a file which only the router may read, at the
very moment between looking at the name and opening it. So the kernel resolves the name and opens in one step
(openat2(2), RESOLVE_BENEATH), and what is read is what was opened. Where that is refused (Linux before 5.6, some
containers), no link is followed at all.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import platform
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

_OPENAT2 = 437 if platform.machine() != "alpha" else 547
"""The number of the system call; the same on every architecture that Debian has (asm-generic/unistd.h)."""

_BENEATH = 0x08
_NO_MAGIC = 0x02
"""RESOLVE_BENEATH and RESOLVE_NO_MAGICLINKS of linux/openat2.h: /proc leads out of the folder, too."""

_REFUSED = frozenset({errno.ENOSYS, errno.EPERM, errno.E2BIG, errno.EINVAL})


@contextlib.contextmanager
def replacing(path: Path, *, private: bool = False) -> Iterator[BinaryIO]:
    """A file to write; it takes the place of ``path`` when the block ends well, and is removed when it does not.

    What is no ordinary file (a device, a pipe) is written as it is. ``private``: from its first byte on nobody but its
    owner may read it.

    Raises:
        OSError: ``path`` cannot be written; ``filename`` is ``path``.
    """
    if path.exists() and not path.is_file():
        with path.open("wb") as file:
            yield file
        return
    target = path.resolve()  # a link stays, and what it points to is replaced
    temporary = target.with_name(f".{target.name}.{os.getpid()}.tmp")
    try:
        with _named(path):
            file = open(temporary, "wb", opener=_private if private else None)  # noqa: SIM115 - closed below
        with file:
            yield file
            with _named(path):
                file.flush()
                os.fsync(file.fileno())
        with _named(path):
            temporary.replace(target)
    except BaseException:  # also Ctrl-C: nothing half-written stays
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _private(path: str, flags: int) -> int:
    """Open a file that only its owner may read and write."""
    return os.open(path, flags, 0o600)


@contextlib.contextmanager
def _named(path: Path) -> Iterator[None]:
    """Report an error inside as one of ``path``: the person never heard of the temporary file."""
    try:
        yield
    except OSError as error:
        error.filename, error.filename2 = str(path), None
        raise


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


def _finding() -> int:
    """The flags to find a file without opening it: a pipe or a line that somebody puts there must not be waited for."""
    return os.O_PATH | os.O_CLOEXEC  # only Linux has them all, and only the daemon opens so


def _find(inside: int, name: str) -> int:
    how = _How(_finding(), 0, _BENEATH | _NO_MAGIC)
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
        found = os.open(last, _finding() | os.O_NOFOLLOW, dir_fd=(steps or [inside])[-1])
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
