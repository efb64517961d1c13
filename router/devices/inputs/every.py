"""All kernel input devices that a pattern matches, as one: for a switch that may be any key box that is plugged in.

A switch is pressed while it is pressed on any of them. A device that comes later is taken in (``more``), and one that
goes releases what it held; only when the last has gone is the input lost. A device that another seat names for the same
key is left to that seat.
"""

from __future__ import annotations

import select
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from operator import itemgetter

from router.core.events import Sample, SwitchSample
from router.devices.descriptions import EvdevSwitch
from router.devices.inputs.base import DeviceLost, DeviceMissing, Input, Stamped, passing
from router.devices.inputs.evdev import EvdevInput, open_each
from router.devices.inputs.shared import Wish


class EveryEvdev(Input):
    """All devices that the pattern matches, as one input.

    Raises:
        DeviceMissing: there is none at all, or none that can be opened.
    """

    grows = True

    def __init__(self, devices: Mapping[str, EvdevSwitch], wish: Wish | None = None) -> None:
        self.inputs = tuple(devices)
        self._wish = wish
        self._devices = devices
        self._open: dict[int, EvdevInput] = {}
        self._down: dict[str, set[int]] = {name: set() for name in devices}
        self._gone = 0  # what was dropped by those that have gone
        self._epoll = select.epoll()
        try:
            self._take_in(open_each(devices, (), wish))
        except DeviceMissing:
            self._epoll.close()
            raise

    @property
    def description(self) -> str:  # type: ignore[override]  # it changes
        return " and ".join(device.description for device in self._open.values())

    @property
    def dropped(self) -> int:  # type: ignore[override]  # as above
        return self._gone + sum(device.dropped for device in self._open.values())

    def fileno(self) -> int:
        return self._epoll.fileno()

    def read(self, now: int) -> list[Stamped]:
        came: list[tuple[int, int, Sample]] = []
        for descriptor, _events in self._epoll.poll(0):
            try:
                read = self._open[descriptor].read(now)
            except DeviceLost as error:
                read = self._drop(descriptor, now)
                if not self._open:
                    raise DeviceLost(str(error)) from error
            came += ((stamp, descriptor, sample) for stamp, sample in read)
        came.sort(key=itemgetter(0))  # a hand may go from one to the other between two passes
        return list(self._merged(came))

    def more(self) -> Callable[[], None] | None:
        known = [device.path for device in [*self._open.values()]]
        try:
            return partial(self._take_in, open_each(self._devices, known, self._wish))
        except DeviceMissing as error:
            if passing(error):
                raise
            return None  # nothing new

    def close(self) -> None:
        for device in self._open.values():
            device.close()
        self._open.clear()
        self._epoll.close()

    def _take_in(self, devices: Iterable[EvdevInput]) -> None:
        for device in devices:
            if self._epoll.closed or device.path in {known.path for known in self._open.values()}:  # meanwhile
                device.close()
                continue
            self._open[device.fileno()] = device
            self._epoll.register(device.fileno(), select.EPOLLIN)

    def _drop(self, descriptor: int, now: int) -> list[Stamped]:
        """Close a device that has gone, and release the switches that it held."""
        device = self._open.pop(descriptor)
        self._gone += device.dropped
        self._epoll.unregister(descriptor)
        device.close()
        return [(now, SwitchSample(name, pressed=False)) for name, held in self._down.items() if descriptor in held]

    def _merged(self, came: Iterable[tuple[int, int, Sample]]) -> Iterator[Stamped]:
        for stamp, descriptor, sample in came:
            assert isinstance(sample, SwitchSample)  # only switches may be of every device
            held = self._down[sample.input]
            before = bool(held)
            if sample.pressed:
                held.add(descriptor)
            else:
                held.discard(descriptor)
            if bool(held) != before:
                yield stamp, sample
