"""The current chord: a progression of chords that all parts share.

The progression moves on by time (``every``) or by the presses of one source (``advance``), or it follows a MIDI
keyboard (``follow``): the keys that the specialist holds become the chord.

    advance by time        at each place of the grid; a late wake-up moves on to the place of that moment
    advance by a press     to the next chord, before the parts that hear the same press play; if any do, the first press
                           plays the first chord, and so does the first press after a pause of ``restart_after``, as
                           their tune begins again
    follow a keyboard      a moment after the last key went down, so that the notes of one chord are taken together;
                           ``recognition.PlayedChord`` names the chord and passes over a tune above it; the chord stays
                           when the keys are released

Invariant: ``chord`` is one of the progression, or the one held last. Harmony itself begins and ends no note.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from router.core.events import Gesture, Press, Release
from router.core.music import Chord, Grid, Music, Span
from router.core.recognition import SETTLE, PlayedChord
from router.core.timers import Alarm


@dataclass(frozen=True, slots=True)
class Progression:
    """The chords of a profile, by symbol or by the step of the scale, and what moves them on."""

    chords: tuple[Chord | int, ...] = ()
    every: Span | None = None
    advance: str | None = None
    follow: str | None = None
    restart_after: int | None = None
    """Nanoseconds without a press of ``advance`` after which the first chord comes again."""


class Harmony:
    """The current chord of one engine. ``hear`` and ``wake`` return whether it has changed."""

    def __init__(self, progression: Progression, alarm: Alarm, *, plays: bool = False) -> None:
        """``plays``: whether a part plays on the source that advances the chords."""
        self._progression = progression
        self._plays = plays
        self._alarm = alarm
        self._place = 0
        self._begins = plays  # whether the next press has the first chord
        self._pressed = 0  # when the last one was
        self._played = PlayedChord(together=0)  # by the keyboard that is followed
        self._held: dict[int, int] = {}  # its keys, by voice
        self._grid: Grid | None = None

    def chord(self, music: Music) -> Chord | None:
        """The chord now; one that is a step of the scale depends on ``music``."""
        if self._played.chord is not None:
            return self._played.chord.named(music.names)
        written = self._written()
        return None if written is None else music.chord_on(written)

    def _written(self) -> Chord | int | None:
        """The chord now as it is written or was played."""
        chords = self._progression.chords
        return self._played.chord or (chords[self._place % len(chords)] if chords else None)

    def start(self, music: Music) -> None:
        """Begin with the first chord, and go on in time from the first bar of ``music``."""
        self.stop()
        if self._progression.every is not None:
            self._grid = music.grid(self._progression.every)
            self._alarm.at(self._grid.at(1))

    def beat_changed(self, music: Music, now: int) -> None:
        """Take tempo, beats of a bar and their places from ``music`` from ``now`` on, and the chord with them.

        If the grid moves a little, the current chord stays; if it jumps, the chord is that of the new place.
        """
        old, every = self._grid, self._progression.every
        if old is None or every is None or every.nanoseconds:
            return
        self._grid = music.grid(every)
        before, self._place = self._place, self._grid.latest(now)
        near = self._grid.at(self._place + 1) - now < self._grid.step / 2
        if self._place + 1 == before and near:
            self._place = before
        self._alarm.at(self._grid.at(self._place + 1))

    def stop(self) -> None:
        """Forget everything, as before ``start``."""
        self._alarm.cancel()
        self._place, self._played, self._grid = 0, PlayedChord(together=0), None
        self._begins, self._pressed = self._plays, 0
        self._held.clear()

    def lost(self, name: str) -> None:
        """Begin the chords again if the input that has gone is the one that moves them on."""
        advance = self._progression.advance
        if self._plays and advance is not None and advance.partition(".")[0] == name:
            self._begins = True

    def hear(self, gesture: Gesture, now: int) -> bool:
        """Take a press or a release of any source; tell whether the chord has changed."""
        source = gesture.source
        if source == self._progression.advance and isinstance(gesture, Press):
            pause = self._progression.restart_after
            again = self._begins or (pause is not None and now - self._pressed >= pause)
            before = self._written()
            self._place = 0 if again else self._place + 1
            self._begins, self._pressed = False, now
            return self._written() != before
        if source == self._progression.follow:
            if isinstance(gesture, Press) and gesture.pitch is not None:
                self._held[gesture.voice] = gesture.pitch
                self._played.strike(gesture.pitch, now)
                self._alarm.at(now + SETTLE)
            elif isinstance(gesture, Release):
                self._held.pop(gesture.voice, None)
        return False

    def wake(self, now: int, _tag: Hashable) -> bool:
        """Take the next chord, or that of the keyboard's settled keys; tell whether the chord has changed."""
        if self._grid is not None:
            before, self._place = self._written(), self._grid.latest(now)
            self._alarm.at(self._grid.at(self._place + 1))
            return self._written() != before
        return self._played.settle(self._held.values())
