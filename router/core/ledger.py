"""The notes that sound and the voices that hold them: voices in, MIDI out.

The ledger is the only place that knows the notes on the wire. It counts, for every output, channel and note, the
voices that hold it, and says note-off when the last has gone. All limits that protect the child's ears and the
room are kept here, after every rule, so that no rule can get round them. Notes and controllers arrive here with valid
values: ``router.core.contract.check`` has refused the others.

    a note on the wire   silent --first voice--> sounding --last voice gone, stolen, too long--> silent
                         sounding --another voice--> note-off, note-on (struck again), still sounding
                         sounding --last voice gone too soon--> lingering --shortest note over, stolen--> silent

A note whose voice ends as soon as it began would not be heard: it lingers until it has sounded for the shortest length,
and a timer gives its note-off.

The seat's loudness as a whole, its *level*, is the volume of its channels (controller 7); nothing of it is sent until
it differs from 1 for the first time. A channel on which other seats play too is never silenced as a whole, and the
level goes into the velocity of our notes there.

Invariants:
  * every note-on that was given out is followed by its note-off, and no note-off goes out for a silent note;
  * no velocity, volume or expression above its limit; never more notes at once, or in any second, than the limits;
  * the share in the room's balance, if there is one, counts exactly what sounds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from router.core.balance import Share
from router.core.events import Bend, Change, ChannelPressure, Control, Message, NoteOn, Program, Route
from router.core.midi import (
    AT_REST,
    BEND_CENTRE,
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    EXPRESSION,
    NOTE_OFF,
    NOTE_ON,
    PITCH_BEND,
    PROGRAM_CHANGE,
    VOLUME,
    silencing,
)
from router.core.timers import Timers
from router.core.units import NANOSECONDS


@dataclass(frozen=True, slots=True)
class Limits:
    """The most that this child's instrument may do. The defaults are our choice, not a standard.

    ``velocity`` and ``volume`` (controllers 7 and 11) are MIDI values, 1 to 127, and say nothing about the sound
    level at the child's ear; ``note_length`` and ``shortest_note`` are in nanoseconds.
    """

    velocity: int = 90
    volume: int = 90
    notes_at_once: int = 8
    note_length: int = 10 * NANOSECONDS
    notes_per_second: int = 16
    shortest_note: int = 30 * NANOSECONDS // 1000
    """Least time that a note sounds, even if its effort ends sooner; long enough for any attack. Not in profiles."""


Wire = tuple[str, int, int]  # output, channel 1 to 16, note
Voice = tuple[str, int]  # part, voice


@dataclass(slots=True)
class _Note:
    """A note that is on: the voices that hold it, when it began, its last part, and its velocity."""

    holders: dict[Voice, None]
    since: int
    part: str
    velocity: int


_Moved = tuple[Route, type[Change], int]  # route, kind of change, controller
Observe = Callable[[int, str, dict[str, Any]], None]
"""A function that is told of each event: time in nanoseconds, the log's word for it, its fields. It must not block."""


class Ledger:
    """Voices in, MIDI messages out, within limits.

    ``share`` is this seat's share in the limits of the room. ``cut`` is told of each voice whose note made room for
    another's or was refused; it must not call the ledger.
    """

    def __init__(
        self,
        limits: Limits,
        timers: Timers,
        observe: Observe,
        share: Share | None = None,
        cut: Callable[[Voice, int], None] = lambda _voice, _now: None,
    ) -> None:
        self._limits = limits
        self._timers = timers
        self._observe = observe
        self._share, self._cut = share, cut
        if share is not None:
            share.oldest = self._oldest
        self._level = 1.0
        self._levelled = False  # whether the level has ever differed from 1
        self._volumes: dict[Route, int] = {}  # the volume that a part asked for last, within the limit
        self._shared: frozenset[Route] = frozenset()
        self._sounding: dict[Wire, _Note] = {}  # in the order in which the notes were last struck
        self._held: dict[Voice, list[Wire]] = {}
        self._routes: dict[Route, None] = {}  # every output and channel ever used, for all_off
        self._struck: deque[int] = deque()  # times of the note-ons of the last second
        self._moved: dict[
            _Moved, tuple[str, Change]
        ] = {}  # changes away from rest: the part that made each, and its resting value
        self._programs: dict[Route, int] = {}  # the sound that a channel was given last

    @property
    def sounding(self) -> tuple[Wire, ...]:
        """Every note that is on, oldest first."""
        return tuple(self._sounding)

    def use(self, route: Route) -> None:
        """Say that a part will play there, so that stopping silences it even if no note was played."""
        self._routes[route] = None

    def note_on(self, part: str, route: Route, note: NoteOn, now: int) -> list[Message]:
        """Begin a note of a voice; empty if a limit refuses it."""
        output, channel = self._routed(route)
        wire, voice = (output, channel, note.pitch), (part, note.voice)
        limits, struck = self._limits, self._struck
        while struck and struck[0] <= now - NANOSECONDS:
            struck.popleft()
        if len(struck) >= limits.notes_per_second:
            self._refused(now, part, wire, "notes_per_second")
            self._cut(voice, now)
            return []
        messages = []
        struck_again = self._sounding.pop(wire, None)
        if struck_again is not None:  # ends and begins, so that it is heard again
            messages.append(self._off(wire, part, now))
        elif len(self._sounding) >= limits.notes_at_once:  # the newest effort is heard, the oldest note makes room
            oldest = next(iter(self._sounding))
            messages += self._give_way(oldest, "notes_at_once", now)
        velocity = max(1, min(note.velocity, limits.velocity))
        if self._levelled and route in self._shared:
            velocity = max(1, round(velocity * self._level))
        if self._share is not None:
            if struck_again is not None:
                self._share.ended(struck_again.velocity)
            velocity = self._share.softened(velocity)
            messages += self._make_room(self._share, part, velocity, now)
            self._share.began(velocity)
        holders = struck_again.holders if struck_again else {}
        holders[voice] = None
        self._sounding[wire] = _Note(holders, now, part, velocity)
        held = self._held.setdefault(voice, [])
        if wire not in held:
            held.append(wire)
        struck.append(now)
        self._timers.set(wire, now + limits.note_length)
        messages.append(Message(output, (NOTE_ON | channel - 1, note.pitch, velocity)))
        self._observe(
            now,
            "note_on",
            {"part": part, "output": output, "channel": channel, "note": note.pitch, "velocity": velocity},
        )
        return messages

    def note_off(self, part: str, voice: int, now: int) -> list[Message]:
        """End every note of a voice that no other voice holds; empty if the voice holds none.

        A note that is shorter than the shortest length goes on until that is reached: see ``expire``.
        """
        owner = (part, voice)
        messages = []
        for wire in self._held.pop(owner, ()):
            note = self._sounding[wire]
            note.holders.pop(owner, None)
            if note.holders:
                continue
            note.part = part
            soonest = note.since + self._limits.shortest_note
            if now < soonest:
                self._timers.set(wire, soonest)
            else:
                messages += self._silence(wire, now)
        return messages

    def change(self, part: str, route: Route, change: Change, now: int) -> list[Message]:
        """Move a controller (volume and expression within their limit), the channel's pressure or its bend."""
        output, channel = self._routed(route)
        told: dict[str, Any] = {"part": part, "output": output, "channel": channel}
        data: tuple[int, ...]
        rest: Change
        match change:
            case Control(controller, value):
                most = self._limits.volume if controller in (VOLUME, EXPRESSION) else 127
                value = min(value, most)
                if controller == VOLUME:
                    self._volumes[route] = value
                    value = self._volume(route)
                change = Control(controller, value)
                told |= {"controller": controller, "value": value}
                data = (CONTROL_CHANGE | channel - 1, controller, value)
                rest = Control(controller, min(AT_REST.get(controller, value), most))  # most are at rest anywhere
            case ChannelPressure(value):
                told |= {"controller": "pressure", "value": value}
                data, rest = (CHANNEL_PRESSURE | channel - 1, value), ChannelPressure(0)
            case Bend(value):
                told |= {"controller": "bend", "value": value}
                data, rest = (PITCH_BEND | channel - 1, value & 0x7F, value >> 7), Bend(BEND_CENTRE)
        which = (route, type(change), change.controller if isinstance(change, Control) else 0)
        self._moved.pop(which, None)
        if change != rest:
            self._moved[which] = (part, rest)
        self._observe(now, "control", told)
        return [Message(output, data)]

    def rest(self, part: str | None, now: int) -> list[Message]:
        """Undo a part's changes (None: every part's): pedals up, no modulation, pressure or bend, full expression."""
        moved = [(by, route, rest) for (route, _, _), (by, rest) in self._moved.items() if part in (None, by)]
        return [message for by, route, rest in moved for message in self.change(by, route, rest, now)]

    def program(self, part: str, route: Route, program: Program, now: int) -> list[Message]:
        """Give a channel another sound."""
        output, channel = self._routed(route)
        self._programs[route] = program.program
        self._observe(now, "program", {"part": part, "output": output, "channel": channel, "program": program.program})
        return [Message(output, (PROGRAM_CHANGE | channel - 1, program.program))]

    def set_level(self, level: float, now: int) -> list[Message]:
        """Set the level, 0 to 1, by the volume of every channel that is ours alone."""
        level = min(max(level, 0.0), 1.0)
        if level == self._level:
            return []
        self._level, self._levelled = level, True
        self._observe(now, "level", {"level": round(level, 3)})
        return self.volumes()

    def volumes(self) -> list[Message]:
        """The volume of each channel, for an output just opened; empty while the level has always been 1."""
        if not self._levelled:
            return []
        return [self._tell_volume(route, self._volume(route)) for route in self._routes if route not in self._shared]

    @property
    def shared(self) -> frozenset[Route]:
        """The channels on which other seats play as well."""
        return self._shared

    def share_routes(self, routes: Iterable[Route]) -> list[Message]:
        """Say on which channels other seats play as well from now on.

        A channel that others begin to share gets its full volume back, as it is theirs too.
        """
        before, self._shared = self._shared, frozenset(routes)
        if not self._levelled:
            return []
        ours = [route for route in self._routes if (route in before) != (route in self._shared)]
        return [self._tell_volume(route, self._volume(route)) for route in ours]

    def program_of(self, route: Route, otherwise: int | None) -> int | None:
        """The program that a rule gave a channel last, ``otherwise`` if none did."""
        return self._programs.get(route, otherwise)

    def holders(self, wire: Wire) -> tuple[Voice, ...]:
        """The voices that hold a note, by part."""
        note = self._sounding.get(wire)
        return () if note is None else tuple(note.holders)

    def holds(self, voice: Voice) -> bool:
        """Tell whether a voice holds any note."""
        return voice in self._held

    def expire(self, wire: Wire, now: int) -> list[Message]:
        """End a note, held or not, that has reached its longest length, or its shortest after its voice has ended."""
        note = self._sounding.get(wire)
        if note is None:
            return []
        if note.holders:
            self._refused(now, next(iter(note.holders))[0], wire, "note_length")
        return self._silence(wire, now)

    def give_way(self, now: int) -> list[Message]:
        """End the note that was struck first, as the room asks; empty if there is none."""
        oldest = next(iter(self._sounding), None)
        if oldest is None or self._share is None:
            return []
        return self._give_way(oldest, self._share.gives, now)

    def release_part(self, part: str, now: int) -> list[Message]:
        """End every voice of a part."""
        return [
            message for owner, voice in list(self._held) if owner == part for message in self.note_off(part, voice, now)
        ]

    def all_off(self, now: int) -> list[Message]:
        """Silence everything, and every channel in use that is ours alone.

        In this order: a note-off for each note that is on; changes undone, as by ``rest``; pedal up, all notes off and
        all sound off, as controller 123 alone does not end what controller 64 holds; and when nothing can be heard, the
        volume that the level has changed, as the next player on that channel would be too soft.
        """
        messages = [message for wire in list(self._sounding) for message in self._silence(wire, now)]
        messages += self.rest(None, now)
        self._programs.clear()
        for route in self._routes:
            if route in self._shared:
                continue
            messages += [Message(route.output, data) for data in silencing((), (route.channel,))]
            if self._levelled:
                messages.append(self._tell_volume(route, self._limits.volume))
        self._volumes.clear()
        return messages

    def _routed(self, route: Route) -> Route:
        self._routes[route] = None
        return route

    def _oldest(self) -> int:
        return next(iter(self._sounding.values())).since

    def _make_room(self, share: Share, part: str, velocity: int, now: int) -> list[Message]:
        """End notes until one more fits into the limits of the room: those of other seats, or this seat's oldest."""
        messages: list[Message] = []
        while (limit := share.full(velocity)) is not None:
            if share.make_way(limit, now):
                continue
            oldest = next(iter(self._sounding), None)
            if oldest is None:
                break
            messages += self._give_way(oldest, limit, now)
        return messages

    def _give_way(self, wire: Wire, limit: str, now: int) -> list[Message]:
        note = self._sounding[wire]
        self._refused(now, next(iter(note.holders), (note.part, 0))[0], wire, limit)
        for voice in note.holders:
            self._cut(voice, now)
        return self._silence(wire, now)

    def _volume(self, route: Route) -> int:
        """The value for a channel's controller 7: what a part asked for, else the limit, times the level."""
        volume = self._volumes.get(route, self._limits.volume)
        level = 1.0 if route in self._shared else self._level
        return max(1, round(volume * level)) if volume and level else 0

    def _tell_volume(self, route: Route, value: int) -> Message:
        return Message(route.output, (CONTROL_CHANGE | route.channel - 1, VOLUME, value))

    def _silence(self, wire: Wire, now: int) -> list[Message]:
        note = self._sounding.pop(wire)
        if self._share is not None:
            self._share.ended(note.velocity)
        part = note.part
        for owner in note.holders:
            part = owner[0]
            held = self._held[owner]
            held.remove(wire)
            if not held:
                del self._held[owner]
        self._timers.cancel(wire)
        return [self._off(wire, part, now)]

    def _off(self, wire: Wire, part: str, now: int) -> Message:
        output, channel, note = wire
        self._observe(
            now, "note_off", {"part": part, "output": output, "channel": channel, "note": note, "velocity": 0}
        )
        return Message(output, (NOTE_OFF | channel - 1, note, 0))

    def _refused(self, now: int, part: str, wire: Wire, limit: str) -> None:
        output, channel, note = wire
        self._observe(now, "limit", {"part": part, "limit": limit, "output": output, "channel": channel, "note": note})
