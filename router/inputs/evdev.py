"""A kernel input device: its keys and buttons are switches, its axes are pointers, and an absolute axis may be a pressure.

What the kernel sends, and what becomes of it (linux/input-event-codes.h, and the kernel's event-codes document):

    key, value 1 or 0          the switch closes or opens
    key, value 2               auto-repeat: nothing
    absolute axis              remembered; a place or a pressure is given at the report's end (SYN_REPORT)
    relative axis              added up, from the middle on and within the borders; a place at the report's end
    SYN_DROPPED                the kernel's buffer ran over: all up to the next SYN_REPORT is void, then the state is
                               asked for, and what was missed is made up

A joystick's stick at rest is never quite in the middle, so the kernel says how far around the middle means nothing
(``flat`` of EVIOCGABS); there a place is exactly 0.5. A pressure takes the axis as it is. An axis is only reported when
it changes, so a pressure is also given once when the device is opened.

A key that is held when the device is opened counts as open until it has been let go: nobody pressed it for us.
Stamps are those of the kernel, on the monotonic clock. The device is taken for ourselves alone (``grab``), so that a
switch that is a keyboard's Enter does not type into a login.
"""

from __future__ import annotations

import errno
import fcntl
import math
import os
import struct
from collections.abc import Collection, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from router.devices import EvdevAxis, EvdevDevice, EvdevPointer, EvdevSwitch
from router.events import PointerSample, PressureSample, SwitchSample
from router.inputs.base import DeviceBusy, DeviceLost, DeviceMissing, Input, Stamped
from router.names import Candidate, NotOne, choose, listed, matches
from router.units import NANOSECONDS, nearest

EVENT = struct.Struct("@llHHi")
"""struct input_event of linux/input.h: seconds, microseconds, type, code, value."""

EV_SYN, EV_KEY, EV_REL, EV_ABS = 0, 1, 2, 3
SYN_REPORT, SYN_DROPPED = 0, 3
EVIOCSCLOCKID = 0x400445A0  # linux/input.h: _IOW('E', 0xa0, int)
CLOCK_MONOTONIC = 1

_DEVICES = Path("/dev/input")
_TAKEN: set[str] = set()
"""The nodes that this process has for itself alone: for the message to whoever means one device by two patterns."""

_AT_ONCE = 64
"""Events read in one go; the kernel keeps at least as many."""


@dataclass(frozen=True, slots=True)
class Axis:
    """An absolute axis: where it is, its ends, and how far from its middle means nothing."""

    value: int
    low: int
    high: int
    flat: int = 0

    def share(self, value: int) -> float:
        """A value as 0 to 1; the kernel does not keep values between the ends, so we do."""
        half = (self.high - self.low) / 2
        aside = value - self.low - half
        flat = self.flat if self.flat < half else 0
        beyond = math.copysign(max(0.0, abs(aside) - flat), aside)
        return min(1.0, max(0.0, 0.5 + beyond / (half - flat) / 2))


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
        self._grabbed = grab
        try:
            fcntl.ioctl(self._device.fd, EVIOCSCLOCKID, struct.pack("i", CLOCK_MONOTONIC))
            if grab:
                self._device.grab()
                _TAKEN.add(path)
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

    def close(self) -> None:
        """Closing also gives up the grab."""
        if self._grabbed:
            self._grabbed = False
            _TAKEN.discard(self.path)
        self._device.close()


@dataclass(slots=True)
class _Key:
    """A key of ours. ``muted``: it was held when the device was opened, and has not been let go since."""

    inputs: list[str]
    down: bool = False
    muted: bool = False


@dataclass(slots=True)
class _Pressure:
    """An axis of ours; ``moved``: since the last report."""

    name: str
    code: int
    device: EvdevAxis
    value: int
    moved: bool = False

    def sample(self) -> PressureSample:
        return PressureSample(self.name, (self.value - self.device.offset) * self.device.scale)


@dataclass(slots=True)
class _Roller:
    """Two relative axes of ours: where they have led to from the middle, 0 to 1; ``moved``: since the last report."""

    name: str
    codes: tuple[int, int]
    step: float
    place: list[float]
    moved: bool = False


@dataclass(slots=True)
class _Pointer:
    """Two absolute axes of ours; ``moved``: since the last report."""

    name: str
    codes: tuple[int, int]
    axes: tuple[Axis, Axis]
    place: list[int]
    moved: bool = False


class EvdevInput(Input):
    """An open device that serves these inputs of a profile."""

    def __init__(self, node: Node, devices: Mapping[str, EvdevDevice]) -> None:
        self.inputs = tuple(devices)
        self.path = node.path
        self.description = f'input device "{node.name}" ({node.path})'
        self._node = node
        self._keys: dict[int, _Key] = {}
        self._pressures: list[_Pressure] = []
        self._pointers: list[_Pointer] = []
        self._rollers: list[_Roller] = []
        for name, device in devices.items():
            match device:
                case EvdevSwitch():
                    self._keys.setdefault(code(device.key), _Key([])).inputs.append(name)
                case EvdevAxis():
                    axis = code(device.axis)
                    self._pressures.append(_Pressure(name, axis, device, node.axis(axis).value))
                case EvdevPointer():
                    self._add_pointer(name, (code(device.x), code(device.y)), device)
        for held in node.held() & self._keys.keys():
            self._keys[held].muted = True
        self.first = [pressure.sample() for pressure in self._pressures]  # where they are now; not given yet
        self._void = False  # between SYN_DROPPED and the next SYN_REPORT

    def _add_pointer(self, name: str, codes: tuple[int, int], device: EvdevPointer) -> None:
        if _relative(device):
            self._rollers.append(_Roller(name, codes, device.step, [0.5, 0.5]))
            return
        axes = (self._node.axis(codes[0]), self._node.axis(codes[1]))
        if any(axis.low >= axis.high for axis in axes):
            raise DeviceMissing(f"{self.description}: an axis of {name} has no length")
        self._pointers.append(_Pointer(name, codes, axes, [axis.value for axis in axes]))

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
                self.dropped += 1
            elif kind == EV_SYN and code == SYN_REPORT:
                if self._void:
                    self._void, missed = False, True
                else:
                    stamped += ((stamp, sample) for sample in self._moved())
            elif self._void:
                continue
            elif kind == EV_KEY and value in (0, 1):
                stamped += ((stamp, sample) for sample in self._key(code, value == 1))
            elif kind == EV_ABS:
                self._axis(code, value)
            elif kind == EV_REL:
                self._roll(code, value)
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
        for pressure in self._pressures:
            if pressure.code == code:
                pressure.value, pressure.moved = value, True
        for pointer in self._pointers:
            for index in (0, 1):
                if pointer.codes[index] == code:
                    pointer.place[index] = value
                    pointer.moved = True

    def _roll(self, code: int, counts: int) -> None:
        for roller in self._rollers:
            for index in (0, 1):
                if roller.codes[index] == code:
                    roller.place[index] = min(1.0, max(0.0, roller.place[index] + counts * roller.step))
                    roller.moved = True

    def _moved(self) -> Iterator[PressureSample | PointerSample]:
        """What the report that ends here has changed."""
        for pressure in self._pressures:
            if pressure.moved:
                pressure.moved = False
                yield pressure.sample()
        for pointer in self._pointers:
            if pointer.moved:
                pointer.moved = False
                x, y = (axis.share(value) for axis, value in zip(pointer.axes, pointer.place, strict=True))
                yield PointerSample(pointer.name, x, y)
        for roller in self._rollers:
            if roller.moved:
                roller.moved = False
                yield PointerSample(roller.name, *roller.place)

    def _made_up(self) -> Iterator[SwitchSample | PressureSample | PointerSample]:
        """What was missed. How far a relative axis has moved meanwhile nobody knows."""
        try:
            held = self._node.held()
            values = [self._node.axis(pressure.code).value for pressure in self._pressures]
            places = [[self._node.axis(code).value for code in pointer.codes] for pointer in self._pointers]
        except OSError as error:
            raise DeviceLost(f"{self.description}: {error.strerror}") from error
        for code in self._keys:
            yield from self._key(code, code in held)
        for pressure, value in zip(self._pressures, values, strict=True):
            pressure.moved |= pressure.value != value
            pressure.value = value
        for pointer, place in zip(self._pointers, places, strict=True):
            pointer.moved |= pointer.place != place
            pointer.place = place
        yield from self._moved()


def _relative(device: EvdevPointer) -> bool:
    return device.x.startswith("REL_")


@dataclass(frozen=True, slots=True)
class Present:
    """A device that is there: its names, and the codes of what it has, by kind (EV_KEY, EV_REL, EV_ABS)."""

    candidate: Candidate
    path: str
    has: Mapping[int, tuple[int, ...]]


def open_evdev(devices: Mapping[str, EvdevDevice]) -> EvdevInput:
    """Open the device that serves these inputs (all of one pattern).

    Raises:
        DeviceMissing: no such device now, several, or one that cannot be opened.
    """
    return _open(_find(next(iter(devices.values())).pattern, _wanted(devices)), devices)


def open_each(devices: Mapping[str, EvdevDevice], known: Collection[str]) -> list[EvdevInput]:
    """Open every device that can serve these inputs (all of one pattern), but those whose paths are ``known``.

    Raises:
        DeviceMissing: none is there that can be opened.
    """
    wanted, pattern = _wanted(devices), next(iter(devices.values())).pattern
    there = present()
    able = [device for device in there if _has(device, wanted)]
    found, why = [], ""
    for device in able:
        if device.path in known or not matches(pattern, device.candidate.names):
            continue
        try:
            found.append(_open(device.path, devices))
        except DeviceMissing as error:  # it costs this one only
            why = str(error)
    if not found:
        raise DeviceMissing(why or _why_none(pattern, there, able, wanted) or f'no input device is called "{pattern}"')
    return found


def _wanted(devices: Mapping[str, EvdevDevice]) -> dict[int, set[int]]:
    """The codes that a device must have, by kind."""
    wanted: dict[int, set[int]] = {EV_KEY: set(), EV_REL: set(), EV_ABS: set()}
    for device in devices.values():
        match device:
            case EvdevSwitch():
                wanted[EV_KEY].add(code(device.key))
            case EvdevAxis():
                wanted[EV_ABS].add(code(device.axis))
            case EvdevPointer():
                wanted[EV_REL if _relative(device) else EV_ABS] |= {code(device.x), code(device.y)}
    return wanted


def _has(device: Present, wanted: Mapping[int, set[int]]) -> bool:
    return all(codes <= {*device.has[kind]} for kind, codes in wanted.items())


def _open(path: str, devices: Mapping[str, EvdevDevice]) -> EvdevInput:
    try:
        node = Node(path, any(device.grab for device in devices.values()))
    except OSError as error:
        kind = DeviceBusy if error.errno == errno.EBUSY else DeviceMissing
        raise kind(f"input device {path} cannot be opened: {_reason(error, path)}") from error
    try:
        return EvdevInput(node, devices)
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
    """The kernel's name of a key or button (``kind`` EV_KEY) or an axis (EV_REL, EV_ABS); the first where it has several."""
    from evdev import ecodes  # noqa: PLC0415 - as above

    names = ecodes.bytype[kind].get(number, str(number))
    return names if isinstance(names, str) else str(names[0])


def present() -> list[Present]:
    """The input devices that are there and may be read. What tells two of one name apart stands before the name."""
    from evdev import InputDevice  # noqa: PLC0415 - as above

    by_id, by_path = _links("by-id"), _links("by-path")
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
        sockets = [*by_path.get(path, ()), *([socket] if socket else []), path]
        names, remark = [name, *by_id.get(path, ()), *sockets], ""
        twins = [other for other, called, _, _ in found if called == name]
        if len(twins) > 1:
            # Of two without a number of their own only one has a link by-id, and at the next boot it may be the other.
            each_known = all(twin in by_id for twin in twins)
            names = [*by_id.get(path, ()), *sockets, name] if each_known else [*sockets, *by_id.get(path, ()), name]
            remark = name
        kinds = {kind: tuple(has.get(kind, ())) for kind in (EV_KEY, EV_REL, EV_ABS)}
        result.append(Present(Candidate(tuple(names), remark), path, kinds))
    return result


def state(device: Present) -> tuple[set[int], dict[int, Axis]]:
    """The codes of the keys that are held now, and the absolute axes as they are; nothing is taken from other programs.

    Raises:
        OSError: it has gone.
    """
    node = Node(device.path, grab=False)
    try:
        return node.held(), {axis: node.axis(axis) for axis in device.has[EV_ABS]}
    finally:
        node.close()


def _find(pattern: str, wanted: Mapping[int, set[int]]) -> str:
    devices = present()
    able = [device for device in devices if _has(device, wanted)]
    try:
        chosen = choose(pattern, [device.candidate for device in able], "input device", "evdev")
    except NotOne as error:
        raise DeviceMissing(_why_none(pattern, devices, able, wanted) or str(error)) from error
    return next(device.path for device in able if device.candidate is chosen)


def _why_none(pattern: str, devices: list[Present], able: list[Present], wanted: Mapping[int, set[int]]) -> str | None:
    """A better reason than the names alone give."""
    if not devices and (closed := unreadable()):
        return (
            f'no input device is called "{pattern}": there are {closed} in {_DEVICES}, but none may be read; '
            "on Debian the user must be in the group input"
        )
    named = [device for device in devices if matches(pattern, device.candidate.names)]
    if named and not any(device in able for device in named):
        what = " and ".join(name_of(kind, number) for kind, codes in wanted.items() for number in sorted(codes))
        there = listed([device.candidate for device in named], "evdev")
        return f'no input device called "{pattern}" has {what}; without it there are:\n{there}'
    return None


def unreadable() -> int:
    """How many devices there are that this user may not read."""
    return sum(not os.access(path, os.R_OK) for path in _nodes())


def _nodes() -> list[str]:
    """event2 before event10."""
    return sorted((str(path) for path in _DEVICES.glob("event*")), key=lambda path: (len(path), path))


def _links(folder: str) -> dict[str, list[str]]:
    """The lasting names of udev: "by-id", what a device says of itself, or "by-path", the socket it is plugged into."""
    links: dict[str, list[str]] = {}
    if (_DEVICES / folder).is_dir():
        for link in sorted((_DEVICES / folder).iterdir()):
            links.setdefault(str(link.resolve()), []).append(str(link))
    return links


def _reason(error: OSError, path: str) -> str:
    if error.errno == errno.EBUSY and path in _TAKEN:
        return "another input has it; write it after evdev: with the same letters in both"
    if error.errno == errno.EACCES:
        return "permission denied; on Debian the user must be in the group input"
    if error.errno == errno.EBUSY:
        return "another program has it for itself alone"
    return error.strerror or str(error)
