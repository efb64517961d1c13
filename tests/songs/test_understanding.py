"""What is understood of a song beyond its notes: melody, phrases, key, chords, and the line that says so."""

from __future__ import annotations

from fractions import Fraction

import pytest

from router.core.music import TimeSignature
from router.core.song import MetreAt, SongNote, TempoAt
from router.songs import summary
from router.songs.score import KeyAt, ScorePart, WrittenScore, barlines
from router.songs.understanding import understand

QUARTER = Fraction(1)


def part(name: str, pitches: list[int | tuple[int, ...]], length: Fraction = QUARTER, **more) -> ScorePart:
    """Notes or chords one after the other; 0 is a rest."""
    notes = [
        SongNote(i * length, length, pitch)
        for i, each in enumerate(pitches)
        for pitch in (each if isinstance(each, tuple) else (each,))
        if pitch
    ]
    return ScorePart(name, notes, **more)


def score(*parts: ScorePart, metre: tuple[int, int] = (4, 4), keys: list[KeyAt] | None = None) -> WrittenScore:
    metres = [MetreAt(Fraction(0), TimeSignature(*metre))]
    end = max(note.end for each in parts for note in each.notes)
    return WrittenScore(list(parts), metres, [TempoAt(Fraction(0), Fraction(90))], barlines(metres, end), keys or [])


TUNE = part("Flute", [72, 76, 79, 76, 77, 81, 79, 77, 76, 74, 71, 74, 72, 72, 72, 72])
BAND = part("Guitar", [(48, 52, 55), (53, 57, 60), (43, 47, 50, 53), (48, 52, 55)], 4 * QUARTER)


def test_chords_are_calculated_from_the_accompaniment():
    song = understand(score(TUNE, BAND), "evening")
    assert [(each.at, each.chord.name) for each in song.chords] == [(0, "C"), (4, "F"), (8, "G7"), (12, "C")]
    assert not song.written_chords


def test_a_broken_chord_is_a_chord_and_drums_are_none():
    broken = part("Guitar", [48, 55, 52, 55, 45, 52, 48, 52])
    drums = part("Drums", [36, 38, 42, 46] * 2, drums=True)
    song = understand(score(part("Flute", [72, 0, 76, 0, 69, 0, 72, 0]), broken, drums), "evening")
    assert [(each.at, each.chord.name) for each in song.chords] == [(0, "C"), (4, "Am")]


def test_a_melody_alone_has_no_chords():
    assert understand(score(TUNE), "evening").chords == ()


def test_a_chord_goes_on_through_a_rest_and_is_spelt_in_its_key():
    band = part("Guitar", [(46, 50, 53), 0, (51, 55, 58), 0], 2 * QUARTER)
    song = understand(score(part("Flute", [70, 0, 0, 0, 75, 0, 0, 0]), band, keys=[KeyAt(Fraction(0), -2)]), "evening")
    assert [(each.at, each.chord.name) for each in song.chords] == [(0, "Bb"), (4, "Eb")]


@pytest.mark.parametrize(
    ("keys", "tonic", "minor"),
    [
        ([KeyAt(Fraction(0), 0, "minor")], 9, True),
        ([KeyAt(Fraction(0), 0)], 0, False),
        ([], 0, False),
    ],
)
def test_the_key_is_as_written_else_found(keys, tonic, minor):
    song = understand(score(TUNE, BAND, keys=keys), "evening")
    assert (song.tonic, 3 in song.scale) == (tonic, minor)


def test_c_major_that_nobody_has_written_is_not_believed():
    in_e = part("Flute", [note + 4 for note in (72, 76, 79, 76, 77, 81, 79, 77, 76, 74, 71, 74, 72, 72, 72, 72)] * 2)
    song = understand(score(in_e, keys=[KeyAt(Fraction(0), 0, "major")]), "evening")
    assert (song.tonic, 4 in song.scale) == (4, True)


def test_a_mode_is_a_mode():
    song = understand(score(TUNE, keys=[KeyAt(Fraction(0), -1, "dorian")]), "evening")
    assert (song.tonic, song.scale) == (7, (0, 2, 3, 5, 7, 9, 10))


def test_the_highest_for_most_of_the_time_is_the_melody():
    high = part("Bells", [0] * 15 + [96])
    song = understand(score(BAND, high, TUNE), "evening")
    assert (song.tune.name, song.melody_by) == ("Flute", "it is the highest for most of the time")


def test_a_part_in_chords_is_parted_if_nobody_asked_for_it():
    piano = part("Piano", [(48, 64, 72), (55, 76), (48, 64, 79), 76])
    song = understand(score(piano), "evening")
    assert [(each.name, [note.pitch for note in each.notes]) for each in song.parts] == [
        ("Piano", [72, 76, 79, 76]),
        ("Piano, the rest", [48, 64, 55, 48, 64]),
    ]
    assert song.melody_by == "there is no other with notes of a pitch; of it the highest line"
    assert len(understand(score(piano), "evening", "Piano").parts) == 1
    low = part("Bass", [36] * 4)
    assert [each.name for each in understand(score(piano, low), "evening").parts] == [
        "Piano",
        "Bass",
        "Piano, the rest",
    ]
    for number, name in ((1, "Piano"), (2, "Bass")):
        assert understand(score(ScorePart("Empty"), piano, low), "evening", number).tune.name == name
    held = part("Piano", [79], 4 * QUARTER)
    held.notes += part("", [60, 64, 60, 64]).notes
    assert [len(each.notes) for each in understand(score(held), "evening").parts] == [1, 4]


def test_phrases_by_slurs_and_without_marks_by_long_notes_and_bars():
    slurred = part("Flute", [60, 62, 64, 65, 67] * 2)
    slurred.slurs = [(Fraction(0), Fraction(4)), (Fraction(5), Fraction(9))]
    song = understand(score(slurred), "evening")
    assert [(phrase.first, phrase.after) for phrase in song.phrases] == [(0, 5), (5, 10)]
    notes = [SongNote(Fraction(at), Fraction(2 if at == 14 else 1), 60) for at in range(32) if at != 15]
    song = understand(score(ScorePart("Flute", notes)), "evening")
    assert [(phrase.first, phrase.after) for phrase in song.phrases] == [(0, 8), (8, 15), (15, 23), (23, 31)]


def test_every_step_is_in_one_phrase():
    song = understand(score(TUNE, BAND), "evening", "Guitar")
    places = [i for phrase in song.phrases for i in range(phrase.first, phrase.after)]
    assert places == list(range(len(song.tune.steps)))


def test_one_line_says_what_was_understood():
    song = understand(score(TUNE, BAND, keys=[KeyAt(Fraction(0), 0, "major")]), "evening")
    assert summary(song) == (
        "evening: 4 bars, 4/4, C major, melody of 16 notes in 2 phrases, 1 other part, "
        'chords calculated from the other parts, the melody is "Flute", as it is the highest for most of the time'
    )
