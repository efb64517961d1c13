"""Files that are whole or not there."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO


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
