"""Where the music stands: a progression of chords that all parts share.

It goes on by time (``every``), by the presses of one source (``advance``), or it follows a MIDI keyboard (``follow``): what the specialist
holds there becomes the chord.

    advance by time        at each place of the grid; a late wake-up goes on to where the music is by then
    advance by a press     one chord on, before the parts that hear the same press play; where they do, the first press has the first
                           chord, and so has the first after a pause of ``restart_after``, as their tune begins again
    follow a keyboard      a moment after the last key went down, so that the notes of one chord are one chord; which they are,
                           and that a tune over it is none, ``recognition.Played`` says; it stays when the keys are let go

Invariant: ``chord`` is one of the progression, or what was held last. It sounds nothing and ends nothing.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from router.core.events import Gesture, Press, Release
from router.core.music import Chord, Grid, Music, Span
from router.core.recognition import SETTLE, Played
from router.core.timers import Alarm


@dataclass(frozen=True, slots=True)
class Progression:
    """What a profile says: the chords, by symbol or by the step of the scale, and what makes them go on."""

    chords: tuple[Chord | int, ...] = ()
    every: Span | None = None
    advance: str | None = None
    follow: str | None = None
    restart_after: int | None = None
    """After a pause of so many nanoseconds between presses of ``advance`` the first chord comes again."""


class Harmony:
    """See the module's docstring. What hears, wakes or starts it says whether the chord has changed."""

    def __init__(self, progression: Progression, alarm: Alarm, *, plays: bool = False) -> None:
        """``plays``: whether the source that advances plays something, too."""
        self._progression = progression
        self._plays = plays
        self._alarm = alarm
        self._place = 0
        self._begins = plays  # whether the next press has the first chord
        self._pressed = 0  # when the last one was
        self._played = Played(together=0)  # by the keyboard that is followed
        self._held: dict[int, int] = {}  # its keys, by voice
        self._grid: Grid | None = None

    def chord(self, music: Music) -> Chord | None:
        """The chord now; one that is a step of the scale depends on ``music``."""
        chords = self._progression.chords
        if self._played.chord is not None:
            return self._played.chord.named(music.names)
        if not chords:
            return None
        return music.chord_on(chords[self._place % len(chords)])

    def start(self, music: Music) -> None:
        """Begin with the first chord, and go on in time from the first bar of ``music``."""
        self.stop()
        if self._progression.every is not None:
            self._grid = music.grid(self._progression.every)
            self._alarm.at(self._grid.at(1))

    def beat_changed(self, music: Music, now: int) -> None:
        """Tempo, beats of a bar or their places are those of ``music`` from now on, and with them the chord.

        Where the grid moves a little, the chord that began stays; where it jumps, the chord is the one of the new place.
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
        """Be as new."""
        self._alarm.cancel()
        self._place, self._played, self._grid = 0, Played(together=0), None
        self._begins, self._pressed = self._plays, 0
        self._held.clear()

    def lost(self, name: str) -> None:
        """An input has gone: what it played begins again, and with it the chords."""
        advance = self._progression.advance
        if self._plays and advance is not None and advance.partition(".")[0] == name:
            self._begins = True

    def hear(self, gesture: Gesture, now: int) -> bool:
        """A press or a release of any source."""
        source = gesture.source
        if source == self._progression.advance and isinstance(gesture, Press):
            pause = self._progression.restart_after
            again = self._begins or (pause is not None and now - self._pressed >= pause)
            before, self._place = self._place, 0 if again else self._place + 1
            self._begins, self._pressed = False, now
            return self._place != before
        if source == self._progression.follow:
            if isinstance(gesture, Press) and gesture.pitch is not None:
                self._held[gesture.voice] = gesture.pitch
                self._played.strike(gesture.pitch, now)
                self._alarm.at(now + SETTLE)
            elif isinstance(gesture, Release):
                self._held.pop(gesture.voice, None)
        return False

    def wake(self, now: int, _tag: Hashable) -> bool:
        """The next chord of the progression is due, or the keyboard's keys have settled."""
        if self._grid is not None:
            self._place = self._grid.latest(now)
            self._alarm.at(self._grid.at(self._place + 1))
            return True
        return self._played.settle(self._held.values())
