"""The kernel's input devices that are there: their names and ports, their keys and axes, and what those say now.

Names and capabilities are read from the kernel's files, as opening a device takes up to 50 ms; a device whose state is
asked for is opened and closed again. Two devices of one name are told apart by the lasting names that udev gives them.

Invariant: nothing here reads an event, so none is taken from whoever plays with the device.
"""

from __future__ import annotations

import errno
import fcntl
import math
import os
import struct
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from router.core.units import nearest
from router.devices.inputs.base import SCARCE, DeviceMissing
from router.devices.names import Candidate

EV_SYN, EV_KEY, EV_REL, EV_ABS = 0, 1, 2, 3
SYN_REPORT, SYN_DROPPED = 0, 3
EVIOCSCLOCKID = 0x400445A0  # linux/input.h: _IOW('E', 0xa0, int)
EVIOCGRAB = 0x40044590  # _IOW('E', 0x90, int)
CLOCK_MONOTONIC = 1

DEVICES, _SYSTEM = Path("/dev/input"), Path("/sys/class/input")
_CAPABILITIES = {EV_KEY: "key", EV_REL: "rel", EV_ABS: "abs"}
_WORD = 8 * struct.calcsize("l")
"""Bits of a word in the kernel's lists of capabilities, as it writes them for a program of our word size."""


@dataclass(frozen=True, slots=True)
class Axis:
    """An absolute axis: its value, its ends, and how far from the middle still counts as the middle (``flat``)."""

    value: int
    low: int
    high: int
    flat: int = 0

    def share(self, value: int) -> float:
        """Scale a value to 0 to 1; values beyond the ends are cut off, as the kernel lets them through."""
        half = (self.high - self.low) / 2
        aside = value - self.low - half
        flat = self.flat if self.flat < half else 0
        beyond = math.copysign(max(0.0, abs(aside) - flat), aside)
        return min(1.0, max(0.0, 0.5 + beyond / (half - flat) / 2))


class Node:
    """An open device node, for all questions to the kernel.

    Raises:
        OSError: it cannot be opened.
    """

    def __init__(self, path: str) -> None:
        from evdev import InputDevice  # noqa: PLC0415 - only Linux has it, and only running needs it

        self._device: Any = InputDevice(path)
        self.name = str(self._device.name)
        self.path = path
        try:
            fcntl.ioctl(self._device.fd, EVIOCSCLOCKID, struct.pack("i", CLOCK_MONOTONIC))
        except OSError:
            self._device.close()
            raise

    def fileno(self) -> int:
        return int(self._device.fd)

    def held(self) -> set[int]:
        """The codes of the keys that are down now (EVIOCGKEY)."""
        return set(self._device.active_keys())

    def axis(self, code: int) -> Axis:
        """An axis as it is now (EVIOCGABS)."""
        info = self._device.absinfo(code)
        return Axis(info.value, info.min, info.max, info.flat)

    def grab(self, ours: bool) -> None:
        """Take the device for this process alone, or leave it to all again; no event on its way to us is lost.

        Raises:
            OSError: another program has it for itself alone.
        """
        fcntl.ioctl(self._device.fd, EVIOCGRAB, int(ours))

    def close(self) -> None:
        """Close the node, which also gives up the grab."""
        self._device.close()


@dataclass(frozen=True, slots=True)
class Present:
    """A device that is there: its names, and the codes of its keys and axes, by kind (EV_KEY, EV_REL, EV_ABS).

    ``port``: the name of the port that it is plugged into, if it has one, else its path.
    """

    candidate: Candidate
    path: str
    has: Mapping[int, tuple[int, ...]]
    port: str = ""


def code_of(name: str) -> int:
    """The number of a key, button or axis by the kernel's name.

    Raises:
        DeviceMissing: the kernel has none of this name.
    """
    from evdev import ecodes  # noqa: PLC0415 - as above

    if name in ecodes.ecodes:
        return int(ecodes.ecodes[name])
    near = nearest(name, ecodes.ecodes)
    raise DeviceMissing(f"the kernel has no {name}" + (f"; did you mean {near}?" if near else ""))


def name_of(kind: int, number: int) -> str:
    """The kernel's name of a key or button (``kind`` EV_KEY) or an axis (EV_REL, EV_ABS); the first of several."""
    from evdev import ecodes  # noqa: PLC0415 - as above

    names = ecodes.bytype[kind].get(number, str(number))
    return names if isinstance(names, str) else str(names[0])


def _described(path: str) -> tuple[str, str, str, Mapping[int, Sequence[int]]]:
    """A device's path, its name, its port as the kernel calls it, and the codes of its keys and axes, by kind.

    Read from the kernel's files without opening the device, which would take up to 50 ms for each.

    Raises:
        OSError: it has just gone, or may not be read.
    """
    folder = _SYSTEM / Path(path).name / "device"
    if not os.access(path, os.R_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)
    if not folder.exists():  # not every container shows it
        from evdev import InputDevice  # noqa: PLC0415 - as above

        with closing(InputDevice(path)) as device:
            return path, str(device.name), str(device.phys), device.capabilities(absinfo=False)
    name, port = ((folder / file).read_text(encoding="utf-8", errors="replace") for file in ("name", "phys"))
    has = {kind: _bits((folder / "capabilities" / file).read_text()) for kind, file in _CAPABILITIES.items()}
    return path, name.removesuffix("\n"), port.removesuffix("\n"), has


def _bits(text: str) -> list[int]:
    """Return the numbers of the set bits in hexadecimal words, highest word first (input_bits_to_string of input.c)."""
    words = [int(word, 16) for word in reversed(text.split())]
    return [at * _WORD + bit for at, word in enumerate(words) for bit in range(_WORD) if word >> bit & 1]


def present() -> list[Present]:
    """The input devices that may be read. Where two have one name, a name that tells them apart comes first."""
    by_id, by_path = _links("by-id"), _links("by-path")
    found = []
    for path in _nodes():
        try:
            found.append(_described(path))
        except (OSError, ValueError) as error:
            if isinstance(error, OSError) and error.errno in SCARCE:
                raise
            continue  # it has just gone, or may not be read
    result = []
    for path, name, port, has in found:
        ports = [*by_path.get(path, ()), *([port] if port else []), path]
        names, remark = [name, *by_id.get(path, ()), *ports], ""
        twins = [other for other, called, _, _ in found if called == name]
        if len(twins) > 1:
            # Of two without a number of their own only one has a link by-id, and at the next boot it may be the other.
            each_known = all(twin in by_id for twin in twins)
            names = [*by_id.get(path, ()), *ports, name] if each_known else [*ports, *by_id.get(path, ()), name]
            remark = name
        kinds = {kind: tuple(has.get(kind, ())) for kind in (EV_KEY, EV_REL, EV_ABS)}
        result.append(
            Present(Candidate(tuple(names), remark), path, kinds, by_path[path][0] if path in by_path else path)
        )
    return result


def state(device: Present) -> tuple[set[int], dict[int, Axis]]:
    """The codes of the keys that are held now, and the absolute axes as they are; nothing is taken from other programs.

    Raises:
        OSError: it has gone.
    """
    node = Node(device.path)
    try:
        return node.held(), {axis: node.axis(axis) for axis in device.has[EV_ABS]}
    finally:
        node.close()


def unreadable() -> int:
    """Count the devices that this user may not read."""
    return sum(not os.access(path, os.R_OK) for path in _nodes())


def _nodes() -> list[str]:
    """The paths of the device nodes in the order of their numbers: event2 before event10."""
    try:
        names = os.listdir(DEVICES)  # noqa: PTH208 - what a Path lists is empty where no descriptor is free
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return []
    nodes = (str(DEVICES / name) for name in names if name.startswith("event"))
    return sorted(nodes, key=lambda path: (len(path), path))


def _links(folder: str) -> dict[str, list[str]]:
    """The lasting names of udev: "by-id", what a device says of itself, or "by-path", the port it is plugged into."""
    links: dict[str, list[str]] = {}
    if (DEVICES / folder).is_dir():
        for link in sorted((DEVICES / folder).iterdir()):
            links.setdefault(str(link.resolve()), []).append(str(link))
    return links
