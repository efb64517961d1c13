"""A MIDI pad that sends, and waiting for what a MIDI input reads of it."""

import select
import time

import rtmidi

from router.system import clock
from tests.shared.parts import close_port


class Pad:
    """A MIDI pad: a port of another client that sends."""

    def __init__(self, client, port="pads"):
        self.port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=client)
        self.port.open_virtual_port(port)

    def send(self, *data):
        self.port.send_message(data)

    def close(self):
        if self.port is not None:
            close_port(self.port)
            self.port = None


def wait_for(midi_input, count, seconds=20):
    """Read whenever the descriptor says so, until so many samples have come."""
    found = []
    deadline = time.monotonic() + seconds
    while len(found) < count and time.monotonic() < deadline:
        if select.select([midi_input.fileno()], [], [], 1)[0]:
            found += midi_input.read(clock.now())
    return found
