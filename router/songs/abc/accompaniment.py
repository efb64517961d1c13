"""Chord symbols to two parts that play them: the bass on the strong beats, the chord on the others.

The standard leaves to a player how chord symbols sound (ABC 2.1, 4.18). The bass has the root (or the note after the
slash) on the first beat of a bar and where the chord changes, in bars of four beats the fifth on the third; the chord
is on the other beats, in compound metres on the last eighth of each. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from router.core.music import Chord, voice
from router.core.song import ChordAt, MetreAt, SongNote, latest
from router.songs.score import ScorePart

HOME = Fraction(54)
"""The chords lie around F#3, below most melodies. Our choice."""
LOWEST_BASS = 36
"""The bass has the octave from C2 up."""
BASS, CHORDS = "Bass", "Chords"
_BASS_VELOCITY, _CHORD_VELOCITY = 70, 56
_BASS_PROGRAM, _CHORD_PROGRAM = 32, 24  # acoustic bass, nylon-string guitar


def accompaniment(chords: Sequence[ChordAt], bars: Sequence[Fraction], metres: Sequence[MetreAt]) -> list[ScorePart]:
    """Return a bass and a part of chords for these chord symbols, in time with the bars."""
    bass, middle = ScorePart(BASS, program=_BASS_PROGRAM), ScorePart(CHORDS, program=_CHORD_PROGRAM)
    before: tuple[int, ...] = ()
    sounding: Chord | None = None
    for begin, end in pairwise(bars):
        metre = next(each for each in reversed(metres) if each.at <= begin).signature
        beat = metre.beat
        short = end - begin < metre.quarters
        at = end - metre.quarters if short and not begin else begin  # an upbeat has the end of a bar
        number = 0
        while at < end:
            found = latest(chords, at)
            chord = found.chord if found is not None else None
            if at >= begin and chord is not None:
                changed = chord != sounding or number == 0
                if changed or (metre.beats == 4 and number == 2):
                    bass.notes.append(SongNote(at, min(beat, end - at), _bass(chord, changed), _BASS_VELOCITY))
                if chord != sounding or not before:
                    before = voice(before or (int(HOME),) * 3, chord.classes, HOME)
                offset = 2 * beat / 3 if metre.compound else Fraction(0)
                if (metre.compound or not changed or beat >= metre.quarters) and at + offset < end:
                    lasts = min(beat - offset, end - at - offset)
                    middle.notes += [SongNote(at + offset, lasts, pitch, _CHORD_VELOCITY) for pitch in before]
                sounding = chord
            number += 1
            at += beat
    return [part for part in (bass, middle) if part.notes]


def _bass(chord: Chord, root: bool) -> int:
    """The bass note of a chord; not ``root``: the fifth, if the chord has one."""
    low = chord.root if chord.bass is None else chord.bass
    if not root:
        fifth = next((step for step in chord.shape if 6 <= step <= 8), 0)
        low = chord.root + fifth
    return LOWEST_BASS + low % 12
