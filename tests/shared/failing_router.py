"""A router in which one call to the system fails, the n-th of its kind: ``python -m tests.shared.failing_router run
--config FILE``.

It is the router itself; only what its own code calls goes through a count here first. ``ROUTER_TESTS_CALLS`` names a
file of integers that another process maps, too (``Calls``): how many of each kind there were, and which is to fail
next.
"""

import _testcapi
import builtins
import errno
import io
import mmap
import os
import select
import signal
import socket
import struct
import sys
import threading
import traceback
from pathlib import Path

from tests.shared.places import ROOT

KINDS = {
    "open": (errno.EMFILE, errno.ENOSPC, errno.EIO),
    "list": (errno.EMFILE, errno.EIO),
    "write": (errno.ENOSPC, errno.EIO),
    "fsync": (errno.EIO, errno.ENOSPC),
    "rename": (errno.ENOSPC, errno.EIO),
    "change": (errno.ENOSPC, errno.EIO),  # of a folder: what is made there, or removed
    "reserve": (errno.ENOSPC,),
    "map": (errno.ENOMEM,),
    "descriptor": (errno.EMFILE, errno.ENFILE, errno.ENOMEM),
    "watch": (errno.ENOSPC, errno.ENOMEM),
    "thread": (errno.EAGAIN,),
    "allocation": (errno.ENOMEM,),
}
"""What can fail, and how: with these the kernel refuses such a call (the pages of man 2 of each)."""

ROUTER = str(ROOT / "router") + os.sep
DEEP = 12
"""Frames between a call and the router's own code that asked for it: pathlib, contextlib, gzip, pyserial."""


class Calls:
    """The file: ``made`` of each kind, and what is to fail; it is mapped in both processes."""

    FIELDS = 4 + len(KINDS)

    def __init__(self, path):
        with Path(path).open("r+b") as file:
            self._memory = mmap.mmap(file.fileno(), self.FIELDS * 8)

    @staticmethod
    def make(path):
        path.write_bytes(bytes(Calls.FIELDS * 8))
        return Calls(path)

    def __getitem__(self, at):
        return struct.unpack_from("q", self._memory, at * 8)[0]

    def __setitem__(self, at, value):
        struct.pack_into("q", self._memory, at * 8, value)

    def arm(self, kind, number, error):
        """The ``number``-th call of this kind from now on fails, once."""
        self[3] = 0
        self[1], self[2] = number, error
        self[0] = 1 + [*KINDS].index(kind)

    def disarm(self):
        self[0] = 0

    @property
    def failed(self):
        """Whether what was to fail has."""
        return bool(self[3])

    def made(self, kind):
        return self[4 + [*KINDS].index(kind)]

    def made_one(self, kind):
        """Count a call; the error with which it fails, or 0."""
        at = [*KINDS].index(kind)
        self[4 + at] += 1
        if self[0] != 1 + at:
            return 0
        self[1] -= 1
        if self[1]:
            return 0
        self[0], self[3] = 0, 1
        return self[2]


def ours():
    """Whether the router's own code asked for this, and not an import, or a library of its own accord."""
    frame = sys._getframe(2)
    for _ in range(DEEP):
        if frame is None:
            return False
        name = frame.f_code.co_filename
        if name.startswith("<frozen importlib") or "/importlib/" in name:
            return False
        if name.startswith(ROUTER):
            return True
        frame = frame.f_back
    return False


def main():
    calls, lock = Calls(os.environ["ROUTER_TESTS_CALLS"]), threading.RLock()
    told = os.open(os.environ["ROUTER_TESTS_CALLS"] + ".told", os.O_WRONLY | os.O_APPEND | os.O_CREAT)

    def count(kind, what=""):
        with lock:
            error = calls.made_one(kind)
        if error:
            where = [line for line in traceback.format_stack() if ROUTER in line][-3:]
            os_write(told, f"{kind} {what} {os.strerror(error)}\n{''.join(where)}\n".encode(errors="replace"))
            if kind == "thread":
                raise RuntimeError("can't start new thread")
            raise OSError(error, os.strerror(error), what or None)

    os_write = os.write

    def failing(module, name, kind):
        """The module's function fails when it is its turn."""
        before = getattr(module, name)

        def call(*args, **options):
            if ours():
                count(kind, str(args[0]) if args and isinstance(args[0], (str, os.PathLike)) else "")
            return before(*args, **options)

        setattr(module, name, call)

    class File(io.FileIO):
        def write(self, data):
            count("write", str(self.name))
            return super().write(data)

    opens = io.open

    def opened(  # noqa: PLR0917 - as io.open has them
        file, mode="r", buffering=-1, encoding=None, errors=None, newline=None, closefd=True, opener=None
    ):
        if not ours():
            return opens(file, mode, buffering, encoding, errors, newline, closefd, opener)
        if not isinstance(file, int):
            count("open", str(file))
        if not set(mode) & set("wax+"):
            return opens(file, mode, buffering, encoding, errors, newline, closefd, opener)
        raw = File(file, mode.replace("b", "").replace("t", ""), closefd, opener)
        binary = raw if buffering == 0 else io.BufferedWriter(raw)
        return binary if "b" in mode else io.TextIOWrapper(binary, encoding or "utf-8", errors, newline)

    builtins.open = io.open = opened
    for module, name, kind in (
        (os, "open", "open"),
        (os, "listdir", "list"),
        (os, "scandir", "list"),
        (os, "write", "write"),
        (os, "pwrite", "write"),
        (os, "fsync", "fsync"),
        (os, "rename", "rename"),
        (os, "replace", "rename"),
        (os, "mkdir", "change"),
        (os, "unlink", "change"),
        (os, "ftruncate", "reserve"),
        (os, "posix_fallocate", "reserve"),
        (os, "eventfd", "descriptor"),
        (os, "dup", "descriptor"),
        (select, "epoll", "descriptor"),
        (threading.Thread, "start", "thread"),
    ):
        failing(module, name, kind)

    class Map(mmap.mmap):
        def __new__(cls, *args, **options):
            if ours():
                count("map")
            return super().__new__(cls, *args, **options)

    mmap.mmap = Map

    class Socket(socket.socket):
        def __init__(self, *args, **options):
            if ours() and options.get("fileno") is None:
                count("descriptor", "socket")
            super().__init__(*args, **options)

        def accept(self):
            if ours():
                count("descriptor", "accept")
            return super().accept()

    socket.socket = Socket

    import inotify_simple

    failing(inotify_simple.INotify, "__init__", "descriptor")
    failing(inotify_simple.INotify, "add_watch", "watch")

    def no_memory(*_):
        calls[3] = 1
        _testcapi.set_nomemory(calls[1], calls[1] + 1)

    signal.signal(signal.SIGUSR2, no_memory)

    from router.__main__ import main as router

    sys.exit(router())


if __name__ == "__main__":
    main()
