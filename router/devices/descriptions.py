"""Plain descriptions of devices and outputs, as a profile gives them, before anything is opened.

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
    """A key or button of a kernel input device, by the kernel's name (``KEY_SPACE``, ``BTN_0``).

    ``each``: all devices that the pattern matches are one switch; otherwise the pattern must match one only.
    """

    pattern: str
    key: str
    grab: bool = True
    each: bool = False


@dataclass(frozen=True, slots=True)
class EvdevAxis:
    """An absolute axis of a kernel input device, by the kernel's name, as a pressure.

    pascals = (value - offset) * scale.
    """

    pattern: str
    axis: str
    scale: float = 1.0
    offset: float = 0.0
    grab: bool = True


@dataclass(frozen=True, slots=True)
class EvdevPointer:
    """Two axes of a kernel input device, by the kernel's names: both absolute (``ABS_X``) or both relative (``REL_X``).

    ``step``: how far one count of a relative axis moves, as a share of the whole width or height.
    """

    pattern: str
    x: str = "ABS_X"
    y: str = "ABS_Y"
    grab: bool = True
    step: float = 0.001


@dataclass(frozen=True, slots=True)
class MidiInDevice:
    """A MIDI port that sends to us. ``clock``: its timing messages are wanted, too (24 clocks a quarter)."""

    pattern: str
    clock: bool = False


@dataclass(frozen=True, slots=True)
class MidiPressure:
    """A kind of message of a MIDI port, as a pressure: pascals = (value - offset) * scale.

    ``status``: a controller (0xB0, with its ``number``), channel pressure (0xD0) or pitch bend (0xE0, a value from 0 to
    16383). ``channel``: 1 to 16; None: any.
    """

    pattern: str
    status: int
    number: int | None = None
    channel: int | None = None
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class TerminalKey:
    """A key of the terminal in which the router runs, as a switch: one character, or "space", "enter", "tab"."""

    key: str


EvdevDevice = EvdevSwitch | EvdevAxis | EvdevPointer
MidiDevice = MidiInDevice | MidiPressure
Device = SerialDevice | EvdevDevice | MidiDevice | TerminalKey


@dataclass(frozen=True, slots=True)
class MidiPort:
    """A MIDI port to send to; if none matches, the router offers a port of its own.

    ``active_sensing``: send MIDI 1.0's status byte FE at least every 300 ms, so that a synth that understands it falls
    silent when the router has gone.
    """

    pattern: str
    active_sensing: bool = False


@dataclass(frozen=True, slots=True)
class Instrument:
    """The built-in instrument; ``soundfont`` None: the first that is installed. ``gain`` 0 to 2."""

    soundfont: str | None = None
    gain: float = 0.4


OutputDevice = MidiPort | Instrument
