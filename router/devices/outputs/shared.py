"""Outputs that are open, for all seats of a room: who wants the port that another has open already shares it.

    open    the same port: one more holder     another port: opened
    close   the last holder: it stays open for the next, as opening one under JACK stops the process for 30 ms and more

So a swap to another profile costs the others nothing, and sixteen children need one synth.

Invariant: what has failed, or is not there any more, is never given to anybody again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from contextlib import suppress

from router.devices.descriptions import MidiPort, OutputDevice
from router.devices.outputs import open_output
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.midi_port import address

KEPT = 8
"""Ports that stay open though nobody holds them. Our choice: more than a room has synths."""


class _Open:
    """An output that is open, and how many hold it."""

    def __init__(self, output: Output) -> None:
        self.output = output
        self.holders = 0


class SharedOutputs:
    """The room's open outputs, each shared by its holders.

    ``keep`` is given each output that is opened, and returns the one to use (see ``Sounding.marked``).
    """

    def __init__(self, keep: Callable[[Output], Output]) -> None:
        self._keep = keep
        self._open: dict[Hashable, _Open] = {}  # those that were held last come last

    def open(self, name: str, device: OutputDevice) -> OutputShare:
        """Return the output that ``device`` describes, for one holder, who closes it; ``name`` as in the profile.

        Raises:
            OutputError: it cannot be opened; the text says what to do.
        """
        for gone in [gone for gone, one in self._open.items() if not one.output.present()]:
            self._drop(gone)  # first, as JACK's library knows no new server while a client of the old one is left
        key = _key(name, device)
        held = self._hold(key, self._open.get(key) or _Open(self._keep(open_output(name, device))), device)
        if not held.own:  # what was wanted has come, so nobody needs a port of ours in its place
            for idle in [idle for idle, one in self._open.items() if not one.holders and _own(one.output)]:
                self._drop(idle)
        return held

    def if_open(self, name: str, device: OutputDevice) -> OutputShare | None:
        """Return the output as ``open`` does if it is open already, otherwise None."""
        try:
            key = _key(name, device)
        except OutputError:
            return None
        one = self._open.get(key)
        return self._hold(key, one, device) if one is not None and one.output.present() else None

    def _hold(self, key: Hashable, one: _Open, device: OutputDevice) -> OutputShare:
        one.holders += 1
        self._open.pop(key, None)
        self._open[key] = one
        return OutputShare(self, key, one, device)

    def give_back(self, key: Hashable, one: _Open, gone: bool, stale: bool) -> None:
        """Release one holder.

        ``gone``: the output has gone or failed. ``stale``: what it stands in for has come. If it has gone, the other
        holders learn of it when they next send.
        """
        one.holders -= 1
        if self._open.get(key) is not one:
            if not one.holders:
                _close(one.output)
        elif gone or (stale and not one.holders):
            self._drop(key)
        elif not one.holders:
            self._open[key] = self._open.pop(key)
            idle = [key for key, one in self._open.items() if not one.holders]
            for oldest in idle[: max(0, len(idle) - KEPT)]:
                self._drop(oldest)

    def close(self) -> None:
        """Close every output that nobody holds."""
        for key in [key for key, one in self._open.items() if not one.holders]:
            self._drop(key)

    def _drop(self, key: Hashable) -> None:
        """Give the output to nobody any more, and close it now or when its last holder gives it back."""
        one = self._open.pop(key)
        if not one.holders:
            _close(one.output)


class OutputShare(Output):
    """A shared output as one holder sees it."""

    def __init__(self, shared: SharedOutputs, key: Hashable, one: _Open, device: OutputDevice) -> None:
        self._shared, self._key, self._one, self._device = shared, key, one, device
        self._output = one.output
        self._send = one.output.send
        self._held = True
        self._failed = False
        self.description = one.output.description
        self.place = one.output.place

    def send(self, data: tuple[int, ...], now: int) -> None:
        try:
            self._send(data, now)
        except Exception:
            self._failed = True
            raise

    def deadline(self) -> int | None:
        return self._output.deadline()

    def wake(self, now: int) -> None:
        try:
            self._output.wake(now)
        except Exception:
            self._failed = True
            raise

    def present(self) -> bool:
        return self._output.present()

    @property
    def own(self) -> bool:
        """True if this is a port of our own, because none matched."""
        return _own(self._output)

    def stale(self) -> bool:
        """Tell whether the port that this holder wanted has come; the others may want another one."""
        if not isinstance(self._device, MidiPort) or not self.own:
            return self._output.stale()
        return bool(address("", self._device)[1])

    def close(self) -> None:
        if self._held:
            self._held = False
            gone, stale = self._failed or not self.present(), False
            if not gone:  # else nobody may look for ports before it is closed
                with suppress(OutputError):  # several have come
                    stale = self.stale()
            self._shared.give_back(self._key, self._one, gone, stale)


def _own(output: Output) -> bool:
    return output.place is not None and not output.place.port


def _key(name: str, device: OutputDevice) -> Hashable:
    return address(name, device) if isinstance(device, MidiPort) else device


def _close(output: Output) -> None:
    with suppress(Exception):  # whatever a driver says of one that has gone, nobody wants it any more
        output.close()
