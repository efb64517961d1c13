"""A serial line that sends text, one reading a line.

Each input of the line has its own pattern, so one line can hold a pressure and a switch. A line in which an input's
pattern finds nothing says nothing about that input. Lines end with CR, LF or both.

    assembling  --byte-->  the line grows  --line end-->  read, then assembling
    assembling  --longer than LONGEST_LINE-->  skipping
    skipping    --line end-->  assembling

The first line after opening may be the tail of a longer one ("3.1" of "123.1"), so it counts for switches only: a
switch may send a line only when it changes, and its first press must be heard; a pressure comes again at once.
"""

from __future__ import annotations

import errno
import math
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from router import clock
from router.devices import SerialDevice
from router.events import PressureSample, Sample, SwitchSample
from router.inputs.base import PER_READ, DeviceBusy, DeviceLost, DeviceMissing, Input, Stamped
from router.names import Candidate, NotOne, choose
from router.units import NANOSECONDS

LONGEST_LINE = 1024
"""Bytes; what is longer is no reading but noise or the wrong speed. Our choice."""

AT_ONCE = NANOSECONDS // 10
"""A switch that says within this time of opening that it is pressed was so before. Our choice: ten readings a second at least."""

BY_ID, BY_PATH = Path("/dev/serial/by-id"), Path("/dev/serial/by-path")
"""udev's lasting names: by what the adapter says of itself, and by the socket it is plugged into."""
_LINE_END = re.compile(rb"[\r\n]+")


class LineReader:
    """Bytes in, complete lines out, whatever comes."""

    def __init__(self) -> None:
        self.dropped = 0
        """Lines that were too long."""
        self._rest = b""
        self._skipping = False
        self._whole = False  # whether the line that is assembled is known to be so from its beginning

    def feed(self, data: bytes) -> list[tuple[str, bool]]:
        """The lines that these bytes complete, without their ends and without empty ones; and whether each is whole."""
        *complete, rest = _LINE_END.split(self._rest + data)
        lines = []
        for line in complete:
            if self._skipping:  # the end of what was too long
                self._skipping = False
            elif len(line) > LONGEST_LINE:
                self.dropped += 1
            elif line:
                lines.append((line.decode("utf-8", "replace"), self._whole))
            self._whole = True
        if len(rest) > LONGEST_LINE and not self._skipping:
            self.dropped += 1
            self._skipping = True
        self._rest = b"" if self._skipping else rest
        return lines


class Reading:
    """What one input takes from a line."""

    def __init__(self, name: str, device: SerialDevice, is_switch: bool) -> None:
        self.is_switch = is_switch
        self._name = name
        self._pattern = re.compile(device.line)
        self._scale, self._offset = device.scale, device.offset

    def sample(self, line: str) -> Sample | None:
        """The sample in this line, or None."""
        found = self._pattern.search(line)
        if found is None or found["value"] is None:
            return None
        try:
            value = (float(found["value"]) - self._offset) * self._scale
        except ValueError:  # the pattern lets through what is no number
            return None
        if not math.isfinite(value):
            return None
        return SwitchSample(self._name, value > 0) if self.is_switch else PressureSample(self._name, value)


class SerialInput(Input):
    """An open serial line.

    Raises:
        DeviceMissing: no such line now, or it cannot be opened.
    """

    def __init__(self, devices: Mapping[str, SerialDevice], switches: Iterable[str]) -> None:
        import serial  # noqa: PLC0415 - only Linux installs it, and only running needs it

        self.inputs = tuple(devices)
        first = next(iter(devices.values()))
        path = find(first.pattern)
        self.description = f"serial line {path}"
        switches = set(switches)
        self._readings = [Reading(name, device, name in switches) for name, device in devices.items()]
        self._lines = LineReader()
        self._held: set[str] = set()  # switches that were pressed already when we began to listen
        self._began = clock.now()
        try:
            self._port = serial.Serial(path, first.baud, timeout=0, exclusive=True)
        except (OSError, ValueError, OverflowError) as error:
            kind = DeviceBusy if getattr(error, "errno", None) in (errno.EAGAIN, errno.EBUSY) else DeviceMissing
            raise kind(f"serial line {path} cannot be opened: {_reason(error)}") from error
        try:
            _wait_for_a_byte(self._port.fileno())
        except OSError as error:
            self._port.close()
            raise DeviceMissing(f"serial line {path} cannot be used: {_reason(error)}") from error

    def fileno(self) -> int:
        return int(self._port.fileno())

    def read(self, now: int) -> list[Stamped]:
        try:
            data = os.read(self._port.fileno(), PER_READ)  # pyserial's own read would wait until it has so many
        except BlockingIOError:
            return []
        except OSError as error:
            raise DeviceLost(f"{self.description}: {error.strerror}") from error
        if not data:
            raise DeviceLost(f"{self.description}: hung up")
        lines = self._lines.feed(data)
        self.dropped = self._lines.dropped
        return [
            (now, sample)
            for line, whole in lines
            for reading in self._readings
            if (whole or reading.is_switch)
            and (sample := reading.sample(line)) is not None
            and not (isinstance(sample, SwitchSample) and self._was_held(sample, now))
        ]

    def _was_held(self, sample: SwitchSample, now: int) -> bool:
        """Whether a switch says only that it has been pressed since before we listened: nobody pressed it for us.

        A box that sends its state all the time says so at once; one that sends what changes says nothing then.
        """
        if sample.pressed and now - self._began < AT_ONCE:
            self._held.add(sample.input)
        elif not sample.pressed:
            self._held.discard(sample.input)
        return sample.input in self._held

    def close(self) -> None:
        self._port.close()


def find(pattern: str) -> str:
    """The path that the pattern means: a by-id name, a tty's name, or the path itself (of a pty too).

    Raises:
        DeviceMissing: none, or several.
    """
    if pattern.startswith("/") and Path(pattern).exists():
        return pattern
    try:
        return choose(pattern, lines(), "serial line", "serial").names[-1]
    except NotOne as error:
        raise DeviceMissing(str(error)) from error


def lines() -> list[Candidate]:
    """The serial lines that are there; the last name of each is its path. Only those behind which there is hardware."""
    from serial.tools.list_ports import comports  # noqa: PLC0415 - as above

    by_id, by_path = _links(BY_ID), _links(BY_PATH)
    ports = sorted(comports(), key=lambda port: str(port.device))
    result = []
    for port in ports:
        ids, sockets = by_id.get(port.device, []), by_path.get(port.device, [])
        itself = (port.vid, port.pid, port.serial_number)
        # Of two adapters without a number of their own only one has a name by-id, and at the next boot it may be the other.
        twins = port.vid is not None and sum((p.vid, p.pid, p.serial_number) == itself for p in ports) > 1
        names = [*sockets, *ids] if twins else [*ids, *sockets]
        remark = port.description if port.description not in ("n/a", port.name) else ""
        result.append(Candidate((*names, port.name, port.device), remark))
    return result


def _links(folder: Path) -> dict[str, list[str]]:
    links: dict[str, list[str]] = {}
    if folder.is_dir():
        for link in sorted(folder.iterdir()):
            links.setdefault(str(link.resolve()), []).extend((link.name, str(link)))
    return links


def last_line(path: str, baud: int, seconds: float) -> str:
    """The last line that comes within this time, or empty. Only listens, and lets go of the line again.

    Raises:
        DeviceMissing: it cannot be opened, or goes while we listen.
    """
    import serial  # noqa: PLC0415 - as above

    reader, last = LineReader(), ""
    try:
        with serial.Serial(path, baud, timeout=seconds / 10, exclusive=True) as port:
            for _ in range(10):
                for line, whole in reader.feed(port.read(max(1, port.in_waiting))):
                    last = line if whole else last
    except (OSError, ValueError, OverflowError) as error:
        raise DeviceMissing(_reason(error)) from error
    return last


def _wait_for_a_byte(descriptor: int) -> None:
    """Let a read with nothing to read say so. pyserial lets it return nothing, which is also what a lost line says."""
    import termios  # noqa: PLC0415 - not on every system

    try:
        attributes = termios.tcgetattr(descriptor)
        attributes[6][termios.VMIN], attributes[6][termios.VTIME] = 1, 0
        termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    except termios.error as error:
        raise OSError(*error.args) from error


def _reason(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == errno.EACCES:
        return "permission denied; on Debian the user must be in the group dialout"
    if number in (errno.EAGAIN, errno.EBUSY):
        return "another program uses it"
    return os.strerror(number) if number else str(error)
