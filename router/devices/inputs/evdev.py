"""A kernel input device: keys and buttons are switches, axes are pointers, and an absolute axis may be a pressure.

What the kernel sends, and what becomes of it (linux/input-event-codes.h, and the kernel's event-codes document):

    key, value 1 or 0          the switch closes or opens
    key, value 2               auto-repeat: nothing
    absolute axis              remembered; a place or a pressure is given at the report's end (SYN_REPORT)
    relative axis              added up, from the middle on and within the borders; a place at the report's end
    SYN_DROPPED                the kernel's buffer overflowed: all up to the next SYN_REPORT is void, then the state is
                               asked for, and what was missed is made up

A joystick at rest is never quite in the middle, so the kernel gives a flat range around the middle (``flat`` of
EVIOCGABS), in which a place is exactly 0.5. A pressure takes the axis as it is. An axis is only reported when it
changes, so a pressure is also given once when the device is opened.

A key that is held when the device is opened counts as open until it is released: nobody pressed it for us. The same
holds for a reader that joins an open device. The kernel forgets key events that wait to be read when it is asked for
the keys' state, so it is asked once for all readers, and never when one of them comes or goes.

Stamps are those of the kernel, on the monotonic clock. The device is taken for ourselves alone (``grab``), so that a
switch that is a keyboard's Enter does not type into a login.
"""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from router.core.events import PointerSample, PressureSample, SwitchSample
from router.core.units import NANOSECONDS
from router.devices.descriptions import EvdevAxis, EvdevDevice, EvdevPointer, EvdevSwitch
from router.devices.inputs.base import DeviceBusy, DeviceLost, DeviceMissing, Stamped
from router.devices.inputs.kernel_devices import (
    DEVICES,
    EV_ABS,
    EV_KEY,
    EV_REL,
    EV_SYN,
    SYN_DROPPED,
    SYN_REPORT,
    Axis,
    Node,
    Present,
    code_of,
    name_of,
    present,
    unreadable,
)
from router.devices.inputs.shared import DeviceKind, Opened, Reader, Sharing, Wish
from router.devices.names import as_yaml, candidates_listed, matches

EVENT = struct.Struct("@llHHi")
"""struct input_event of linux/input.h: seconds, microseconds, type, code, value."""

_AT_ONCE = 64
"""Events taken in one read; the kernel keeps at least as many."""


class KernelEvents(NamedTuple):
    """Events of the kernel that count: stamp (monotonic nanoseconds), type, code and value of each.

    ``held``: after a loss, the keys that are down now, which is newer than all events here; ``losses``: their number.
    """

    events: Sequence[tuple[int, int, int, int]]
    held: frozenset[int] | None = None
    losses: int = 0


class Events(Opened[KernelEvents]):
    """An open device node, for all its readers. ``down``: the keys that were down at the last read."""

    def __init__(self, node: Node) -> None:
        super().__init__()
        self.node = node
        self.down = node.held()
        self._grabbed = False
        self._void = False  # between SYN_DROPPED and the next SYN_REPORT

    @property
    def description(self) -> str:
        return f"input device {as_yaml(self.node.name)} ({self.node.path})"

    def fileno(self) -> int:
        return self.node.fileno()

    def take(self, now: int) -> KernelEvents | None:
        try:
            data = os.read(self.node.fileno(), EVENT.size * _AT_ONCE)
        except BlockingIOError:
            return None
        except OSError as error:  # ENODEV: unplugged
            raise DeviceLost(f"{self.description}: {error.strerror}") from error
        if not data:
            raise DeviceLost(f"{self.description}: hung up")
        events = []
        losses = 0
        missed = False
        for seconds, microseconds, kind, code, value in EVENT.iter_unpack(data):
            if kind == EV_SYN and code == SYN_DROPPED:
                self._void = True
                losses += 1
            elif self._void:
                if kind == EV_SYN and code == SYN_REPORT:
                    self._void, missed = False, True
            else:
                events.append((seconds * NANOSECONDS + microseconds * 1000, kind, code, value))
                if kind == EV_KEY:
                    (self.down.add if value else self.down.discard)(code)
        if missed:  # last, because the state now is newer than everything that was read
            try:
                self.down = self.node.held()
            except OSError as error:
                raise DeviceLost(f"{self.description}: {error.strerror}") from error
        return KernelEvents(events, frozenset(self.down) if missed else None, losses)

    def join(self, reader: Reader[KernelEvents]) -> None:
        self._grab((*self.readers, reader))
        super().join(reader)

    def leave(self, reader: Reader[KernelEvents]) -> None:
        super().leave(reader)
        self.later(self._let_go)

    def close(self) -> None:
        self.node.close()

    def _let_go(self) -> None:
        if not self.over:
            self._grab(self.readers)

    def _grab(self, readers: Iterable[Reader[KernelEvents]]) -> None:
        """Take the device for this process alone while one of the readers wants that, else leave it to all."""
        wanted = any(isinstance(reader, EvdevInput) and reader.grabs for reader in readers)
        if wanted != self._grabbed:
            self.node.grab(wanted)
            self._grabbed = wanted


@dataclass(slots=True)
class _Key:
    """A key that serves inputs. ``muted``: held when the device was opened, and not released since."""

    inputs: list[str]
    down: bool = False
    muted: bool = False


@dataclass(slots=True)
class _Pressure:
    """An axis that serves an input as a pressure; ``moved``: since the last report."""

    name: str
    code: int
    device: EvdevAxis
    value: int
    moved: bool = False

    def sample(self) -> PressureSample:
        return PressureSample(self.name, (self.value - self.device.offset) * self.device.scale)


@dataclass(slots=True)
class _Roller:
    """Two relative axes as a pointer. ``place``: moved from the middle, 0 to 1; ``moved``: since the last report."""

    name: str
    codes: tuple[int, int]
    step: float
    place: list[float]
    moved: bool = False


@dataclass(slots=True)
class _Pointer:
    """Two absolute axes as a pointer; ``moved``: since the last report."""

    name: str
    codes: tuple[int, int]
    axes: tuple[Axis, Axis]
    place: list[int]
    moved: bool = False


class EvdevInput(Reader[KernelEvents]):
    """An open device that serves these inputs of a profile."""

    def __init__(self, opened: Events, devices: Mapping[str, EvdevDevice], wish: Wish | None = None) -> None:
        self.inputs = tuple(devices)
        self.devices = devices
        self.grabs = any(device.grab for device in devices.values())
        self.path = opened.node.path
        self.description = opened.description
        self._node = opened.node
        self._keys: dict[int, _Key] = {}
        self._pressures: list[_Pressure] = []
        self._pointers: list[_Pointer] = []
        self._rollers: list[_Roller] = []
        for name, device in devices.items():
            match device:
                case EvdevSwitch():
                    self._keys.setdefault(code_of(device.key), _Key([])).inputs.append(name)
                case EvdevAxis():
                    axis = code_of(device.axis)
                    self._pressures.append(_Pressure(name, axis, device, self._node.axis(axis).value))
                case EvdevPointer():
                    self._add_pointer(name, (code_of(device.x), code_of(device.y)), device)
        for held in opened.down & self._keys.keys():
            self._keys[held].muted = True
        self.first = [pressure.sample() for pressure in self._pressures]  # where they are now; not given yet
        super().__init__(opened, wish)

    def _add_pointer(self, name: str, codes: tuple[int, int], device: EvdevPointer) -> None:
        if _relative(device):
            self._rollers.append(_Roller(name, codes, device.step, [0.5, 0.5]))
            return
        axes = (self._node.axis(codes[0]), self._node.axis(codes[1]))
        if any(axis.low >= axis.high for axis in axes):
            raise DeviceMissing(f"{self.description}: an axis of {name} has no length")
        self._pointers.append(_Pointer(name, codes, axes, [axis.value for axis in axes]))

    def made(self, what: KernelEvents, now: int) -> Iterator[Stamped]:
        self.dropped += what.losses
        for stamp, kind, code, value in what.events:
            if kind == EV_SYN and code == SYN_REPORT:
                for sample in self._moved():
                    yield stamp, sample
            elif kind == EV_KEY and value in (0, 1):
                for said in self._key(code, value == 1):
                    yield stamp, said
            elif kind == EV_ABS:
                self._axis(code, value)
            elif kind == EV_REL:
                self._roll(code, value)
        if what.held is not None:
            for missed in self._made_up(what.held):
                yield now, missed

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
        """Yield a sample of each axis that the report that ends here has changed."""
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

    def _made_up(self, held: Collection[int]) -> Iterator[SwitchSample | PressureSample | PointerSample]:
        """Make up the samples that were missed, except a relative axis's movement, which the kernel does not keep."""
        try:
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


def open_evdev(devices: Mapping[str, EvdevDevice], wish: Wish | None = None) -> EvdevInput:
    """Open the device that serves these inputs (all of one pattern).

    Raises:
        DeviceMissing: no such device now, several, or one that cannot be opened.
    """
    wish = wish or Sharing().wish("", ("evdev",), devices)
    there = {device.port or device.path: device for device in present()}
    able = [device for device in there.values() if _has(device, _wanted(devices))]
    if why := _why_none(wish.pattern, [*there.values()], able, _wanted(devices)):
        raise DeviceMissing(why)
    names = {port: device.candidate for port, device in there.items() if device in able}
    kind = DeviceKind("input device", "evdev", "another key or axis", partial(_means, there), _clash)
    path = there[wish.sharing.choose(wish, names, kind)].path
    with wish.sharing.opening(wish):
        return _open(path, devices, wish)


def _means(there: Mapping[str, Present], devices: Mapping[str, EvdevDevice], port: str) -> bool:
    pattern = next(iter(devices.values())).pattern
    return matches(pattern, there[port].candidate.names) and _has(there[port], _wanted(devices))


def _clash(ours: Mapping[str, EvdevDevice], theirs: Mapping[str, EvdevDevice]) -> str:
    """Name the keys and axes of one device that both use, as the kernel calls them."""
    wanted, used = _wanted(ours), _wanted(theirs)
    return " and ".join(name_of(kind, number) for kind in wanted for number in sorted(wanted[kind] & used[kind]))


def open_each(devices: Mapping[str, EvdevDevice], known: Collection[str], wish: Wish | None = None) -> list[EvdevInput]:
    """Open every device that can serve these inputs (all of one pattern), except those whose paths are ``known``.

    A device of which another seat uses the same is left to that seat.

    Raises:
        DeviceMissing: none is there that can be opened.
    """
    wish = wish or Sharing().wish("", ("every evdev",), devices)
    wanted, pattern = _wanted(devices), next(iter(devices.values())).pattern
    there = present()
    able = [device for device in there if _has(device, wanted)]
    found, why, kind = [], "", DeviceMissing
    failed: DeviceMissing | None = None
    for device in able:
        if device.path in known or not matches(pattern, device.candidate.names):
            continue
        if rivals := _rivals(wish.sharing.has_opened(device.path), devices, wish):
            why = f"every input device called {as_yaml(pattern)} that is there is used by {rivals[0][0].who}"
            kind = DeviceBusy
            continue
        try:
            found.append(_open(device.path, devices, wish))
        except DeviceMissing as error:  # it costs this one only
            why, failed = str(error), error
    if not found:
        if failed is not None:
            raise failed
        raise kind(why or _why_none(pattern, there, able, wanted) or f"no input device is called {as_yaml(pattern)}")
    wish.has = "some"  # when it lets go of them, others are told
    return found


def _wanted(devices: Mapping[str, EvdevDevice]) -> dict[int, set[int]]:
    """The codes that a device must have, by kind."""
    wanted: dict[int, set[int]] = {EV_KEY: set(), EV_REL: set(), EV_ABS: set()}
    for device in devices.values():
        match device:
            case EvdevSwitch():
                wanted[EV_KEY].add(code_of(device.key))
            case EvdevAxis():
                wanted[EV_ABS].add(code_of(device.axis))
            case EvdevPointer():
                wanted[EV_REL if _relative(device) else EV_ABS] |= {code_of(device.x), code_of(device.y)}
    return wanted


def _has(device: Present, wanted: Mapping[int, set[int]]) -> bool:
    return all(codes <= {*device.has[kind]} for kind, codes in wanted.items())


def _open(path: str, devices: Mapping[str, EvdevDevice], wish: Wish) -> EvdevInput:
    try:
        opened = wish.sharing.opened(path, lambda: Events(Node(path)))
    except OSError as error:
        raise _refused(path, error) from error
    for rival, reader in _rivals(opened, devices, wish):  # who takes every device leaves one to whoever means it
        if rival.at[0] == "every evdev" != wish.at[0]:
            reader.give_up(f"{opened.description} is used by {wish.who} now")
    try:
        return EvdevInput(opened, devices, wish)
    except OSError as error:
        opened.close_unused()
        raise _refused(path, error) from error
    except DeviceMissing:
        opened.close_unused()
        raise


def _rivals(
    opened: Opened[KernelEvents] | None, devices: Mapping[str, EvdevDevice], wish: Wish
) -> list[tuple[Wish, EvdevInput]]:
    """List the other seats' wishes and inputs that use the same of this device."""
    return [
        (reader.wish, reader)
        for reader in (opened.readers if opened is not None else ())
        if isinstance(reader, EvdevInput) and reader.wish is not None and not reader.given_up
        if reader.wish.who != wish.who and _clash(devices, reader.devices)
    ]


def _why_none(pattern: str, devices: list[Present], able: list[Present], wanted: Mapping[int, set[int]]) -> str | None:
    """Return a better reason than the names alone give, or None."""
    if not devices and (closed := unreadable()):
        return (
            f"no input device is called {as_yaml(pattern)}: there are {closed} in {DEVICES}, but none may be read; "
            "on Debian the user must be in the group input"
        )
    named = [device for device in devices if matches(pattern, device.candidate.names)]
    if named and not any(device in able for device in named):
        what = " and ".join(name_of(kind, number) for kind, codes in wanted.items() for number in sorted(codes))
        there = candidates_listed([device.candidate for device in named], "evdev")
        return f"no input device called {as_yaml(pattern)} has {what}; without it there are:\n{there}"
    return None


def _refused(path: str, error: OSError) -> DeviceMissing:
    kind = DeviceBusy if error.errno == errno.EBUSY else DeviceMissing
    return kind(f"input device {path} cannot be opened: {_reason(error)}")


def _reason(error: OSError) -> str:
    if error.errno == errno.EACCES:
        return "permission denied; on Debian the user must be in the group input"
    if error.errno == errno.EBUSY:
        return "another program has it for itself alone"
    return error.strerror or str(error)
