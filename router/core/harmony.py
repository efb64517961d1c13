"""The current chord: a progression of chords that all parts share.

The progression moves on by time (``every``) or by the presses of one source (``advance``), or it follows a MIDI
keyboard (``follow``): the keys that the specialist holds become the chord. Or it is that of a song (``song``), where
the song is.

    advance by time        when each chord has lasted as long as it is to last, or ``every``; a late wake-up moves on to
                           the chord of that moment
    advance by a press     to the next chord, before the parts that hear the same press play; if any do, the first press
                           plays the first chord, and so does the first press after a pause of ``restart_after``, as
                           their tune begins again
    follow a keyboard      a moment after the last key went down, so that the notes of one chord are taken together;
                           ``recognition.PlayedChord`` names the chord and passes over a tune above it; the chord stays
                           when the keys are released
    the chords of a song   as its parts go on (``playing.chords``), before they play what is due there

Invariant: ``chord`` is one of the progression, or the one held last. Harmony itself begins and ends no note.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate

from router.core.events import Gesture, Press, Release
from router.core.music import Chord, Coming, Grid, Music, Span
from router.core.playing.chords import SongChords
from router.core.playing.transport import Stage
from router.core.recognition import SETTLE, PlayedChord
from router.core.song import Song
from router.core.timers import Alarm


@dataclass(frozen=True, slots=True)
class Progression:
    """The chords of a profile, by symbol or by the step of the scale, and what moves them on."""

    chords: tuple[Chord | int, ...] = ()
    every: Span | None = None
    lasts: tuple[Span, ...] = ()
    """How long each chord lasts, if they do not all last as long as ``every``."""
    advance: str | None = None
    follow: str | None = None
    song: Song | None = None
    """The song whose chords they are, where its parts play it."""
    restart_after: int | None = None
    """Nanoseconds without a press of ``advance`` after which the first chord comes again."""


@dataclass(frozen=True, slots=True)
class _Lengths:
    """Times at which chords of different lengths begin, again and again from ``start`` on, exact."""

    start: int
    ends: tuple[Fraction, ...]
    """When each chord of the first round ends, in nanoseconds after the start."""

    def at(self, place: int) -> int:
        """The time of a place: the first whole nanosecond that is not before it."""
        times, chord = divmod(place, len(self.ends))
        return self.start + math.ceil(times * self.ends[-1] + (self.ends[chord - 1] if chord else 0))

    def latest(self, now: int) -> int:
        """The last place that is not after ``now``."""
        times, into = divmod(Fraction(now - self.start), self.ends[-1])
        return int(times) * len(self.ends) + bisect_right(self.ends, into)


class Harmony:
    """The current chord of one engine. ``hear`` and ``wake`` return whether it has changed."""

    def __init__(
        self, progression: Progression, alarm: Alarm, *, plays: bool = False, stage: Stage | None = None
    ) -> None:
        """``plays``: whether a part plays on the source that advances the chords; ``stage``: that of the song."""
        song = progression.song
        self._song = None if song is None or stage is None else SongChords(song, stage, alarm)
        self._progression = progression
        self._plays = plays
        self._alarm = alarm
        self._place = 0
        self._begins = plays  # whether the next press has the first chord
        self._pressed = 0  # when the last one was
        self._played = PlayedChord(together=0)  # by the keyboard that is followed
        self._held: dict[int, int] = {}  # its keys, by voice
        self._grid: Grid | _Lengths | None = None

    def coming(self, music: Music) -> Coming | None:
        """The next chord that is another than the current one; None if there is none, or if nobody knows it."""
        if self._song is not None:
            return self._song.coming
        chords = self._progression.chords
        if self._played.chord is not None or not chords or self._progression.follow is not None:
            return None
        current = self._written()
        ahead = range(self._place + 1, self._place + len(chords))
        if self._begins:
            ahead = range(len(chords))
        place = next((place for place in ahead if chords[place % len(chords)] != current), None)
        if place is None:
            return None
        at = None if self._grid is None else self._grid.at(place)
        return Coming(music.chord_on(chords[place % len(chords)]), at)

    def chord(self, music: Music) -> Chord | None:
        """The chord now; one that is a step of the scale depends on ``music``."""
        if self._played.chord is not None:
            return self._played.chord.named(music.names)
        written = self._written()
        return None if written is None else music.chord_on(written)

    def _written(self) -> Chord | int | None:
        """The chord now as it is written or was played."""
        if self._song is not None:
            return self._song.chord
        chords = self._progression.chords
        return self._played.chord or (chords[self._place % len(chords)] if chords else None)

    def start(self, music: Music) -> None:
        """Begin with the first chord, and go on in time from the first bar of ``music``."""
        self.stop()
        self._grid = self._grid_of(music)
        if self._grid is not None:
            self._alarm.at(self._grid.at(1))

    def begin_bar(self, music: Music) -> None:
        """Begin again with the first chord, if the chords go on by time, as ``music`` begins its first bar."""
        if self._grid is not None:
            self.start(music)

    def beat_changed(self, music: Music, now: int) -> None:
        """Take tempo, beats of a bar and their places from ``music`` from ``now`` on, and the chord with them.

        If the grid moves a little, the current chord stays; if it jumps, the chord is that of the new place.
        """
        spans = self._spans()
        if self._grid is None or all(span.nanoseconds for span in spans):
            return
        grid = self._grid_of(music)
        assert grid is not None  # as there was one before
        self._grid = grid
        before, self._place = self._place, grid.latest(now)
        near = 2 * (grid.at(self._place + 1) - now) < grid.at(self._place + 1) - grid.at(self._place)
        if self._place + 1 == before and near:
            self._place = before
        self._alarm.at(self._grid.at(self._place + 1))

    def _spans(self) -> Sequence[Span]:
        """How long chords last; empty if they do not go on by time."""
        every = self._progression.every
        return self._progression.lasts or (() if every is None else (every,))

    def _grid_of(self, music: Music) -> Grid | _Lengths | None:
        """The times at which the chords begin; None if they do not go on by time."""
        spans = self._spans()
        if len(spans) < 2:
            return music.grid(spans[0]) if spans else None
        return _Lengths(music.origin, tuple(accumulate(map(music.lasts, spans))))

    def stop(self) -> None:
        """Forget everything, as before ``start``."""
        self._alarm.cancel()
        self._place, self._played, self._grid = 0, PlayedChord(together=0), None
        self._begins, self._pressed = self._plays, 0
        self._held.clear()
        if self._song is not None:
            self._song.stop()

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
        if self._song is not None:
            return self._song.wake(now)
        if self._grid is not None:
            before, self._place = self._written(), self._grid.latest(now)
            self._alarm.at(self._grid.at(self._place + 1))
            return self._written() != before
        return self._played.settle(self._held.values())
