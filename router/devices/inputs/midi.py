"""A MIDI port that sends to us: a keyboard's keys, or one controller, channel pressure or pitch bend as a pressure.

The driver's thread stamps each message, puts it into a queue and wakes the loop, nothing else; the rest is done when
the loop reads. A controller says nothing until it moves; until then its pressure is taken to be 0. Timing messages
come many times a second, so they reach only an input that asks for them (``clock``).
"""

from __future__ import annotations

import itertools
import os
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import Any

from router.core.events import Found, Lost, MidiSample, PressureSample, Sample
from router.core.midi import CLOCK, CONTROL_CHANGE, PITCH_BEND, QUARTER_FRAME
from router.devices.descriptions import MidiDevice, MidiInDevice, MidiPressure
from router.devices.inputs.base import PER_READ, DeviceBusy, DeviceLost, DeviceMissing, Stamped
from router.devices.inputs.shared import DeviceKind, Opened, Reader, Sharing, Wish
from router.devices.names import Candidate, as_yaml, matches
from router.devices.ports import MidiSystem, NoMidi, PortConnection, candidates, midi_system, our_port
from router.system import clock

MOST_WAITING = 4096
"""Messages that may wait to be read: a full second of a MIDI cable. Our choice."""

DRAIN, DRAINS = 0.02, 50
"""Seconds without a message after which the driver's thread counts as done; and how often to wait at most."""

TIMING = (CLOCK, QUARTER_FRAME)
"""Messages that the driver leaves out unless asked for; start, stop, continue and song position always come."""

_count = itertools.count(1)


Messages = list[tuple[int, "list[int] | None"]]
"""Messages with their times in nanoseconds; None: from here on some were dropped."""


class Port(Opened[Messages]):
    """An open MIDI port, for all its readers.

    With ``Sharing.keep`` it stays open when the last reader has left, until it has gone: to open or close one under
    JACK was measured to stop the whole program for 30 to 90 ms.

    Raises:
        OSError, ValueError: it cannot be opened; ValueError: it has gone since we looked.
    """

    may_stay = True

    def __init__(self, system: MidiSystem, sender: str) -> None:
        import rtmidi  # noqa: PLC0415 - only Linux has it, and only running needs it

        super().__init__()
        self.description = f"MIDI port {as_yaml(sender)}"
        self.dropped = 0
        self.system, self._sender = system, sender
        self._client = f"router-in-{os.getpid()}-{next(_count)}"
        self._queue: deque[tuple[int, list[int] | None]] = deque()
        self._full = False
        self._brought = 0
        self._poke = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._gone = False
        self._port: Any = None
        try:
            with system.still():
                self._port = our_port(lambda: rtmidi.MidiIn(system.api, name=self._client))
                self._port.set_callback(self._came)
                self._port.open_port(self._port.get_ports().index(sender), "in")
        except (OSError, ValueError):
            self.over = True
            self.close()
            raise
        self._connection = PortConnection(system, sender, self._client)

    def fileno(self) -> int:
        return self._poke

    def take(self, now: int) -> Messages | None:
        with suppress(BlockingIOError):
            os.eventfd_read(self._poke)
        messages = [self._queue.popleft() for _ in range(min(len(self._queue), PER_READ))]
        if self._queue:
            os.eventfd_write(self._poke, 1)
        return messages or None

    def join(self, reader: Reader[Messages]) -> None:
        super().join(reader)
        wanted = any(isinstance(each, MidiInput) and each.wants_clock for each in self.readers)
        self._port.ignore_types(timing=not wanted)

    def leave(self, reader: Reader[Messages]) -> None:
        super().leave(reader)
        if not self.readers:  # what waits is for those who have left
            self._queue.clear()

    def look(self) -> None:
        there = self.system.alive and self._sender in self.system.senders() and self._connection.lasts()
        if self._gone or not there:
            self._gone = self.over = True
            raise DeviceLost(f"{self.description} has gone")

    def close(self) -> None:
        if self._poke < 0:
            return
        if self._port is not None:
            if not self._gone:
                # Closing waits for the driver's thread, and that waits for us while messages come in: for ever. So
                # nothing may come any more when it begins.
                self.system.disconnect(self._sender, self._client)
                self._drain()
            with self.system.still():
                self._port.cancel_callback()
                self._port.close_port()
                self._port.delete()
        os.close(self._poke)
        self._poke = -1

    def _drain(self) -> None:
        """Wait until the driver's thread has nothing more to bring."""
        for _ in range(DRAINS):
            before = self._brought
            time.sleep(DRAIN)
            if self._brought == before:
                return

    def _came(self, event: tuple[list[int], float], _data: object) -> None:
        """Queue a message and wake the loop; called by the driver's thread."""
        self._brought += 1
        if self.over or not self.readers:
            return
        if len(self._queue) >= MOST_WAITING:
            self.dropped += 1
            if not self._full:
                self._full = True
                self._queue.append((clock.now(), None))
            return
        self._full = False
        self._queue.append((clock.now(), event[0]))
        os.eventfd_write(self._poke, 1)


class MidiInput(Reader[Messages]):
    """A MIDI port that is open, found by its name's pattern, for some inputs of one seat.

    Raises:
        DeviceMissing: no such port now, several, or no MIDI system.
    """

    def __init__(self, devices: Mapping[str, MidiDevice], wish: Wish | None = None) -> None:
        self.inputs = tuple(devices)
        self.wants_clock = any(isinstance(device, MidiInDevice) and device.clock for device in devices.values())
        self.first = [PressureSample(name, 0.0) for name, device in devices.items() if isinstance(device, MidiPressure)]
        self._devices = devices
        self._port = _open(wish or Sharing().wish("", ("midi",), devices))
        self._before = self._port.dropped
        self.description = self._port.description
        super().__init__(self._port, wish)

    @property
    def dropped(self) -> int:  # type: ignore[override]  # it is counted where it happens
        return self._port.dropped - self._before

    def made(self, what: Messages, now: int) -> Iterator[Stamped]:
        for stamp, data in what:
            if data is None:  # a release may be among what was dropped, so everything is released
                for name in self._devices:
                    yield stamp, Lost(name)
                    yield stamp, Found(name)
                continue
            for name, device in self._devices.items():
                sample = heard(name, device, data)
                if sample is not None:
                    yield stamp, sample

    def look(self) -> None:
        self._port.look()


def _open(wish: Wish) -> Port:
    try:
        import rtmidi  # noqa: F401, PLC0415 - only Linux has it, and only running needs it
    except ImportError as error:
        raise DeviceMissing("MIDI ports need the package python-rtmidi, which is not installed here") from error
    try:
        system = midi_system()
    except NoMidi as error:
        raise DeviceBusy(str(error)) from error
    there = _there(system.senders(), wish.pattern)
    kind = DeviceKind("MIDI input", "midi", "another message", partial(_means, there), _clash)
    sender = wish.sharing.choose(wish, there, kind)
    before = wish.sharing.has_opened(sender)
    if isinstance(before, Port) and before.system is not system:  # a server has gone, and nobody has looked since
        before.over = True
    with wish.sharing.opening(wish):
        try:
            return wish.sharing.opened(sender, lambda: Port(system, sender))
        except (OSError, ValueError) as error:
            raise DeviceBusy(f"MIDI port {as_yaml(sender)} cannot be opened: {error}") from error


def heard(name: str, device: MidiDevice, data: Sequence[int]) -> Sample | None:
    """Return the sample that a message gives an input, or None."""
    if isinstance(device, MidiInDevice):
        return MidiSample(name, tuple(data)) if device.clock or data[0] not in TIMING else None
    kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
    if kind != device.status or (device.channel is not None and channel != device.channel):
        return None
    if kind == CONTROL_CHANGE:
        if len(data) < 3 or data[1] != device.number:
            return None
        value = data[2]
    elif kind == PITCH_BEND:
        if len(data) < 3:
            return None
        value = data[1] | data[2] << 7
    elif len(data) < 2:
        return None
    else:
        value = data[1]
    return PressureSample(name, (value - device.offset) * device.scale)


def _there(names: list[str], pattern: str) -> dict[str, Candidate]:
    """The ports by their full names: the number that tells two of one name apart stays when one of them goes."""
    return {next(name for name in each.names if name in names): each for each in candidates(names, pattern)}


def _means(there: Mapping[str, Candidate], devices: Mapping[str, MidiDevice], name: str) -> bool:
    return matches(next(iter(devices.values())).pattern, there[name].names)


def _clash(ours: Mapping[str, MidiDevice], theirs: Mapping[str, MidiDevice]) -> str:
    """Say which message both take as a pressure; empty if none. Whole ports never clash: many may hear a keyboard."""
    for mine in ours.values():
        for other in theirs.values():
            if (
                isinstance(mine, MidiPressure)
                and isinstance(other, MidiPressure)
                and (mine.status, mine.number) == (other.status, other.number)
                and (mine.channel is None or other.channel in (None, mine.channel))
            ):
                return f"controller {mine.number}" if mine.status == CONTROL_CHANGE else "the same message"
    return ""
