"""The shipped songs, played effort by effort: what the presses give is the song as it is written."""

from __future__ import annotations

import pytest

from router.core.song import Song
from router.songs import abc
from tests import random_songs
from tests.shared.places import ROOT

FILES = sorted((ROOT / "profiles" / "songs").glob("*.abc"))


def song(path) -> Song:
    return abc.melody(path.read_text(encoding="utf-8"), path.stem)


def test_there_are_songs():
    assert len(FILES) >= 6


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_presses_at_the_written_times_give_the_song(path):
    random_songs.as_written(song(path))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_band_that_waits_plays_each_of_its_notes_once(path):
    of = song(path)
    for seed in range(3):
        assert random_songs.band_waits(seed, of=of)
