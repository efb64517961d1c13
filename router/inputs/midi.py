"""A MIDI port that sends to us.

The driver's thread stamps each message, puts it into a queue and wakes the loop, nothing else; the rest is done when
the loop reads. A port that goes away is reported by nobody, so once a second its name is looked for: the one thing
here that wakes the loop with nothing to play, and only while a MIDI input is open.
"""

from __future__ import annotations

import itertools
import os
import time
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

from router import clock
from router.devices import MidiInDevice
from router.events import MidiSample
from router.inputs.base import DeviceLost, DeviceMissing, Input, Stamped
from router.names import NotOne, choose
from router.ports import MidiSystem, NoMidi, candidates, midi_system
from router.units import NANOSECONDS

LOOK_EVERY = NANOSECONDS
"""Between two looks whether the port is still there; a look takes about 0.1 ms."""

DRAIN, DRAINS = 0.02, 50
"""Seconds in which the driver's thread has brought nothing more, so that it is done; and how often to try at most."""

_count = itertools.count(1)


class MidiInput(Input):
    """An open MIDI port, found by its name's pattern.

    Raises:
        DeviceMissing: no such port now, several, or no MIDI system.
    """

    def __init__(self, devices: Mapping[str, MidiInDevice]) -> None:
        self.inputs = tuple(devices)
        pattern = next(iter(devices.values())).pattern
        try:
            import rtmidi  # noqa: PLC0415 - only Linux has it, and only running needs it
        except ImportError as error:
            raise DeviceMissing("MIDI ports need the package python-rtmidi, which is not installed here") from error
        try:
            self._system = midi_system()
        except NoMidi as error:
            raise DeviceMissing(str(error)) from error
        self._sender = _find(self._system, pattern)
        self.description = f'MIDI port "{self._sender}"'
        self._client = f"router-in-{os.getpid()}-{next(_count)}"
        self._queue: deque[tuple[int, list[int]]] = deque()
        self._poke = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._look_at = clock.now() + LOOK_EVERY
        self._lost = False
        self._port: Any = None
        try:
            self._port = rtmidi.MidiIn(self._system.api, name=self._client)
            self._port.set_callback(self._came)
            self._port.open_port(self._port.get_ports().index(self._sender), "in")
        except (OSError, ValueError) as error:  # ValueError: it has gone since we looked
            self.close()
            raise DeviceMissing(f"{self.description} cannot be opened: {error}") from error

    def fileno(self) -> int:
        return self._poke

    def read(self, now: int) -> list[Stamped]:
        with suppress(BlockingIOError):
            os.eventfd_read(self._poke)
        stamped: list[Stamped] = []
        while self._queue:
            stamp, data = self._queue.popleft()
            stamped += [(stamp, MidiSample(name, tuple(data))) for name in self.inputs]
        return stamped

    def deadline(self) -> int | None:
        return self._look_at

    def wake(self, now: int) -> list[Stamped]:
        if now >= self._look_at:
            self._look_at = now + LOOK_EVERY
            if not (self._system.alive and self._sender in self._system.senders()):
                self._lost = True
                raise DeviceLost(f"{self.description} has gone")
        return []

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
        self._queue.append((clock.now(), event[0]))
        os.eventfd_write(self._poke, 1)


def _find(system: MidiSystem, pattern: str) -> str:
    names = system.senders()
    try:
        chosen = choose(pattern, candidates(names, pattern), "MIDI input", "midi")
    except NotOne as error:
        raise DeviceMissing(str(error)) from error
    return next(name for name in chosen.names if name in names)
