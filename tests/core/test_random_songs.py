"""Random songs by random hands, a few; the large count is a command: see random_songs.py."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from router.core.playing.in_time import InTime
from router.core.playing.player import Player
from router.core.playing.transport import Transport
from tests import random_songs

SEEDS = st.integers(0, 10**9)


@given(SEEDS)
@settings(max_examples=25)
def test_the_band_that_waits_plays_each_note_once_in_order_and_never_before_hers(seed):
    random_songs.band_waits(seed)
    random_songs.band_waits(seed, {"lengths": "written", "early": "in time"})
    random_songs.band_waits(seed, {"tempo": "hers"})


@given(SEEDS)
@settings(max_examples=25)
def test_what_is_played_in_time_never_sounds_outside_the_chord(seed):
    random_songs.now_fits(seed)


@given(SEEDS)
@settings(max_examples=25)
def test_nothing_is_left_on_whatever_is_lost_stopped_or_changed(seed):
    random_songs.let_go(seed)


def _all_at_once(self: Player, _place: int) -> int | None:
    return self._notes[self._next].at if self._next < len(self._notes) else None


@pytest.mark.parametrize(
    ("of", "method", "instead", "way"),
    [
        (Player, "_begins", _all_at_once, random_songs.band_waits),
        (InTime, "_pitch", lambda self, place, _: self._note(place).pitch, random_songs.now_fits),
        (Transport, "close", lambda *_: None, random_songs.let_go),
    ],
    ids=["a band that runs ahead", "a note outside the chord", "a song that goes on without its player"],
)
def test_what_is_broken_is_found(of, method, instead, way, monkeypatch):
    monkeypatch.setattr(of, method, instead)
    with pytest.raises(AssertionError):
        sum(way(seed) for seed in range(200))
