"""A keyboard that leads: the chord that is held there, and the key that is played.

    settle   a moment after the last key went down the keys that sound are looked at; which of them are a chord, and
             whether it is another one, ``recognition.PlayedChord`` says. What the pedal (controller 64) holds sounds
    keep     chord and key stay when the keys are let go, and when the keyboard is lost
    hold     while the hold pedal is down nothing changes; what was struck before it still counts. When it comes up,
             what then sounds is looked at, and the key is the one that has been played meanwhile

Invariant: whatever bytes come, in whatever order and at whatever times, nothing is raised, and what is held is bounded
by MIDI's own notes.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from router.core.midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CONTROL_CHANGE,
    DRUM_CHANNEL,
    NOTE_OFF,
    NOTE_ON,
    PEDAL_DOWN,
    SUSTAIN,
)
from router.core.music import SCALES, Chord, Music
from router.core.recognition import SETTLE, PlayedChord
from router.core.timers import Alarm
from router.room.tonality import Tonality

_THIRD, _FIFTH = 4, 7
"""Semitones of a major key's third and fifth above its tonic."""

RESET_CONTROLLERS, SYSTEM_RESET = 121, 0xFF


@dataclass(frozen=True, slots=True)
class Leading:
    """The chord, the key or both, which lead. ``channel``: 1 to 16, None: all but drums; ``hold``: a controller."""

    chord: bool = True
    key: bool = False
    channel: int | None = None
    hold: int | None = None


class Led(NamedTuple):
    """The chord and key that the keyboard leads with; None if not known yet, or if it does not lead in that.

    ``scale`` is the major or the natural minor one.
    """

    chord: Chord | None = None
    tonic: int | None = None
    scale: tuple[int, ...] | None = None

    def onto(self, music: Music) -> Music:
        """``music`` as led: with this chord, and in this key. What the keyboard has not said stays.

        A scale keeps its number of notes, so that a degree is no other place of the scale than before: where its third
        is not that of the key, it becomes the major or minor one of its size (pentatonic, blues, seven notes). One
        without a fifth stays.
        """
        scale = music.scale
        if self.scale is not None and _FIFTH in scale and (_THIRD in scale) != (_THIRD in self.scale):
            kind = {5: " pentatonic", 6: " blues", 7: ""}.get(len(scale))
            if kind is not None:
                scale = SCALES[("major" if _THIRD in self.scale else "minor") + kind]
        key = replace(music, tonic=music.tonic if self.tonic is None else self.tonic, scale=scale)
        return key if self.chord is None else replace(key, chord=self.chord.named(key.names))


class Lead:
    """Finds chord and key in a keyboard's messages. The owner passes on each message, and wakes it when due."""

    def __init__(self, leading: Leading, alarm: Alarm) -> None:
        self._leading = leading
        self._alarm = alarm
        self._tonality = Tonality()
        self._down: set[tuple[int, int]] = set()  # channel and note
        self._pedalled: set[tuple[int, int]] = set()  # up, and held by the pedal
        self._pedals: set[int] = set()  # channels whose pedal is down
        self._played = PlayedChord()
        self._holding = False
        self.led = Led()
        """The chord and key that it leads with now."""

    @property
    def held(self) -> tuple[int, ...]:
        """The notes that keys or pedal hold, from the lowest up, each once."""
        return tuple(sorted({note for _, note in self._down | self._pedalled}))

    @property
    def holding(self) -> bool:
        """Tell whether the hold pedal is down."""
        return self._holding

    def handle(self, data: Sequence[int], now: int) -> Led | None:
        """A message of the keyboard, as bytes; what it says if that has changed. What is no message changes nothing."""
        before = self.led
        if tuple(data) == (SYSTEM_RESET,):
            self._let_go(now)
        elif len(data) == 3 and 0 <= data[1] < 128 and 0 <= data[2] < 128:
            kind, channel = data[0] & 0xF0, (data[0] & 0x0F) + 1
            wanted = channel != DRUM_CHANNEL if self._leading.channel is None else channel == self._leading.channel
            if wanted and data[0] < SYSTEM_RESET:
                self._hear(kind, channel, data[1], data[2], now)
        return None if self.led == before else self.led

    def wake(self, now: int, _tag: Hashable = None) -> Led | None:
        """The keys have settled."""
        before = self.led
        self._settle()
        return None if self.led == before else self.led

    def lost(self, now: int) -> None:
        """The keyboard has gone.

        What it said stays; what it held is let go, and so is its hold pedal, which cannot come up any more.
        """
        self._let_go(now)
        self._pedals.clear()
        self._holding = False

    def _hear(self, kind: int, channel: int, number: int, value: int, now: int) -> None:
        if kind == NOTE_ON and value:
            self._strike(channel, number, now)
        elif kind in (NOTE_ON, NOTE_OFF):
            if (channel, number) in self._down and channel in self._pedals:
                self._pedalled.add((channel, number))
            self._down.discard((channel, number))
            self._tonality.up(number, now)
        elif kind != CONTROL_CHANGE:
            return
        elif number == self._leading.hold:
            self._hold(value >= PEDAL_DOWN, now)
        elif number == SUSTAIN:
            self._pedal(channel, value >= PEDAL_DOWN)
        elif number == RESET_CONTROLLERS:
            self._pedal(channel, down=False)
            self._hold(False, now)
        elif number == ALL_SOUND_OFF or number >= ALL_NOTES_OFF:  # 124 to 127, the modes, end all notes as well
            self._let_go(now, channel)

    def _strike(self, channel: int, note: int, now: int) -> None:
        self._down.add((channel, note))
        self._pedalled.discard((channel, note))
        self._played.strike(note, now)
        self._tonality.down(note, now)
        self._take_key()
        if self._leading.chord:
            self._alarm.at(now + SETTLE)

    def _pedal(self, channel: int, down: bool) -> None:
        if down:
            self._pedals.add(channel)
        else:
            self._pedals.discard(channel)
            self._pedalled = {held for held in self._pedalled if held[0] != channel}

    def _hold(self, down: bool, now: int) -> None:
        if down == self._holding:
            return
        if down and self._played.fresh:
            self._settle()
        self._holding = down
        self._played.forget()
        self._alarm.cancel()
        if not down:
            self._take_key()
            if self._leading.chord:
                self._alarm.at(now)

    def _let_go(self, now: int, channel: int | None = None) -> None:
        """No key is down any more, on one channel or on all."""
        for _, note in [held for held in self._down if channel in (None, held[0])]:
            self._tonality.up(note, now)
        for held in (self._down, self._pedalled):
            held -= {one for one in held if channel in (None, one[0])}
        self._played.forget()
        self._alarm.cancel()

    def _take_key(self) -> None:
        key = self._tonality.key
        if self._leading.key and key is not None and not self._holding:
            self.led = self.led._replace(tonic=key.tonic, scale=SCALES["minor" if key.minor else "major"])

    def _settle(self) -> None:
        if self._holding or not self._leading.chord:
            return
        if self._played.settle({note for _, note in self._down}, self.held):
            self.led = self.led._replace(chord=self._played.chord)
