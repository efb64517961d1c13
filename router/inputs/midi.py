"""A MIDI port that sends to us: a keyboard's keys, or one controller, channel pressure or bend taken as a pressure.

The driver's thread stamps each message, puts it into a queue and wakes the loop, nothing else; the rest is done when
the loop reads. A controller says nothing until it moves; until then its pressure is taken to be 0. Timing messages
come many times a second, so they reach only an input that asks for them (``clock``).
"""

from __future__ import annotations

import itertools
import os
import time
from collections import deque
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import Any

from router import clock
from router.devices import MidiDevice, MidiInDevice, MidiPressure
from router.events import Found, Lost, MidiSample, PressureSample, Sample
from router.inputs.base import PER_READ, DeviceBusy, DeviceLost, DeviceMissing, Input, Stamped
from router.inputs.shared import Kind, Sharing, Wish
from router.midi import CLOCK, CONTROL_CHANGE, PITCH_BEND, QUARTER_FRAME
from router.names import Candidate, matches
from router.ports import NoMidi, candidates, midi_system

MOST_WAITING = 4096
"""Messages that may wait to be read: a full second of a MIDI cable. Our choice."""

DRAIN, DRAINS = 0.02, 50
"""Seconds in which the driver's thread has brought nothing more, so that it is done; and how often to try at most."""

TIMING = (CLOCK, QUARTER_FRAME)
"""What the driver leaves out unless it is asked for; start, stop, continue and song position always come."""

_count = itertools.count(1)


class MidiInput(Input):
    """An open MIDI port, found by its name's pattern. Each has a connection of its own, also where several listen to one port.

    Raises:
        DeviceMissing: no such port now, several, or no MIDI system.
    """

    closes_slowly = True

    def __init__(self, devices: Mapping[str, MidiDevice], wish: Wish | None = None) -> None:
        self.inputs = tuple(devices)
        self._devices = devices
        self.first = [PressureSample(name, 0.0) for name, device in devices.items() if isinstance(device, MidiPressure)]
        wish = wish or Sharing().wish("", ("midi",), devices)
        try:
            import rtmidi  # noqa: PLC0415 - only Linux has it, and only running needs it
        except ImportError as error:
            raise DeviceMissing("MIDI ports need the package python-rtmidi, which is not installed here") from error
        try:
            self._system = midi_system()
        except NoMidi as error:
            raise DeviceBusy(str(error)) from error
        there = _there(self._system.senders(), wish.pattern)
        kind = Kind("MIDI input", "midi", "another message", partial(_means, there), _clash)
        self._sender = there[wish.sharing.choose(wish, there, kind)].names[-1]
        self.description = f'MIDI port "{self._sender}"'
        self._client = f"router-in-{os.getpid()}-{next(_count)}"
        self._queue: deque[tuple[int, list[int] | None]] = deque()  # None: from here on messages were dropped
        self._full = False
        self._poke = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._lost = False
        self._port: Any = None
        try:
            self._port = rtmidi.MidiIn(self._system.api, name=self._client)
            self._port.ignore_types(timing=not any(map(_wants_clock, devices.values())))
            self._port.set_callback(self._came)
            self._port.open_port(self._port.get_ports().index(self._sender), "in")
        except (OSError, ValueError) as error:  # ValueError: it has gone since we looked
            self.close()
            wish.sharing.failed(wish)
            raise DeviceMissing(f"{self.description} cannot be opened: {error}") from error
        wish.sharing.settled(wish)

    def fileno(self) -> int:
        return self._poke

    def read(self, now: int) -> list[Stamped]:
        with suppress(BlockingIOError):
            os.eventfd_read(self._poke)
        stamped: list[Stamped] = []
        for _ in range(min(len(self._queue), PER_READ)):
            stamp, data = self._queue.popleft()
            if data is None:  # a release may be among what was dropped, so everything is released
                stamped += ((stamp, event(name)) for name in self._devices for event in (Lost, Found))
                continue
            for name, device in self._devices.items():
                sample = heard(name, device, data)
                if sample is not None:
                    stamped.append((stamp, sample))
        if self._queue:
            os.eventfd_write(self._poke, 1)
        return stamped

    def look(self) -> None:
        if not (self._system.alive and self._sender in self._system.senders()):
            self._lost = True
            raise DeviceLost(f"{self.description} has gone")

    def close(self) -> None:
        if self._poke < 0:
            return
        if self._port is not None:
            if not self._lost:
                # Closing waits for the driver's thread, and that waits for us while messages come in: for ever. So
                # nothing may come any more when it begins.
                self._system.disconnect(self._sender, self._client)
                self._drain()
            self._port.cancel_callback()
            self._port.close_port()
            self._port.delete()
        os.close(self._poke)
        self._poke = -1

    def _drain(self) -> None:
        """Wait until the driver's thread has nothing more to bring."""
        for _ in range(DRAINS):
            before = len(self._queue)
            time.sleep(DRAIN)
            if len(self._queue) == before:
                return

    def _came(self, event: tuple[list[int], float], _data: object) -> None:
        """Called by the driver's thread."""
        if len(self._queue) >= MOST_WAITING:
            self.dropped += 1
            if not self._full:
                self._full = True
                self._queue.append((clock.now(), None))
            return
        self._full = False
        self._queue.append((clock.now(), event[0]))
        os.eventfd_write(self._poke, 1)


def heard(name: str, device: MidiDevice, data: Sequence[int]) -> Sample | None:
    """What a message says to an input, or None."""
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


def _wants_clock(device: MidiDevice) -> bool:
    return isinstance(device, MidiInDevice) and device.clock


def _there(names: list[str], pattern: str) -> dict[str, Candidate]:
    """The ports by their lasting names; the last name of each is its full one."""
    found = {}
    for candidate in candidates(names, pattern):
        full = next(name for name in candidate.names if name in names)
        found[candidate.name] = Candidate((*candidate.names, full), candidate.remark)
    return found


def _means(there: Mapping[str, Candidate], devices: Mapping[str, MidiDevice], name: str) -> bool:
    return matches(next(iter(devices.values())).pattern, there[name].names)


def _clash(ours: Mapping[str, MidiDevice], theirs: Mapping[str, MidiDevice]) -> str:
    """What both take as a pressure. Whole ports are no one's: a keyboard may be heard by many."""
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
