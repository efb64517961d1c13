"""Several seats and their room on virtual time.

``player`` plays one child, and this plays children who play together.

Their samples come merged by time, and with them what the specialist's keyboard says. Every deadline is kept at its own
time, of the room's before those of the seats, and a seat's own before the samples of the same time, so nothing depends
on the speed of the machine. What one seat plays reaches the others as it does live. It does no I/O and reads no clock.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from router.core.engine import Engine, Plan
from router.core.events import Message, MidiSample, Sample
from router.core.music import Chord, Music
from router.core.timers import earliest
from router.devices.inputs.base import Stamped
from router.offline.player import cuts_sound
from router.room.room import Room, RoomPlan

KEYBOARD = "keyboard"
"""The specialist's keyboard: no seat is called so. It is the name of its input, and of the output that its own notes go
on to."""

Tell = Callable[[str, int, str, dict[str, Any]], None]
"""Told of what happens: the seat's name ("" for the room), the time, the log's word for it, its fields."""


class Moment(NamedTuple):
    """A moment of the music: its time in nanoseconds, whose sample came then, and what leaves, by seat."""

    now: int
    seat: str
    sample: Sample | None
    sent: list[tuple[str, Message]]


class Together:
    """A room with virtual seats. ``plans``: the seats, in the order in which they join, at time 0."""

    def __init__(self, room: RoomPlan, plans: Mapping[str, Plan], tell: Tell) -> None:
        self._tell = tell
        self._sent: list[tuple[str, Message]] = []
        self.room = Room(room, 0, lambda now, event, fields: tell("", now, event, fields))
        self._seats = {name: VirtualSeat(name, plan, self.room, self._sent) for name, plan in plans.items()}

    def steps(self, samples: Mapping[str, Iterable[Stamped]], tail: int) -> Iterator[Moment]:
        """Play ``samples``, which are by seat, those of ``KEYBOARD`` among them. The last step is everybody's stop.

        After the last sample the music goes on until nothing is pending, but no longer than ``tail`` nanoseconds.
        """
        now = 0
        for seat in self._seats.values():
            seat.begin(now)
        yield self._moment(now)
        for when, name, sample in _merged(samples):
            for at in self._deadlines(now, when):
                yield self._moment(at)
            now = when
            if name != KEYBOARD:
                self._seats[name].take(sample, now)
            elif isinstance(sample, MidiSample):  # its own notes first, as live
                self._sent.append((KEYBOARD, Message(KEYBOARD, sample.data)))
                self.room.key(sample.data, now)
            yield self._moment(now, name, sample)
        last = now + tail
        for at in self._deadlines(now, last):
            now = at
            yield self._moment(now)
        if self._next() is not None:  # it would go on
            now = last
        for seat in self._seats.values():
            seat.end(now)
        yield self._moment(now)

    def _next(self) -> int | None:
        return earliest(seat.engine.next_deadline() for seat in self._seats.values())

    def _deadlines(self, now: int, last: int) -> Iterator[int]:
        """Keep every deadline up to ``last``; the time of each."""
        while (deadline := earliest((self.room.deadline(), self._next()))) is not None and deadline <= last:
            now = max(now, deadline)
            due = self.room.deadline()
            if due is not None and due <= now:
                self.room.wake(now)
            for seat in self._seats.values():
                seat.wake(now)
            yield now

    def _moment(self, now: int, name: str = "", sample: Sample | None = None) -> Moment:
        """Let the seats hear what each has played, then return all that was sent."""
        while any(seat.told for seat in self._seats.values()):  # what is heard may be answered at once
            for seat in self._seats.values():
                self._told(seat)
        sent = list(self._sent)
        self._sent.clear()
        return Moment(now, name, sample, sent)

    def _told(self, seat: VirtualSeat) -> None:
        told, seat.told = seat.told, []
        for now, event, fields in told:
            self._tell(seat.name, now, event, fields)
            self.room.heard(seat.name, event, fields, now)


class VirtualSeat:
    """A seat: a ``router.room.room.Member`` whose messages are kept in ``sent``, each with the seat's name.

    ``told``: what its engine has observed and the room has not heard.
    """

    def __init__(self, name: str, plan: Plan, room: Room, sent: list[tuple[str, Message]]) -> None:
        self.name, self.plan = name, plan
        self._room, self._sent = room, sent
        self.told: list[tuple[int, str, dict[str, Any]]] = []
        share = room.balance.share(name, self._give_way)
        self.engine = Engine(plan, lambda now, event, fields: self.told.append((now, event, fields)), share)

    def begin(self, now: int) -> None:
        """The engine starts, in the music of the room as far as the profile follows it."""
        self._send(self.engine.start(now))
        self._room.join(self.name, self, now)

    def take(self, sample: Sample, now: int) -> None:
        """A sample of its child, or of another."""
        self._send(self.engine.handle(sample, now))

    def wake(self, now: int) -> None:
        """Do what is due."""
        due = self.engine.next_deadline()
        if due is not None and due <= now:
            self._send(self.engine.wake(now))

    def end(self, now: int) -> None:
        """Everything is let go; in a recording the last note may ring out."""
        self._send(message for message in self.engine.stop(now) if not cuts_sound(message.data))

    # --- what the room says -----------------------------------------------------------------------------------

    @property
    def chord(self) -> Chord | None:
        return self.engine.music.chord

    def follow(self, music: Music, now: int) -> None:
        self._send(self.engine.follow(music, now))

    def hear(self, sample: Sample, now: int) -> None:
        self.take(sample, now)

    def turn(self, mine: bool, now: int) -> None:
        self.engine.turn(mine, now)

    def level(self, level: float, now: int) -> None:
        self._send(self.engine.set_level(level, now))

    def _give_way(self, now: int) -> None:
        self._send(self.engine.give_way(now))

    def _send(self, messages: Iterable[Message]) -> None:
        self._sent += [(self.name, message) for message in messages]


def _merged(samples: Mapping[str, Iterable[Stamped]]) -> Iterator[tuple[int, str, Sample]]:
    """All on one time line; of one time the keyboard's first, then in the order of the seats."""

    def named(name: str) -> Iterator[tuple[int, str, Sample]]:
        return ((when, name, sample) for when, sample in samples[name])

    order = sorted(samples, key=lambda name: name != KEYBOARD)
    return heapq.merge(*(named(name) for name in order), key=lambda entry: entry[0])
