"""A song's file is read in a process of its own, and costs itself only, whatever it is."""

from __future__ import annotations

import json
import os

import pytest

from router.core.song import MOST_NOTES
from router.songs import SongError, apart, plain, read
from router.songs.reading import song_of
from tests.shared.song_files import MUSICXML, compressed, midi_file

GOOD = {"evening.mid": midi_file(), "evening.musicxml": MUSICXML, "evening.mxl": compressed(MUSICXML)}


@pytest.mark.parametrize("file", GOOD)
def test_what_comes_back_is_the_song(file, tmp_path):
    (tmp_path / file).write_bytes(GOOD[file])
    assert read(tmp_path / file, name="evening") == song_of(GOOD[file], "evening")


def refused(path) -> SongError:
    with pytest.raises(SongError) as wrong:
        read(path, name="evening")
    assert len(wrong.value.hint) > 10
    return wrong.value


def test_a_file_that_is_no_song_is_told(tmp_path):
    (tmp_path / "morning.mid").write_bytes(midi_file())
    assert refused(tmp_path / "evening.mid").hint == "In the folder there are: morning.mid."
    assert "folder" in refused(tmp_path).what
    (tmp_path / "empty.mid").touch()
    assert "empty" in refused(tmp_path / "empty.mid").what
    os.mkfifo(tmp_path / "pipe.mid")
    assert "no ordinary file" in refused(tmp_path / "pipe.mid").what
    assert "no file can have this name" in refused(tmp_path / "a\0b.mid").what
    with (tmp_path / "huge.mid").open("wb") as file:
        file.truncate(200 * 1024 * 1024)
    assert refused(tmp_path / "huge.mid").what == "this file has 200 MB, and 16 MB at most are read"


def test_a_process_that_takes_too_much_time_or_memory_or_dies_costs_a_message(tmp_path, monkeypatch):
    path = tmp_path / "evening.mid"
    path.write_bytes(midi_file())
    for child, says in (
        ("while True: pass", "too much for a small computer"),
        ("bytearray(1 << 30)", "fails at this file"),
        ("import os; os._exit(3)", "fails at this file"),
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "too much for a small computer"),
        ("print('no song')", "fails at this file"),
        ("", "fails at this file"),
    ):
        limited = f"from router.system.process_limits import bound\nbound(1, {64 << 20})\n{child}\n"
        monkeypatch.setattr(
            apart, "_CHILD", f"import json, sys\nsys.path[:] = json.loads(sys.argv[1])['path']\n{limited}"
        )
        assert says in refused(path).what, child
    monkeypatch.setattr(apart, "SECONDS", 0.3)
    monkeypatch.setattr(apart, "_CHILD", "import time; time.sleep(60)")
    assert "does not come back" in refused(path).what


def test_a_score_too_large_for_the_memory_is_told(monkeypatch):
    monkeypatch.setattr("router.songs.xml_tree.MOST_ELEMENTS", 20)
    said = json.loads(apart.answer(MUSICXML, "evening", None))
    assert said[0] == "wrong"
    assert "too large" in said[1]


def test_a_fault_of_ours_is_told_in_words(monkeypatch):
    monkeypatch.setattr("router.songs.reading.understand", lambda *_: 1 / 0)
    said = json.loads(apart.answer(MUSICXML, "evening", None))
    assert said[:2] == ["wrong", "the router fails at this file (ZeroDivisionError: division by zero)"]


LINES = list(plain.lines(song_of(MUSICXML, "evening")))


def test_a_line_is_short():
    song = song_of(MUSICXML, "evening")
    assert max(map(len, plain.lines(song))) < 64 * (plain.LONGEST_TEXT + 60)


@pytest.mark.parametrize(
    "change",
    [
        lambda lines: lines[:-1],
        lambda lines: lines[1:],
        lambda lines: [line.replace('"phrases", [[0', '"phrases", [[1') for line in lines],
        lambda lines: [line for line in lines if '"bars"' not in line],
        lambda lines: [line.replace('"bars", [[0', '"bars", [[9') for line in lines],
        lambda lines: [line for line in lines if '"tempos"' not in line],
        lambda lines: [line.replace('"metres", [[0, 1, 3', '"metres", [[0, 1, 99') for line in lines],
        lambda lines: [line.replace('["song", "evening", 0', '["song", "evening", 9') for line in lines],
        lambda lines: [line.replace('["song", "evening", 0', '["song", "evening", true') for line in lines],
        lambda lines: [line.replace("Voice", "V" * 300) for line in lines],
        lambda lines: [*lines[:-1], '["more", [1]]', lines[-1]],
        lambda _: ["[" * 100_000],
        lambda _: ["{}"],
        lambda _: ["7"],
        lambda lines: [lines[0], *['["part", "a", null, false]'] * 65, *lines[1:]],
        lambda lines: [*lines[:2], *['["notes", [[0, 1, 1, 1, 60, 80, ""]]]'] * (MOST_NOTES + 1), *lines[2:]],
        lambda lines: [lines[0], lines[1], '["notes", [[0, 0, 1, 1, 60, 80, ""]]]', *lines[2:]],
        lambda lines: [lines[0], lines[1], '["notes", [[0, 1, 0, 1, 60, 80, ""]]]', *lines[2:]],
        lambda lines: [lines[0], lines[1], '["notes", [[0, 1, 1, 1, 128, 80, ""]]]', *lines[2:]],
        lambda lines: [lines[0], lines[1], '["notes", [[9999, 1, 1, 1, 60, 80, ""]]]', *lines[2:]],
    ],
)
def test_what_is_no_song_is_refused(change):
    changed = change(LINES)
    assert changed != LINES
    with pytest.raises(ValueError):
        plain.song_of(changed)
