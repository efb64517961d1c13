"""Who sounds what: voices in, MIDI out.

The ledger is the only place that knows the notes on the wire. It counts, for every output, channel and note, the
voices that hold it, and says note-off when the last has gone. All limits that protect the child's ears and the
room are kept here, after every rule, so that no rule can get round them. Notes and controllers that come here are
possible ones: ``router.rules.base.check`` has refused the others.

    a note on the wire   silent --first voice--> sounding --last voice gone, stolen, too long--> silent
                         sounding --another voice--> note-off, note-on (struck again), still sounding

Invariants:
  * every note-on that was given out is followed by its note-off, and no note-off goes out for a silent note;
  * no velocity, volume or expression above its limit; never more notes at once, or in any second, than the limits.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from router.events import Control, Message, NoteOn, Route
from router.midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CONTROL_CHANGE,
    EXPRESSION,
    NOTE_OFF,
    NOTE_ON,
    SUSTAIN,
    VOLUME,
)
from router.timers import Timers
from router.units import NANOSECONDS


@dataclass(frozen=True, slots=True)
class Limits:
    """What this child's instrument may do at most. The defaults are our choice, not a standard.

    ``velocity`` and ``volume`` (controllers 7 and 11) are MIDI values, 1 to 127, and say nothing about the sound
    level at the child's ear; ``note_length`` is in nanoseconds.
    """

    velocity: int = 90
    volume: int = 90
    notes_at_once: int = 8
    note_length: int = 10 * NANOSECONDS
    notes_per_second: int = 16


Wire = tuple[str, int, int]  # output, channel 1 to 16, note
Voice = tuple[str, int]  # part, voice
Observe = Callable[[int, str, dict[str, Any]], None]
"""Told of what happens: time in nanoseconds, the log's word for it, its fields. It must not block."""


class Ledger:
    """Voices in, MIDI messages out, within limits."""

    def __init__(self, limits: Limits, timers: Timers, observe: Observe) -> None:
        self._limits = limits
        self._timers = timers
        self._observe = observe
        self._sounding: dict[Wire, dict[Voice, None]] = {}  # in the order in which the notes were last struck
        self._held: dict[Voice, list[Wire]] = {}
        self._routes: dict[Route, None] = {}  # every output and channel ever used, for all_off
        self._struck: deque[int] = deque()  # times of the note-ons of the last second

    @property
    def sounding(self) -> tuple[Wire, ...]:
        """Every note that is on, oldest first."""
        return tuple(self._sounding)

    def use(self, route: Route) -> None:
        """Say that a part will play there, so that stopping silences it whatever else it heard."""
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
            return []
        messages = []
        holders = self._sounding.pop(wire, None)
        if holders is not None:  # struck again: ends and begins, so that it is heard again
            messages.append(self._off(wire, part, now))
        else:
            holders = {}
            if len(self._sounding) >= limits.notes_at_once:  # the newest effort is heard, the oldest note makes room
                oldest = next(iter(self._sounding))
                self._refused(now, part, oldest, "notes_at_once")
                messages += self._silence(oldest, now)
        holders[voice] = None
        self._sounding[wire] = holders
        held = self._held.setdefault(voice, [])
        if wire not in held:
            held.append(wire)
        velocity = max(1, min(note.velocity, limits.velocity))
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
        """End every note of a voice that no other voice holds; nothing for a voice that holds none."""
        owner = (part, voice)
        messages = []
        for wire in self._held.pop(owner, ()):
            holders = self._sounding[wire]
            holders.pop(owner, None)
            if not holders:
                del self._sounding[wire]
                self._timers.cancel(wire)
                messages.append(self._off(wire, part, now))
        return messages

    def control(self, part: str, route: Route, control: Control, now: int) -> list[Message]:
        """Send a controller's value, volume and expression within their limit."""
        output, channel = self._routed(route)
        value = control.value
        if control.controller in (VOLUME, EXPRESSION):
            value = min(value, self._limits.volume)
        self._observe(
            now,
            "control",
            {"part": part, "output": output, "channel": channel, "controller": control.controller, "value": value},
        )
        return [Message(output, (CONTROL_CHANGE | channel - 1, control.controller, value))]

    def expire(self, wire: Wire, now: int) -> list[Message]:
        """A note has sounded as long as it may: end it, whoever holds it."""
        if wire not in self._sounding:
            return []
        self._refused(now, next(iter(self._sounding[wire]))[0], wire, "note_length")
        return self._silence(wire, now)

    def release_part(self, part: str, now: int) -> list[Message]:
        """End every voice of a part."""
        return [
            message for owner, voice in list(self._held) if owner == part for message in self.note_off(part, voice, now)
        ]

    def all_off(self, now: int) -> list[Message]:
        """Silence everything, and every channel in use.

        A note-off for each note that is on, then pedal up, all notes off and all sound off: controller 123 alone
        does not end what controller 64 holds.
        """
        messages = [message for wire in list(self._sounding) for message in self._silence(wire, now)]
        for output, channel in self._routes:
            status = CONTROL_CHANGE | channel - 1
            messages += [Message(output, (status, number, 0)) for number in (SUSTAIN, ALL_NOTES_OFF, ALL_SOUND_OFF)]
        return messages

    def _routed(self, route: Route) -> Route:
        self._routes[route] = None
        return route

    def _silence(self, wire: Wire, now: int) -> list[Message]:
        for owner in self._sounding.pop(wire):
            held = self._held[owner]
            held.remove(wire)
            if not held:
                del self._held[owner]
        self._timers.cancel(wire)
        return [self._off(wire, owner[0], now)]

    def _off(self, wire: Wire, part: str, now: int) -> Message:
        output, channel, note = wire
        self._observe(
            now, "note_off", {"part": part, "output": output, "channel": channel, "note": note, "velocity": 0}
        )
        return Message(output, (NOTE_OFF | channel - 1, note, 0))

    def _refused(self, now: int, part: str, wire: Wire, limit: str) -> None:
        output, channel, note = wire
        self._observe(now, "limit", {"part": part, "limit": limit, "output": output, "channel": channel, "note": note})
