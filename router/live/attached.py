"""Devices and outputs as they come and go, each for itself: there, or missing and looked for.

    a device    missing --opened--> there --gone--> missing
    an output   the same
                a port of our own --the wanted port comes--> silenced, then that port

Nothing is asked again and again. What is missing is looked for when there is news (something was plugged in, a MIDI
port has come), and then a few times more, as not everything is ready at once. Only what nobody would report is looked
for every few seconds while it is missing: a JACK server, a device that another program has, an output.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

from router.core.events import Found, Lost
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.devices.descriptions import (
    EvdevAxis,
    EvdevPointer,
    EvdevSwitch,
    MidiPort,
    OutputDevice,
    SerialDevice,
)
from router.devices.inputs import Devices, open_input, wish_for
from router.devices.inputs.base import DeviceBusy, DeviceLost, DeviceMissing, Input, Stamped, passing
from router.devices.inputs.shared import Sharing
from router.devices.outputs import Output, OutputError
from router.devices.outputs.shared import SharedOutputs
from router.live.turn import SEAT, Turn
from router.system import clock
from router.system.loop import Loop

FIRST_WAIT, LONGEST_WAIT = NANOSECONDS // 4, 4 * NANOSECONDS
"""Before a missing device is looked for again: the first time, and after many times. Twice as long each time."""

SENT = NANOSECONDS // 20
"""How long what was sent may take to leave: under JACK messages were seen to be lost when another client came right after them."""
BESIDE = (SerialDevice, EvdevSwitch, EvdevAxis, EvdevPointer)
"""What is opened beside the loop: the kernel lets whoever opens a USB switch wait for 50 ms (usbhid_open of usbhid/hid-core.c)."""

SETTLE = NANOSECONDS // 50
"""How long after the first news devices are looked for: one that is plugged in makes a dozen pieces of news."""


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


class Surroundings(Protocol):
    """What is shared by all that is attached: the daemon gives it."""

    loop: Loop
    log: Log
    inputs: Sharing
    outputs: SharedOutputs
    turn: Turn

    @property
    def hears_of_devices(self) -> bool:
        """Whether there is news when something is plugged in."""

    def beside(self, work: Callable[[], object], done: Callable[[object, int], None]) -> None:
        """Do this beside the loop, one such work after another; ``done`` is told in the loop what it gave or raised, and when.

        Before the loop runs and after it has ended it is done at once.
        """

    def midi_used(self) -> None:
        """The MIDI system was asked for, and may be another one than before."""

    def fault(self, error: Exception) -> None:
        """A fault of the program, to be told."""

    def contained(self) -> AbstractContextManager[None]:
        """What goes wrong inside is told and goes no further."""


@dataclass(slots=True)
class Search:
    """When to look for something again, and what was said last, so that it is said once."""

    at: int | None = None
    wait: int = 0
    said: str = ""

    def again(self, now: int, *, for_ever: bool) -> None:
        """Not found. ``for_ever``: no news will come of it."""
        wait = self.wait or FIRST_WAIT
        self.at = now + min(wait, LONGEST_WAIT) if for_ever or wait <= LONGEST_WAIT else None
        self.wait = min(2 * wait, 2 * LONGEST_WAIT)

    def news(self, now: int) -> None:
        """Something has come."""
        self.at = now + SETTLE if self.at is None else min(self.at, now + SETTLE)
        self.wait = 0

    def is_new(self, why: str) -> bool:
        """Whether this has not just been said. It is, from now on."""
        new, self.said = why != self.said, why
        return new

    def is_due(self, now: int) -> bool:
        return self.at is not None and now >= self.at

    def over(self) -> None:
        self.at, self.wait, self.said = None, 0, ""


class AttachedInput:
    """One device that serves some inputs of a profile. ``came``: what it has said and nobody has taken yet.

    ``dropped``: how often something was lost on the way in.

    ``fields``: what is said of it in every line of the daemon's log. ``touched`` is called when it has said something.
    ``number``: of its seat in the table of turns; 0 if it is nobody's.
    """

    def __init__(
        self,
        devices: Devices,
        types: dict[str, str],
        room: Surroundings,
        fields: dict[str, Any],
        touched: Callable[[], None],
        *,
        number: int = 0,
    ) -> None:
        self.devices, self.types = devices, types
        self._number = number
        self.there: Input | None = None
        self.search = Search()
        self.came: list[Stamped] = []
        self.dropped = 0
        self._counted = 0  # of what the open device has dropped
        self._opening = False
        self._late = False  # what is being opened is opened beside the loop, which plays on
        self._again = False  # what is being opened was lost or missing before
        self._closed = False
        self._room, self._fields, self._touched = room, {**fields, "inputs": [*devices]}, touched
        self._wish = wish_for(room.inputs, _who(fields), devices, self._may_be_had)

    def same(self, devices: Devices, types: dict[str, str]) -> bool:
        """Whether it serves just these inputs, of these types."""
        return devices == self.devices and all(types[name] == self.types[name] for name in devices)

    def open(self, now: int) -> bool:
        """Look for it, and open it. Whether it is there, or is being opened beside the loop: if that fails, it is then absent."""
        self._again = False
        self._seek(now)
        return self.there is not None or self._opening

    def _seek(self, now: int) -> None:
        """Look for it."""
        if self._opening:
            return
        self._opening, self.search.at = True, None
        work = partial(open_input, self.devices, self.types, self._wish)
        if isinstance(next(iter(self.devices.values())), BESIDE):
            self._room.beside(work, self._sought)
        else:
            self._sought(tried(work), now)
        self._late = self._opening

    def _sought(self, result: object, now: int) -> None:
        """It is there now, or not."""
        room, late, news = self._room, self._late, self.search.at
        self._opening = self._late = False
        room.midi_used()
        if isinstance(result, Input) and self._closed:
            result.close()
        elif isinstance(result, Input):
            self._begin(result, now)
            if self._again:
                self.came += [(now, Found(name)) for name in self.devices]
        elif isinstance(result, DeviceMissing):
            no_news = isinstance(result, DeviceBusy) or passing(result) or not room.hears_of_devices
            self._missing(str(result), now, for_ever=no_news)
        elif isinstance(result, (OSError, MemoryError)):
            self._missing(f"it cannot be looked for: {_said(result)}", now, for_ever=True)
        elif isinstance(result, Exception):  # a driver's fault costs this device only
            room.fault(result)
            self._missing(f"it failed: {result}", now, for_ever=True)
        if late and self.there is None and news is not None:  # something was plugged in meanwhile
            self.search.at = earliest((news, self.search.at))
        if late and self.there is None and not self._again:
            self.absent(now)
        if late:
            self._touched()

    def _begin(self, there: Input, now: int) -> None:
        self.there, self._counted = there, 0
        self.search.over()
        self._room.loop.watch(there.fileno(), self._readable)
        self._room.log.info("input_open", **self._fields, device=there.description)
        self._take(there.wake, now)  # what is known already, before anything newer is read

    def absent(self, now: int) -> None:
        """Its inputs are lost, because it is not there from the beginning."""
        self.came += [(now, Lost(name)) for name in self.devices]

    def look_for(self, now: int) -> None:
        """Look for it again if it is time, or for more of it."""
        if self._opening or not self.search.is_due(now):
            return
        if self.there is None:
            self._again = True
            self._seek(now)
            return
        self.search.at = None
        if self.there.grows:
            self.search.again(now, for_ever=False)  # what could not be opened this time
            self._room.beside(self.there.more, partial(self._grown, self.there))
        else:
            self.search.over()

    def _grown(self, there: Input, result: object, now: int) -> None:
        """More of it has come, perhaps."""
        if isinstance(result, Exception) and passing(result):
            self.search.again(now, for_ever=True)
        elif isinstance(result, Exception):
            self._room.fault(result)
        elif callable(result):
            with self._room.contained():
                result()
            if there is self.there:
                self._touched()

    def plugged(self, now: int) -> None:
        """Something has been plugged in."""
        self.search.news(now)

    def look(self, now: int) -> None:
        """Ports have come or gone: is it still there, or there again?"""
        if self.there is None:
            self.search.news(now)
        else:
            self._take(partial(_looked, self.there), now)

    def wake(self, now: int) -> None:
        """What time alone has brought about."""
        if self.there is None:
            return
        due = self.there.deadline()
        if due is not None and due <= now:
            self._take(self.there.wake, now)

    def deadline(self) -> int | None:
        """When ``wake`` or ``look_for`` is wanted."""
        again = None if self._opening else self.search.at
        return earliest((again, self.there.deadline() if self.there is not None else None))

    def close(self) -> None:
        """It is not wanted any more."""
        self._closed = True
        try:
            self._shut()
        finally:
            self._room.inputs.withdraw(self._wish)

    def _shut(self) -> None:
        there, self.there = self.there, None
        try:
            if there is not None:
                self._room.loop.unwatch(there.fileno())
                there.close()
        finally:
            self._room.inputs.let_go(self._wish)

    def _may_be_had(self) -> None:
        """Another has let a device go that may be ours."""
        self.search.news(clock.now())
        self._touched()

    def _readable(self) -> None:
        if self.there is not None:
            memory = self._room.turn.memory
            memory[SEAT] = self._number  # whatever it says, it may end us
            self._take(self.there.read, clock.now())
            self._touched()
            memory[SEAT] = 0

    def _take(self, read: Callable[[int], list[Stamped]], now: int) -> None:
        """Samples, or that it has gone."""
        there = self.there
        try:
            self.came += read(now)
        except DeviceLost as error:
            self._lose(str(error), now)
        except Exception as error:  # noqa: BLE001 - a fault in one input must not stop the others
            self._room.fault(error)
            self._lose(f"it failed: {error}", now)
        if there is not None and there.dropped != self._counted:
            self._count(there)

    def _count(self, there: Input) -> None:
        """Something was lost on the way in: said once each time that it is opened, and counted always."""
        if not self._counted:
            why = "what came was too long, or came faster than it could be taken, and was left out"
            self._room.log.warning("input_dropped", **self._fields, device=there.description, why=why)
        self.dropped += there.dropped - self._counted
        self._counted = there.dropped

    def _lose(self, why: str, now: int) -> None:
        with self._room.contained():
            self._shut()
        self.search.said = why
        self.search.again(now, for_ever=False)
        self._room.log.warning("input_lost", **self._fields, why=why)
        self.absent(now)

    def _missing(self, why: str, now: int, *, for_ever: bool) -> None:
        self.search.again(now, for_ever=for_ever)
        if self.search.is_new(why):
            self._room.log.warning("input_missing", **self._fields, why=why)


class AttachedOutput:
    """One output of a profile; ``fields`` as for inputs. ``dropped``: messages that could not be sent."""

    def __init__(self, name: str, device: OutputDevice, room: Surroundings, fields: dict[str, Any]) -> None:
        self.name, self.device = name, device
        self.there: Output | None = None
        self.search = Search()
        self.dropped = 0
        self._room, self._fields = room, {**fields, "output": name}

    @property
    def leads_on(self) -> bool:
        """Whether something is there that may sound, and not only a port of our own that waits for it."""
        there = self.there
        return there is not None and (there.place is None or there.place.port != "")

    def send(self, data: tuple[int, ...], now: int) -> None:
        """Send if it is there; a message for an output that is missing is nobody's."""
        if self.there is None:
            return
        try:
            self.there.send(data, now)
        except Exception as error:  # noqa: BLE001 - whatever a driver raises, it costs this output only
            self.dropped += 1
            self._lose(f"it failed: {error}", clock.now())

    def open(self, now: int) -> bool:
        """Look for it, and open it."""
        room = self._room
        try:
            there = room.outputs.open(self.name, self.device)
        except (OutputError, OSError, MemoryError) as error:
            self._missing(error, now)
            return False
        except Exception as error:  # noqa: BLE001 - a driver's fault costs this output only
            room.fault(error)
            self._missing(error, now)
            return False
        finally:
            room.midi_used()
        self._opened(there)
        return True

    def _missing(self, error: Exception, now: int) -> None:
        """It cannot be opened now."""
        self.search.again(now, for_ever=True)
        if not isinstance(self.device, MidiPort) and not passing(error):
            self.search.at = None  # what an instrument lacks does not come by itself
        why = _said(error)
        if self.search.is_new(why):
            self._room.log.warning("output_missing", **self._fields, why=why)

    def _opened(self, there: Output) -> None:
        self.there = there
        self.search.over()
        self._room.log.info("output_open", **self._fields, device=there.description)

    def open_after(self, now: int) -> None:
        """Open it after what was sent just now: at once if somebody has it open already, else in a moment (``look_for``)."""
        there = self._room.outputs.if_open(self.name, self.device)
        if there is not None:
            self._opened(there)
        else:
            self.search.at = now + SENT

    def look_for(self, now: int) -> bool:
        """Look for it again if it is time; whether it is there since now, and knows nothing yet."""
        return self.search.is_due(now) and self.open(now)

    def look(self, now: int, silence: Callable[[], Sequence[tuple[int, ...]]]) -> None:
        """Ports have come or gone: is it still there, and still the right one? ``silence`` ends what it sounds."""
        if self.there is None:
            if isinstance(self.device, MidiPort):
                self.search.news(now)
            return
        if not self.there.present():
            self._lose(f"{self.there.description} has gone", now)
            self.search.news(now)
            return
        try:
            stale = self.there.stale()
        except OutputError as error:
            if self.search.is_new(str(error)):
                self._room.log.warning("output_unclear", **self._fields, why=str(error))
            return
        if stale:  # whoever listens to our own port must not be left with a note
            for data in silence():
                self.send(data, now)
            self.close()
            self.search.at = now + SENT

    def deadline(self) -> int | None:
        """When ``wake`` or ``look_for`` is wanted."""
        return self.search.at if self.there is None else self.there.deadline()

    def wake(self, now: int) -> None:
        """What time alone asks for."""
        if self.there is None:
            return
        try:
            self.there.wake(now)
        except Exception as error:  # noqa: BLE001 - as in ``send``
            self._lose(f"it failed: {error}", now)

    def close(self) -> None:
        there, self.there = self.there, None
        if there is not None:
            there.close()

    def _lose(self, why: str, now: int) -> None:
        with self._room.contained():
            self.close()
        self.search.said = why
        self.search.again(now, for_ever=True)
        self._room.log.warning("output_lost", **self._fields, why=why)


def _who(fields: Mapping[str, Any]) -> str:
    """Whose an input is, in words: what the log's fields say."""
    return f'seat "{fields["seat"]}"' if "seat" in fields else str(fields.get("of", "another input"))


def tried(work: Callable[[], object]) -> object:
    """What it gives, or the exception that it raises."""
    try:
        return work()
    except Exception as error:  # noqa: BLE001 - whatever it is, whoever wanted it decides
        return error


def _said(error: BaseException) -> str:
    """Why, in the system's words where it is the system that says it."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__


def _looked(there: Input, _now: int) -> list[Stamped]:
    there.look()
    return []
