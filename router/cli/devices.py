"""``router devices``: what is plugged in, as profile text ready to paste, with what each says at the moment.

Each line can be pasted into an input; the first word of its remark is the type of input that it can serve.
"""

from __future__ import annotations

import argparse
import platform
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from router.cli import say
from router.devices.names import as_json, as_yaml, pasted, shown
from router.files.profile import schema

NAME = "devices"
HELP = "list what is plugged in, as profile text ready to paste"
EXAMPLE = "router devices"

_SHOWN = 6
"""Keys of a device that are listed in its remark; a keyboard has a hundred."""

KEY = schema.DEVICES["switch"]["evdev"]["properties"]["key"]
_LISTEN = 0.5
"""Seconds that each serial line is listened to."""


@dataclass(slots=True)
class _Kind:
    """One kind of device: what was found, and why nothing was, if so."""

    title: str
    sought: str
    found: list[dict[str, Any]] = field(default_factory=list)
    why: str = ""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("--baud", type=int, default=115200, help="the speed at which serial lines are listened to")
    parser.add_argument("--json", action="store_true", help="for a program to read")


def run(args: argparse.Namespace) -> int:
    """List what is there: 0 if there is anything, 1 if not."""
    if platform.system() != "Linux":
        say(f"router devices needs Linux, and this is {platform.system()}", file=sys.stderr)
        return 1
    kinds = {
        "switches_and_pointers": _looked(_Kind("Switches and pointers", "kernel input devices in /dev/input"), _evdev),
        "serial": _looked(_Kind("Serial lines", "serial lines with hardware behind them"), partial(_serial, args.baud)),
        "midi_inputs": _looked(_Kind("MIDI inputs", "ports that send, of ALSA or else JACK"), _midi_in),
        "midi_outputs": _looked(_Kind("MIDI outputs", "ports that receive, of ALSA or else JACK"), _midi_out),
    }
    if args.json:
        say(
            as_json(
                {name: {"found": kind.found, "why_none": kind.why or None} for name, kind in kinds.items()},
                indent=2,
            )
        )
    else:
        print("\n".join(_plainly(list(kinds.values()))))
    return 0 if any(kind.found for kind in kinds.values()) else 1


_SWITCH_KEYS = ("KEY_SPACE", "KEY_ENTER", "BTN_", "KEY_")
"""Which key a switch is most probably on, the likeliest first."""
_NO_SWITCH = (
    "KEY_POWER",
    "KEY_SLEEP",
    "KEY_WAKEUP",
    "KEY_SUSPEND",
    "KEY_RESTART",
    "KEY_BRIGHTNESS",
    "KEY_VOLUME",
    "KEY_MUTE",
)
"""Keys of the PC's own case and of loudspeakers, which no child plays on."""
_KEYBOARD = 40
"""A device with so many keys is typed on, and stays everybody's."""


def plugged() -> dict[str, list[str]]:
    """Return what is plugged in now, as profile text by the type of input it can serve, the likeliest first.

    No line is opened for it, so nothing that plays is disturbed. What cannot be looked at is as good as not there.
    """
    inputs = _Kind("", "")
    for look in (_evdev, _lines, _midi_in):
        if platform.system() == "Linux":
            _looked(inputs, look)
    found: dict[str, list[str]] = {}
    for entry in sorted(inputs.found, key=lambda entry: len(entry.get("keys", ()))):
        text = entry["profile"].removeprefix("device: ")
        if entry["type"] == "switch" and "keys" in entry:
            key = _likely_key(entry)
            typed = ", grab: no" if len(entry["keys"]) >= _KEYBOARD else ""
            text = f"{{evdev: {as_yaml(entry['device'])}, key: {key}{typed}}}" if key else ""
        if text and not (entry["type"] == "pressure" and "calibrate" in text):  # that is for measuring first
            found.setdefault(entry["type"], []).append(text)
    return found


def _likely_key(entry: dict[str, Any]) -> str:
    held = [key for key in entry["held"] if key.startswith(("KEY_", "BTN_"))]
    keys = [*held, *entry["keys"]]
    likely = [key for key in keys if not key.startswith(_NO_SWITCH) and schema.fits(key, KEY)]
    for begins in _SWITCH_KEYS if not held else ("",):
        if key := next((key for key in likely if key.startswith(begins)), ""):
            return key
    return ""


def _lines(kind: _Kind) -> None:
    """The serial lines on USB, unopened; a port on the board is always there, and seldom a sensor's."""
    from router.devices.inputs import serial  # on Linux only

    for line in serial.lines():
        if line.name.startswith("usb-"):
            text = f"device: {{serial: {as_yaml(line.name)}, unit: Pa}}"
            kind.found.append({"profile": text, "type": "pressure", "about": "", "device": line.name})


def _plainly(kinds: list[_Kind]) -> list[str]:
    lines = []
    for kind in kinds:
        lines.append(f"# {kind.title}")
        lines += [_line(entry) for entry in kind.found]
        if not kind.found:
            lines.append(f"#   none; looked for {kind.sought}" + (f": {kind.why}" if kind.why else ""))
        lines.append("")
    if not any(kind.found for kind in kinds):
        lines += [
            "# Nothing is plugged in that the router knows. To play without any hardware use a key of the terminal,",
            "device: {terminal: space}",
            "# and for the sound the built-in instrument:",
            "box: {instrument: default}",
        ]
    else:
        lines.append(
            "# Paste a device into an input of the type that stands behind it, and a MIDI output under outputs."
        )
    return lines


def _line(entry: dict[str, Any]) -> str:
    about = f": {shown(entry['about'])}" if entry["about"] else ""
    return f"{entry['profile']}   # {entry['type']}{about}"


def _looked(kind: _Kind, look: Callable[[_Kind], None]) -> _Kind:
    try:
        look(kind)
    except ImportError as error:
        kind.why = f"the package {error.name} is not installed"
    except Exception as error:  # noqa: BLE001 - a driver in disorder must not hide what else is there
        kind.why = str(error)
    return kind


def _evdev(kind: _Kind) -> None:
    from router.devices.inputs import kernel_devices as kernel  # its libraries are on Linux only

    for device in kernel.present():
        try:
            held_codes, axes_now = kernel.state(device)
        except OSError:  # it has gone since we looked
            continue
        name = pasted(device.candidate.name)
        keys = [kernel.name_of(kernel.EV_KEY, number) for number in device.has[kernel.EV_KEY]]
        held = [kernel.name_of(kernel.EV_KEY, number) for number in sorted(held_codes)]
        moves = [kernel.name_of(kernel.EV_REL, number) for number in device.has[kernel.EV_REL]]
        axes = {kernel.name_of(kernel.EV_ABS, number): axis for number, axis in axes_now.items()}
        remark = f"{device.candidate.remark}; " if device.candidate.remark else ""
        facts = {
            "device": device.candidate.name,
            "path": device.path,
            "keys": keys,
            "held": held,
            "axes": {axis: {"now": at.value, "lowest": at.low, "highest": at.high} for axis, at in axes.items()},
            "relative_axes": moves,
        }

        offers: list[tuple[str, str, str]] = []  # profile text, what it is for, a remark
        if keys:
            about = f"held now: {_some(held) or 'none'}; keys {_some(keys)}"
            offers.append((f"key: {(held or keys)[0]}", "switch", about))
        if {"ABS_X", "ABS_Y"} <= {*axes}:
            x, y = (axes[axis].share(axes[axis].value) for axis in ("ABS_X", "ABS_Y"))
            offers.append(("x: ABS_X, y: ABS_Y", "pointer", f"now at {x:.0%} from the left, {y:.0%} from the top"))
        if {"REL_X", "REL_Y"} <= {*moves}:
            offers.append(("x: REL_X, y: REL_Y", "pointer", "says how far it moves, not where it is"))
        for axis, at in axes.items():
            if axis in schema.ABSOLUTE and at.low < at.high:
                other = at.high if at.value < at.high else at.low
                points = f"[{{reads: {at.value}, is: 0 Pa}}, {{reads: {other}, is: 10 cmH2O}}]"
                about = f"reads {at.value} now, of {at.low} to {at.high}; measure the second point"
                offers.append((f"axis: {axis}, calibrate: {points}", "pressure", about))
        for text, type_, about in offers:
            profile = f"device: {{evdev: {name}, {text}}}"
            kind.found.append({"profile": profile, "type": type_, "about": remark + about, **facts})
    if not kind.found and (closed := kernel.unreadable()):
        kind.why = f"there are {closed}, but none may be read; on Debian the user must be in the group input"


def _some(names: list[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def _serial(baud: int, kind: _Kind) -> None:
    from router.devices.inputs import serial
    from router.devices.inputs.base import DeviceMissing

    for line in serial.lines():
        said = ""
        try:
            said = serial.last_line(line.names[-1], baud, _LISTEN)
            about = f"said {as_yaml(said[:60])}" if said else f"said nothing within {_LISTEN} s at {baud} baud"
        except DeviceMissing as error:
            about = str(error)
        about = f"{line.remark}; {about}" if line.remark else about
        facts = {"device": line.name, "path": line.names[-1], "last_line": said or None, "about": about}
        text = f"device: {{serial: {pasted(line.name)}, baud: {baud}"
        kind.found.append({"profile": f"{text}, unit: Pa}}", "type": "pressure", **facts})
        kind.found.append({"profile": f"{text}}}", "type": "switch", **facts})


def _midi_in(kind: _Kind) -> None:
    from router.devices.ports import midi_system

    _ports(kind, midi_system().senders(), "device: {{midi: {}}}", "midi")
    points = "[{{reads: 0, is: 0 Pa}}, {{reads: 127, is: 10 cmH2O}}]"
    text = f"device: {{{{midi: {{}}, controller: breath, calibrate: {points}}}}}"
    _ports(kind, midi_system().senders(), text, "pressure")


def _midi_out(kind: _Kind) -> None:
    from router.devices.ports import midi_system

    _ports(kind, midi_system().receivers(), "synth: {{midi: {}}}", "output")


def _ports(kind: _Kind, names: list[str], text: str, type_: str) -> None:
    from router.devices.ports import candidates

    for port in candidates(names, "*"):
        profile = text.format(pasted(port.name))
        kind.found.append({"profile": profile, "type": type_, "about": port.remark, "device": port.name})
