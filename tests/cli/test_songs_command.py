"""``router songs``: lists of songs, the piano roll of one, and what is said of those that cannot be used."""

from __future__ import annotations

import json

import pytest

from router.cli import main
from router.files.profile import shipped
from router.songs import read

PROFILE = """\
profile: 1
child: bullfinch
inputs: {pad: {type: switch, device: {terminal: space}}}
songs:
  round:
    abc: |-
      L:1/4
      K:F
      CDEC|
      w:Bro-ther John now,
parts: {tune: {input: pad, rules: [song: {play: round, press: note}], output: {port: synth}}}
outputs: {synth: {midi: "*"}}
"""

NAMES = sorted(file.stem for file in (shipped() / "songs").glob("*.abc"))


def test_one_song_is_drawn_with_phrases_words_and_chords(capsys):
    assert main(["songs", "little-star"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("little-star: 12 bars, 4/4, C major, melody of 42 notes in 6 phrases")
    assert "tempo 88 quarter notes a minute; 1 Melody (melody), 2 Bass, 3 Chords" in said
    assert said.count("phrase ") == 6
    assert "Twinkle, twinkle, little star," in said
    lines = said.splitlines()
    first = lines.index("phrase 1, bars 1 to 2")
    drawn = lines[first + 1 : first + 6]
    assert [line.split()[0] for line in drawn[1:4]] == ["A4", "G4", "C4"]
    assert drawn[0].split() == ["C", "F", "C"]
    f, a4 = drawn[0].index("F"), drawn[1]
    assert a4[f] in "\u25cfo"  # the chord stands above the note that it comes with
    assert sum(line.count("\u25cf") + line.count("o") for line in drawn[1:4]) == 7


@pytest.mark.parametrize("width", ["40", "200"])
def test_it_fits_any_terminal(capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", width)
    assert main(["songs", "amazing-grace"]) == 0
    rolls = [line for line in capsys.readouterr().out.splitlines() if "\u2502" in line or "|" in line]
    assert rolls
    assert max(map(len, rolls)) <= min(int(width), 100)


def test_a_folder_is_listed(capsys, tmp_path):
    (tmp_path / "songs").mkdir()
    (tmp_path / "songs" / "evening.abc").write_text("X:1\nK:C\nCDEF|\n")
    (tmp_path / "broken.mid").write_bytes(b"MThd")
    (tmp_path / "wren.yaml").write_text("")
    assert main(["songs", str(tmp_path)]) == 1
    said = capsys.readouterr()
    assert "evening: 1 bar, 4/4, C major, melody of 4 notes" in said.out
    assert "broken.mid" in said.err
    assert main(["songs", str(tmp_path / "songs"), "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert (found["bars"], found["key"], found["scale"], found["melody"]) == (1, "C", "major", 1)


def test_without_a_name_all_songs_beside_the_profiles_are_listed(capsys, tmp_path):
    (tmp_path / "router.yaml").write_text(f"configuration: 1\nseats: {{bed: {{folder: {tmp_path}}}}}\n")
    (tmp_path / "evening.abc").write_text("X:1\nK:C\nCDEF|\n")
    assert main(["songs", "--config", str(tmp_path / "router.yaml")]) == 0
    said = capsys.readouterr().out
    assert [name for name in ("evening", *NAMES) if f"{name}: " not in said] == []


def test_the_songs_of_a_profile(capsys, tmp_path):
    file = tmp_path / "bullfinch.yaml"
    text = PROFILE
    file.write_text(text, encoding="utf-8")
    assert main(["songs", str(file), "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert found["name"] == "round"
    assert [note["lyric"] for note in found["notes"][:4]] == ["Bro-", "ther", "John", "now,"]
    assert found["phrases"][0]["words"].startswith("Brother John now")
    file.write_text(text.replace("CDEC", "CDhC"), encoding="utf-8")
    assert main(["songs", str(file)]) == 1
    assert '"h" cannot be understood here' in capsys.readouterr().err


@pytest.mark.parametrize(("name", "says"), [("litle-star", 'Did you mean "little-star"?'), ("nothing.mid", "no file")])
def test_a_song_that_is_not_there(capsys, name, says):
    assert main(["songs", name]) == 1
    said = capsys.readouterr()
    assert says in said.out + said.err


def test_the_part_that_has_the_melody_may_be_named(capsys):
    assert main(["songs", "little-star", "--melody", "Bass", "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert found["parts"][found["melody"] - 1]["name"] == "Bass"


@pytest.mark.parametrize("name", NAMES)
def test_each_song_that_comes_with_the_router_says_why_it_is_free(name):
    file = shipped() / "songs" / f"{name}.abc"
    text = file.read_text(encoding="utf-8")
    for field in ("T:", "C:", "O:", "S:from memory; ", "N:"):
        assert f"\n{field}" in text, field
    assert f"`{name}.abc`" in (shipped() / "songs" / "README.md").read_text(encoding="utf-8")
    song = read(file, name=name)
    assert song.written_chords
    assert [part.name for part in song.parts] == ["Melody", "Bass", "Chords"]
    full = [after - before for before, after in zip(song.bars, song.bars[1:], strict=False)]
    assert set(full[1:-1]) == {song.metres[0].signature.quarters}
    assert full[0] + full[-1] in (song.metres[0].signature.quarters, 2 * song.metres[0].signature.quarters)
    assert 2 <= len(song.phrases) <= 12


def test_there_are_at_least_six():
    assert len(NAMES) >= 6
