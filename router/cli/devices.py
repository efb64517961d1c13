"""``router devices``: what is plugged in, as profile text ready to paste."""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from router.names import quoted

NAME = "devices"
HELP = "list what is plugged in, as profile text ready to paste"
EXAMPLE = "router devices"

_SHOWN = 6
"""Keys of a device that are listed in its remark; a keyboard has a hundred."""


@dataclass(slots=True)
class _Kind:
    """One kind of device: what was found, and why nothing was, if so."""

    title: str
    sought: str
    found: list[dict[str, Any]] = field(default_factory=list)
    why: str = ""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("--json", action="store_true", help="for a program to read")


def run(args: argparse.Namespace) -> int:
    """List what is there: 0 if there is anything, 1 if not."""
    if platform.system() != "Linux":
        print(f"router devices needs Linux, and this is {platform.system()}", file=sys.stderr)
        return 1
    kinds = {
        "switches_and_pointers": _looked(_Kind("Switches and pointers", "kernel input devices in /dev/input"), _evdev),
        "serial": _looked(_Kind("Serial lines", "serial lines with hardware behind them"), _serial),
        "midi_inputs": _looked(_Kind("MIDI inputs", "ports that send, of ALSA or else JACK"), _midi_in),
        "midi_outputs": _looked(_Kind("MIDI outputs", "ports that receive, of ALSA or else JACK"), _midi_out),
    }
    if args.json:
        print(
            json.dumps(
                {name: {"found": kind.found, "why_none": kind.why or None} for name, kind in kinds.items()},
                ensure_ascii=False,
                indent=2,
            )
        )
    else:
        print("\n".join(_plainly(list(kinds.values()))))
    return 0 if any(kind.found for kind in kinds.values()) else 1


def _plainly(kinds: list[_Kind]) -> list[str]:
    lines = []
    for kind in kinds:
        lines.append(f"# {kind.title}")
        lines += [entry["profile"] + (f"   # {entry['about']}" if entry["about"] else "") for entry in kind.found]
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
        lines.append("# Paste a device into an input of a profile, and a MIDI output under outputs.")
    return lines


def _looked(kind: _Kind, look: Callable[[_Kind], None]) -> _Kind:
    try:
        look(kind)
    except ImportError as error:
        kind.why = f"the package {error.name} is not installed"
    except Exception as error:  # noqa: BLE001 - a driver in disorder must not hide what else is there
        kind.why = str(error)
    return kind


def _evdev(kind: _Kind) -> None:
    from router.inputs import evdev  # noqa: PLC0415 - its libraries are on Linux only

    for device in evdev.present():
        name = quoted(device.candidate.name)
        keys = [evdev.name_of(evdev.EV_KEY, number) for number in device.keys]
        axes = [evdev.name_of(evdev.EV_ABS, number) for number in device.axes]
        shown = ", ".join(keys[:_SHOWN]) + (f" and {len(keys) - _SHOWN} more" if len(keys) > _SHOWN else "")
        remark = f"{device.candidate.remark}: " if device.candidate.remark else ""
        facts = {"device": device.candidate.name, "path": device.path, "keys": keys, "axes": axes}
        if keys:
            text = f"device: {{evdev: {name}, key: {keys[0]}}}"
            kind.found.append({"profile": text, "about": f"{remark}keys {shown}", **facts})
        if {"ABS_X", "ABS_Y"} <= set(axes):
            text = f"device: {{evdev: {name}, x: ABS_X, y: ABS_Y}}"
            kind.found.append({"profile": text, "about": f"{remark}a pointer", **facts})
    if not kind.found and (closed := evdev.unreadable()):
        kind.why = f"there are {closed}, but none may be read; on Debian the user must be in the group input"


def _serial(kind: _Kind) -> None:
    from router.inputs import serial  # noqa: PLC0415 - as above

    for line in serial.lines():
        text = f"device: {{serial: {quoted(line.name)}, baud: 115200, unit: Pa}}"
        kind.found.append({"profile": text, "about": line.remark, "device": line.name, "path": line.names[-1]})


def _midi_in(kind: _Kind) -> None:
    from router.ports import midi_system  # noqa: PLC0415 - as above

    _ports(kind, midi_system().senders(), "device: {{midi: {}}}")


def _midi_out(kind: _Kind) -> None:
    from router.ports import midi_system  # noqa: PLC0415 - as above

    _ports(kind, midi_system().receivers(), "synth: {{midi: {}}}")


def _ports(kind: _Kind, names: list[str], text: str) -> None:
    from router.ports import candidates  # noqa: PLC0415 - as above

    for port in candidates(names, "*"):
        profile = text.format(quoted(port.name))
        kind.found.append({"profile": profile, "about": port.remark, "device": port.name})
