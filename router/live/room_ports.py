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
from router.core.units import NANOSECONDS
from router.devices.descriptions import Device
from router.devices.inputs import by_device
from router.files.configuration import Ports
from router.live.attached import AttachedInput, AttachedOutput
from router.live.flood import SHARE, Waiting
from router.live.surroundings import Surroundings
from router.room.beat import ClockOut
from router.room.room import Room
from router.room.thru import Thru
from router.system import clock
from router.system.agenda import Rank

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
        agenda = self._agenda = around.loop.agenda
        self._ticking = agenda.reminder(self._tick, Rank.CLOCK)
        self._following = agenda.reminder(self._follow, Rank.ROOM)
        self._taking = agenda.reminder(self._take, Rank.ROOM)
        self._expiring = agenda.reminder(self._expire, Rank.ROOM)
        devices: dict[str, Device] = {}
        if ports.keyboard is not None:
            devices[KEYBOARD] = ports.keyboard
        if ports.clock_from is not None:
            devices[CLOCK] = ports.clock_from
        types = dict.fromkeys(devices, "midi")
        self.inputs = [
            AttachedInput(group, types, around, _OF, self._readable, rank=Rank.ROOM) for group in by_device(devices)
        ]
        self.outputs: dict[str, AttachedOutput] = {}
        if ports.keyboard_to is not None:
            self.outputs[KEYBOARD] = AttachedOutput(KEYBOARD, ports.keyboard_to, around, _OF, rank=Rank.ROOM)
        if ports.clock_to is not None:
            self.outputs[CLOCK] = AttachedOutput(
                CLOCK, ports.clock_to, around, _OF, found=self._found_clock, rank=Rank.ROOM
            )
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
            if out.there is None and out.open(now) and out is self._clock:
                self._found_clock(out, now)
        for attached in self.inputs:
            attached.open(now)
        self._taking.soon()

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

    def _tick(self, now: int) -> None:
        """Send our clock's messages that are due or nearly due, first in a pass: work before them is heard as jitter.

        They are made ready first and then waited for, so that nothing is left to do when their time comes. What the
        children play on that beat is due then, too.
        """
        out = self._clock
        if out is None or out.there is None:
            return
        due = self._ticks.deadline()
        now = max(now, due)
        messages = [tuple(data) for data in self._ticks.wake(now)]
        until = min(due, clock.now() + EARLY)
        while clock.now() < until:
            pass
        for data in messages:
            out.send(data, now)
        self._plan_tick()
        self._agenda.later(now)

    def _plan_tick(self) -> None:
        """Wake in time to wait for the next tick."""
        self._ticking.set(self._ticks.deadline() - EARLY)

    def another_beat(self) -> None:
        """Follow another beat of the room from this pass on."""
        if self._clock is not None and self._clock.there is not None:
            self._following.soon()

    def _follow(self, now: int) -> None:
        """Let our clock follow the room's beat, after the ticks before it."""
        out = self._clock
        if out is None or out.there is None or self._music is self._room.beat.music:
            return
        if self._ticks.deadline() <= now:
            self._tick(now)
        self._music = self._room.beat.music
        for data in self._ticks.follow(self._music, now):
            out.send(tuple(data), now)
        self._plan_tick()

    def plugged(self, now: int) -> None:
        """Look for inputs soon, as something has been plugged in."""
        for attached in self.inputs:
            attached.plugged(now)

    def look(self, now: int) -> None:
        """Check inputs and outputs, as MIDI ports have come or gone."""
        for out in self.outputs.values():
            silence: Callable[[], Sequence[tuple[int, ...]]] = self._ledger.silence if out is self._thru else list
            with self._around.contained():
                out.look(now, silence)
        for attached in self.inputs:
            attached.look(now)
        self._taking.soon()

    # --- what comes -------------------------------------------------------------------------------------------

    def _found_clock(self, _out: AttachedOutput, now: int) -> None:
        """Begin with our clock, as its port is there."""
        self._music = self._room.beat.music
        self._ticks = ClockOut(self._music, now)
        self._ticks.start()
        self._plan_tick()

    def _readable(self) -> None:
        """Play at once what a device has said: the specialist's notes do not wait for the seats."""
        now = clock.now()
        if self.waiting.behind(now):
            self._taking.soon()
        else:
            self._take(now)

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
        while self.waiting.samples:
            self._heard(*self.waiting.samples.popleft())
            if clock.now() >= until:
                break
        self._now = max(self._now, now)
        if self.waiting.samples:
            self._taking.soon()

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
            self._plan_expiry()
        self._room.key(data, self._now)

    def _expire(self, now: int) -> None:
        """End the keyboard's notes that have sounded as long as they may."""
        due = self._ledger.deadline()
        if self._thru is None or due is None or due > now:
            self._plan_expiry()
            return
        messages = self._ledger.wake(now)
        self._plan_expiry()
        self._around.log.info("limit", **_OF, input=KEYBOARD, limit="note_length")
        for message in messages:
            self._thru.send(message, now)

    def _plan_expiry(self) -> None:
        """Wake when the next note of the keyboard has sounded as long as it may.

        One that has ended only puts it off.
        """
        if self._expiring.at is None and (due := self._ledger.deadline()) is not None:
            self._expiring.set(due)
