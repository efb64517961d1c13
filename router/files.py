"""Files that are whole or not there."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """A file to write; it takes the place of ``path`` when the block ends well, and is removed when it does not.

    What is no ordinary file (a device, a pipe) is written as it is.

    Raises:
        OSError: ``path`` cannot be written.
    """
    if path.exists() and not path.is_file():
        with path.open("wb") as file:
            yield file
        return
    path = path.resolve()  # a link stays, and what it points to is replaced
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with temporary.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except BaseException:  # also Ctrl-C: nothing half-written stays
        temporary.unlink(missing_ok=True)
        raise
