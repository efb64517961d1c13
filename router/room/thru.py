"""The ledger of a keyboard whose messages go on as they are: how long its notes may sound, how many, and how loud.

A keyboard on a cable may lose the end of a note, or of its pedal. So each key that is down has a deadline, and so has
each note that a pedal holds:

    a note   silent --key down--> held --key up--> silent
             held --key up while a pedal of its channel is down--> kept --pedals up--> silent
             held or kept --it has sounded as long as it may--> silent: note-off, and the pedals of its channel up
             held --one key too many--> note-off

Everything else passes unchanged, and at once.

Invariants: whatever comes, ``note_length`` after the last message nothing sounds; no bytes raise anything.
"""

from __future__ import annotations

from dataclasses import dataclass

from router.core.midi import ALL_NOTES_OFF, ALL_SOUND_OFF, CONTROL_CHANGE, NOTE_OFF, NOTE_ON, SUSTAIN, silencing
from router.core.timers import Timers
from router.core.units import NANOSECONDS

PEDALS = (SUSTAIN, 66, 69)
"""Controllers that keep notes on: sustain, sostenuto and hold 2 (MIDI 1.0 Detailed Specification, table 3)."""

_DOWN = 64
"""The value from which on a pedal is down (the same table)."""

_RESET = 121
"""Reset all controllers: the pedals are up, too (MIDI recommended practice RP-015)."""

Data = tuple[int, ...]
Key = tuple[int, int]  # channel 1 to 16, note


@dataclass(frozen=True, slots=True)
class ThruLimits:
    """The most that is played through: nanoseconds a note, keys at once, velocity 1 to 127. Our choice."""

    note_length: int = 30 * NANOSECONDS
    notes_at_once: int = 32
    velocity: int = 110


class Thru:
    """Passes a keyboard's messages on, and ends what sounds too long."""

    def __init__(self, limits: ThruLimits) -> None:
        self._limits = limits
        self._timers = Timers()
        self._sounding: dict[Key, bool] = {}  # whether the key is down, else a pedal keeps it; in the order of striking
        self._pedals: dict[int, set[int]] = {}  # by channel: those that are down
        self._channels: set[int] = set()  # that were played on

    @property
    def sounding(self) -> tuple[Key, ...]:
        """The notes that sound, by the messages so far, oldest first."""
        return tuple(self._sounding)

    def deadline(self) -> int | None:
        """The time at which ``wake`` is wanted, or None."""
        return self._timers.next()

    def play(self, data: Data, now: int) -> list[Data]:
        """Pass on a message of the keyboard, within the limits."""
        kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
        self._channels.add(channel)
        if kind == NOTE_ON and len(data) > 2 and data[2]:
            return self._begin((channel, data[1]), data, now)
        if kind in (NOTE_ON, NOTE_OFF):
            self._end((channel, *data[1:2]))
        elif kind == CONTROL_CHANGE and len(data) > 2:
            self._change(channel, data[1], data[2])
        return [data]

    def wake(self, now: int) -> list[Data]:
        """End what has sounded as long as it may."""
        messages: list[Data] = []
        while (key := self._timers.pop(now)) is not None:
            assert isinstance(key, tuple)  # we set no other
            channel, note = key
            self._sounding.pop((channel, note), None)
            messages.append((NOTE_OFF | channel - 1, note, 0))
            messages += [(CONTROL_CHANGE | channel - 1, pedal, 0) for pedal in sorted(self._pedals.get(channel, ()))]
            self._lift(channel)
        return messages

    def silence(self) -> list[Data]:
        """End everything that sounds; what the keyboard sends next is played."""
        sounding = list(self._sounding)
        self._sounding.clear()
        self._pedals.clear()
        for key in sounding:
            self._timers.cancel(key)
        return list(silencing(sounding, sorted(self._channels)))

    def _begin(self, key: Key, data: Data, now: int) -> list[Data]:
        messages: list[Data] = []
        self._sounding.pop(key, None)
        down = [each for each, is_down in self._sounding.items() if is_down]
        for channel, note in down[: len(down) + 1 - self._limits.notes_at_once]:
            messages.append((NOTE_OFF | channel - 1, note, 0))
            self._end((channel, note))
        self._sounding[key] = True
        self._timers.set(key, now + self._limits.note_length)
        return [*messages, (data[0], data[1], min(data[2], self._limits.velocity))]

    def _end(self, key: tuple[int, ...]) -> None:
        """Take a key that has come up."""
        match key:
            case (channel, note) if (channel, note) in self._sounding:
                if self._pedals.get(channel):
                    self._sounding[channel, note] = False
                else:
                    self._gone((channel, note))

    def _change(self, channel: int, controller: int, value: int) -> None:
        if controller in PEDALS and value >= _DOWN:
            self._pedals.setdefault(channel, set()).add(controller)
        elif controller in PEDALS:
            self._pedals.get(channel, set()).discard(controller)
            if not self._pedals.get(channel):
                self._lift(channel)
        elif controller == _RESET:
            self._lift(channel)
        elif controller == ALL_SOUND_OFF:
            for key in [key for key in self._sounding if key[0] == channel]:
                self._gone(key)
        elif controller >= ALL_NOTES_OFF:  # 124 to 127 end all notes, too
            for key in [key for key in self._sounding if key[0] == channel]:
                self._end(key)

    def _lift(self, channel: int) -> None:
        """Lift all pedals of a channel: notes that only they kept are over."""
        self._pedals.pop(channel, None)
        for key in [key for key, is_down in self._sounding.items() if key[0] == channel and not is_down]:
            self._gone(key)

    def _gone(self, key: Key) -> None:
        del self._sounding[key]
        self._timers.cancel(key)
