"""The daemon: opens what the profiles name, feeds the engines, sends what they say, and stops with every note off.

Its life is three functions: ``_open``, the loop, ``_close``. It holds a list of seats, each with one child's profile as
one engine; today's command line fills one.

    a device    missing --opened--> there --gone--> missing
    an output   the same; when it comes back it is given its programs again
                a port of our own --the wanted port comes--> silenced, then that port, with its programs

Nothing is asked again and again. What is missing is looked for when something is plugged in (``plugged.py``) or a MIDI
port comes (``ports.py``), and then a few times more, as not everything is ready at once. Only what nobody would
report is looked for every few seconds while it is missing: a JACK server, a device that another program has, an output.

Invariants:
  * samples reach an engine in the order of their stamps, and its time never goes back;
  * a device, an output or an engine that fails costs itself only; each failure is said once;
  * however the loop ends, every engine is stopped and its note-offs are sent before any port is closed.
"""

from __future__ import annotations

import gc
import os
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from router import clock
from router.budget import Budget
from router.devices import MidiPort, SerialDevice
from router.engine import Engine
from router.events import Found, Lost, Message, Sample
from router.inputs import Devices, by_device, open_input
from router.inputs.base import DeviceBusy, DeviceLost, DeviceMissing, Input
from router.ledger import Observe
from router.loop import Loop
from router.midi import ALL_NOTES_OFF, ALL_SOUND_OFF, CONTROL_CHANGE, NOTE_OFF, SUSTAIN
from router.outputs import Output, OutputError, open_output
from router.plugged import Plugged
from router.ports import MidiSystem, current
from router.profile.model import Profile
from router.units import NANOSECONDS

FIRST_WAIT, LONGEST_WAIT = NANOSECONDS // 4, 4 * NANOSECONDS
"""Before a missing device is looked for again: the first time, and after many times. Twice as long each time."""

SETTLE = NANOSECONDS // 50
"""How long after the first news devices are looked for: one that is plugged in makes a dozen pieces of news."""

STOPPED_BY = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Log(Protocol):
    """What the daemon needs of a structlog logger: an event, and its fields."""

    def info(self, event: str, **fields: Any) -> Any:
        """A thing that happened."""

    def warning(self, event: str, **fields: Any) -> Any:
        """A thing that somebody may have to see to."""

    def error(self, event: str, **fields: Any) -> Any:
        """A thing that went wrong in the program."""

    def debug(self, event: str, **fields: Any) -> Any:
        """A thing for whoever looks closely."""


@dataclass(slots=True)
class _Search:
    """When to look for something again, and what was said last, so that it is said once."""

    at: int | None = None
    wait: int = FIRST_WAIT
    said: str = ""

    def again(self, now: int, *, for_ever: bool) -> None:
        """Not found. ``for_ever``: no news will come of it."""
        self.at = now + min(self.wait, LONGEST_WAIT) if for_ever or self.wait <= LONGEST_WAIT else None
        self.wait = min(2 * self.wait, 2 * LONGEST_WAIT)

    def news(self, now: int) -> None:
        """Something has come."""
        self.at = now + SETTLE if self.at is None else min(self.at, now + SETTLE)
        self.wait = FIRST_WAIT

    def over(self) -> None:
        self.at, self.wait, self.said = None, FIRST_WAIT, ""


@dataclass(slots=True)
class _Device:
    """One device of a seat, there or missing."""

    devices: Devices
    there: Input | None = None
    search: _Search = field(default_factory=_Search)


@dataclass(slots=True)
class _Out:
    """One output of a seat, there or missing."""

    name: str
    there: Output | None = None
    search: _Search = field(default_factory=_Search)


class _Seat:
    """A place in the room that one child plays from."""

    def __init__(self, profile: Profile, budget: Budget, observe: Observe) -> None:
        self.profile = profile
        self.engine = Engine(budget.held(profile.plan), observe)
        self.devices = [_Device(devices) for devices in by_device(profile.devices)]
        self.outputs = {name: _Out(name) for name in profile.outputs}
        self.waiting: list[tuple[int, Sample]] = []  # read in this pass
        self.now = 0  # the engine's time


class Daemon:
    """See the module's docstring. ``record`` is told what ``router play`` would write into its log."""

    def __init__(self, profiles: Sequence[Profile], log: Log, record: Observe | None = None) -> None:
        self._log = log
        self._record = record
        self._loop = Loop(self._fault)
        self._budget = Budget()
        with self._budget:
            self._seats = [_Seat(profile, self._budget, self._observe) for profile in profiles]
        self._plugged: Plugged | None = None
        self._midi: MidiSystem | None = None
        self._look_at: int | None = None  # when to look whether the ports that we use are still there
        self._told: list[tuple[int, str, dict[str, Any]]] = []

    def run(self, ready: Callable[[], None]) -> signal.Signals | None:
        """Play until a signal of ``STOPPED_BY`` comes, and return it. ``ready`` is called when all is open that is there."""
        try:
            with self._loop.stopped_by(STOPPED_BY), self._budget:
                try:
                    self._open()
                    _lean_collector()
                    notify("READY=1")
                    ready()
                    self._loop.run(self._deadline, self._pass)
                finally:
                    notify("STOPPING=1")
                    self._close()
        finally:
            self._loop.close()
        return self._loop.stopping_signal

    # --- begin and end ----------------------------------------------------------------------------------------

    def _open(self) -> None:
        self._watch_folders()
        now = clock.now()
        for seat in self._seats:
            seat.now = now
            for out in seat.outputs.values():
                self._open_output(seat, out, now)
            self._send(seat, seat.engine.start(now))
            for device in seat.devices:
                if not self._open_device(seat, device, now):
                    seat.waiting += [(now, Lost(name)) for name in device.devices]
            self._feed(seat, now)
        self._tell()

    def _close(self) -> None:
        """Silence first; then whatever can fail, each for itself."""
        for seat in self._seats:
            with self._contained():
                self._send(seat, seat.engine.stop(max(seat.now, clock.now())))
            for out in seat.outputs.values():
                with self._contained():
                    if out.there is not None:
                        out.there.close()
            for device in seat.devices:
                with self._contained():
                    if device.there is not None:
                        self._loop.unwatch(device.there.fileno())
                        device.there.close()
        if self._midi is not None:
            self._loop.unwatch(self._midi.fileno())
        if self._plugged is not None:
            self._loop.unwatch(self._plugged.fileno())
            self._plugged.close()
        self._tell()

    # --- a pass of the loop -----------------------------------------------------------------------------------

    def _deadline(self) -> int | None:
        times = [self._look_at]
        for seat in self._seats:
            times.append(seat.engine.next_deadline())
            times += [out.search.at for out in seat.outputs.values()]
            for device in seat.devices:
                times.append(device.search.at if device.there is None else device.there.deadline())
        return min((when for when in times if when is not None), default=None)

    def _pass(self, now: int) -> None:
        """Everything that is due, after everything that was readable has been read."""
        for seat in self._seats:
            for device in seat.devices:
                if device.there is not None:
                    self._take(seat, device, device.there.wake, now)
            self._feed(seat, now)
            with self._contained():
                self._send(seat, seat.engine.wake(max(seat.now, now)))
            self._search(seat, now)
        if self._look_at is not None and now >= self._look_at:
            self._look_at = None
            self._look(now)
        self._tell()

    def _readable(self, seat: _Seat, device: _Device) -> None:
        if device.there is not None:
            self._take(seat, device, device.there.read, clock.now())

    def _take(self, seat: _Seat, device: _Device, read: Callable[[int], list[tuple[int, Sample]]], now: int) -> None:
        """Samples of a device, or that it has gone."""
        try:
            seat.waiting += read(now)
        except DeviceLost as error:
            self._lose(seat, device, str(error), now)
        except Exception as error:  # noqa: BLE001 - a fault in one input must not stop the others
            self._fault(error)
            self._lose(seat, device, f"it failed: {error}", now)

    def _feed(self, seat: _Seat, now: int) -> None:
        """What was read, oldest first. A driver's stamp may be a little earlier than what has been played already."""
        waiting, seat.waiting = sorted(seat.waiting, key=lambda stamped: stamped[0]), []
        for stamp, sample in waiting:
            seat.now = max(seat.now, min(stamp, now))
            with self._contained():
                self._send(seat, seat.engine.handle(sample, seat.now))

    def _send(self, seat: _Seat, messages: Sequence[Message]) -> None:
        for message in messages:
            out = seat.outputs[message.output]
            if out.there is None:
                continue
            try:
                out.there.send(message.data, seat.now)
            except Exception as error:  # noqa: BLE001 - whatever a driver raises, it costs this output only
                self._lose_output(out, f"it failed: {error}", clock.now())

    # --- devices and outputs that come and go -----------------------------------------------------------------

    def _watch_folders(self) -> None:
        paths = [
            Path(device.pattern)
            for seat in self._seats
            for device in seat.profile.devices.values()
            if isinstance(device, SerialDevice)
        ]
        try:
            self._plugged = Plugged(path for path in paths if path.is_absolute())
        except (OSError, ImportError) as error:
            self._log.warning("no_news_of_devices", why=str(error))  # so they are looked for every few seconds
            return
        self._loop.watch(self._plugged.fileno(), self._something_plugged)

    def _watch_midi(self) -> None:
        """Listen to the MIDI system in use: it is another one after a JACK server has been away.

        To be done before anything that was opened with it is watched: the old one's descriptor is closed, and its number
        may be that of something new.
        """
        system = current()
        if system is self._midi:
            return
        if self._midi is not None:
            self._loop.unwatch(self._midi.fileno())
        self._midi = system
        if system is not None:
            self._loop.watch(system.fileno(), partial(self._ports_changed, system))
            self._look_at = clock.now() + SETTLE

    def _something_plugged(self) -> None:
        assert self._plugged is not None  # noqa: S101 - it is watched
        if self._plugged.read():
            now = clock.now()
            for seat in self._seats:
                for device in seat.devices:
                    if device.there is None:
                        device.search.news(now)

    def _ports_changed(self, system: MidiSystem) -> None:
        system.clear()
        if self._look_at is None:
            self._look_at = clock.now() + SETTLE

    def _search(self, seat: _Seat, now: int) -> None:
        for out in seat.outputs.values():
            if out.search.at is not None and now >= out.search.at and self._open_output(seat, out, now):
                self._send(seat, [message for message in seat.engine.programs() if message.output == out.name])
        for device in seat.devices:
            if device.search.at is not None and now >= device.search.at and self._open_device(seat, device, now):
                seat.waiting += [(now, Found(name)) for name in device.devices]
        self._feed(seat, now)

    def _open_device(self, seat: _Seat, device: _Device, now: int) -> bool:
        try:
            there = open_input(device.devices, seat.profile.types)
        except DeviceMissing as error:
            for_ever = isinstance(error, DeviceBusy) or self._plugged is None
            self._missing(device.search, "input_missing", str(error), now, for_ever, inputs=[*device.devices])
            return False
        except Exception as error:  # noqa: BLE001 - a driver's fault costs this device only
            self._fault(error)
            self._missing(device.search, "input_missing", f"it failed: {error}", now, True, inputs=[*device.devices])
            return False
        finally:
            self._watch_midi()
        device.there = there
        device.search.over()
        self._loop.watch(there.fileno(), partial(self._readable, seat, device))
        self._log.info("input_open", inputs=[*device.devices], device=there.description)
        self._take(seat, device, there.wake, now)  # what is known already, before anything newer is read
        return True

    def _lose(self, seat: _Seat, device: _Device, why: str, now: int) -> None:
        there, device.there = device.there, None
        if there is not None:
            self._loop.unwatch(there.fileno())
            with self._contained():
                there.close()
        device.search.again(now, for_ever=False)
        self._log.warning("input_lost", inputs=[*device.devices], why=why)
        seat.waiting += [(now, Lost(name)) for name in device.devices]

    def _open_output(self, seat: _Seat, out: _Out, now: int) -> bool:
        device = seat.profile.outputs[out.name]
        try:
            out.there = open_output(out.name, device)
        except OutputError as error:
            self._missing(out.search, "output_missing", str(error), now, True, output=out.name)
            if not isinstance(
                device, MidiPort
            ):  # what an instrument lacks does not come by itself, and looking is slow
                out.search.at = None
            return False
        finally:
            self._watch_midi()
        out.search.over()
        self._log.info("output_open", output=out.name, device=out.there.description)
        return True

    def _lose_output(self, out: _Out, why: str, now: int) -> None:
        there, out.there = out.there, None
        if there is not None:
            with self._contained():
                there.close()
        out.search.again(now, for_ever=True)
        self._log.warning("output_lost", output=out.name, why=why)

    def _look(self, now: int) -> None:
        """Ports have come or gone: which of ours have gone, and which of those that we miss have come?"""
        for seat in self._seats:
            for out in seat.outputs.values():
                with self._contained():
                    self._look_at_output(seat, out, now)
            for device in seat.devices:
                if device.there is None:
                    device.search.news(now)
                    continue
                self._take(seat, device, partial(_looked, device.there), now)
            self._feed(seat, now)

    def _look_at_output(self, seat: _Seat, out: _Out, now: int) -> None:
        if out.there is None:
            if isinstance(seat.profile.outputs[out.name], MidiPort):
                out.search.news(now)
            return
        if not out.there.present():
            self._lose_output(out, f"{out.there.description} has gone", now)
            out.search.news(now)
            return
        try:
            stale = out.there.stale()
        except OutputError as error:
            if str(error) != out.search.said:
                out.search.said = str(error)
                self._log.warning("output_unclear", output=out.name, why=str(error))
            return
        if stale:  # whoever listens to our own port must not be left with a note
            self._send(seat, _silence(seat, out.name))
            if out.there is not None:
                out.there.close()
            out.there = None
            out.search.at = now

    def _missing(self, search: _Search, event: str, why: str, now: int, for_ever: bool, **fields: Any) -> None:
        search.again(now, for_ever=for_ever)
        if why != search.said:
            search.said = why
            self._log.warning(event, **fields, why=why)

    # --- what is said -----------------------------------------------------------------------------------------

    def _observe(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """Called by an engine in the middle of its work, so it is told later: first the music."""
        self._told.append((now, event, fields))

    def _tell(self) -> None:
        told, self._told = self._told, []
        for now, event, fields in told:
            if self._record is not None:
                self._record(now, event, fields)
            if event == "fault":
                self._log.error("rule_fault", **fields)
            elif event in ("press", "release", "mark", "start", "stop"):
                self._log.info(event, **fields)
            else:
                self._log.debug(event, **fields)

    def _fault(self, error: Exception) -> None:
        self._log.error("program_fault", exc_info=error)

    @contextmanager
    def _contained(self) -> Iterator[None]:
        """What goes wrong inside is told and goes no further."""
        try:
            yield
        except Exception as error:  # noqa: BLE001 - whatever it is, the rest must go on
            self._fault(error)


def _looked(there: Input, _now: int) -> list[tuple[int, Sample]]:
    there.look()
    return []


def _silence(seat: _Seat, output: str) -> list[Message]:
    """What ends everything that sounds at an output, whatever its part does next."""
    messages = [
        Message(output, (NOTE_OFF | channel - 1, note, 0))
        for name, channel, note in seat.engine.sounding
        if name == output
    ]
    channels = {part.route.channel for part in seat.profile.plan.parts if part.route.output == output}
    for channel in sorted(channels):
        status = CONTROL_CHANGE | channel - 1
        messages += [Message(output, (status, number, 0)) for number in (SUSTAIN, ALL_NOTES_OFF, ALL_SOUND_OFF)]
    return messages


def notify(state: str) -> None:
    """Tell systemd, if it started us as a service that tells (sd_notify(3)); a name that begins with @ is abstract."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        sender.sendto(state.encode(), address.replace("@", "\0", 1) if address.startswith("@") else address)


def _lean_collector() -> None:
    """What is loaded stays, so the collector need not look at it: a full collection took 3 to 8 ms, far too long here."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
