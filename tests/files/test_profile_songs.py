"""The songs of a profile: read, told what is wrong in them, given to the rules, kept with the profile."""

from __future__ import annotations

import base64
import os
import zlib
from typing import ClassVar

import mido
import pytest

from router.cli import fit
from router.core.contract import Rule
from router.core.engine import Engine
from router.core.song import Song
from router.files import profile
from router.files.plugins import installed
from router.files.profile import ProfileError, songs
from router.rule import Kind, Plays
from router.songs import apart
from tests.benchmarks.swaps import big_song

TEXT = """\
profile: 1
child: teal
inputs: {pad: {type: switch, device: {terminal: space}}}
songs:
  evening:
    abc: |-
      L:1/4
      K:G
      "G"GABc|"D"d4|
parts:
  tune:
    input: pad
    rules:
      - sings: {play: evening}
    output: {port: synth}
outputs: {synth: {midi: "*"}}
"""


class Sings(Plays):
    """A rule that plays songs.

    Example::

        rules:
          - sings: {play: evening}
    """

    name = "sings"
    gives = Kind.NOTES
    settings: ClassVar = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "play": {"type": "string", "song": True, "description": "a song"},
            "choose": {"type": "array", "items": {"type": "string", "song": True}, "description": "songs"},
        },
    }


@pytest.fixture(autouse=True)
def rule(monkeypatch):
    monkeypatch.setitem(installed()._rules, "sings", Sings)


def write(folder, text=TEXT, **files: bytes):
    for name, data in files.items():
        (folder / name.replace("_", ".")).write_bytes(data)
    path = folder / "teal.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def with_file(file: str = "evening.abc", more: str = "") -> str:
    before, _, after = TEXT.partition("    abc: |-\n")
    return f"{before}    file: {file}\n{more}parts:{after.partition('parts:')[2]}"


def settings(loaded) -> dict:
    made = loaded.plan.parts[0].rules[0].make
    return dict(made.args[0])


def problem(path):
    with pytest.raises(ProfileError) as told:
        profile.load(path)
    return told.value.problems[0]


ABC = b"X:1\nT:Evening\nK:G\nGABc|\n"


def test_the_rule_gets_the_song_itself(tmp_path):
    loaded = profile.load(write(tmp_path))
    song = settings(loaded)["play"]
    assert isinstance(song, Song)
    assert (song.name, [note.pitch for note in song.tune.notes]) == ("evening", [67, 69, 71, 72, 74])
    assert loaded.songs == {"evening": song}


def test_a_list_of_songs(tmp_path):
    loaded = profile.load(write(tmp_path, TEXT.replace("play: evening", "choose: [evening, evening]")))
    assert settings(loaded)["choose"] == (loaded.songs["evening"],) * 2


@pytest.mark.parametrize("file", ["evening.abc", "songs/evening.abc"])
def test_a_file_beside_the_profile_or_in_its_songs(tmp_path, file):
    (tmp_path / "songs").mkdir()
    (tmp_path / file).write_bytes(ABC)
    song = profile.load(write(tmp_path, with_file(file))).songs["evening"]
    assert [note.pitch for note in song.tune.notes] == [67, 69, 71, 72]


def test_a_midi_file_with_its_melody_and_in_another_key(tmp_path):
    file = mido.MidiFile()
    for name, pitch in (("Piano", 48), ("Voice", 60)):
        notes = [mido.Message("note_on", note=pitch), mido.Message("note_off", note=pitch, time=480)]
        file.tracks.append(mido.MidiTrack([mido.MetaMessage("track_name", name=name), *notes]))
    file.save(tmp_path / "evening.mid")
    song = profile.load(write(tmp_path, with_file("evening.mid", "    melody: Piano\n"))).songs["evening"]
    assert song.tune.name == "Piano"
    moved = profile.load(write(tmp_path, with_file("evening.mid", "    melody: 2\n    key: D\n"))).songs["evening"]
    assert (moved.tune.name, moved.tonic) == ("Voice", 2)


@pytest.mark.parametrize(
    ("old", "new", "place", "said"),
    [
        ("play: evening", "play: evning", (14, 23), ('there is no song called "evning"', 'Did you mean "evening"?')),
        ("d4|", "d4 h|", (9, 21), ('"h" cannot be understood here', "Notes are C to B")),
        ("K:G", "K:H", (8, 9), ('"H" is not a key', "K:G")),
        ("    abc: |-\n", "    abc: x\n    file: y\n", (7, 5), ('"file" and "abc" cannot stand together', "Keep one")),
        (
            "evening:\n    abc",
            "evening:\n    abx",
            (6, 5),
            ('a song has no setting called "abx"', 'Did you mean "abc"?'),
        ),
        ("songs:\n", "music:\n  key: C\nsong:\n", (6, 1), ('no entry called "song"', 'Did you mean "songs"?')),
    ],
)
def test_mistakes_are_told_at_their_place(tmp_path, old, new, place, said):
    found = problem(write(tmp_path, TEXT.replace(old, new)))
    assert (found.line, found.column) == place
    assert said[0] in found.message
    assert said[1] in found.hint


def test_a_typed_song_on_one_line_has_its_columns(tmp_path):
    before, _, after = TEXT.partition("    abc: |-\n")
    text = f'{before}    abc: "CDEF| h4|"\nparts:{after.partition("parts:")[2]}'
    found = problem(write(tmp_path, text))
    assert (found.line, found.column) == (6, 17)


@pytest.mark.parametrize(
    ("file", "message", "hint"),
    [
        ("morning.abc", 'there is no file "morning.abc"', "evening.abc"),
        ("../evening.abc", "a song's file stands beside the profile", "Write its name alone"),
        ("/etc/passwd", "a song's file stands beside the profile", "Write its name alone"),
        ("songs/../../evening.abc", "a song's file stands beside the profile", ""),
        ("link.abc", "this is a link that leads out of the folder", "Put the song's file itself"),
        ("pipe.mid", "", ""),
        ("broken.mid", "", ""),
        ("empty.mid", "this file is empty", "Copy it again"),
        ("wrong.abc", 'line 4: "h" cannot be understood here', ""),
    ],
)
def test_a_file_that_cannot_be_used(tmp_path, file, message, hint):
    folder = tmp_path / "profiles"
    folder.mkdir()
    (tmp_path / "evening.abc").write_bytes(ABC)
    (folder / "evening.abc").write_bytes(ABC)
    (folder / "link.abc").symlink_to(tmp_path / "evening.abc")
    (folder / "broken.mid").write_bytes(b"MThd\0\0\0\x06\0\x01\0\x01\x01\xe0MTrk\0\0\xff\xff")
    (folder / "empty.mid").write_bytes(b"")
    (folder / "wrong.abc").write_bytes(ABC.replace(b"GAB", b"GAh"))
    os.mkfifo(folder / "pipe.mid")
    found = problem(write(folder, with_file(file)))
    assert (found.line, found.column) == (6, 11)
    assert message in found.message
    assert hint in found.hint


def test_a_pc_that_is_too_busy_may_read_it_later(tmp_path, monkeypatch):
    path = write(tmp_path, with_file(), evening_abc=ABC.replace(b"Evening", b"Later"))
    assert not problem(write(tmp_path, with_file("wrong.abc"), wrong_abc=b"X:1\nh")).may_pass
    monkeypatch.setattr(apart, "SECONDS", 0.0)
    write(tmp_path, with_file())
    assert problem(path).may_pass
    monkeypatch.undo()
    monkeypatch.setitem(installed()._rules, "sings", Sings)
    assert profile.load(path).songs


def test_systems_that_cannot_open_beneath_a_folder_read_songs_too(tmp_path, monkeypatch):
    monkeypatch.delattr(os, "O_PATH")
    folder = tmp_path / "profiles"
    folder.mkdir()
    (tmp_path / "evening.abc").write_bytes(ABC)
    assert profile.load(write(folder, with_file(), evening_abc=ABC)).songs
    (folder / "link.abc").symlink_to(tmp_path / "evening.abc")
    assert "leads out of the folder" in problem(write(folder, with_file("link.abc"))).message


def test_a_part_that_is_not_there_is_told_where_it_is_named(tmp_path):
    found = problem(write(tmp_path, with_file("evening.abc", "    melody: Voice\n"), evening_abc=ABC))
    assert (found.line, found.column) == (7, 13)
    assert 'no part "Voice"' in found.message


def test_a_song_that_nothing_plays_is_a_warning(tmp_path):
    loaded = profile.load(write(tmp_path, TEXT.replace("- sings: {play: evening}", "- note: {}")))
    assert [warning.line for warning in loaded.warnings] == [5]
    assert 'no rule plays the song "evening"' in loaded.warnings[0].message


def test_too_many_songs(tmp_path):
    many = "".join(f'  more{number}: {{abc: "C"}}\n' for number in range(songs.MOST))
    assert "too many songs" in problem(write(tmp_path, TEXT.replace("parts:", f"{many}parts:"))).message


def test_what_is_kept_plays_without_the_file(tmp_path):
    path = write(tmp_path, with_file(), evening_abc=ABC)
    loaded = profile.load(path)
    kept = songs.with_files(path.read_bytes(), loaded.song_files)
    (tmp_path / "evening.abc").unlink()
    with pytest.raises(ProfileError):
        profile.load(path)
    assert profile.load(path, kept).songs == loaded.songs
    assert songs.parted(kept) == (path.read_bytes(), {"evening.abc": ABC})
    assert songs.with_files(b"x", {}) == b"x"


def test_what_is_kept_costs_no_more_than_its_bounds(monkeypatch):
    monkeypatch.setattr(songs, "MOST_BYTES", 1000)
    bomb = base64.b64encode(zlib.compress(b"\0" * 10_000_000))
    kept = songs.with_files(b"text", {"good.abc": ABC})
    for line in (b"#= bm8= " + bomb, b"#= bm8= ????", b"#= nothing", b"\xff\xff\xff", b"#= bm8= " + b"eA=="):
        assert songs.parted(kept + line + b"\n") == (b"text", {"good.abc": ABC})


def test_a_song_of_5000_notes_costs_the_router_itself_little(tmp_path):
    """It is read in another process; a swap to it must not hold up those who play."""
    path = write(tmp_path, with_file("big.mid"), big_mid=big_song(1))
    before = os.times()
    loaded = profile.load(path)
    after = os.times()
    assert sum(len(part.notes) for part in loaded.songs["evening"].parts) == 5000
    own, elsewhere = after.user - before.user, after.children_user - before.children_user
    assert elsewhere > 0.05
    assert own < elsewhere
    again = os.times()
    assert profile.load(path).songs == loaded.songs
    assert os.times().children_user == again.children_user  # it is not read twice


def test_what_a_song_needs_is_calculated_before_the_swap(tmp_path, monkeypatch):
    """Otherwise the loop would, while others play."""
    text = with_file("big.mid").replace("- sings: {play: evening}", "- song: {play: evening, press: note}")
    text = text.replace(
        "outputs:", "  band: {rules: [song: {play: evening, part: others}], output: {port: synth}}\noutputs:"
    )
    loaded = profile.load(write(tmp_path, text, big_mid=big_song(2)))
    songs.make_ready(loaded.plan)
    counted = []
    ticks = Song.ticks
    monkeypatch.setattr(Song, "ticks", lambda *given, **more: (counted.append(1), ticks(*given, **more))[1])
    Engine(loaded.plan).start(0)
    assert len(counted) < 500  # the bars, and no notes
    assert len(loaded.songs["evening"].tune.notes) == 1000


def test_a_fitted_profile_keeps_its_song(tmp_path):
    """What ``router fit --write`` writes is checked where its songs are."""
    path = write(tmp_path, with_file(), evening_abc=ABC)
    old = path.read_text(encoding="utf-8")
    new = old.replace("device:", "debounce: 40 ms, device:")
    assert fit._write(path, old, new) == (str(path), f"{path}.old")
    assert profile.load(path).songs
    with pytest.raises(ProfileError):
        fit._write(path, new, new.replace("40 ms", "40 sm"))
    assert path.read_text(encoding="utf-8") == new


def test_a_rule_may_name_no_song(tmp_path):
    loaded = profile.load(write(tmp_path, TEXT.replace("{play: evening}", "{}")))
    assert settings(loaded) == {}
    assert issubclass(Sings, Rule)
