"""Tunes in ABC notation: what each sign of the standard (2.1) means, and what is refused."""

from __future__ import annotations

from fractions import Fraction

import pytest

from router.core.music import SCALES, chord_symbol
from router.core.song import Song
from router.songs import SongError, abc, read


def notes(text: str) -> list[tuple[str, str, int]]:
    """When each note of the first voice begins, how long it lasts, and its pitch."""
    return [(str(note.at), str(note.lasts), note.pitch) for note in abc.score(text).parts[0].notes]


def pitches(text: str) -> list[int]:
    return [pitch for _, _, pitch in notes(text)]


def lengths(text: str) -> list[str]:
    return [lasts for _, lasts, _ in notes(text)]


def words(song: Song) -> list[str]:
    return [note.lyric for note in song.tune.notes]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("K:C\nC,, C, C c c' c''", [36, 48, 60, 72, 84, 96]),
        ("K:C\n^C _D =E ^^F __G", [61, 61, 64, 67, 65]),
        ("K:C\n^F F f | F", [66, 66, 78, 65]),  # to the end of the bar, in every octave (2.1, 11.3)
        ("K:D\nF C | =F F | F", [66, 61, 65, 65, 66]),
        ("K:C\n^F- | F F", [66, 65]),  # a tie carries its accidental over the bar line
        ("K:Ddor\nF C", [65, 60]),
        ("K:D mixolydian\nF C", [66, 60]),
        ("K:F#m\nF G C", [66, 68, 61]),
        ("K:Bb\nB E A", [70, 63, 69]),
        ("K:D exp _b _e ^f\nB E F C", [70, 63, 66, 60]),
        ("K:D ^g\nG C", [68, 61]),
        ("K:G clef=bass octave=-1\nG F", [55, 54]),
        ("K:C treble-8\nC", [48]),
        ("K:none\nF", [65]),
        ("K:C\nC [K:D] F", [60, 66]),
    ],
)
def test_pitches(text, expected):
    assert pitches(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("K:C\nC C2 C3/2 C/ C/4 C// C3/4", ["1/2", "1", "3/4", "1/4", "1/8", "1/8", "3/8"]),
        ("M:2/4\nK:C\nC", ["1/4"]),  # below 3/4 the unit is a sixteenth (2.1, 3.1.7)
        ("M:3/4\nK:C\nC", ["1/2"]),
        ("L:1/4\nK:C\nC [L:1/8] C", ["1", "1/2"]),
        ("L:1/4\nK:C\nC>D E<F G>>A", ["3/2", "1/2", "1/2", "3/2", "7/4", "1/4"]),
        ("L:1/4\nK:C\n(3CDE F (2GA", ["2/3"] * 3 + ["1"] + ["3/2"] * 2),
        ("L:1/4\nK:C\n(3:2:2C2D E", ["4/3", "2/3", "1"]),
        ("M:6/8\nK:C\n(5CDEFG", ["3/10"] * 5),  # five in the time of three in a compound metre
        ("L:1/4\nK:C\nC-C D-|D-D", ["2", "3"]),
        ("L:1/4\nK:C\n[CEG]2 [C2E2]", ["2"] * 5),
    ],
)
def test_lengths(text, expected):
    assert lengths(text) == expected


def test_rests_and_bars():
    song = abc.melody("M:3/4\nL:1/4\nK:G\nD | G z B | Z2 | x3 | A3 |]", "evening")
    assert [str(note.at) for note in song.tune.notes] == ["0", "1", "3", "13"]
    assert [str(bar) for bar in song.bars] == ["0", "1", "4", "7", "10", "13", "16"]
    assert (song.tonic, song.scale) == (7, SCALES["major"])
    assert str(song.metres[0].signature) == "3/4"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("CD:|", "CDCD"),
        ("|:C|D:|E", "CDCDE"),
        ("C|:D::E:|F", "CDDEEF"),
        ("|:C|1D:|2E|]", "CDCE"),
        ("|:C[1D:|[2E|]F", "CDCEF"),
        ("|:C|1,2D:|3E||", "CDCDCE"),
        ("|:C|1-3D:|4E||", "CDCDCDCE"),
        ("|::C::|", "CCC"),
        ("|:C|1D:|2E:|F", "CDCEF"),
        ("|:CD:|\n|:EF:|", "CDCDEFEF"),
        ("C|D:|E|F:|", "CDCDEFEF"),
    ],
)
def test_repeats_are_played_out(text, expected):
    names = {60: "C", 62: "D", 64: "E", 65: "F"}
    assert "".join(names[pitch] for pitch in pitches(f"L:1/4\nK:C\n{text}")) == expected


@pytest.mark.parametrize(("order", "expected"), [("AB", "CD"), ("A2(BA)2", "CCDCDC"), ("A.B.A", "CDC")])
def test_sections_in_the_order_of_the_header(order, expected):
    song = abc.melody(f"P:{order}\nL:1/4\nK:C\nP:A\nC4|\nP:B\nD4|", "evening")
    assert "".join("CD"[(note.pitch - 60) // 2] for note in song.tune.notes) == expected
    assert "".join("CD"["AB".index(section.name)] for section in song.sections) == expected
    assert [section.at for section in song.sections] == [Fraction(4 * n) for n in range(len(expected))]


def test_words_bars_holds_and_verses():
    song = abc.melody("L:1/4\nK:C\n|:CDEF|G2GG:|\nw:O-ver the~big hill|far _ go\nw:Un-der it all|* so *", "evening")
    assert words(song) == [
        *("O-", "ver", "the big", "hill", "far", "", "go"),
        *("Un-", "der", "it", "all", "", "so", ""),
    ]


def test_lines_of_words_are_phrases():
    song = abc.melody("L:1/4\nK:C\nCDEF|GGGG|\nw:one two three four five six sev-en\nFEDC|\nw:eight nine ten more", "x")
    assert [(phrase.first, phrase.after) for phrase in song.phrases] == [(0, 8), (8, 12)]


def test_a_breath_mark_begins_a_phrase():
    song = abc.melody("L:1/4\nK:C\nCD!breath!EF|G4|", "evening")
    assert [(phrase.first, phrase.after) for phrase in song.phrases] == [(0, 2), (2, 5)]


def test_slurs_over_most_of_a_tune_are_phrases():
    song = abc.melody("L:1/4\nK:C\n|:(CDEFGA)|(B(cB)AGFE)|D2:|", "evening")
    assert [(phrase.first, phrase.after) for phrase in song.phrases][:2] == [(0, 6), (6, 14)]
    assert pitches("L:1/4\nK:C\n(C(3DEF) G)")[:2] == [60, 62]


def test_tempo_and_its_changes():
    song = abc.melody('L:1/4\nQ:"Slowly" 3/8=40\nK:C\nCDEF|[Q:1/4=90]GABc|', "evening")
    assert [(tempo.at, tempo.tempo) for tempo in song.tempos] == [(0, 60), (4, 90)]
    assert abc.melody("K:C\nC", "evening").tempos[0].tempo == 90


def test_chord_symbols_and_the_parts_that_play_them():
    song = abc.melody('M:3/4\nL:1/4\nK:G\n"G"G3|"C/E"E3|"N.C."z3|"D7"D3|', "evening")
    assert song.written_chords
    assert [(chord.at, chord.chord and chord.chord.name) for chord in song.chords] == [
        (0, "G"),
        (3, "C/E"),
        (6, None),
        (9, "D7"),
    ]
    assert [part.name for part in song.parts] == ["Melody", "Bass", "Chords"]
    bass, chords = song.parts[1:]
    assert [(note.at, note.pitch % 12) for note in bass.notes] == [(0, 7), (3, 4), (9, 2)]
    assert [step.at for step in chords.steps] == [1, 2, 4, 5, 10, 11]
    for step in chords.steps:
        chord = song.chord(step.at)
        assert chord is not None
        assert {note.pitch % 12 for note in step.notes} == set(chord.classes)


def test_voices():
    song = abc.melody(
        'L:1/4\nV:1 name="Low" clef=bass\nV:tune\nK:C\nV:1\nC,4|:D,4:|\nV:tune\nc4|:d4:|\nw:lo go', "evening"
    )
    assert [part.name for part in song.parts] == ["Low", "tune"]
    assert song.melody == 1  # it has the words
    assert [[note.pitch for note in part.notes] for part in song.parts] == [[48, 50, 50], [72, 74, 74]]
    assert abc.melody("K:C\nV:1 name=Low\nC8|\nV:2\nc8|", "x", "Low").melody == 0


def test_grace_notes_are_short_and_take_from_their_note():
    assert notes("L:1/4\nK:C\n{cd}C2 D") == [("0", "1/8", 72), ("1/8", "1/8", 74), ("1/4", "7/4", 60), ("2", "1", 62)]


def test_a_bar_is_one_although_a_repeat_begins_within_it():
    song = abc.melody("M:3/4\nL:1/4\nK:C\n|:C|D3|E2:||:F|G3|A2:|", "evening")
    assert [str(bar) for bar in song.bars] == ["0", "1", "4", "7", "10", "13", "16", "19", "22", "24"]


@pytest.mark.parametrize(
    ("text", "line", "column", "what", "hint"),
    [
        ("K:C\nC D h", 2, 5, '"h" cannot be understood here', "Notes are C to B"),
        ("K:H\nC", 1, 3, '"H" is not a key', "K:G"),
        ("K:C\nM:5\nC", 2, 3, '"5" is not a metre', "M:4/4"),
        ("L:1/7\nC", 1, 3, '"1/7" is not a note length', "L:1/8"),
        ("Q:fast\nC", 1, 3, '"fast" is not a tempo', "Q:1/4=96"),
        ("Q:1/4=9999\nC", 1, 3, "", "Q:1/4=96"),
        ('K:C\n"Gurke"C', 2, 2, '"Gurke" is not a chord', '"^Gurke"'),
        ("K:C\nC D\nw:one two three", 3, 11, 'no note left for "three"', "fewer notes"),
        ("w:la\nC", 1, 3, "no music", "below the line"),
        ("K:C\n[CE", 2, 1, "not closed", "[CEG]"),
        ("K:C\nC & E", 2, 3, "two voices in one bar", "V:"),
        ("K:C\n!D.C.!C", 2, 1, 'the jump "D.C." is not played', "P:ABA"),
        ("X:1\nK:C\nC\nX:2\nK:C\nD", 4, 3, "a second tune", "Leave one"),
        ("K:C\nC0", 2, 2, "no time", ""),
        ("K:C\nC''''''''", 2, 1, "too high or too low", ""),
        ("J:x\nC", 1, 3, 'no field "J:"', "T: title"),
        ("P:AB\nK:C\nP:A\nC", None, None, 'names "B"', "There are: A"),
        ("K:C\nV:1\nC|D\nV:2\nC", None, None, "voice 2 has 1 bars", "Z"),
        ("K:C\nz4", 1, 1, "no notes", "C D E F"),
        ("", 1, 1, "no notes", "C D E F"),
    ],
)
def test_what_is_not_understood_is_told_with_its_place(text, line, column, what, hint):
    with pytest.raises(SongError) as told:
        abc.melody(text, "evening")
    assert (told.value.line, told.value.column) == (line, column)
    assert what in told.value.what
    assert hint in told.value.hint


@pytest.mark.parametrize(
    "text",
    [
        "C" * 300_000,
        "C" * 30_000,
        "C|" * 3_000,
        "|:C" + "::" * 15 + ":|",
        "K:C\n" + "|:C:|" * 1_500,
        "P:" + "((A9)9)9" * 9,
    ],
)
def test_too_much_is_refused(text):
    with pytest.raises(SongError, match=r"over|more than|too|understood|cannot"):
        abc.melody(text, "evening")


def test_an_abc_file_is_read_as_any_song(tmp_path):
    file = tmp_path / "evening.abc"
    file.write_text("% by hand\nX:1\nT:Evening\nK:G\nG A B c|\n", encoding="utf-8")
    assert [note.pitch for note in read(file, name="evening").tune.notes] == [67, 69, 71, 72]
    file.write_text("X:1\nT:Evening\nK:G\nG A h c|\n", encoding="utf-8")
    with pytest.raises(SongError) as told:
        read(file, name="evening")
    assert (told.value.line, told.value.column) == (4, 5)


def test_titles_with_accents():
    assert abc.title("X:1\nT:Fr\\`ere Jacques\nK:C\nC") == "Fr\u00e8re Jacques"


def test_a_song_moves_to_another_key_with_its_chords():
    song = abc.melody('K:C\n"C"C2"F/A"F2"G7"B,2', "evening")
    moved = song.moved_to(2)
    assert [note.pitch for note in moved.tune.notes] == [62, 67, 61]
    assert [chord.chord for chord in moved.chords] == [chord_symbol(name) for name in ("D", "G/B", "A7")]
    assert moved.tonic == 2
    assert [note.pitch for note in song.moved_to(7).tune.notes] == [55, 60, 54]  # five down is nearer than seven up
    assert song.moved_to(0) is song
