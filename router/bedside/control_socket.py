"""Make the control socket: alone in its folder, in place of what a dead daemon left, for its group and nobody else."""

from __future__ import annotations

import fcntl
import grp
import os
import pwd
import socket
import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from router.bedside.control_request import ControlError

BACKLOG = 128
"""Clients that wait in the kernel to be let in."""

MODE = 0o660
OWNER_ONLY = 0o600


def listen(path: Path, group: str | None) -> tuple[socket.socket, str]:
    """A socket that listens at ``path``, and a warning if it is not the group's."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
    try:
        with _alone_in(path.parent):
            _clear(path)
            listener.bind(str(path))
            warning = _give_to(path, group)
            listener.listen(BACKLOG)  # until now nobody can connect, so nobody comes before mode and group are right
    except OSError as error:
        listener.close()
        raise ControlError(f"{path}: no control socket can be made: {error.strerror or error}") from error
    except ControlError:
        listener.close()
        raise
    return listener, warning


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Keep other daemons from replacing a socket in this folder meanwhile."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError as error:
        raise ControlError(f"{folder}: another router is just starting here") from error
    finally:
        os.close(descriptor)


def _clear(path: Path) -> None:
    """Remove what a dead daemon left."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK) as trial:
        try:
            trial.connect(str(path))
        except FileNotFoundError:
            return
        except BlockingIOError:  # so many wait to be let in that somebody must be there
            raise ControlError(f"another router listens at {path}, and is busy") from None
        except ConnectionRefusedError:
            if not stat.S_ISSOCK(path.lstat().st_mode):
                raise ControlError(f"{path} is in the way: it is no socket") from None
            path.unlink()
            return
        process = struct.unpack("3i", trial.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))[0]
        raise ControlError(f"another router listens at {path}: it is process {process}")


def _give_to(path: Path, group: str | None) -> str:
    """Set the mode and group of the socket; return what went wrong, or nothing."""
    path.chmod(OWNER_ONLY)
    if group is None:
        return ""
    try:
        os.chown(path, -1, grp.getgrnam(group).gr_gid)
    except KeyError:
        why = f'there is no group called "{group}"'
    except OSError as error:
        why = f'it cannot be given to the group "{group}": {error.strerror}'
    else:
        path.chmod(MODE)
        return ""
    return f"the control socket is for {name_of_user(os.getuid())} and root alone: {why}"


def name_of_user(number: int) -> str:
    """Return the name of a user, or the number if it has none."""
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


def user_of(connection: socket.socket) -> int:
    """The number of the user at the other end (unix(7), SO_PEERCRED)."""
    return int(
        struct.unpack("3i", connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))[1]
    )


def spare() -> int | None:
    """A descriptor that is only there to be given up."""
    try:
        return os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None


def identity(path: Path) -> tuple[int, int]:
    """Return what tells the file at this path from another of its name."""
    found = path.stat()
    return found.st_dev, found.st_ino
