"""A score as a file has it, before it is understood: which part is the melody and where its phrases are is not known.

Every reader makes a ``WrittenScore``, and ``understanding.understand`` makes a ``Song`` of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import zip_longest

from router.core.music import BEAT_TYPES, MOST_BEATS, TimeSignature
from router.core.song import (
    MOST_BARS,
    MOST_NOTES,
    MOST_PARTS,
    ChordAt,
    MetreAt,
    Section,
    SongNote,
    TempoAt,
)
from router.songs.error import SongError

SLOWEST, FASTEST = 5, 1000
"""Quarter notes a minute that are believed of a file. Our choice: beyond them a file is damaged."""
FINEST = 1 << 40
"""Largest numerator and denominator of a time in quarter notes. Our choice: all that a score can need, many times."""
STANDARD_TEMPO = Fraction(120)
"""The tempo in which a Standard MIDI File without a tempo is played (RP-001), and here also any other file."""


@dataclass(frozen=True, slots=True)
class KeyAt:
    """A key signature from here on: its sharps (flats: negative), and its mode, "" if the file does not say."""

    at: Fraction
    sharps: int
    mode: str = ""


@dataclass(slots=True)
class ScorePart:
    """A part as it is written.

    ``breaks``: a phrase ends before the first note at each of these times (breath marks, lines of the words).
    ``slurs``: when each slur's first note begins and its last one begins.
    """

    name: str
    notes: list[SongNote] = field(default_factory=list)
    program: int | None = None
    drums: bool = False
    breaks: list[Fraction] = field(default_factory=list)
    slurs: list[tuple[Fraction, Fraction]] = field(default_factory=list)


@dataclass(slots=True)
class WrittenScore:
    """All that a file says. ``bars``: when each begins, and where the last one ends."""

    parts: list[ScorePart]
    metres: list[MetreAt]
    tempos: list[TempoAt]
    bars: list[Fraction]
    keys: list[KeyAt] = field(default_factory=list)
    chords: list[ChordAt] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)


def signature(beats: int, beat_type: int) -> TimeSignature:
    """A time signature as the router can count it; 24/16 is counted as 12/8.

    Raises:
        SongError: it cannot be counted.
    """
    counted, unit = beats, beat_type
    while (counted > MOST_BEATS or unit not in BEAT_TYPES) and counted % 2 == 0 and unit > 1 and unit % 2 == 0:
        counted, unit = counted // 2, unit // 2
    if not 1 <= counted <= MOST_BEATS or unit not in BEAT_TYPES:
        shown = f"{beats}/{beat_type}" if max(beats, beat_type) < 1000 else "of enormous numbers"
        raise SongError(
            f"it has a time signature {shown}, which cannot be counted",
            f"A bar has up to {MOST_BEATS} beats of 1, 2, 4, 8 or 16. Change it where the song was written.",
        )
    return TimeSignature(counted, unit)


def believable(tempo: Fraction) -> Fraction:
    """A tempo in quarter notes a minute.

    Raises:
        SongError: nobody plays in it.
    """
    if not SLOWEST <= tempo <= FASTEST:
        raise SongError(
            f"it has a tempo of {float(tempo):g} quarter notes a minute",
            f"A tempo is {SLOWEST} to {FASTEST}. Correct it where the song was written, and export it again.",
        )
    return tempo.limit_denominator(1 << 24)  # as fine as a MIDI file's, in microseconds of a quarter note


def barlines(metres: Sequence[MetreAt], end: Fraction) -> list[Fraction]:
    """When each bar begins, and where the last one ends; a metre that changes within a bar ends that bar.

    Raises:
        SongError: there are more than ``MOST_BARS``.
    """
    bars = [Fraction(0)]
    for metre, after in zip_longest(metres, metres[1:]):
        length = metre.signature.quarters
        until = end if after is None else after.at
        if (until - bars[-1]) / length > MOST_BARS:
            raise too_long()
        while bars[-1] < until or len(bars) == 1:
            bars.append(bars[-1] + length if after is None else min(bars[-1] + length, until))
        if len(bars) > MOST_BARS + 1:
            raise too_long()
    return bars


def too_long() -> SongError:
    """The error of a song with too many bars."""
    return SongError(
        f"it has more than {MOST_BARS:,} bars, repeats played out",
        "Is it a whole concert, or does a note stand far behind the end? Cut out the song that you want.",
    )


def check_size(score: WrittenScore) -> None:
    """Check that a score is not too much for a small computer.

    Raises:
        SongError: it is.
    """
    if len(score.bars) > MOST_BARS + 1:
        raise too_long()
    if len(score.parts) > MOST_PARTS:
        raise SongError(
            f"it has {len(score.parts)} parts, and {MOST_PARTS} at most can be read",
            "Take parts out of it where it was written.",
        )
    times = {time for part in score.parts for note in part.notes for time in (note.at, note.lasts)}
    times |= {placed.at for marks in (score.chords, score.sections, score.tempos, score.metres) for placed in marks}
    if any(max(time.numerator, time.denominator) > FINEST for time in times | set(score.bars)):
        raise SongError(
            "its quarter notes are divided more finely than can be counted",
            "Quantize it, or open it in a notation program and export it again.",
        )
    notes = sum(len(part.notes) for part in score.parts)
    if notes > MOST_NOTES:
        raise SongError(
            f"it has {notes:,} notes, repeats played out, and {MOST_NOTES:,} at most can be read",
            "Take parts out of it where it was written, or cut it.",
        )


def in_order(notes: Sequence[SongNote]) -> tuple[SongNote, ...]:
    """Notes as a part holds them: in the order in which they begin, from the lowest up where they begin together."""
    return tuple(sorted(notes, key=lambda note: (note.at, note.pitch, note.lasts)))
