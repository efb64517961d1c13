"""A song as it is written: parts, notes, bars, tempo, chords, sections and phrases, timed in quarter notes.

Times count from the song's beginning, and are exact (``Fraction``), so that three triplets are one quarter. Repeats and
endings are played out, ties are joined, and grace notes have a length: what stands here is what sounds. Reading files
is not done here.

Invariant: whatever made a song has kept ``MOST`` of everything, so that no song can be too much for a small computer.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import groupby, pairwise
from typing import NamedTuple, TypeVar

from router.core.music import Chord, TimeSignature, fold, spelt
from router.core.units import NANOSECONDS

MOST_NOTES = 20_000
"""Notes of a song, all parts together: some ten times a long song with a full band. Our choice."""
MOST_PARTS = 64
MOST_BARS = 2_000
"""Bars of a song, repeats played out: an hour and more at a walking pace. Our choice."""


@dataclass(frozen=True, slots=True)
class SongNote:
    """A note: when it begins and how long it lasts (above 0) in quarter notes; ``pitch``, ``velocity`` as in MIDI.

    ``lyric``: the syllable that is sung to it, as it is written; a syllable that goes on within its word ends in "-".
    """

    at: Fraction
    lasts: Fraction
    pitch: int
    velocity: int = 80
    lyric: str = ""

    @property
    def end(self) -> Fraction:
        """When it ends, in quarter notes."""
        return self.at + self.lasts


class TimedNote(NamedTuple):
    """A note in whole ticks from the song's beginning (``Song.ticks``); ``end`` is after ``at``."""

    at: int
    end: int
    pitch: int
    velocity: int


@dataclass(frozen=True)
class SongPart:
    """A part: its name, its notes in the order in which they begin, from the lowest up where they begin together.

    ``program``: the General MIDI program, 0 to 127, None if the file names none; ``drums``: its pitches are drums.
    """

    name: str
    notes: tuple[SongNote, ...]
    program: int | None = None
    drums: bool = False

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """The notes that begin together, in order."""
        return tuple(Step(at, tuple(notes)) for at, notes in groupby(self.notes, key=lambda note: note.at))


@dataclass(frozen=True, slots=True)
class Step:
    """Notes of a part that begin together."""

    at: Fraction
    notes: tuple[SongNote, ...]

    @property
    def end(self) -> Fraction:
        """When the longest of them ends."""
        return max(note.end for note in self.notes)


@dataclass(frozen=True, slots=True)
class MetreAt:
    """The time signature from here on; ``at`` is the beginning of a bar."""

    at: Fraction
    signature: TimeSignature


@dataclass(frozen=True, slots=True)
class TempoAt:
    """The tempo from here on, in quarter notes a minute."""

    at: Fraction
    tempo: Fraction


@dataclass(frozen=True, slots=True)
class ChordAt:
    """The chord from here on; None: no chord."""

    at: Fraction
    chord: Chord | None


@dataclass(frozen=True, slots=True)
class Section:
    """A section from here to the next one, by its rehearsal mark or marker ("A", "Chorus")."""

    at: Fraction
    name: str


@dataclass(frozen=True, slots=True)
class Phrase:
    """A phrase of the melody: its first step and the one after its last, as indexes into the melody's ``steps``."""

    first: int
    after: int


Placed = TypeVar("Placed", MetreAt, TempoAt, ChordAt, Section)


@dataclass(frozen=True)
class Song:
    """A song. ``melody`` is the index of the melody's part; ``bars``: when each bar begins, and where the last ends.

    ``tonic`` (0 to 11) and ``scale`` (semitones above it) are its key at the beginning. ``metres`` and ``tempos`` have
    an entry at 0. ``written_chords``: the chords were written in the file, not calculated from the accompaniment.
    ``melody_by``: why the melody's part was taken for it ("it has the words"), "" if there was nothing to choose.
    """

    name: str
    parts: tuple[SongPart, ...]
    melody: int
    tonic: int
    scale: tuple[int, ...]
    metres: tuple[MetreAt, ...]
    tempos: tuple[TempoAt, ...]
    bars: tuple[Fraction, ...]
    phrases: tuple[Phrase, ...]
    chords: tuple[ChordAt, ...] = ()
    sections: tuple[Section, ...] = ()
    written_chords: bool = False
    melody_by: str = ""

    @property
    def tune(self) -> SongPart:
        """The part that has the melody."""
        return self.parts[self.melody]

    @property
    def end(self) -> Fraction:
        """When the last bar ends, in quarter notes."""
        return self.bars[-1]

    def chord(self, at: Fraction) -> Chord | None:
        """The chord at a moment; None where there is none."""
        found = latest(self.chords, at)
        return None if found is None else found.chord

    def tempo(self, at: Fraction) -> Fraction:
        """The tempo at a moment, in quarter notes a minute."""
        found = latest(self.tempos, at)
        return self.tempos[0].tempo if found is None else found.tempo

    def ticks(self, at: Fraction, *, by_quarters: bool) -> int:
        """The ticks from the song's beginning to a moment: nanoseconds at the written tempos, or 10^9 a quarter."""
        if by_quarters:
            return round(at * NANOSECONDS)
        begins = self._tempos_begin
        place = max(0, bisect_right(begins, at, key=lambda one: one[0]) - 1)
        since, elapsed, tempo = begins[place]
        return round(elapsed + (at - since) * 60 * NANOSECONDS / tempo)

    def tempo_at_tick(self, place: int) -> Fraction:
        """The written tempo in quarter notes a minute; ``place``: in nanoseconds at the written tempos."""
        begins = self._tempos_begin
        return begins[max(0, bisect_right(begins, Fraction(place), key=lambda one: one[1]) - 1)][2]

    @cached_property
    def _tempos_begin(self) -> list[tuple[Fraction, Fraction, Fraction]]:
        """Each tempo: when it begins in quarter notes and in nanoseconds, and the tempo."""
        begins: list[tuple[Fraction, Fraction, Fraction]] = []
        for one in self.tempos:
            elapsed = Fraction(0)
            if begins:
                at, before, tempo = begins[-1]
                elapsed = before + (one.at - at) * 60 * NANOSECONDS / tempo
            begins.append((one.at, elapsed, one.tempo))
        return begins

    def timed(self, parts: tuple[int, ...], *, by_quarters: bool) -> tuple[TimedNote, ...]:
        """The notes of some parts, by their indexes, in ticks and in the order in which they begin.

        What was calculated is kept: call this once where time is no matter, as many notes take long.
        """
        kept = self._timed.get((parts, by_quarters))
        if kept is None:
            notes = sorted(
                (note for index in parts for note in self.parts[index].notes), key=lambda note: (note.at, note.pitch)
            )
            moments = {moment for note in notes for moment in (note.at, note.end)}
            ticks = {moment: self.ticks(moment, by_quarters=by_quarters) for moment in moments}
            kept = self._timed[parts, by_quarters] = tuple(
                TimedNote(ticks[note.at], max(ticks[note.end], ticks[note.at] + 1), note.pitch, note.velocity)
                for note in notes
            )
        return kept

    @cached_property
    def _timed(self) -> dict[tuple[tuple[int, ...], bool], tuple[TimedNote, ...]]:
        return {}

    def moved_to(self, tonic: int) -> Song:
        """Return the song in another key, with this tonic (0 to 11): up or down, at most six semitones; drums stay.

        What would leave MIDI's range is moved by octaves.
        """
        by = (tonic - self.tonic + 5) % 12 - 5
        if not by:
            return self
        names = spelt(tonic, self.scale)

        def moved(part: SongPart) -> SongPart:
            notes = [replace(note, pitch=fold(note.pitch + by)) for note in part.notes]
            ordered = sorted(notes, key=lambda note: (note.at, note.pitch, note.lasts))
            return part if part.drums else replace(part, notes=tuple(ordered))

        return replace(
            self,
            parts=tuple(map(moved, self.parts)),
            tonic=tonic,
            chords=tuple(
                each if each.chord is None else replace(each, chord=each.chord.moved(by, names)) for each in self.chords
            ),
        )

    def chord_places(self, *, by_quarters: bool) -> tuple[int, ...]:
        """When each of the chords begins, in ticks."""
        kept = self._chord_places.get(by_quarters)
        if kept is None:
            kept = tuple(self.ticks(one.at, by_quarters=by_quarters) for one in self.chords)
            self._chord_places[by_quarters] = kept
        return kept

    @cached_property
    def _chord_places(self) -> dict[bool, tuple[int, ...]]:
        return {}

    @cached_property
    def beats(self) -> list[Fraction]:
        """When each beat begins, and where the last bar ends; in quarter notes."""
        found: list[Fraction] = []
        for begins, ends in pairwise(self.bars):
            metre = latest(self.metres, begins)
            beat = Fraction(1) if metre is None else metre.signature.beat
            count = -(-(ends - begins) // beat)
            found += [begins + beat * place for place in range(count)]
        return [*found, self.end]

    def harmony(self, *, by_quarters: bool) -> tuple[tuple[int, tuple[int, ...]], ...]:
        """The notes that fit, as 0 to 11, each from a place in ticks on.

        They are the chord's; where there is none, those that sound; where nothing does, those that fitted before.
        """
        kept = self._harmony.get(by_quarters)
        if kept is None:
            notes = [note for part in self.parts if not part.drums for note in part.notes]
            moments = {Fraction(0), *(one.at for one in self.chords)}
            moments |= {moment for note in notes for moment in (note.at, note.end) if self.chord(moment) is None}
            begins = sorted(notes, key=lambda note: note.at)
            on: list[SongNote] = []
            found: list[tuple[int, tuple[int, ...]]] = []
            place = 0
            for moment in sorted(moments):
                while place < len(begins) and begins[place].at <= moment:
                    on.append(begins[place])
                    place += 1
                on = [note for note in on if note.end > moment]
                chord = self.chord(moment)
                fits = chord.classes if chord else tuple(dict.fromkeys(note.pitch % 12 for note in on))
                if fits and (not found or found[-1][1] != fits):
                    found.append((self.ticks(moment, by_quarters=by_quarters), fits))
            scale = tuple((self.tonic + step) % 12 for step in self.scale)
            kept = self._harmony[by_quarters] = tuple(found) or ((0, scale),)
        return kept

    @cached_property
    def _harmony(self) -> dict[bool, tuple[tuple[int, tuple[int, ...]], ...]]:
        return {}

    def bar(self, at: Fraction) -> int:
        """The index of the bar in which a moment is; of the last bar for what is later."""
        return max(0, min(bisect_right(self.bars, at) - 1, len(self.bars) - 2))


def latest(placed: Sequence[Placed], at: Fraction) -> Placed | None:
    """The last of these that begins at ``at`` or before; None if all begin later."""
    place = bisect_right(placed, at, key=lambda one: one.at)
    return placed[place - 1] if place else None
