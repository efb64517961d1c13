"""Standard MIDI Files, written by mido or by hand as bytes, and read as songs."""

from __future__ import annotations

import io
import struct
from fractions import Fraction

import mido
import pytest

from router.core.song import Song
from router.songs import SongError, read
from router.songs.reading import song_of

QUARTER = 480
METRE = mido.MetaMessage("time_signature", numerator=3, denominator=4)


def tune(*pitches: int, channel: int = 0, length: int = QUARTER) -> list[mido.Message]:
    """Notes one after the other."""
    return [
        message
        for pitch in pitches
        for message in (
            mido.Message("note_on", note=pitch, velocity=70, channel=channel),
            mido.Message("note_off", note=pitch, time=length, channel=channel),
        )
    ]


def midi(*tracks: list, kind: int = 1, division: int = QUARTER) -> bytes:
    file = mido.MidiFile(type=kind, ticks_per_beat=division, charset="utf-8")
    file.tracks.extend(mido.MidiTrack(track) for track in tracks)
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


def song(*tracks: list, kind: int = 1, melody: str | int | None = None) -> Song:
    return song_of(midi(*tracks, kind=kind), "evening", melody)


def named(name: str, *messages: list) -> list:
    return [mido.MetaMessage("track_name", name=name), *[each for group in messages for each in group]]


def test_notes_tempo_metre_key_and_sections():
    found = song(
        [
            METRE,
            mido.MetaMessage("set_tempo", tempo=750_000),
            mido.MetaMessage("key_signature", key="Em"),
            mido.MetaMessage("marker", text="Verse", time=3 * QUARTER),
            mido.MetaMessage("set_tempo", tempo=500_000, time=QUARTER),
        ],
        named("Tune", [mido.Message("program_change", program=12)], tune(64, 67, 71, 64, length=3 * QUARTER // 2)),
    )
    assert [(note.at, note.lasts, note.pitch, note.velocity) for note in found.tune.notes][1:3] == [
        (Fraction(3, 2), Fraction(3, 2), 67, 70),
        (3, Fraction(3, 2), 71, 70),
    ]
    assert str(found.metres[0].signature) == "3/4"
    assert found.bars == (0, 3, 6)
    assert [(tempo.at, tempo.tempo) for tempo in found.tempos] == [(0, 80), (4, 120)]
    assert (found.tonic, found.scale) == (4, (0, 2, 3, 5, 7, 8, 10))
    assert [(section.at, section.name) for section in found.sections] == [(3, "Verse")]
    assert (found.tune.name, found.tune.program) == ("Tune", 12)


def test_type_0_is_split_by_channel_and_channel_10_is_drums():
    found = song([*tune(60, 62), *tune(36, 38, channel=9), *tune(48, channel=2)], kind=0)
    assert [(part.name, part.drums, len(part.notes)) for part in found.parts] == [
        ("Channel 1", False, 2),
        ("Channel 3", False, 1),
        ("Drums", True, 2),
    ]


def test_running_status_and_a_note_on_without_velocity_that_ends_a_note():
    track = bytes([0, 0x90, 60, 64, 96, 60, 0, 0, 62, 64, 96, 62, 0, 0, 0xFF, 0x2F, 0])
    data = struct.pack(">4sLHHH", b"MThd", 6, 0, 1, 96) + struct.pack(">4sL", b"MTrk", len(track)) + track
    assert [(n.at, n.lasts, n.pitch) for n in song_of(data, "a").tune.notes] == [(0, 1, 60), (1, 1, 62)]


@pytest.mark.parametrize(("end", "lasts"), [(2, 2), (40, 4)])
def test_a_note_that_nobody_ends_goes_on_to_the_tracks_end_or_for_four_quarters(end, lasts):
    found = song([mido.Message("note_on", note=60, velocity=1), mido.MetaMessage("end_of_track", time=end * QUARTER)])
    assert [(note.lasts, note.velocity) for note in found.tune.notes] == [(lasts, 1)]


def test_a_note_struck_twice_and_released_once_leaves_none_behind():
    on = [mido.Message("note_on", note=60, time=QUARTER) for _ in range(2)]
    found = song([*on, mido.Message("note_off", note=60, time=QUARTER), *tune(60, 62)], melody=1)
    assert [(note.at, note.end) for note in found.tune.notes] == [(1, 3), (2, 3), (3, 4), (4, 5)]


def test_a_note_of_no_length_is_a_note():
    assert song(tune(60, length=0)).tune.notes[0].lasts == Fraction(1, QUARTER)
    on, off = tune(60, length=0)
    assert [note.lasts for note in song([off, on, *tune(62)], melody=1).tune.notes] == [Fraction(1, QUARTER), 1]


@pytest.mark.parametrize(
    ("kind", "texts", "syllables"),
    [
        ("lyrics", ["Eve", "ning ", "star "], ["Eve-", "ning", "star"]),
        ("lyrics", ["Eve-", "ning", "star"], ["Eve-", "ning", "star"]),
        ("text", ["\\Eve", "ning", " star"], ["Eve-", "ning", "star"]),
        ("lyrics", ["Gr\u00fc\u00df ", "die ", "Stern\r"], ["Gr\u00fc\u00df", "die", "Stern"]),
    ],
)
def test_syllables_are_given_to_their_notes(kind, texts, syllables):
    words = [mido.MetaMessage(kind, text=text, time=QUARTER if i else 0) for i, text in enumerate(texts)]
    file = mido.MidiFile(charset="utf-8")
    file.tracks += [
        mido.MidiTrack(track)
        for track in (named("Words", words), named("Bass", tune(40, length=1440)), named("Tune", tune(60, 62, 64)))
    ]
    written = io.BytesIO()
    file.save(file=written)
    found = song_of(written.getvalue(), "evening")
    assert found.tune.name == "Tune"
    assert [note.lyric for note in found.tune.notes] == syllables
    assert found.melody_by == "it has the words"


def test_a_line_of_the_words_begins_a_phrase():
    texts = ["\\One ", "two ", "/three ", "four "]
    words = [mido.MetaMessage("text", text=text, time=QUARTER if i else 0) for i, text in enumerate(texts)]
    found = song(named("Words", words), tune(60, 62, 64, 65))
    assert [(phrase.first, phrase.after) for phrase in found.phrases] == [(0, 2), (2, 4)]


def test_the_melody_is_asked_for_by_name_or_number():
    parts = (named("Bass", tune(40, 41)), named("Violin", tune(70, 71)))
    assert song(*parts).tune.name == "Violin"
    for melody in ("Bass", "bass", "ba", 1, "1"):
        assert song(*parts, melody=melody).tune.name == "Bass"
    with pytest.raises(SongError) as wrong:
        song(*parts, melody="Violine")
    assert wrong.value.hint == 'Did you mean "Violin"?  Its parts: 1 Bass, 2 Violin.'


def test_a_part_whose_name_says_so_is_the_melody():
    found = song(named("Flute", tune(90)), named("Lead vocals", tune(60)))
    assert (found.tune.name, found.melody_by) == ("Lead vocals", "its name says so")


def header(kind: int = 1, tracks: int = 1, division: int = 96) -> bytes:
    return struct.pack(">4sLHHH", b"MThd", 6, kind, tracks, division)


GOOD = midi(tune(60, 62, 64))
BAD_KEY = midi([mido.MetaMessage("key_signature", key="C")], tune(60)).replace(b"\xff\x59\x02\x00", b"\xff\x59\x02\x0d")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (GOOD[:10], "ends within"),
        (GOOD[:-20], "ends within a track"),
        (header(tracks=3) + GOOD[14:], "2 of its 3 tracks are not there"),
        (header(kind=2) + GOOD[14:], "type 2"),
        (header(division=0xE728) + GOOD[14:], "film frames"),
        (header(division=0) + GOOD[14:], "no length"),
        (header() + b"MTrk\0\0\0\x04\0\x3c\x40\0", "track 1 cannot be read"),
        (midi([mido.MetaMessage("set_tempo", tempo=0)], tune(60)), "tempo of 0"),
        (midi([mido.MetaMessage("time_signature", numerator=3, denominator=64)], tune(60)), "3/64"),
        (midi([]), "no notes"),
        (midi(tune(36, channel=9)), "drums only"),
        (midi(tune(60), [mido.MetaMessage("text", time=0), *tune(60, length=20_000 * 4 * QUARTER)]), "2,000 bars"),
        (midi(*([tune(60)] * 65)), "65 parts"),
        (b"%PDF-1.7", "a PDF"),
        (b"hello", "neither a MIDI file nor MusicXML"),
    ],
)
def test_what_cannot_be_read_says_what_to_do(data, says):
    with pytest.raises(SongError, match=says) as wrong:
        song_of(data, "evening")
    assert len(wrong.value.hint) > 20


def test_too_many_notes_are_told(monkeypatch):
    monkeypatch.setattr("router.songs.score.MOST_NOTES", 50)
    with pytest.raises(SongError, match="51 notes, repeats played out, and 50 at most"):
        song(tune(*[60] * 51))


def test_64_tracks_are_read_and_a_key_that_no_key_has_is_passed_over():
    assert len(song(*([tune(60)] * 64)).parts) == 64
    assert b"\xff\x59\x02\x0d" in BAD_KEY
    assert len(song_of(BAD_KEY, "a").tune.notes) == 1


def test_chunks_of_another_kind_and_a_riff_around_it_are_passed_over():
    other = GOOD[:14] + b"XFIH\0\0\0\x02ab" + GOOD[14:]
    riff = b"RIFF\0\0\0\0RMIDdata\0\0\0\0" + GOOD
    assert song_of(other, "a") == song_of(riff, "a") == song_of(GOOD, "a")


def test_a_file_is_read_in_a_process_of_its_own(tmp_path):
    (tmp_path / "evening.mid").write_bytes(GOOD)
    assert read(tmp_path / "evening.mid", name="evening") == song_of(GOOD, "evening")
