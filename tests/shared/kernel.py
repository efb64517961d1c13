"""The other side of a kernel's input device: a pipe for its events, and the answers to its questions."""

import os
import struct


class Kernel:
    """The other side of a device node: a pipe for its events, and the answers to its questions."""

    name, path = "Switch Box", "/dev/input/event7"

    def __init__(self, held=(), axes=None):
        self._reader, self.writer = os.pipe()
        os.set_blocking(self._reader, False)
        self.keys = set(held)
        self.axes = axes or {}
        self.closed = False
        self.grabbed = False

    def fileno(self):
        return self._reader

    def held(self):
        return set(self.keys)

    def axis(self, code):
        return self.axes[code]

    def grab(self, ours):
        self.grabbed = ours

    def close(self):
        if not self.closed:
            self.closed = True
            os.close(self._reader)
            os.close(self.writer)

    def unplug(self):
        os.close(self.writer)
        self.writer = os.open(os.devnull, os.O_WRONLY)

    def send(self, *events, at=(5, 250_000)):
        """(type, code, value) each, and SYN_REPORT behind them, in one write."""
        events = [*events, (0, 0, 0)]
        os.write(self.writer, b"".join(struct.pack("@llHHi", *at, *event) for event in events))


def key(code, value):
    return (1, code, value)
