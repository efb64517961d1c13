"""What a profile says about a device or an output: plain descriptions, before anything is opened.

A ``pattern`` is a shell-style pattern (``*``, ``?``, ``[…]``) for the device's name, without regard to case and
without the numbers that change at each boot.
"""

from __future__ import annotations

from dataclasses import dataclass

ANY_NUMBER = r"(?P<value>[-+]?\d+(?:\.\d+)?)"
"""The line pattern when a profile gives none: the first number in the line."""


@dataclass(frozen=True, slots=True)
class SerialDevice:
    """A serial line (by-id name or device path) that sends text lines.

    ``line`` is a regular expression searched in each line, with the number in a group called ``value``. For a
    pressure, pascals = (value - offset) * scale; for a switch, any number above 0 is pressed.
    """

    pattern: str
    baud: int = 115200
    line: str = ANY_NUMBER
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class EvdevSwitch:
    """A key or button of a kernel input device, by the kernel's name (``KEY_SPACE``, ``BTN_0``)."""

    pattern: str
    key: str
    grab: bool = True


@dataclass(frozen=True, slots=True)
class EvdevPointer:
    """Two absolute axes of a kernel input device, by the kernel's names."""

    pattern: str
    x: str = "ABS_X"
    y: str = "ABS_Y"
    grab: bool = True


@dataclass(frozen=True, slots=True)
class MidiInDevice:
    """A MIDI port that sends to us."""

    pattern: str


@dataclass(frozen=True, slots=True)
class TerminalKey:
    """A key of the terminal in which the router runs, as a switch: one character, or "space", "enter", "tab"."""

    key: str


Device = SerialDevice | EvdevSwitch | EvdevPointer | MidiInDevice | TerminalKey


@dataclass(frozen=True, slots=True)
class MidiPort:
    """A MIDI port to send to; if none matches, the router offers a port of its own."""

    pattern: str


@dataclass(frozen=True, slots=True)
class Instrument:
    """The built-in instrument; ``soundfont`` None: the first that is installed. ``gain`` 0 to 2."""

    soundfont: str | None = None
    gain: float = 0.4


OutputDevice = MidiPort | Instrument
