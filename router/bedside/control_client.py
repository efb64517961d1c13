"""Ask the running daemon over its control socket."""

from __future__ import annotations

import grp
import json
import os
import socket
import stat
import struct
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

from router.bedside.control_request import ControlError, as_line
from router.bedside.control_socket import name_of_user
from router.core.units import NANOSECONDS
from router.system import clock

ANSWER = 1 << 24
"""Bytes that an answer may have; what sends more is no router."""


def default_path() -> Path:
    """Where the daemon's socket is, if the command line does not say."""
    return Path(os.environ.get("ROUTER_SOCKET") or "/run/router/control")


def ask(path: Path, request: Mapping[str, Any], timeout: float) -> dict[str, Any]:
    """Return the daemon's answer to one request, within ``timeout`` seconds.

    Raises:
        ControlError: no daemon, not allowed, or no answer in time; the message says what to do.
    """
    with Connection(path, timeout) as connection:
        connection.send(request)
        return connection.receive(timeout)


class Connection:
    """A line to the daemon. ``ControlError`` is raised as by ``ask``, and when the daemon hangs up."""

    def __init__(self, path: Path, timeout: float) -> None:
        self._path = path
        self._received = b""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        # Python's own time-out would not wait at all when several want to be let in at once (unix(7): EAGAIN).
        seconds, part = divmod(round(timeout * 1_000_000), 1_000_000)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("ll", seconds, part))
        try:
            self._socket.connect(str(path))
            self._socket.settimeout(timeout)
        except OSError as error:
            self._socket.close()
            raise ControlError(_why_not(path, error)) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def fileno(self) -> int:
        """Readable when something has come."""
        return self._socket.fileno()

    def send(self, request: Mapping[str, Any]) -> None:
        """Ask."""
        with suppress(BrokenPipeError, ConnectionResetError):  # it hung up, but may have said why: read that
            self._socket.sendall(as_line(request))

    def receive(self, timeout: float) -> dict[str, Any]:
        """The next answer or frame, within ``timeout`` seconds."""
        deadline = clock.now() + round(timeout * NANOSECONDS)
        while b"\n" not in self._received:
            self._socket.settimeout(max(0.001, (deadline - clock.now()) / NANOSECONDS))
            self._read()
        line, _, self._received = self._received.partition(b"\n")
        return self._parsed(line)

    def arrived(self) -> list[dict[str, Any]]:
        """Everything that has come, without waiting; to be called when readable."""
        self._socket.settimeout(0)
        with suppress(BlockingIOError):
            self._read()
        *lines, self._received = self._received.split(b"\n")
        return [self._parsed(line) for line in lines]

    def _read(self) -> None:
        try:
            received = self._socket.recv(1 << 18)
        except BlockingIOError:
            raise
        except TimeoutError as error:
            raise ControlError(
                f"the router at {self._path} does not answer. See what it does: systemctl status router"
            ) from error
        except OSError as error:
            raise ControlError(f"the router at {self._path} hung up: {error.strerror}") from error
        if not received:
            raise ControlError(f"the router at {self._path} hung up")
        self._received += received
        if len(self._received) > ANSWER:
            raise ControlError(f"what answers at {self._path} is no router")

    def _parsed(self, line: bytes) -> dict[str, Any]:
        try:
            document = json.loads(line)
        except (ValueError, RecursionError):
            document = None
        if not isinstance(document, dict):
            raise ControlError(f"what answers at {self._path} is no router")
        return document


def _why_not(path: Path, error: OSError) -> str:
    """Say why nobody can be asked at ``path``, and what to do."""
    if isinstance(error, FileNotFoundError | ConnectionRefusedError | NotADirectoryError):
        return (
            f"no router is running: nobody listens at {path}\n"
            "Start it: sudo systemctl start router\n"
            "If it listens elsewhere, say where with --socket PATH, or in the environment variable ROUTER_SOCKET."
        )
    if isinstance(error, PermissionError):
        return _not_allowed(path)
    if isinstance(error, TimeoutError | BlockingIOError):
        return f"the router at {path} does not answer. See what it does: systemctl status router"
    return f"{path}: {error.strerror or error}"


def _not_allowed(path: Path) -> str:
    for place in (path, path.parent):
        with suppress(OSError, KeyError):
            found = place.stat()
            if found.st_mode & stat.S_IRGRP:
                group = grp.getgrgid(found.st_gid).gr_name
                return (
                    f"you may not use {path}: it is for members of the group {group}\n"
                    f"Become one: sudo adduser {name_of_user(os.getuid())} {group}\nThen log out and in again."
                )
            return f"you may not use {path}: it is for {name_of_user(found.st_uid)} alone. Try it with sudo."
    return f"you may not use {path}. Try it with sudo."
