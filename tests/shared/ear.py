"""A MIDI port that knows which notes are on."""

from __future__ import annotations

import rtmidi

from tests.shared.parts import close_port


class Ear:
    """Hears what comes to its port, and knows which notes are on."""

    def __init__(self, client: str, port: str = "in") -> None:
        self.name = f"{client}:{port}"
        self.notes: set[tuple[int, int]] = set()
        self._port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=client)
        self._port.set_callback(self._hear)
        self._port.open_virtual_port(port)

    def _hear(self, event: tuple[list[int], float], _data: object) -> None:
        status, number, value = (*event[0], 0, 0)[:3]
        kind, channel = status & 0xF0, (status & 0x0F) + 1
        if kind == 0x90 and value:
            self.notes.add((channel, number))
        elif kind in (0x80, 0x90):
            self.notes.discard((channel, number))

    def close(self) -> None:
        close_port(self._port)
