"""How programs write files, by the calls to the system that each makes."""

from __future__ import annotations

import os
import shutil
from pathlib import Path


def vim(path: Path, new: str) -> None:
    """As with ``backup`` on: a swap file, a try-out, the old one renamed, the new one written."""
    swap = path.with_name(f".{path.name}.swp")
    swap.write_text("b0VIM")
    path.with_name("4913").touch()
    path.with_name("4913").unlink()
    path.rename(path.with_name(path.name + "~"))
    with path.open("w") as file:
        file.write(new)
        file.flush()
        os.fsync(file.fileno())
    path.chmod(0o644)
    path.with_name(path.name + "~").unlink()
    swap.unlink()


def nano(path: Path, new: str) -> None:
    path.with_name(f".{path.name}.swp").write_text("lock")
    shutil.copy(path, path.with_name(path.name + "~"))
    with path.open("r+") as file:
        file.truncate()
        file.write(new)
    path.with_name(f".{path.name}.swp").unlink()


def gnome(path: Path, new: str) -> None:
    temporary = path.with_name(".goutputstream-X2K4Z1")
    temporary.write_text(new)
    temporary.rename(path)


def emacs(path: Path, new: str) -> None:
    path.with_name(f".#{path.name}").symlink_to("somebody@somewhere.1234")
    path.with_name(f"#{path.name}#").write_text(new[:40])
    path.rename(path.with_name(path.name + "~"))
    path.write_text(new)
    path.with_name(f"#{path.name}#").unlink()
    path.with_name(f".#{path.name}").unlink()


def rsync(path: Path, new: str) -> None:
    temporary = path.with_name(f".{path.name}.Xy12Ab")
    temporary.write_text(new)
    os.utime(temporary, (1_600_000_000, 1_600_000_000))
    temporary.rename(path)


def stream(path: Path, new: str) -> None:
    """``sed -i``: a temporary file without an ending."""
    temporary = path.with_name("sedAbCdEf")
    temporary.write_text(new)
    temporary.rename(path)


EDITORS = [vim, nano, gnome, emacs, rsync, stream]


def pieces(whole: str, count: int) -> list[str]:
    size = -(-len(whole) // count)
    return [whole[start : start + size] for start in range(0, len(whole), size)]
