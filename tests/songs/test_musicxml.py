"""MusicXML, written here, and read as songs."""

from __future__ import annotations

import io
import zipfile
from fractions import Fraction

import pytest

from router.core.song import Song
from router.songs import SongError, read
from router.songs.reading import song_of

ATTRIBUTES = """<attributes><divisions>2</divisions><key><fifths>1</fifths><mode>major</mode></key>
<time><beats>2</beats><beat-type>4</beat-type></time></attributes>"""


def note(pitch: str = "C4", duration: int = 2, more: str = "", first: str = "") -> str:
    step, octave = pitch[0], pitch[-1]
    alter = {"#": "<alter>1</alter>", "b": "<alter>-1</alter>"}.get(pitch[1], "")
    length = f"<duration>{duration}</duration>" if duration else ""
    return f"<note>{first}<pitch><step>{step}</step>{alter}<octave>{octave}</octave></pitch>{length}{more}</note>"


def score(*measures: str, listed: str = "", attributes: str = ATTRIBUTES) -> bytes:
    inside = "".join(
        f'<measure number="{number}">{"" if number > 1 else attributes}{measure}</measure>'
        for number, measure in enumerate(measures, 1)
    )
    about = f"<part-list><score-part id='P1'><part-name>Voice</part-name>{listed}</score-part></part-list>"
    return f"<?xml version='1.0'?><score-partwise>{about}<part id='P1'>{inside}</part></score-partwise>".encode()


def song(*measures: str, **more: str) -> Song:
    return song_of(score(*measures, **more), "evening")


def notes(found: Song, part: int = 0) -> list[tuple[Fraction, Fraction, int]]:
    return [(each.at, each.lasts, each.pitch) for each in found.parts[part].notes]


def pitches(found: Song) -> str:
    return "".join("CDEFGAB"[(0, 2, 4, 5, 7, 9, 11).index(each.pitch % 12)] for each in found.tune.notes)


FULL = note("C4", 4)


def test_notes_key_metre_and_a_pickup():
    found = song(note("D4"), note("F#4") + note("G4"), note("A4", 4))
    assert notes(found) == [(0, 1, 62), (1, 1, 66), (2, 1, 67), (3, 2, 69)]
    assert found.bars == (0, 1, 3, 5)
    assert (found.tonic, str(found.metres[0].signature), found.tune.name) == (7, "2/4", "Voice")


def test_ties_are_joined_also_over_bars_and_in_chords():
    start, stop = "<tie type='start'/>", "<tie type='stop'/>"
    measures = (
        note("C4", 4, start) + note("E4", 4, start, first="<chord/>"),
        note("C4", 2, stop) + note("E4", 2, stop + start, first="<chord/>") + note("E4", 2, stop),
    )
    found = song_of(score(*measures), "evening", "Voice")
    assert notes(found) == [(0, 3, 60), (0, 4, 64)]


def test_a_tie_is_not_taken_by_another_voice_that_has_its_pitch():
    start, stop = "<tie type='start'/>", "<tie type='stop'/>"
    first = note("D4", 2, "<voice>1</voice>") + note("C4", 2, start + "<voice>1</voice>")
    second = note("C4", 2, "<voice>2</voice>") + note("D4", 2, "<voice>2</voice>")
    found = song(first + "<backup><duration>4</duration></backup>" + second, note("C4", 4, stop + "<voice>1</voice>"))
    assert notes(found) == [(0, 1, 62), (1, 3, 60)]
    assert notes(found, 1) == [(0, 1, 60), (1, 1, 62)]


def test_grace_notes_have_a_length_and_take_it_from_the_note_before():
    graces = note("A4", 0, first="<grace/>") + note("B4", 0, first="<grace/>")
    found = song(note("C4", 2) + graces + note("C4", 2))
    assert notes(found) == [
        (0, Fraction(3, 4), 60),
        (Fraction(3, 4), Fraction(1, 8), 69),
        (Fraction(7, 8), Fraction(1, 8), 71),
        (1, 1, 60),
    ]


def test_triplets_are_exact():
    triplet = "<attributes><divisions>3</divisions></attributes>" + note("C4", 1) * 6
    assert notes(song(triplet))[-1] == (Fraction(5, 3), Fraction(1, 3), 60)


def test_a_transposing_instrument_sounds_as_it_sounds():
    clarinet = ATTRIBUTES.replace(
        "</attributes>",
        "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose></attributes>",
    )
    found = song(note("A4", 4), attributes=clarinet)
    assert notes(found) == [(0, 2, 67)]
    assert found.tonic == 5, "one sharp is written, F major sounds"


def test_voices_and_staves_are_parts():
    first = note("C5", 4, "<voice>1</voice><staff>1</staff>")
    second = note("E4", 4, "<voice>2</voice><staff>1</staff>")
    left = note("C3", 4, "<voice>5</voice><staff>2</staff>")
    back = "<backup><duration>4</duration></backup>"
    found = song(first + back + second + back + left)
    assert [(part.name, part.notes[0].pitch) for part in found.parts] == [
        ("Voice", 72),
        ("Voice voice 2", 64),
        ("Voice staff 2", 48),
    ]
    assert found.tune.name == "Voice"


def test_a_measure_that_is_too_long_in_one_part_delays_no_other():
    parts = "".join(
        f"<part id='P{i}'><measure>{ATTRIBUTES}{first}</measure><measure>{note('C4', 4)}</measure></part>"
        for i, first in enumerate((note("D4", 4), note("E4", 6)))
    )
    found = song_of(f"<score-partwise><part-list/>{parts}</score-partwise>".encode(), "evening", "Part 1")
    assert found.bars == (0, 2, 4)
    assert [notes(found, part)[1][0] for part in (0, 1)] == [2, 2]


@pytest.mark.parametrize(("fifths", "tonic"), [(-3, 3), (7, 1), (1_000_000, 4)])
def test_keys_have_as_many_sharps_as_can_be_written(fifths, tonic):
    keyed = ATTRIBUTES.replace("<fifths>1", f"<fifths>{fifths}")
    assert song(note("D4", 4), attributes=keyed).tonic == tonic


def bar(sign: str, where: str = "right") -> str:
    return f"<barline location='{where}'>{sign}</barline>"


BACK = bar("<repeat direction='backward'/>")
FORTH = bar("<repeat direction='forward'/>", "left")


def ending(numbers: str, kind: str) -> str:
    return f"<ending number='{numbers}' type='{kind}'/>"


def sound(**words: str) -> str:
    return f"<sound {' '.join(f'{word}={chr(34)}{value}{chr(34)}' for word, value in words.items())}/>"


C, D, E, F, G = (note(f"{step}4", 4) for step in "CDEFG")
FIRST = bar(ending("1", "start"), "left"), bar(ending("1", "stop") + "<repeat direction='backward'/>")
SECOND = bar(ending("2", "start"), "left"), bar(ending("2", "discontinue"))
BOTH = bar(ending("1, 2", "start"), "left"), bar(ending("1, 2", "stop") + "<repeat direction='backward'/>")
THIRD = bar(ending("3", "start"), "left"), bar(ending("3", "stop"))


@pytest.mark.parametrize(
    ("measures", "played"),
    [
        ([C, FORTH + D, E + BACK, F], "CDEDEF"),
        ([C, D + BACK, E], "CDCDE"),
        ([C, D + bar("<repeat direction='backward' times='3'/>")], "CDCDCD"),
        ([C + BACK, D + BACK], "CCDD"),
        ([C, FIRST[0] + D + FIRST[1], SECOND[0] + E + SECOND[1], F], "CDCEF"),
        ([C, BOTH[0] + D + BOTH[1], THIRD[0] + E + THIRD[1], F + BACK], "CDCDCEFF"),
        ([C, FIRST[0] + D + FIRST[1], E + BACK], "CDCEE"),
        ([C, D + sound(fine="yes"), E + sound(dacapo="yes")], "CDECD"),
        ([C, sound(segno="a") + D, E + sound(tocoda="b"), F + sound(dalsegno="a"), sound(coda="b") + G], "CDEFDEG"),
        ([C + BACK, D, E + sound(dacapo="yes")], "CCDECDE"),
        ([C, FIRST[0] + D + FIRST[1], SECOND[0] + E + SECOND[1] + sound(dacapo="yes")], "CDCECE"),
    ],
)
def test_repeats_endings_and_jumps_are_played_out(measures, played):
    found = song(*measures)
    assert pitches(found) == played
    assert len(found.bars) - 1 == len(played)


def lyric(text: str, syllabic: str = "single", verse: int = 1, more: str = "") -> str:
    return f"<lyric number='{verse}'><syllabic>{syllabic}</syllabic><text>{text}</text>{more}</lyric>"


def test_words_by_syllables_and_the_second_verse_in_the_second_pass():
    found = song(
        note("C4", 2, lyric("Eve", "begin")) + note("D4", 2, lyric("ning", "end") + lyric("star", "single", 2)) + BACK
    )
    assert [each.lyric for each in found.tune.notes] == ["Eve-", "ning", "Eve-", "star"]


@pytest.mark.parametrize(
    "more",
    [
        "<notations><articulations><breath-mark/></articulations></notations>",
        "<notations><fermata/></notations>",
        lyric("star", more="<end-line/>"),
        lyric("star."),
    ],
)
def test_a_phrase_ends_at_a_breath_mark_a_fermata_and_the_end_of_a_line(more):
    found = song(note("C4") + note("D4", 2, more), note("E4") + note("F4"))
    assert [(phrase.first, phrase.after) for phrase in found.phrases] == [(0, 2), (2, 4)]


def test_a_phrase_ends_before_a_rest_of_a_beat():
    rest = "<note><rest/><duration>2</duration></note>"
    found = song(note("C4") + rest, note("E4") + note("F4"))
    assert [(phrase.first, phrase.after) for phrase in found.phrases] == [(0, 1), (1, 3)]


def harmony(root: str, kind: str, more: str = "", text: str = "") -> str:
    return f"<harmony><root><root-step>{root}</root-step></root><kind>{kind}</kind>{text}{more}</harmony>"


def test_chords_sections_and_tempo():
    bass = "<bass><bass-step>B</bass-step></bass>"
    degree = (
        "<degree><degree-value>9</degree-value><degree-alter>-1</degree-alter><degree-type>add</degree-type></degree>"
    )
    mark = "<direction><direction-type><rehearsal>A</rehearsal></direction-type></direction>"
    metronome = (
        "<direction><direction-type><metronome><beat-unit>quarter</beat-unit><beat-unit-dot/>"
        "<per-minute>c. 60</per-minute></metronome></direction-type></direction>"
    )
    found = song(
        metronome + harmony("G", "major") + note("G4") + harmony("D", "dominant", degree) + note("D4"),
        mark + sound(tempo="72.5") + harmony("E", "minor-seventh", bass) + FULL,
        "<harmony><root><root-step>C</root-step></root><kind>none</kind></harmony>" + FULL,
    )
    assert [(each.at, each.chord.name if each.chord else "") for each in found.chords] == [
        (0, "G"),
        (1, "D7b9"),
        (2, "Em7/B"),
        (4, ""),
    ]
    assert found.chords[1].chord.shape == (0, 4, 7, 10, 13)
    assert found.chords[2].chord.bass == 11
    assert found.written_chords
    assert [(each.at, each.name) for each in found.sections] == [(2, "A")]
    assert [(each.at, each.tempo) for each in found.tempos] == [(0, 90), (2, Fraction(145, 2))]


def test_a_score_by_measures_is_the_same_song():
    measures = (note("C4", 4), note("D4", 4))
    by_parts = score(*measures)
    inside = "".join(
        f"<measure><part id='P1'>{ATTRIBUTES if not i else ''}{measure}</part></measure>"
        for i, measure in enumerate(measures)
    )
    listed = "<part-list><score-part id='P1'><part-name>Voice</part-name></score-part></part-list>"
    by_measures = f"<score-timewise>{listed}{inside}</score-timewise>".encode()
    assert song_of(by_measures, "a") == song_of(by_parts, "a")


def archive(files: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", method) as zipped:
        for name, data in files.items():
            zipped.writestr(name, data)
    return written.getvalue()


CONTAINER = b"<container><rootfiles><rootfile full-path='evening.xml'/></rootfiles></container>"
GOOD = score(FULL)


def test_a_compressed_score_is_the_same_song():
    named = archive({"META-INF/container.xml": CONTAINER, "other.xml": b"<other/>", "evening.xml": GOOD})
    assert song_of(named, "a") == song_of(archive({"evening.xml": GOOD}), "a") == song_of(GOOD, "a")


ENCRYPTED = bytearray(archive({"evening.xml": GOOD}))
for place in (ENCRYPTED.index(b"PK\x03\x04") + 6, ENCRYPTED.index(b"PK\x01\x02") + 8):
    ENCRYPTED[place] |= 1
BOMB = (
    b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY a 'ha'>"
    + b"".join(b"<!ENTITY b%d '%s'>" % (i, b"&a;" * 10) for i in range(9))
    + b"]><score-partwise>&b8;</score-partwise>"
)


@pytest.mark.parametrize(
    ("data", "says", "line"),
    [
        (GOOD[:-30], "broken", 2),
        (GOOD.replace(b"</part>", b"</parts>"), "broken", 2),
        (BOMB, "entities", 1),
        (b"<a>" * 100, "nested too deeply", 1),
        (b"<html/>", 'begins with "html"', 1),
        (b"<score-partwise/>", "no parts", None),
        (GOOD.replace(b"<octave>4", b"<octave>40"), "no pitch", 2),
        (GOOD.replace(b"<duration>4", b"<duration>x"), '"x" is not a number', 2),
        (GOOD.replace(b"<divisions>2", b"<divisions>0"), "divisions", 1),
        (score(sound(tempo="0") + FULL), "tempo of 0", None),
        (
            score(
                *[f"<attributes><divisions>{n}.7777</divisions></attributes>" + note("C4", 1) * 3 for n in (7, 11, 13)]
            ),
            "divided more finely",
            None,
        ),
        (score(*[FULL] * 2001), "2,000 bars", None),
        (score(*[FULL + bar("<repeat direction='backward' times='99'/>")] * 30), "2,000 bars", None),
        (archive({"evening.xml": b" " * 40_000_000}), "more than 32 MB", None),
        (archive({"evening.txt": GOOD}), "no score in this archive", None),
        (archive({"evening.xml": GOOD})[:-40], "cut off", None),
        (bytes(ENCRYPTED), "encrypted", None),
        (archive({"META-INF/container.xml": BOMB, "evening.xml": GOOD}), "entities", 1),
        (b"<?xml version='1.0' encoding='nonsense'?><a/>", "encoding", None),
    ],
)
def test_what_cannot_be_read_says_what_to_do(data, says, line):
    with pytest.raises(SongError, match=says) as wrong:
        song_of(data, "evening")
    assert len(wrong.value.hint) > 20
    assert line is None or wrong.value.line == line


def test_a_document_type_is_named_and_nothing_is_fetched():
    named = GOOD.replace(
        b"<score", b"<!DOCTYPE score-partwise PUBLIC '-//X//DTD//EN' 'http://localhost:9/x.dtd'><score", 1
    )
    assert song_of(named, "a") == song_of(GOOD, "a")


def test_20_000_bars_of_a_file_cost_no_more_than_a_message(tmp_path):
    (tmp_path / "long.xml").write_bytes(score(*[FULL] * 20_000))
    with pytest.raises(SongError, match="2,000 bars"):
        read(tmp_path / "long.xml", name="long")
