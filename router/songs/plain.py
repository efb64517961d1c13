"""A song as plain data, for the way from one process to the other: lines of JSON, each of them short.

A line is short so that no single call of the reader holds the interpreter for long while others play. What is read
is checked as if nobody knew who had written it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Any, TypeVar

from router.core.music import BEAT_TYPES, MOST_BEATS, Chord, TimeSignature
from router.core.song import (
    MOST_BARS,
    MOST_NOTES,
    MOST_PARTS,
    ChordAt,
    MetreAt,
    Phrase,
    Section,
    Song,
    SongNote,
    SongPart,
    TempoAt,
)
from router.songs.error import SongError
from router.songs.score import FINEST

A_LINE = 64
"""Most things in a line."""
LONGEST_TEXT = 200

T = TypeVar("T")


def lines(song: Song) -> Iterator[str]:
    """A song as lines of JSON."""
    song_fields = [song.name, song.melody, song.tonic, list(song.scale), song.written_chords, song.melody_by]
    yield json.dumps(["song", *song_fields])
    for part in song.parts:
        yield json.dumps(["part", part.name[:LONGEST_TEXT], part.program, part.drums])
        yield from _many(
            "notes", part.notes, lambda n: [*_of(n.at), *_of(n.lasts), n.pitch, n.velocity, n.lyric[:LONGEST_TEXT]]
        )
    yield from _many("bars", song.bars, _of)
    yield from _many("metres", song.metres, lambda m: [*_of(m.at), m.signature.beats, m.signature.beat_type])
    yield from _many("tempos", song.tempos, lambda t: [*_of(t.at), *_of(t.tempo)])
    yield from _many("phrases", song.phrases, lambda phrase: [phrase.first, phrase.after])
    yield from _many("chords", song.chords, lambda each: [*_of(each.at), _of_chord(each.chord)])
    yield from _many("sections", song.sections, lambda section: [*_of(section.at), section.name[:LONGEST_TEXT]])
    yield json.dumps(["end"])


def _many(word: str, things: Sequence[T], shown: Callable[[T], list[Any]]) -> Iterator[str]:
    for first in range(0, len(things), A_LINE):
        yield json.dumps([word, [shown(thing) for thing in things[first : first + A_LINE]]])


def _of(number: Fraction) -> list[int]:
    return [number.numerator, number.denominator]


def _of_chord(chord: Chord | None) -> list[Any] | None:
    return None if chord is None else [chord.name[:LONGEST_TEXT], chord.root, list(chord.shape), chord.bass]


def error_line(error: SongError) -> str:
    """Say what is wrong as a line of JSON."""
    return json.dumps(["wrong", error.what[:600], error.hint[:600], error.line, error.column])


def song_of(written: Iterable[str | bytes]) -> Song:
    """The song in these lines.

    Raises:
        SongError: the lines say that it cannot be used.
        ValueError: these lines are no song.
    """
    try:
        return _song_of(written)
    except (TypeError, LookupError, ArithmeticError, AttributeError, RecursionError) as error:
        raise ValueError(f"no song: {error}") from error


class _Told:
    """Everything that the lines have said so far."""

    def __init__(self) -> None:
        self.fields: list[Any] = []
        self.parts: list[tuple[str, int | None, bool, list[SongNote]]] = []
        self.bars: list[Fraction] = []
        self.metres: list[MetreAt] = []
        self.tempos: list[TempoAt] = []
        self.phrases: list[Phrase] = []
        self.chords: list[ChordAt] = []
        self.sections: list[Section] = []
        self.count = 0

    def take(self, word: str, said: list[Any]) -> None:
        """Take one line."""
        if word == "song":
            self.fields = said
            return
        if word == "part":
            name, program, drums = said
            _check(len(self.parts) < MOST_PARTS)
            program = None if program is None else _whole(program, 127)
            self.parts.append((_text(name), program, _yes_or_no(drums), []))
            return
        (things,) = said
        self.count += len(things)
        _check(len(things) <= A_LINE and self.count < 2 * MOST_NOTES + 10 * MOST_BARS)
        for thing in things:
            self._take(word, thing)

    def _take(self, word: str, thing: list[Any]) -> None:
        if word == "notes":
            *times, pitch, velocity, lyric = thing
            at, lasts = _times(times)
            _check(lasts > 0 and velocity)
            note = SongNote(at, lasts, _whole(pitch, 127), _whole(velocity, 127), _text(lyric))
            self.parts[-1][3].append(note)
        elif word == "bars":
            self.bars.append(*_times(thing))
        elif word == "metres":
            at, signature = _times(thing[:2])[0], TimeSignature(_whole(thing[2], MOST_BEATS), _whole(thing[3], 16))
            _check(signature.beats and signature.beat_type in BEAT_TYPES)
            self.metres.append(MetreAt(at, signature))
        elif word == "tempos":
            at, tempo = _times(thing)
            _check(tempo > 0)
            self.tempos.append(TempoAt(at, tempo))
        elif word == "phrases":
            first, after = thing
            self.phrases.append(Phrase(_whole(first, MOST_NOTES), _whole(after, MOST_NOTES)))
        elif word == "chords":
            (at,) = _times(thing[:2])
            self.chords.append(ChordAt(at, _chord(thing[2])))
        elif word == "sections":
            (at,) = _times(thing[:2])
            self.sections.append(Section(at, _text(thing[2])))
        else:
            raise ValueError(word)


def _song_of(written: Iterable[str | bytes]) -> Song:
    found = _Told()
    for line in written:
        word, *said = json.loads(line)
        if word == "wrong":
            what, hint, number, column = said
            place = [None if n is None else _whole(n, FINEST) for n in (number, column)]
            raise SongError(_text(what, 600), _text(hint, 600), *place)
        if word == "end":
            return _checked(found)
        found.take(word, said)
    raise ValueError("the end is missing")


def _checked(found: _Told) -> Song:
    name, melody, tonic, scale, written_chords, melody_by = found.fields
    song = Song(
        name=_text(name),
        parts=tuple(SongPart(name, tuple(notes), program, drums) for name, program, drums, notes in found.parts),
        melody=_whole(melody, len(found.parts) - 1),
        tonic=_whole(tonic, 11),
        scale=tuple(_whole(step, 11) for step in scale),
        metres=tuple(found.metres),
        tempos=tuple(found.tempos),
        bars=tuple(found.bars),
        phrases=tuple(found.phrases),
        chords=tuple(found.chords),
        sections=tuple(found.sections),
        written_chords=_yes_or_no(written_chords),
        melody_by=_text(melody_by),
    )
    for times in (
        [one.at for one in song.metres],
        [one.at for one in song.tempos],
        [one.at for one in song.chords],
        [one.at for one in song.sections],
    ):
        _check(times == sorted(times))
    _check(song.metres and song.tempos and not song.metres[0].at and not song.tempos[0].at)
    _check(2 <= len(song.bars) <= MOST_BARS + 1 and all(one < other for one, other in pairwise(song.bars)))
    _check(sum(len(part.notes) for part in song.parts) <= MOST_NOTES and song.tune.notes and song.scale)
    for part in song.parts:
        _check(all(one.at <= other.at for one, other in pairwise(part.notes)))
    ends = [0, *(phrase.after for phrase in song.phrases)]
    _check(ends[-1] == len(song.tune.steps) and [phrase.first for phrase in song.phrases] == ends[:-1])
    _check(all(one < other for one, other in pairwise(ends)))
    return song


def _check(holds: object) -> None:
    if not holds:
        raise ValueError("what was read is no song")


def _whole(value: Any, most: int) -> int:
    _check(type(value) is int and 0 <= value <= most)
    return int(value)


def _text(value: Any, longest: int = LONGEST_TEXT) -> str:
    _check(type(value) is str and len(value) <= longest)
    return str(value)


def _yes_or_no(value: Any) -> bool:
    _check(type(value) is bool)
    return bool(value)


def _times(value: Sequence[Any]) -> list[Fraction]:
    numbers = [_whole(number, FINEST) for number in value]
    return [Fraction(numbers[i], numbers[i + 1]) for i in range(0, len(numbers), 2)]


def _chord(value: Any) -> Chord | None:
    if value is None:
        return None
    name, root, shape, bass = value
    _check(0 < len(shape) <= 12)
    steps = tuple(_whole(step, 24) for step in shape)
    return Chord(_text(name), _whole(root, 11), steps, None if bass is None else _whole(bass, 11))
