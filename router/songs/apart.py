"""Read a file in a process of its own, which it may hang, end or fill without any harm.

The process has a limit of processor time, of memory and of elapsed time, is last in everything, and says what it found
as plain data (``router.songs.plain``), which is checked here.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

from router.core.song import Song
from router.core.units import NANOSECONDS
from router.songs import plain, reading
from router.songs.error import SongError
from router.system import clock
from router.system.process_limits import bound

PROCESSOR_SECONDS = 20
"""Limit of processor time, with the interpreter's start. An ordinary song takes 0.2 s here, and a small PC ten times
that."""
SECONDS = 40.0
"""Limit of elapsed time: a small PC that has just been switched on reads its disk meanwhile."""
MEMORY = 192 * 1024 * 1024
"""Bytes of memory; the service as a whole has 512 MiB."""
LARGEST = 16 * 1024 * 1024
"""Bytes of a file. A song as MIDI has 10 to 200 kB, a whole string quartet as MusicXML 11 MB."""
LARGEST_WORD = 16 * 1024 * 1024
"""Bytes of what the process says: some three times ``MOST_NOTES``."""

_CHILD = (
    "import json, sys\n"
    "told = json.loads(sys.argv[1])\n"
    "sys.path[:] = told['path']\n"
    "from router.songs.apart import child\n"
    "child(told)\n"
)
_TOO_MUCH = "Open it in a notation program, take out what is not needed, and export it again."


def read(path: Path, name: str, melody: str | int | None, opened: Callable[[], int] | None = None) -> Song:
    """Read a song's file in a process of its own. ``opened``: opens it, by default the path is opened.

    Raises:
        SongError: it cannot be read; with what to do.
    """
    with _open(path, opened) as file, _word() as word:
        return _asked(file, word, name, melody)


def contents(path: Path, opened: Callable[[], int] | None = None) -> bytes:
    """Return a song's file as it is, for ``read_bytes`` and to be kept. ``opened``: opens it, by default the path is.

    Raises:
        SongError: it cannot be read, or is too large.
    """
    with _open(path, opened) as file:
        return file.read(LARGEST)


def read_bytes(data: bytes, name: str, melody: str | int | None) -> Song:
    """Read what a song's file holds in a process of its own.

    Raises:
        SongError: it is no song; with what to do.
    """
    with _word() as file, _word() as word:
        file.write(data)
        file.seek(0)
        return _asked(file, word, name, melody)


def _open(path: Path, opened: Callable[[], int] | None) -> BinaryIO:
    """Open the file, if it is an ordinary one and not too large."""
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)) if opened is None else opened()
    except OSError as error:
        if error.errno == errno.ENOENT:
            there = sorted(each.name for each in path.parent.glob("*") if each.suffix.lower() in SUFFIXES)
            hint = f"In the folder there are: {', '.join(there[:12])}." if there else "No song is in the folder."
            raise SongError(f'there is no file "{path.name}"', hint) from error
        why = (error.strerror or str(error)).lower()
        raise SongError(f"this file cannot be read ({why})", "Put the file itself beside the profiles.") from error
    except ValueError as error:  # a name that no file can have
        raise SongError("no file can have this name", "Write the name of a file beside the profile.") from error
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            what = "a folder" if stat.S_ISDIR(status.st_mode) else "no ordinary file"
            raise SongError(f"this is {what}", "Write the name of a MIDI or MusicXML file.")
        if status.st_size > LARGEST:
            raise SongError(
                f"this file has {status.st_size // 1024**2} MB, and {LARGEST // 1024**2} MB at most are read",
                f"An ordinary song has less than one. {_TOO_MUCH}",
            )
        if not status.st_size:
            raise SongError("this file is empty", "Copy it again from where it came from.")
    except SongError:
        os.close(descriptor)
        raise
    return os.fdopen(descriptor, "rb")


SUFFIXES = frozenset({".mid", ".midi", ".kar", ".rmi", ".xml", ".musicxml", ".mxl", ".abc"})
"""How the names of songs' files end."""


def _word() -> BinaryIO:
    """A file in memory for what the process says."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("song"), "w+b")
    return tempfile.TemporaryFile()


_busy_until = 0


def busy_until() -> int:
    """The latest end of the reading that goes on, or the end of the last one, in nanoseconds of ``clock.now``."""
    return _busy_until


def _asked(file: BinaryIO, word: BinaryIO, name: str, melody: str | int | None) -> Song:
    import subprocess  # noqa: PLC0415 - seldom needed

    told = {"path": sys.path, "name": name, "melody": melody, "seconds": PROCESSOR_SECONDS, "memory": MEMORY}
    try:
        process = subprocess.Popen(  # noqa: S603 - this Python, and a program of ours
            [sys.executable, "-I", "-c", _CHILD, json.dumps(told)],
            stdin=file,
            stdout=word,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise SongError(f"no process could be had to read it in: {why}", "Try again.", may_pass=True) from error
    global _busy_until  # noqa: PLW0603 - one process at a time is waited for by whoever asks how long
    _busy_until = clock.now() + int(SECONDS * NANOSECONDS)
    try:
        status = process.wait(timeout=SECONDS)
    except subprocess.TimeoutExpired as error:
        raise SongError(f"reading it does not come back within {SECONDS:g} s", _TOO_MUCH, may_pass=True) from error
    finally:
        process.kill()
        process.wait()
        _busy_until = clock.now()
    if status < 0:
        raise SongError("this file is too much for a small computer to read", _TOO_MUCH)
    if status:
        raise SongError(f"the router fails at this file (status {status})", "Please tell its makers.")
    if os.fstat(word.fileno()).st_size > LARGEST_WORD:
        raise SongError("too much came of reading this file", _TOO_MUCH)
    word.seek(0)
    try:
        return plain.song_of(word)
    except ValueError as error:
        raise SongError(f"the router fails at this file ({error})", "Please tell its makers.") from error


def child(told: dict[str, Any]) -> None:
    """Run in the process: set its limits, read the file that is its input, and write what was found."""
    bound(told["seconds"], told["memory"])
    with contextlib.suppress(OSError, AttributeError):
        os.nice(10)
    with open(0, "rb", closefd=False) as file:
        found = answer(file.read(LARGEST + 1), told["name"], told["melody"])
    with open(1, "wb", closefd=False) as word:
        word.write(found)
    os._exit(0)


def answer(data: bytes, name: str, melody: str | int | None) -> bytes:
    """All that the process says of a file's bytes."""
    try:
        found = list(plain.lines(reading.song_of(data, name, melody)))
    except SongError as error:
        found = [plain.error_line(error)]
    except MemoryError:
        found = [plain.error_line(SongError("this file takes too much memory to read", _TOO_MUCH))]
    except RecursionError:
        found = [plain.error_line(SongError("this file is nested too deeply", _TOO_MUCH))]
    except Exception as fault:  # noqa: BLE001 - a fault of ours must be told in words, too
        why = f"the router fails at this file ({type(fault).__name__}: {fault})"
        found = [plain.error_line(SongError(why, "Please tell its makers."))]
    return "".join(f"{line}\n" for line in found).encode()
