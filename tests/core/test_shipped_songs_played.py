"""The shipped songs, played effort by effort: what the presses give is the song as it is written."""

from __future__ import annotations

import pytest

from router.core.events import NoteOff, NoteOn, Press, Release
from router.core.rules.song import SongRule
from router.core.song import Song
from router.core.units import NANOSECONDS
from router.songs import abc
from router.testing import MILLISECOND, Bench, RuleUnderTest
from tests import random_songs
from tests.shared.places import ROOT

FILES = sorted((ROOT / "profiles" / "songs").glob("*.abc"))


def song(path) -> Song:
    return abc.melody(path.read_text(encoding="utf-8"), path.stem)


def played(of: Song, presses: list[tuple[int, int]], **settings: object) -> list[tuple[int, int, int]]:
    """Each note that presses, from and to a time, give: when it began and ended, and its pitch."""
    rule = Bench(RuleUnderTest(SongRule, {"play": of, **settings}, "shipped"))
    for voice, (begins, ends) in enumerate(presses, 1):
        rule.give(Press("pad", voice), begins)
        rule.give(Release("pad", voice), ends)
    rule.go_on(rule.now + 60 * NANOSECONDS)
    on: dict[int, list[tuple[int, int]]] = {}
    found = []
    for now, event in rule.out:
        if isinstance(event, NoteOn):
            on.setdefault(event.voice, []).append((now, event.pitch))
        elif isinstance(event, NoteOff):
            found += [(began, now, pitch) for began, pitch in on.pop(event.voice, ())]
    assert not on
    return sorted(found)


def test_there_are_songs():
    assert len(FILES) >= 6


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_presses_at_the_written_times_give_the_song(path):
    of = song(path)
    timed = of.timed((of.melody,), by_quarters=False)
    written = sorted((note.at, note.end, note.pitch) for note in timed)
    steps = sorted({note.at for note in timed})
    short = [(at, at + 20 * MILLISECOND) for at in steps]
    assert played(of, short, press="note", lengths="written") == written
    held = [(at, next(note.end for note in timed if note.at == at)) for at in steps]
    assert played(of, held, press="note") == written, "a tune has one note at a time"
    phrases = [of.ticks(of.tune.steps[phrase.first].at, by_quarters=False) for phrase in of.phrases]
    assert played(of, [(at, at + 20 * MILLISECOND) for at in phrases], press="phrase") == written
    assert played(of, short[:1], press="start", introduction="left out") == [
        (begins - steps[0] + short[0][0], ends - steps[0] + short[0][0], pitch) for begins, ends, pitch in written
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_band_that_waits_plays_each_of_its_notes_once(path):
    of = song(path)
    for seed in range(3):
        assert random_songs.band_waits(seed, of=of)
