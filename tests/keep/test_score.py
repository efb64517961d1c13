"""Scores that a musician can read: a song played by hand comes out as that song; read back by two libraries."""

from __future__ import annotations

import itertools
import json
import warnings
from collections import Counter
from fractions import Fraction
from pathlib import Path

import music21
import pytest

from router.cli import main
from router.core.music import SCALES, Chord, Music, TimeSignature, time_signature
from router.core.units import NANOSECONDS
from router.keep import score
from router.keep.musicxml import KINDS
from router.keep.played import ChordFrom, MusicFrom, Played, PlayedNote, Track
from router.keep.rhythm import TICKS, Onset, bar_ticks, rhythm
from tests.benchmarks.kept_songs import HANDS, LEAST, Share, compared, kept, songs
from tests.shared.second_reader import partitura

TUNES = {
    # French, printed in 1761 as "Ah! vous dirai-je, maman"
    "star": "M:4/4\nL:1/4\nQ:1/4=96\nK:D\nDDAA|BBA2|GGFF|EED2|AAGG|FFE2|AAGG|FFE2|DDAA|BBA2|GGFF|EED2|]",
    # French round, printed about 1780
    "brother": "M:4/4\nL:1/4\nQ:1/4=110\nK:F\nFGAF|FGAF|ABc2|ABc2|c/d/c/B/ AF|c/d/c/B/ AF|FCF2|FCF2|]",
    # Viennese, about 1800
    "waltz": "M:3/4\nL:1/4\nQ:1/4=120\nK:C\nG>AG/F/|ECC|DG,G,|ECC|G>AG/F/|ECC|D2G|E2C|]",
    # of our own: six eighths
    "morning": "M:6/8\nL:1/8\nQ:3/8=60\nK:G\nGAB BAB|d2B G2A|BAG A2B|G3 G3|dcB cBA|B2G A3|GAB c2A|G3 G3|]",
    # of our own: an upbeat, dots and rests
    "evening": "M:3/4\nL:1/4\nQ:1/4=90\nK:Bb\nF|B2c|d2B|c>B A|B2 z|d2e|f2d|c3|B2 z|]",
}


def a_song(folder: Path, name: str) -> Path:
    path = folder / f"{name}.abc"
    path.write_text(f"X:1\nT:It\n{TUNES[name]}\n")
    return path


def test_a_song_played_by_a_hand_comes_out_note_for_note(tmp_path):
    """30 ms of a hand, also slower and with a tempo that wanders: 95 % of the notes at least; part of the command."""
    for number, hand in enumerate(({}, {"tempo": 0.75, "wander": 0.02})):
        share, signatures = Share(), []
        for name in TUNES:
            song, read = kept(tmp_path, a_song(tmp_path, name), number, hand)
            share += compared(song, read)
            (metre,) = read.parts[0].flatten().getElementsByClass(music21.meter.TimeSignature)
            (key,) = read.parts[0].flatten().getElementsByClass(music21.key.KeySignature)
            signatures.append((metre.ratioString, key.sharps))
        assert share.share >= LEAST, share
        assert share.bars >= 0.9 * share.notes
        assert signatures == [("4/4", 2), ("4/4", -1), ("3/4", 0), ("6/8", 1), ("3/4", -2)]


def test_the_shipped_songs_come_out_note_for_note(tmp_path):
    share = Share()
    for file in songs():
        share += compared(*kept(tmp_path, file, 7, HANDS["30 ms"]))
    assert share.notes > 250
    assert share.share >= LEAST, share


def test_an_upbeat_is_written_as_one(tmp_path):
    _song, read = kept(tmp_path, a_song(tmp_path, "evening"), 1, {})
    first, second, *_ = read.parts[0].getElementsByClass(music21.stream.Measure)
    assert (first.number, first.duration.quarterLength, second.number, second.duration.quarterLength) == (0, 1, 1, 3)


def test_a_child_that_hesitates_gives_no_dust(tmp_path):
    """Pauses of up to two seconds before some notes: they are no rests, and the values stay those of the song."""
    song, _read = kept(tmp_path, a_song(tmp_path, "star"), 3, {})
    late, lines = 0.0, []
    for line in map(json.loads, (tmp_path / "t.jsonl").read_text().splitlines()):
        late += {17: 1.4, 45: 2.0, 61: 0.9}.get(len(lines), 0.0)
        lines.append({**line, "t": round(line["t"] + late, 4)} if "t" in line else line)
    (tmp_path / "t.jsonl").write_text("\n".join(map(json.dumps, lines)))
    trace, profile, log, score_ = (str(tmp_path / name) for name in ("t.jsonl", "wren.yaml", "l.jsonl", "s.musicxml"))
    assert main(["play", trace, "--profile", profile, "--log", log]) == 0
    assert main(["keep", log, "--score", score_]) == 0
    read = music21.converter.parse(score_, forceSource=True)
    assert compared(song, read).share >= 0.85
    assert max(note.quarterLength for note in read.flatten().notes) <= 4


def a_session(music: Music, tracks: dict[str, list], chords=(), drums=()) -> Played:
    """What was played, from (seconds, seconds, pitch) by part."""
    made = [
        Track(
            "",
            name,
            ("s", 10 if name in drums else i + 1),
            0,
            [PlayedNote(*(round(x * NANOSECONDS) for x in n[:2]), n[2], 80) for n in notes],
        )
        for i, (name, notes) in enumerate(tracks.items())
    ]
    end = max(note.end for track in made for note in track.notes)
    names = [ChordFrom(round(t * NANOSECONDS), chord) for t, chord in chords]
    return Played(made, [MusicFrom(0, music)], chords=names, end=end, sessions=1, seats=[""])


def band() -> Played:
    """A tune by hand over a band that runs: chords, a bass, drums that swing, a drone with a tune above it."""
    beat = 0.6
    music = Music(9, SCALES["minor"], Fraction(100), TimeSignature(4, 4))
    tune = [
        (i * beat + (0.02, -0.03, 0.01)[i % 3] + 4 * beat, (i + 0.8) * beat + 4 * beat, 69 + (0, 2, 3, 7, 8, 11)[i % 6])
        for i in range(16)
    ]
    bass = [(2 * i * beat, (2 * i + 1.9) * beat, 45 + 7 * (i % 2)) for i in range(10)]
    kit = [(place * beat, place * beat + 0.1, 42) for i in range(20) for place in (i, i + 2 / 3)]
    pad = [(0, 16 * beat, 57), *((i * beat, (i + 1) * beat, 64 + i % 4) for i in range(16))]
    chord = Chord("Am", 9, (0, 3, 7)), Chord("E7", 4, (0, 4, 7, 10)), Chord("Dm/F", 2, (0, 3, 7), 5)
    return a_session(
        music,
        {"tune": tune, "bass": bass, "kit": kit, "pad": pad},
        chords=[(i * 4 * beat, chord[i % 3]) for i in range(5)],
        drums=("kit",),
    )


def written(tmp_path, played: Played, title="It"):
    from router.keep import musicxml

    sheet = score.sheet(played, title)
    path = tmp_path / "s.musicxml"
    with path.open("wb") as file:
        musicxml.write(sheet, file)
    return sheet, path


def of_sheet(staff, sheet):
    """The notes of a part: (start, length, pitch) in quarter notes from the first bar, ties joined."""
    found, open_ = [], {}
    for voice in staff.voices:
        start = 0
        for bar, values in zip(sheet.bars, voice, strict=True):
            for value in values:
                for pitch in value.pitches:
                    note = open_.pop(pitch, None) if value.tied_from else None
                    if note is None:
                        note = [Fraction(start + value.at, TICKS), Fraction(0), pitch]
                        found.append(note)
                    note[1] += Fraction(value.lasts, TICKS)
                    if value.tied_to:
                        open_[pitch] = note
            start += bar.ticks
    return sorted(map(tuple, found))


def signs(staff, sheet):
    """The signs of a part: (start, length, pitch, tied from, tied to)."""
    starts = list(itertools.accumulate((bar.ticks for bar in sheet.bars), initial=0))
    return sorted(
        (Fraction(start + value.at, TICKS), Fraction(value.lasts, TICKS), pitch, value.tied_from, value.tied_to)
        for voice in staff.voices
        for start, values in zip(starts, voice, strict=False)
        for value in values
        for pitch in value.pitches
    )


def _ties(note) -> tuple[bool, bool]:
    kind = note.tie.type if note.tie is not None else ""
    return kind in ("stop", "continue"), kind in ("start", "continue")


@pytest.mark.parametrize("song", ["band", "star", "evening"])
def test_a_written_score_is_read_back_equal_by_two_libraries(tmp_path, song):
    if song == "band":
        sheet, path = written(tmp_path, band())
    else:
        from router.keep.played import played
        from router.records.record_files import read as read_log

        kept(tmp_path, a_song(tmp_path, song), 5, {})
        sheet, path = written(tmp_path, played([read_log(tmp_path / "l.jsonl", played=True)]))
    wanted = [of_sheet(staff, sheet) for staff in sheet.staves]
    by_music21 = music21.converter.parse(path, forceSource=True)
    for part, staff in zip(by_music21.parts, sheet.staves, strict=True):
        assert part.partName == staff.name
        assert [measure.duration.quarterLength for measure in part.getElementsByClass(music21.stream.Measure)] == [
            Fraction(bar.ticks, TICKS) for bar in sheet.bars
        ]
        if staff.drums:
            continue
        found = [
            (Fraction(note.getOffsetInHierarchy(part)), Fraction(note.quarterLength), one.pitch.midi, *_ties(one))
            for note in part.recurse().notes
            if not isinstance(note, music21.harmony.ChordSymbol)
            for one in getattr(note, "notes", [note])
        ]
        assert sorted(found) == signs(staff, sheet)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        by_partitura = partitura.load_musicxml(path)
    for part, notes, staff in zip(by_partitura.parts, wanted, sheet.staves, strict=True):
        if staff.drums:
            continue
        zero = part.first_point.t
        found = [
            (Fraction(note.start.t - zero, TICKS), Fraction(note.duration_tied, TICKS), note.midi_pitch)
            for note in part.notes_tied
        ]
        assert sorted(found) == notes
        assert len(list(part.iter_all(partitura.score.Measure))) == len(sheet.bars)


def test_chords_tempo_and_names_are_read_back(tmp_path):
    _sheet, path = written(tmp_path, band(), "For grandmother")
    read = music21.converter.parse(path, forceSource=True)
    figures = [chord.figure for chord in read.recurse().getElementsByClass(music21.harmony.ChordSymbol)]
    assert figures == ["Am", "E7", "Dm/F", "Am", "E7"]
    assert read.metadata.title == "For grandmother"
    (mark,) = read.recurse().getElementsByClass(music21.tempo.MetronomeMark)
    assert mark.number == 100
    (key, *_) = read.parts[0].recurse().getElementsByClass(music21.key.Key)
    assert (key.tonic.name, key.mode) == ("A", "minor")


def test_the_band_that_runs_gives_the_grid_and_swing_becomes_triplets(tmp_path):
    sheet, path = written(tmp_path, band())
    assert not sheet.free
    tune, bass, kit, pad = sheet.staves
    starts = [note[0] for note in of_sheet(tune, sheet)]
    assert starts == [*range(4, 20)]
    assert {note[1] for note in of_sheet(bass, sheet)} == {2}
    assert {value.lasts for bar in kit.voices[0] for value in bar} == {16, 8}
    assert len(pad.voices) == 2  # a held note below a tune
    assert (0, 16, 57) in of_sheet(pad, sheet)
    text = path.read_text()
    assert text.count('<tuplet type="start"') == text.count('<tuplet type="stop"') == 20
    read = music21.converter.parse(path, forceSource=True)
    sharp = [
        note for note in read.parts[0].recurse().getElementsByClass(music21.note.Note) if note.pitch.midi == 80
    ]  # A minor's leading tone
    assert {(note.pitch.name, note.pitch.accidental.displayStatus) for note in sharp} == {("G#", True)}


def test_a_long_silence_in_the_rooms_beat_is_left_out_and_a_double_line_says_so(tmp_path):
    """Two minutes in which nobody plays would be fifty bars of rest."""
    music = Music(0, SCALES["major"], Fraction(120), TimeSignature(4, 4))
    beats = [*range(16), *range(256, 272)]
    sheet, path = written(tmp_path, a_session(music, {"tune": [(i / 2, i / 2 + 0.45, 60 + i % 5) for i in beats]}))
    assert not sheet.free
    assert len(sheet.bars) == 4 + 2 + 4
    assert len(of_sheet(sheet.staves[0], sheet)) == 32
    assert path.read_text().count("light-light") == 1
    music21.converter.parse(path, forceSource=True)


def test_every_bar_is_full_in_every_voice_whatever_was_played(tmp_path):
    import random

    for seed in range(12):
        chance = random.Random(seed)
        metre = time_signature(chance.choice(["4/4", "3/4", "6/8", "2/4", "5/4", "9/8", "2/2", "7/8", "3/8"]))
        music = Music(
            chance.randrange(12), chance.choice([*SCALES.values()]), Fraction(chance.choice([60, 84, 132])), metre
        )
        parts = {}
        for name in ("a", "b", "c")[: chance.randint(1, 3)]:
            now, notes = chance.random() * 5, []
            for _ in range(chance.randint(1, 40)):
                now += chance.choice([0.0, 0.05, 0.2, 0.35, 0.7, 1.4, chance.random() * 6])
                notes.append((now, now + 0.02 + chance.random() * chance.choice([0.2, 1, 8]), chance.randint(36, 84)))
            parts[name] = notes
        played = a_session(music, parts, drums=("c",))
        sheet, path = written(tmp_path, played)
        for staff, track in zip(sheet.staves, played.tracks, strict=True):
            for voice in staff.voices:
                for bar, values in zip(sheet.bars, voice, strict=True):
                    assert not values or sum(value.lasts for value in values) == bar.ticks
                    assert [value.at for value in values] == [
                        sum(v.lasts for v in values[:i]) for i in range(len(values))
                    ]
            # no note is lost: each pitch as often as it was begun, but for those that began together
            pitches = Counter(note[2] for note in of_sheet(staff, sheet))
            assert set(pitches) == {note.pitch for note in track.notes}
        music21.converter.parse(path, forceSource=True)


@pytest.mark.parametrize("shape", KINDS)
def test_kinds_of_chords_are_those_of_the_standard_as_music21_knows_them(shape):
    kind, degrees = KINDS[shape]
    symbol = music21.harmony.ChordSymbol(root="C", kind=kind)
    for degree, alter, how in degrees:
        symbol.addChordStepModification(music21.harmony.ChordStepModification(how, degree, alter))
    assert {pitch.pitchClass for pitch in symbol.pitches} == {step % 12 for step in shape}


@pytest.mark.parametrize("text", ["4/4", "3/4", "6/8", "2/2", "5/8", "12/8", "6/16", "3/8"])
def test_onsets_exactly_on_the_beat_stay_there(text):
    metre = time_signature(text)
    music = Music(0, SCALES["major"], Fraction(90), metre)
    beat = float(music.duration(metre.beat / 4))
    onsets = [Onset(round(i * beat), {0: round(i * beat)}) for i in range(24)]
    found = rhythm(onsets, [MusicFrom(0, music)])
    assert found.places == [i * int(metre.beat * TICKS) for i in range(24)]
    assert found.places[-1] % bar_ticks(metre) == 23 * int(metre.beat * TICKS) % bar_ticks(metre)


def test_what_is_too_long_for_a_score_is_told(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(score, "MOST", 3)
    kept_log = tmp_path / "l.jsonl"
    lines = [{"t": 0, "event": "start", "log": 1, "child": "wren"}]
    for i in range(5):
        note = {"part": "tune", "output": "s", "channel": 1, "note": 60, "velocity": 80}
        lines += [{"t": i, "event": "note_on", **note}, {"t": i + 0.5, "event": "note_off", **note}]
    kept_log.write_text("\n".join(map(json.dumps, lines)))
    assert main(["keep", str(kept_log), "--score", str(tmp_path / "s.musicxml")]) == 1
    assert "5 notes are too many for a score" in capsys.readouterr().err
    assert not (tmp_path / "s.musicxml").exists()
