"""A kernel input device: its keys and buttons are switches, its absolute axes are pointers.

What the kernel sends, and what becomes of it (linux/input-event-codes.h, and the kernel's event-codes document):

    key, value 1 or 0          the switch closes or opens
    key, value 2               auto-repeat: nothing
    axis                       remembered; a place is given at the report's end (SYN_REPORT)
    SYN_DROPPED                the kernel's buffer ran over: all up to the next SYN_REPORT is void, then the state is
                               asked for, and what was missed is made up

A key that is held when the device is opened counts as open until it has been let go: nobody pressed it for us.
Stamps are those of the kernel, on the monotonic clock. The device is taken for ourselves alone (``grab``), so that a
switch that is a keyboard's Enter does not type into a login.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from router.devices import EvdevPointer, EvdevSwitch
from router.events import PointerSample, SwitchSample
from router.inputs.base import DeviceLost, DeviceMissing, Input, Stamped
from router.names import Candidate, NotOne, choose, listed, matches
from router.units import NANOSECONDS, nearest

EVENT = struct.Struct("@llHHi")
"""struct input_event of linux/input.h: seconds, microseconds, type, code, value."""

EV_SYN, EV_KEY, EV_ABS = 0, 1, 3
SYN_REPORT, SYN_DROPPED = 0, 3
EVIOCSCLOCKID = 0x400445A0  # linux/input.h: _IOW('E', 0xa0, int)
CLOCK_MONOTONIC = 1

_DEVICES = Path("/dev/input")
_AT_ONCE = 64
"""Events read in one go; the kernel keeps at least as many."""


@dataclass(frozen=True, slots=True)
class Axis:
    """An absolute axis: where it is, and its ends."""

    value: int
    low: int
    high: int

    def share(self, value: int) -> float:
        """A value as 0 to 1; the kernel does not keep values between the ends, so we do."""
        return min(1.0, max(0.0, (value - self.low) / (self.high - self.low)))


class Node:
    """An open device node: everything that only the kernel can answer.

    Raises:
        OSError: it cannot be opened, or somebody else has it for himself alone.
    """

    def __init__(self, path: str, grab: bool) -> None:
        from evdev import InputDevice  # noqa: PLC0415 - only Linux has it, and only running needs it

        self._device: Any = InputDevice(path)
        self.name = str(self._device.name)
        self.path = path
        try:
            fcntl.ioctl(self._device.fd, EVIOCSCLOCKID, struct.pack("i", CLOCK_MONOTONIC))
            if grab:
                self._device.grab()
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
        return Axis(info.value, info.min, info.max)

    def close(self) -> None:
        """Closing also gives up the grab."""
        self._device.close()


@dataclass(slots=True)
class _Key:
    """A key of ours. ``muted``: it was held when the device was opened, and has not been let go since."""

    inputs: list[str]
    down: bool = False
    muted: bool = False


@dataclass(slots=True)
class _Pointer:
    """Two axes of ours; ``moved``: since the last report."""

    name: str
    codes: tuple[int, int]
    axes: tuple[Axis, Axis]
    place: list[int]
    moved: bool = False


class EvdevInput(Input):
    """An open device; ``keys`` gives the code of each switch, ``pointers`` those of each pointer's two axes."""

    def __init__(self, node: Node, keys: Mapping[str, int], pointers: Mapping[str, tuple[int, int]]) -> None:
        self.inputs = (*keys, *pointers)
        self.description = f'input device "{node.name}" ({node.path})'
        self._node = node
        self._keys: dict[int, _Key] = {}
        for name, code in keys.items():
            self._keys.setdefault(code, _Key([])).inputs.append(name)
        for code in node.held() & self._keys.keys():
            self._keys[code].muted = True
        self._pointers = []
        for name, codes in pointers.items():
            axes = (node.axis(codes[0]), node.axis(codes[1]))
            if any(axis.low >= axis.high for axis in axes):
                raise DeviceMissing(f"{self.description}: an axis of {name} has no length")
            self._pointers.append(_Pointer(name, codes, axes, [axis.value for axis in axes]))
        self._void = False  # between SYN_DROPPED and the next SYN_REPORT

    def fileno(self) -> int:
        return self._node.fileno()

    def read(self, now: int) -> list[Stamped]:
        try:
            data = os.read(self._node.fileno(), EVENT.size * _AT_ONCE)
        except BlockingIOError:
            return []
        except OSError as error:  # ENODEV: unplugged
            raise DeviceLost(f"{self.description}: {error.strerror}") from error
        if not data:
            raise DeviceLost(f"{self.description}: hung up")
        stamped: list[Stamped] = []
        missed = False
        for seconds, microseconds, kind, code, value in EVENT.iter_unpack(data):
            stamp = seconds * NANOSECONDS + microseconds * 1000
            if kind == EV_SYN and code == SYN_DROPPED:
                self._void = True
            elif kind == EV_SYN and code == SYN_REPORT:
                if self._void:
                    self._void, missed = False, True
                else:
                    stamped += ((stamp, sample) for sample in self._places())
            elif self._void:
                continue
            elif kind == EV_KEY and value in (0, 1):
                stamped += ((stamp, sample) for sample in self._key(code, value == 1))
            elif kind == EV_ABS:
                self._axis(code, value)
        if missed:  # last, because the state now is newer than everything that was read
            stamped += ((now, sample) for sample in self._made_up())
        return stamped

    def close(self) -> None:
        self._node.close()

    def _key(self, code: int, down: bool) -> Iterator[SwitchSample]:
        key = self._keys.get(code)
        if key is None:
            return
        if key.muted:
            key.muted = down
        elif key.down != down:
            key.down = down
            for name in key.inputs:
                yield SwitchSample(name, down)

    def _axis(self, code: int, value: int) -> None:
        for pointer in self._pointers:
            for index in (0, 1):
                if pointer.codes[index] == code:
                    pointer.place[index] = value
                    pointer.moved = True

    def _places(self) -> Iterator[PointerSample]:
        for pointer in self._pointers:
            if pointer.moved:
                pointer.moved = False
                x, y = (axis.share(value) for axis, value in zip(pointer.axes, pointer.place, strict=True))
                yield PointerSample(pointer.name, x, y)

    def _made_up(self) -> Iterator[SwitchSample | PointerSample]:
        try:
            held = self._node.held()
            places = [[self._node.axis(code).value for code in pointer.codes] for pointer in self._pointers]
        except OSError as error:
            raise DeviceLost(f"{self.description}: {error.strerror}") from error
        for code in self._keys:
            yield from self._key(code, code in held)
        for pointer, place in zip(self._pointers, places, strict=True):
            pointer.moved |= pointer.place != place
            pointer.place = place
        yield from self._places()


@dataclass(frozen=True, slots=True)
class Present:
    """A device that is there: its names, and the codes of the keys and axes it has."""

    candidate: Candidate
    path: str
    keys: tuple[int, ...]
    axes: tuple[int, ...]


def open_evdev(devices: Mapping[str, EvdevSwitch | EvdevPointer]) -> EvdevInput:
    """Open the device that serves these inputs (all of one pattern).

    Raises:
        DeviceMissing: no such device now, several, or one that cannot be opened.
    """
    keys, pointers = {}, {}
    for name, device in devices.items():
        if isinstance(device, EvdevSwitch):
            keys[name] = code(device.key)
        else:
            pointers[name] = (code(device.x), code(device.y))
    path = _find(
        next(iter(devices.values())).pattern, {*keys.values()}, {c for codes in pointers.values() for c in codes}
    )
    try:
        node = Node(path, any(device.grab for device in devices.values()))
    except OSError as error:
        raise DeviceMissing(f"input device {path} cannot be opened: {_reason(error)}") from error
    try:
        return EvdevInput(node, keys, pointers)
    except (OSError, DeviceMissing) as error:
        node.close()
        raise DeviceMissing(str(error)) from error


def code(name: str) -> int:
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
    """The kernel's name of a key or button (``kind`` EV_KEY) or an axis (EV_ABS); the first where it has several."""
    from evdev import ecodes  # noqa: PLC0415 - as above

    names = ecodes.bytype[kind].get(number, str(number))
    return names if isinstance(names, str) else str(names[0])


def present() -> list[Present]:
    """The input devices that are there and may be read. What tells two of one name apart stands before the name."""
    from evdev import InputDevice  # noqa: PLC0415 - as above

    links = _links()
    found = []
    for path in _nodes():
        try:
            with closing(InputDevice(path)) as device:
                has = device.capabilities(absinfo=False)
                found.append((path, str(device.name), str(device.phys), has))
        except OSError:  # it has just gone, or may not be read
            continue
    result = []
    for path, name, socket, has in found:
        names, remark = [name, *links.get(path, ()), *([socket] if socket else []), path], ""
        if sum(other == name for _, other, _, _ in found) > 1:
            names, remark = [*names[1:], name], name
        result.append(
            Present(Candidate(tuple(names), remark), path, tuple(has.get(EV_KEY, ())), tuple(has.get(EV_ABS, ())))
        )
    return result


def _find(pattern: str, keys: set[int], axes: set[int]) -> str:
    devices = present()
    able = [device for device in devices if keys <= {*device.keys} and axes <= {*device.axes}]
    try:
        chosen = choose(pattern, [device.candidate for device in able], "input device", "evdev")
    except NotOne as error:
        raise DeviceMissing(_why_none(pattern, devices, able, keys, axes) or str(error)) from error
    return next(device.path for device in able if device.candidate is chosen)


def _why_none(pattern: str, devices: list[Present], able: list[Present], keys: set[int], axes: set[int]) -> str | None:
    """A better reason than the names alone give."""
    if not devices and (closed := unreadable()):
        return (
            f'no input device is called "{pattern}": there are {closed} in {_DEVICES}, but none may be read; '
            "on Debian the user must be in the group input"
        )
    named = [device for device in devices if matches(pattern, device.candidate.names)]
    if named and not any(device in able for device in named):
        wanted = [name_of(EV_KEY, number) for number in sorted(keys)] + [name_of(EV_ABS, n) for n in sorted(axes)]
        there = listed([device.candidate for device in named], "evdev")
        return f'no input device called "{pattern}" has {" and ".join(wanted)}; without it there are:\n{there}'
    return None


def unreadable() -> int:
    """How many devices there are that this user may not read."""
    return sum(not os.access(path, os.R_OK) for path in _nodes())


def _nodes() -> list[str]:
    """event2 before event10."""
    return sorted((str(path) for path in _DEVICES.glob("event*")), key=lambda path: (len(path), path))


def _links() -> dict[str, list[str]]:
    """The lasting names of udev: by what the device says of itself, then by the socket it is plugged into."""
    links: dict[str, list[str]] = {}
    for folder in (_DEVICES / "by-id", _DEVICES / "by-path"):
        if folder.is_dir():
            for link in sorted(folder.iterdir()):
                links.setdefault(str(link.resolve()), []).append(str(link))
    return links


def _reason(error: OSError) -> str:
    if error.errno == errno.EACCES:
        return "permission denied; on Debian the user must be in the group input"
    if error.errno == errno.EBUSY:
        return "another program has it for itself alone"
    return error.strerror or str(error)
