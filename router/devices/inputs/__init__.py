"""Inputs: they turn an open device into samples. One file for each kind of device.

Each module is imported when a profile needs it: its libraries take their time to load, and only Linux has them all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import cast

from router.devices.descriptions import (
    Device,
    EvdevAxis,
    EvdevDevice,
    EvdevPointer,
    EvdevSwitch,
    MidiDevice,
    MidiInDevice,
    MidiPressure,
    SerialDevice,
    TerminalKey,
)
from router.devices.inputs.base import DeviceMissing, Input
from router.devices.inputs.shared import Sharing, Wish

Devices = dict[str, Device]
"""The inputs that one device serves, by name, each with its description of the device."""


def by_device(devices: Mapping[str, Device]) -> list[Devices]:
    """Group a profile's inputs by device: two keys of one keyboard, two readings of one serial line."""
    groups: dict[tuple[object, ...], Devices] = {}
    for name, device in devices.items():
        groups.setdefault(_identity(device), {})[name] = device
    return list(groups.values())


def wish_for(sharing: Sharing, who: str, devices: Devices, news: Callable[[], None] = lambda: None) -> Wish:
    """Wish for the device that serves these inputs, a group of ``by_device``, for ``who``; see ``Sharing.wish``."""
    return sharing.wish(who, _identity(next(iter(devices.values()))), devices, news)


def open_input(devices: Devices, types: Mapping[str, str], wish: Wish | None = None) -> Input:
    """Open the device that serves these inputs, a group of ``by_device``; ``types`` as in the profile.

    ``wish``: the wish that this fulfils, where others look for devices, too.

    Raises:
        DeviceMissing: it is not there now, or cannot be opened; the message says what was looked for.
    """
    try:
        return _open(devices, types, wish or wish_for(Sharing(), "", devices))
    except ImportError as error:
        raise DeviceMissing(
            f"the package {error.name} is needed for {', '.join(devices)}, and not installed"
        ) from error


def _open(devices: Devices, types: Mapping[str, str], wish: Wish) -> Input:
    match next(iter(devices.values())):
        case SerialDevice():
            from router.devices.inputs.serial import SerialInput  # noqa: PLC0415 - see the module's docstring

            switches = [name for name in devices if types[name] == "switch"]
            return SerialInput(cast("dict[str, SerialDevice]", devices), switches, wish)
        case MidiInDevice() | MidiPressure():
            from router.devices.inputs.midi import MidiInput  # noqa: PLC0415 - as above

            return MidiInput(cast("dict[str, MidiDevice]", devices), wish)
        case TerminalKey():
            from router.devices.inputs.terminal import TerminalInput  # noqa: PLC0415 - as above

            return TerminalInput(cast("dict[str, TerminalKey]", devices), wish=wish)
        case EvdevSwitch(each=True):
            from router.devices.inputs.every import EveryEvdev  # noqa: PLC0415 - as above

            return EveryEvdev(cast("dict[str, EvdevSwitch]", devices), wish)
        case EvdevSwitch() | EvdevAxis() | EvdevPointer():
            from router.devices.inputs.evdev import open_evdev  # noqa: PLC0415 - as above

            return open_evdev(cast("dict[str, EvdevDevice]", devices), wish)


def _identity(device: Device) -> tuple[object, ...]:
    match device:
        case SerialDevice():
            return "serial", device.pattern, device.baud
        case MidiInDevice() | MidiPressure():
            return "midi", device.pattern
        case TerminalKey():
            return ("terminal",)
        case EvdevSwitch(each=True):
            return "every evdev", device.pattern
        case EvdevSwitch() | EvdevAxis() | EvdevPointer():
            return "evdev", device.pattern
