"""A serial line that sends text, one reading a line.

Each input of the line has its own pattern, so one line can hold a pressure and a switch. A line in which an input's
pattern finds nothing says nothing about that input. Lines end with CR, LF or both.

    assembling  --byte-->  the line grows  --line end-->  read, then assembling
    assembling  --longer than LONGEST_LINE-->  skipping
    skipping    --line end-->  assembling

The first line after opening may be the tail of a longer one ("3.1" of "123.1"), so it counts for switches only: a
switch may send a line only when it changes, and its first press must be heard; a pressure comes again at once. A reader
that joins an open line hears it from its next whole line on.
"""

from __future__ import annotations

import errno
import math
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from router.core.events import PressureSample, Sample, SwitchSample
from router.core.units import NANOSECONDS
from router.devices.descriptions import SerialDevice
from router.devices.inputs.base import PER_READ, DeviceBusy, DeviceLost, DeviceMissing, Stamped
from router.devices.inputs.shared import DeviceKind, Opened, Reader, Sharing, Wish
from router.devices.line_pattern import LONGEST_LINE, LinePattern
from router.devices.names import Candidate, matches, shown
from router.system import clock

AT_ONCE = NANOSECONDS // 10
"""A switch that reports within this time of opening that it is pressed was pressed before.

Our choice, for at least ten readings a second."""

BY_ID, BY_PATH = Path("/dev/serial/by-id"), Path("/dev/serial/by-path")
"""udev's lasting names: by what the adapter says of itself, and by the port it is plugged into."""
_LINE_END = re.compile(rb"[\r\n]+")


class LineReader:
    """Bytes in, complete lines out; any bytes may come."""

    def __init__(self) -> None:
        self.dropped = 0
        """Lines that were too long."""
        self._rest = b""
        self._skipping = False
        self._whole = False  # whether the line that is assembled is known to be so from its beginning

    def feed(self, data: bytes) -> list[tuple[str, bool]]:
        """Return the lines that these bytes complete, without line ends and empty lines, and whether each is whole."""
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
    """The reading of one input from a line."""

    def __init__(self, name: str, device: SerialDevice, is_switch: bool) -> None:
        self.is_switch = is_switch
        self._name = name
        self._find = LinePattern(device.line).find
        self._scale, self._offset = device.scale, device.offset

    def sample(self, line: str) -> Sample | None:
        """The sample in this line, or None."""
        found = self._find(line)
        if found is None:
            return None
        try:
            value = (float(found) - self._offset) * self._scale
        except ValueError:  # the pattern lets through what is no number
            return None
        if not math.isfinite(value):
            return None
        return SwitchSample(self._name, value > 0) if self.is_switch else PressureSample(self._name, value)


class LinesRead(NamedTuple):
    """The lines that came, each with whether its beginning is surely there; and how many were dropped as too long."""

    lines: list[tuple[str, bool]]
    dropped: int


class SerialLine(Opened[LinesRead]):
    """An open serial line, for all its readers.

    Raises:
        DeviceMissing: it cannot be opened.
    """

    def __init__(self, path: str, baud: int) -> None:
        import serial  # noqa: PLC0415 - only Linux installs it, and only running needs it

        super().__init__()
        self.description = f"serial line {shown(path)}"
        self.baud = baud
        self._lines = LineReader()
        try:
            self._port: Any = serial.Serial(path, baud, timeout=0, exclusive=True)
        except (OSError, ValueError, OverflowError) as error:
            kind = DeviceBusy if getattr(error, "errno", None) in (errno.EAGAIN, errno.EBUSY) else DeviceMissing
            raise kind(f"serial line {shown(path)} cannot be opened: {_reason(error)}") from error
        try:
            _wait_for_a_byte(self._port.fileno())
        except OSError as error:
            self._port.close()
            raise DeviceMissing(f"serial line {shown(path)} cannot be used: {_reason(error)}") from error

    def fileno(self) -> int:
        return int(self._port.fileno())

    def take(self, now: int) -> LinesRead | None:
        try:
            data = os.read(self._port.fileno(), PER_READ)  # pyserial's own read would wait until it has so many
        except BlockingIOError:
            return None
        except OSError as error:
            raise DeviceLost(f"{self.description}: {error.strerror}") from error
        if not data:
            raise DeviceLost(f"{self.description}: hung up")
        before = self._lines.dropped
        lines = self._lines.feed(data)
        return LinesRead(lines, self._lines.dropped - before)

    def close(self) -> None:
        self._port.close()


class SerialInput(Reader[LinesRead]):
    """A serial line that is open, for some inputs of one seat.

    Raises:
        DeviceMissing: no such line now, or it cannot be opened.
    """

    def __init__(self, devices: Mapping[str, SerialDevice], switches: Iterable[str], wish: Wish | None = None) -> None:
        self.inputs = tuple(devices)
        self._held: set[str] = set()  # switches that were pressed already when we began to listen
        self._began = clock.now()
        switches = set(switches)
        self._readings = [Reading(name, device, name in switches) for name, device in devices.items()]
        line = _open(devices, wish or Sharing().wish("", ("serial",), devices))
        self.description = line.description
        super().__init__(line, wish)

    def made(self, what: LinesRead, now: int) -> Iterator[Stamped]:
        self.dropped += what.dropped
        for line, whole in what.lines:
            for reading in self._readings:
                if not (whole or reading.is_switch):
                    continue
                sample = reading.sample(line)
                if sample is None or (isinstance(sample, SwitchSample) and self._was_held(sample, now)):
                    continue
                yield now, sample

    def _was_held(self, sample: SwitchSample, now: int) -> bool:
        """Tell whether a switch has been pressed since before we listened: nobody pressed it for us.

        A box that sends its state all the time says so at once; one that sends only changes says nothing then.
        """
        if sample.pressed and now - self._began < AT_ONCE:
            self._held.add(sample.input)
        elif not sample.pressed:
            self._held.discard(sample.input)
        return sample.input in self._held


def find(wish: Wish) -> str:
    """Find the path that the pattern means: by a by-id name, a tty's name, or the path itself (also of a pty).

    Raises:
        DeviceMissing: none, or several.
        DeviceBusy: others have it.
    """
    there = {_plugged_into(candidate): candidate for candidate in lines()}
    if (path := _itself(wish.pattern)) is not None and not any(path in names for names in map(_paths, there.values())):
        there[path] = Candidate((wish.pattern, path))
    kind = DeviceKind("serial line", "serial", "a line pattern", partial(_means, there), _clash)
    chosen = there[wish.sharing.choose(wish, there, kind)]
    return wish.pattern if wish.pattern in chosen.names and wish.pattern.startswith("/") else chosen.names[-1]


def _open(devices: Mapping[str, SerialDevice], wish: Wish) -> SerialLine:
    """Open the line, or return it as it is open already.

    Raises:
        DeviceMissing: none, several, or one that cannot be opened.
        DeviceBusy: others have it, or it runs at another speed for them.
    """
    baud = next(iter(devices.values())).baud
    path = find(wish)
    with wish.sharing.opening(wish):
        line = wish.sharing.opened(os.path.realpath(path), lambda: SerialLine(path, baud))
        if line.baud != baud:
            rivals = " and ".join(sorted({reader.wish.who for reader in line.readers if reader.wish is not None}))
            raise DeviceBusy(
                f"{line.description} runs at {line.baud} baud for {rivals}, and this input wants {baud}; a line has one"
                " speed, so write the same baud: into both profiles"
            )
    return line


def _means(there: Mapping[str, Candidate], devices: Mapping[str, SerialDevice], port: str) -> bool:
    pattern = next(iter(devices.values())).pattern
    return matches(pattern, there[port].names) or _itself(pattern) in _paths(there[port])


def _clash(ours: Mapping[str, SerialDevice], theirs: Mapping[str, SerialDevice]) -> str:
    """Say which readings of one line both use; empty if none."""
    same = {device.line for device in ours.values()} & {device.line for device in theirs.values()}
    return "the same readings" if same else ""


def _itself(pattern: str) -> str | None:
    """The device's real path if the pattern is the path of a device, else None."""
    return os.path.realpath(pattern) if pattern.startswith("/") and Path(pattern).exists() else None


def _paths(line: Candidate) -> set[str]:
    return {os.path.realpath(name) for name in line.names if name.startswith("/")}


def _plugged_into(line: Candidate) -> str:
    """The name of the port that a line is plugged into, or the line's path."""
    return next((name for name in line.names if Path(name).parent == BY_PATH), line.names[-1])


def lines() -> list[Candidate]:
    """The serial lines that are there, only those with hardware behind them; the last name of each is its path."""
    from serial.tools.list_ports import comports  # noqa: PLC0415 - as above

    by_id, by_path = _links(BY_ID), _links(BY_PATH)
    # Where no descriptor is free, pyserial takes /dev for an empty folder.
    os.close(os.open("/dev", os.O_RDONLY | os.O_CLOEXEC))
    ports = sorted(comports(), key=lambda port: str(port.device))
    os.close(os.open("/dev", os.O_RDONLY | os.O_CLOEXEC))
    result = []
    for port in ports:
        ids, places = by_id.get(port.device, []), by_path.get(port.device, [])
        itself = (port.vid, port.pid, port.serial_number)
        # Of two adapters without a serial number only one has a by-id name, and at the next boot it may be the other.
        twins = port.vid is not None and sum((p.vid, p.pid, p.serial_number) == itself for p in ports) > 1
        names = [*places, *ids] if twins else [*ids, *places]
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
    """Listen for this many seconds, close the line again, and return the last text line that came, or "".

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
    """Make a read with nothing to read raise an error; pyserial's would return no bytes, as a lost line does."""
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
