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
from functools import partial
from typing import Any

from router.core.events import Found, Lost
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
from router.devices.outputs import Output, OutputError
from router.live.surroundings import Surroundings
from router.live.turn import SEAT
from router.system import clock
from router.system.agenda import Rank, Reminder

FIRST_WAIT, LONGEST_WAIT = NANOSECONDS // 4, 4 * NANOSECONDS
"""Before a missing device is looked for again: the first time, and after many times. Twice as long each time."""

SENT = NANOSECONDS // 20
"""How long what was sent may take to leave: under JACK messages were seen to be lost when another client came right
after them."""
BESIDE = (SerialDevice, EvdevSwitch, EvdevAxis, EvdevPointer)
"""Devices that are opened beside the loop: the kernel lets whoever opens a USB switch wait for 50 ms (usbhid_open of
usbhid/hid-core.c)."""

SETTLE = NANOSECONDS // 50
"""How long after the first news devices are looked for: one that is plugged in makes a dozen pieces of news."""


class Search:
    """When to look for something again, and what was said last, so that it is said once."""

    def __init__(self, reminder: Reminder) -> None:
        self._reminder = reminder
        self._wait = 0
        self.said = ""

    @property
    def at(self) -> int | None:
        """When it is looked for, or None."""
        return self._reminder.at

    def again(self, now: int, *, for_ever: bool) -> None:
        """Plan the next search, as nothing was found. ``for_ever``: go on searching, as no news will come."""
        wait = self._wait or FIRST_WAIT
        if for_ever or wait <= LONGEST_WAIT:
            self.plan(now + min(wait, LONGEST_WAIT))
        else:
            self.end()
        self._wait = min(2 * wait, 2 * LONGEST_WAIT)

    def news(self, now: int) -> None:
        """Plan a search soon, as something has come."""
        self.plan(now + SETTLE if self.at is None else min(self.at, now + SETTLE))
        self._wait = 0

    def plan(self, at: int) -> None:
        """Look for it at this time."""
        self._reminder.set(at)

    def end(self) -> None:
        """Look for it no more."""
        self._reminder.clear()

    def is_new(self, why: str) -> bool:
        """True if this is not what was said last; note it as said."""
        new, self.said = why != self.said, why
        return new

    def over(self) -> None:
        """Note that it was found."""
        self.end()
        self._wait, self.said = 0, ""


class AttachedInput:
    """A device that serves some inputs of a profile. ``came``: what it has said and nobody has taken yet.

    ``dropped``: how often something was lost on the way in.

    ``fields`` stand in every line of the daemon's log about it. ``touched`` is called when it has said something.
    ``number``: its seat's number in the table of turns; 0 if it belongs to no seat. ``rank``: when in a pass it is
    looked for.
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
        rank: Rank = Rank.REST,
    ) -> None:
        self.devices, self.types = devices, types
        self._number = number
        self.there: Input | None = None
        agenda = room.loop.agenda
        self.search = Search(agenda.reminder(partial(self._in_turn, self.look_for), rank))
        self._timed = agenda.reminder(partial(self._in_turn, self._wake), rank)  # what it says because time has passed
        self.came: list[Stamped] = []
        self.dropped = 0
        self._counted = 0  # of what the open device has dropped
        self._by_time = False  # it says something because time has passed
        self._opening = False
        self._late = False  # what is being opened is opened beside the loop, which plays on
        self._again = False  # what is being opened was lost or missing before
        self._news = False  # it was time to look for it while it was being opened
        self._closed = False
        self._room, self._fields, self._touched = room, {**fields, "inputs": [*devices]}, touched
        self._wish = wish_for(room.inputs, _who(fields), devices, self._may_be_had)

    def same(self, devices: Devices, types: dict[str, str]) -> bool:
        """True if it serves just these inputs, of these types."""
        return devices == self.devices and all(types[name] == self.types[name] for name in devices)

    def open(self, now: int) -> bool:
        """Look for it, and open it. True if it is there, or is being opened beside the loop (absent if that fails)."""
        self._again = False
        self._seek(now)
        return self.there is not None or self._opening

    def _seek(self, now: int) -> None:
        """Look for it."""
        if self._opening:
            return
        self._opening, self._news = True, False
        self.search.end()
        work = partial(open_input, self.devices, self.types, self._wish)
        if isinstance(next(iter(self.devices.values())), BESIDE):
            self._room.beside(work, self._sought)
        else:
            self._sought(tried(work), now)
        self._late = self._opening

    def _sought(self, result: object, now: int) -> None:
        """Take the device that was found, or note why there is none."""
        room, late, news = self._room, self._late, now if self._news else self.search.at
        self._opening = self._late = False
        room.midi_used()
        if self._closed:
            if isinstance(result, Input):
                result.close()
            return
        if isinstance(result, Input):
            self._begin(result, now)
            if self._again:
                self.came += [(now, Found(name)) for name in self.devices]
        elif isinstance(result, DeviceMissing):
            no_news = isinstance(result, DeviceBusy) or passing(result) or not room.hears_of_devices
            self._missing(str(result), now, for_ever=no_news)
        elif isinstance(result, (OSError, MemoryError)):
            self._missing(f"it cannot be looked for: {_in_the_systems_words(result)}", now, for_ever=True)
        elif isinstance(result, Exception):  # a driver's fault costs this device only
            room.fault(result)
            self._missing(f"it failed: {result}", now, for_ever=True)
        if late and self.there is None and news is not None:  # something was plugged in meanwhile
            self.search.plan(news if self.search.at is None else min(news, self.search.at))
        if late and self.there is None and not self._again:
            self.absent(now)
        if late:
            self._touched()

    def _begin(self, there: Input, now: int) -> None:
        self.there, self._counted = there, 0
        self._by_time = type(there).deadline is not Input.deadline
        self.search.over()
        self._room.loop.watch(there.fileno(), self._readable)
        self._room.log.info("input_open", **self._fields, device=there.description)
        self._take(there.wake, now)  # what is known already, before anything newer is read

    def absent(self, now: int) -> None:
        """Report its inputs as lost, because it is not there from the beginning."""
        self.came += [(now, Lost(name)) for name in self.devices]

    def look_for(self, now: int) -> None:
        """Look for it again, or for more of it."""
        if self._opening:
            self._news = True
        elif self.there is None:
            self._again = True
            self._seek(now)
            if self.came:
                self._touched()
        elif self.there.grows:
            self.search.again(now, for_ever=False)  # what could not be opened this time
            self._room.beside(self.there.more, partial(self._grown, self.there))
        else:
            self.search.over()

    def _grown(self, there: Input, result: object, now: int) -> None:
        """Take what more of it was found, if anything."""
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
        """Look for it soon, as something has been plugged in."""
        self.search.news(now)

    def look(self, now: int) -> None:
        """Check whether it is still there, or there again, as ports have come or gone."""
        if self.there is None:
            self.search.news(now)
        else:
            self._take(partial(_looked, self.there), now)

    def _wake(self, now: int) -> None:
        """Take what it says because time has passed."""
        if self.there is not None:
            self._take(self.there.wake, now)
            self._touched()

    def _in_turn(self, work: Callable[[int], None], now: int) -> None:
        """Do this and mark that it is its seat's turn: what it says may end this process."""
        memory = self._room.turn.memory
        before = memory[SEAT]
        memory[SEAT] = self._number
        try:
            work(now)
        finally:
            memory[SEAT] = before

    def close(self) -> None:
        """Close it, as it is not wanted any more."""
        self._closed = True
        self.search.end()
        try:
            self._shut()
        finally:
            self._room.inputs.withdraw(self._wish)

    def _shut(self) -> None:
        there, self.there = self.there, None
        self._timed.clear()
        try:
            if there is not None:
                self._room.loop.unwatch(there.fileno())
                there.close()
        finally:
            self._room.inputs.let_go(self._wish)

    def _may_be_had(self) -> None:
        """Look for it soon, as another input has released a device that may be ours."""
        self.search.news(clock.now())
        self._touched()

    def _readable(self) -> None:
        if self.there is not None:
            memory = self._room.turn.memory
            memory[SEAT] = self._number  # what it says may end this process
            self._take(self.there.read, clock.now())
            self._touched()
            memory[SEAT] = 0

    def _take(self, read: Callable[[int], list[Stamped]], now: int) -> None:
        """Take its samples, or note that it has gone."""
        there = self.there
        try:
            self.came += read(now)
        except DeviceLost as error:
            self._lose(str(error), now)
        except Exception as error:  # noqa: BLE001 - a fault in one input must not stop the others
            self._room.fault(error)
            self._lose(f"it failed: {error}", now)
        if there is None:
            return
        if there.dropped != self._counted:
            self._count(there)
        if self._by_time and self.there is there:
            self._timed.clear() if (due := there.deadline()) is None else self._timed.set(due)

    def _count(self, there: Input) -> None:
        """Count what was lost on the way in, and say so once each time that it is opened."""
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
    """An output of a profile; ``fields`` and ``rank`` as for inputs. ``dropped``: how many messages could not be sent.

    ``found`` is called when it was looked for again and has been opened: it knows nothing yet.
    """

    def __init__(
        self,
        name: str,
        device: OutputDevice,
        room: Surroundings,
        fields: dict[str, Any],
        *,
        found: Callable[[AttachedOutput, int], None] = lambda _out, _now: None,
        rank: Rank = Rank.REST,
    ) -> None:
        self.name, self.device = name, device
        self.there: Output | None = None
        agenda = room.loop.agenda
        self.search = Search(agenda.reminder(self.look_for, rank))
        self._timed = agenda.reminder(self._wake, rank)
        self.dropped = 0
        self._room, self._fields, self._found = room, {**fields, "output": name}, found

    @property
    def leads_on(self) -> bool:
        """True if something is there that may sound, and not only a port of our own that waits for it."""
        there = self.there
        return there is not None and (there.place is None or there.place.port != "")

    def send(self, data: tuple[int, ...], now: int) -> None:
        """Send the message if the output is there; ignore it if the output is missing."""
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
        """Note that it cannot be opened now, and plan the next search."""
        self.search.again(now, for_ever=True)
        if not isinstance(self.device, MidiPort) and not passing(error):
            self.search.end()  # what an instrument lacks does not come by itself
        why = _in_the_systems_words(error)
        if self.search.is_new(why):
            self._room.log.warning("output_missing", **self._fields, why=why)

    def _opened(self, there: Output) -> None:
        self.there = there
        self.search.over()
        self._plan(there)
        self._room.log.info("output_open", **self._fields, device=there.description)

    def open_after(self, now: int) -> None:
        """Open it after what was sent just now.

        That is at once if somebody has it open already, else in a moment (``look_for``).
        """
        there = self._room.outputs.if_open(self.name, self.device)
        if there is not None:
            self._opened(there)
        else:
            self.search.plan(now + SENT)

    def look_for(self, now: int) -> None:
        """Look for it again."""
        if self.there is None and self.open(now):
            self._found(self, now)

    def look(self, now: int, silence: Callable[[], Sequence[tuple[int, ...]]]) -> None:
        """Check whether the right one is still there, as ports have come or gone. ``silence`` ends what it sounds."""
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
        if stale:  # an instrument that listens to our own port must not be left with a note
            for data in silence():
                self.send(data, now)
            self.close()
            self.search.plan(now + SENT)

    def _wake(self, now: int) -> None:
        """Let the output do what is due; what was sent since may have put it off."""
        if self.there is None:
            return
        try:
            self.there.wake(now)
        except Exception as error:  # noqa: BLE001 - as in ``send``
            self._lose(f"it failed: {error}", now)
        else:
            self._plan(self.there)

    def _plan(self, there: Output) -> None:
        due = there.deadline()
        if due is not None:
            self._timed.set(due)

    def close(self) -> None:
        """Close it; it is not looked for."""
        there, self.there = self.there, None
        self.search.end()
        self._timed.clear()
        if there is not None:
            there.close()

    def _lose(self, why: str, now: int) -> None:
        with self._room.contained():
            self.close()
        self.search.said = why
        self.search.again(now, for_ever=True)
        self._room.log.warning("output_lost", **self._fields, why=why)


def _who(fields: Mapping[str, Any]) -> str:
    """Say in words whose an input is, from the log's fields."""
    return f'seat "{fields["seat"]}"' if "seat" in fields else str(fields.get("of", "another input"))


def tried(work: Callable[[], object]) -> object:
    """Return what the work gives, or the exception that it raises."""
    try:
        return work()
    except Exception as error:  # noqa: BLE001 - whatever it is, the caller decides
        return error


def _in_the_systems_words(error: BaseException) -> str:
    """Return the reason of an error, in the operating system's words if it has some."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__


def _looked(there: Input, _now: int) -> list[Stamped]:
    there.look()
    return []
