"""The room's own ports: the specialist's keyboard, a MIDI clock that is followed, and our clock for others.

    keyboard   each message goes on to its output at once, within the limits of ``thru.py``, and only then is looked at
               for what it leads with
    clock in   each message goes to the room's beat
    clock out  a tick is the first thing of its pass; Start at the next bar when the port is there, Stop at the end

What is missing is looked for as a seat's devices are. When the keyboard goes, what it left sounding at its output ends.
What says more than can be taken (``flood.py``) is thinned, and takes a bounded part of a pass.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from router.core.events import Lost, MidiSample, Sample
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.devices.descriptions import Device
from router.devices.inputs import by_device
from router.files.configuration import Ports
from router.live.attached import AttachedInput, AttachedOutput, Surroundings
from router.live.flood import SHARE, Waiting
from router.room.beat import ClockOut
from router.room.room import Room
from router.room.thru import Thru
from router.system import clock

KEYBOARD, CLOCK = "keyboard", "clock"
"""The names of the room's inputs and outputs, in the log and in the status."""
EARLY = NANOSECONDS // 5_000
"""How long before a tick of our clock the loop is woken, to wait for it awake: a sleeper wakes late, each time by
another part of about this much. Our choice: at 120 bpm it costs less than a hundredth of one processor while our clock
goes out."""
_OF = {"of": "the room"}
_SYSTEM = 0xF0
"""Status bytes from here on belong to no channel: the keyboard's own clock and its dumps are not passed on."""


class RoomPorts:
    """The room's own MIDI ports: the keyboard, and the clocks in and out."""

    def __init__(self, ports: Ports, room: Room, around: Surroundings, now: int) -> None:
        self._room, self._around = room, around
        self._now = now  # of the room: it never goes back
        self._touched = False
        devices: dict[str, Device] = {}
        if ports.keyboard is not None:
            devices[KEYBOARD] = ports.keyboard
        if ports.clock_from is not None:
            devices[CLOCK] = ports.clock_from
        types = dict.fromkeys(devices, "midi")
        self.inputs = [AttachedInput(group, types, around, _OF, self._readable) for group in by_device(devices)]
        self.outputs: dict[str, AttachedOutput] = {}
        if ports.keyboard_to is not None:
            self.outputs[KEYBOARD] = AttachedOutput(KEYBOARD, ports.keyboard_to, around, _OF)
        if ports.clock_to is not None:
            self.outputs[CLOCK] = AttachedOutput(CLOCK, ports.clock_to, around, _OF)
        self._thru, self._clock = self.outputs.get(KEYBOARD), self.outputs.get(CLOCK)
        self._ledger = Thru(ports.keyboard_limits)
        self.waiting = Waiting()
        self.on_chatter: Callable[[], None] = lambda: None
        self._music = room.beat.music
        self._ticks = ClockOut(self._music, now)

    # --- begin and end ----------------------------------------------------------------------------------------

    def open(self, now: int) -> None:
        """Open all that is there."""
        for out in self.outputs.values():
            self._open(out, now)
        for attached in self.inputs:
            attached.open(now)
        self._touched = True

    def close(self, now: int) -> None:
        """End what the keyboard left sounding, stop instruments that follow us, and close the ports."""
        self.silence(now)
        if self._clock is not None:
            for data in self._ticks.stop():
                self._clock.send(tuple(data), now)
        everything: list[AttachedInput | AttachedOutput] = [*self.inputs, *self.outputs.values()]
        for attached in everything:
            with self._around.contained():
                attached.close()

    def silence(self, now: int) -> None:
        """End what the keyboard left sounding, whatever it says next."""
        if self._thru is not None:
            for data in self._ledger.silence():
                self._thru.send(data, now)

    # --- a pass of the loop -----------------------------------------------------------------------------------

    def deadline(self) -> int | None:
        """When ``wake`` is wanted."""
        if self._touched or self.waiting:
            return 0
        times: list[int | None] = [attached.deadline() for attached in self.inputs]
        times.append(self._ledger.deadline())
        times += [out.deadline() for out in self.outputs.values()]
        if self._clock is not None and self._clock.there is not None:
            times.append(0 if self._music is not self._room.beat.music else self._ticks.deadline() - EARLY)
        return earliest(times)

    def tick(self, now: int) -> int:
        """Send our clock's messages that are due or nearly due, first in a pass: work before them is heard as jitter.

        They are made ready first and then waited for, so that nothing is left to do when their time comes. Returns what
        time it is then: what the children play on that beat is due too.
        """
        out = self._clock
        if out is None or out.there is None or (due := self._ticks.deadline()) > now + EARLY:
            return now
        now = max(now, due)
        messages = [tuple(data) for data in self._ticks.wake(now)]
        until = min(due, clock.now() + EARLY)
        while clock.now() < until:
            pass
        for data in messages:
            out.send(data, now)
        return now

    def wake(self, now: int) -> None:
        """Do what is due; the clock first."""
        now = self.tick(now)
        out = self._clock
        if out is not None and out.there is not None and self._music is not self._room.beat.music:
            self._music = self._room.beat.music
            for data in self._ticks.follow(self._music, now):
                out.send(tuple(data), now)
        self._touched = False
        for attached in self.inputs:
            attached.wake(now)
            attached.look_for(now)
        self._take(now)
        self._expire(now)
        for out in self.outputs.values():
            out.wake(now)
            if out.search.is_due(now):
                self._open(out, now)

    def plugged(self, now: int) -> None:
        """Look for inputs soon, as something has been plugged in."""
        for attached in self.inputs:
            attached.plugged(now)
        self._touched = True

    def look(self, now: int) -> None:
        """Check inputs and outputs, as MIDI ports have come or gone."""
        for out in self.outputs.values():
            silence: Callable[[], Sequence[tuple[int, ...]]] = self._ledger.silence if out is self._thru else list
            with self._around.contained():
                out.look(now, silence)
        for attached in self.inputs:
            attached.look(now)
        self._touched = True

    # --- what comes -------------------------------------------------------------------------------------------

    def _open(self, out: AttachedOutput, now: int) -> None:
        if out.there is None and out.open(now) and out is self._clock:
            self._ticks = ClockOut(self._room.beat.music, now)
            self._music = self._room.beat.music
            self._ticks.start()

    def _readable(self) -> None:
        """Play at once what a device has said: the specialist's notes do not wait for the seats."""
        if not self.waiting.behind(self._now):
            self._take(self._now)
        self._touched = True

    def _take(self, now: int) -> None:
        """Play what has come, as far as a pass allows."""
        came = [stamped for attached in self.inputs for stamped in attached.came]
        for attached in self.inputs:
            attached.came = []
        if came:
            for name in self.waiting.add(came, now):
                self._around.log.warning("input_chatters", **_OF, input=name)
                self.on_chatter()
        until = clock.now() + SHARE
        while self.waiting:
            self._heard(*self.waiting.next())
            if clock.now() >= until:
                break
        self._now = max(self._now, now)

    def _heard(self, stamp: int, sample: Sample) -> None:
        self._now = max(self._now, stamp)
        with self._around.contained():
            if isinstance(sample, MidiSample) and sample.input == KEYBOARD:
                self._key(sample.data)
            elif isinstance(sample, MidiSample):
                self._room.clock(sample.data, self._now)
            elif isinstance(sample, Lost) and sample.input == KEYBOARD:
                self.silence(self._now)
                self._room.keyboard_lost(self._now)

    def _key(self, data: tuple[int, ...]) -> None:
        if self._thru is not None and data[0] < _SYSTEM:
            self._expire(self._now)
            for message in self._ledger.play(data, self._now):
                self._thru.send(message, self._now)
        self._room.key(data, self._now)

    def _expire(self, now: int) -> None:
        """End the keyboard's notes that have sounded as long as they may."""
        due = self._ledger.deadline()
        if self._thru is None or due is None or due > now:
            return
        messages = self._ledger.wake(now)
        self._around.log.info("limit", **_OF, input=KEYBOARD, limit="note_length")
        for message in messages:
            self._thru.send(message, now)
