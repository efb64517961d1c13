"""The song of the examples: where no profile names a song's file, the rule ``song`` plays this one.

The tune is "Ah ! vous dirai-je, maman", a French one that was printed in 1761 without words and is free; written down
here from memory, with an accompaniment of our own.
"""

from __future__ import annotations

from fractions import Fraction

from router.core.music import SCALES, TimeSignature, chord_symbol
from router.core.song import ChordAt, MetreAt, Phrase, Section, Song, SongNote, SongPart, TempoAt

_FIRST = "C C G G | A A G2 | F F E E | D D C2"
_TUNE = f"{_FIRST} | G G F F | E E D2 | G G F F | E E D2 | {_FIRST}"
_CHORDS = "C C | F C | F C | G C | C F | C G | C F | C G | C C | F C | F C | G C"
_PITCHES = {"C": 60, "D": 62, "E": 64, "F": 65, "G": 67, "A": 69}


def _tune() -> tuple[SongNote, ...]:
    notes, at = list[SongNote](), Fraction(0)
    for word in _TUNE.replace("|", " ").split():
        lasts = Fraction(word[1:] or 1)
        notes.append(SongNote(at, lasts, _PITCHES[word[0]], 80))
        at += lasts
    return tuple(notes)


def _song() -> Song:
    tune = _tune()
    chords = [chord_symbol(word) for word in _CHORDS.replace("|", " ").split()]
    piano, bass, chords_at = list[SongNote](), list[SongNote](), list[ChordAt]()
    for place, chord in enumerate(chords):
        assert not isinstance(chord, int)  # a symbol each
        at = Fraction(2 * place)
        chords_at.append(ChordAt(at, chord))
        bass.append(SongNote(at, Fraction(2), 36 + chord.root, 70))
        piano += [SongNote(at + 1, Fraction(1), pitch, 60) for pitch in sorted(chord.near(52))]
    bars = tuple(Fraction(4 * bar) for bar in range(13))
    steps = [index for index, note in enumerate(tune) if note.at % 8 == 0]
    return Song(
        name="evening",
        parts=(SongPart("Voice", tune, 73), SongPart("Piano", tuple(piano), 0), SongPart("Bass", tuple(bass), 32)),
        melody=0,
        tonic=0,
        scale=SCALES["major"],
        metres=(MetreAt(Fraction(0), TimeSignature(4, 4)),),
        tempos=(TempoAt(Fraction(0), Fraction(100)),),
        bars=bars,
        phrases=tuple(Phrase(a, b) for a, b in zip(steps, [*steps[1:], len(tune)], strict=True)),
        chords=tuple(chords_at),
        sections=(Section(Fraction(0), "A"), Section(Fraction(16), "B"), Section(Fraction(32), "A")),
        written_chords=True,
    )


EXAMPLE = _song()
