"""Keys that are played: written out, and a share of Bach's chorales as music21 carries them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21.analysis import discrete

from router.core.music import SCALES
from router.core.units import NANOSECONDS
from router.room.tonality import ENOUGH, HALF, LONGEST, MAJOR, MINOR, PATIENCE, Key, Tonality
from tests.benchmarks import keys

CADENCE = ((0, 4, 7), (5, 9, 0), (7, 11, 2), (0, 4, 7))
MINOR_CADENCE = ((0, 3, 7), (5, 8, 0), (7, 11, 2), (0, 3, 7))


def play(tonality, tonic, chords, start, seconds):
    """Chords of a second each; the keys that were found on the way."""
    found = []
    for second in range(seconds):
        now = start + second * NANOSECONDS
        notes = [48 + (tonic + step) % 12 for step in chords[second % len(chords)]]
        for note in notes:
            tonality.down(note, now)
        for note in notes:
            tonality.up(note, now + NANOSECONDS * 9 // 10)
        found.append(tonality.key)
    return found


def test_the_profiles_are_those_that_music21_carries():
    theirs = discrete.BellmanBudge()
    assert (list(MAJOR), list(MINOR)) == (theirs.getWeights("major"), theirs.getWeights("minor"))


@pytest.mark.parametrize("tonic", range(12))
def test_each_key_by_its_cadence_and_the_next_after_a_while(tonic):
    tonality = Tonality()
    found = play(tonality, tonic, CADENCE, 0, 12)
    assert found[0] is None, "a first chord is no key yet"
    assert found[-1] == Key(tonic, False)
    found = play(tonality, tonic - 3, MINOR_CADENCE, 12 * NANOSECONDS, 60)
    assert found[0] == Key(tonic, False), "not at the first chord"
    assert found[-1] == Key((tonic - 3) % 12, True)
    changes = [key for key, before in zip(found[1:], found, strict=False) if key != before]
    assert len(changes) == 1, "once, and not to and fro"


def test_a_better_key_must_be_better_for_some_time():
    tonality = Tonality()
    play(tonality, 0, CADENCE, 0, 20)
    now = 20 * NANOSECONDS + HALF * 20  # all that was heard is as good as forgotten
    found = play(tonality, 6, CADENCE, now, 12)
    first = found.index(Key(6, False))
    assert PATIENCE // NANOSECONDS <= first < 12
    assert set(found[:first]) == {Key(0, False)}


def test_two_keys_by_turns_do_not_flutter():
    tonality = Tonality()
    found = []
    for turn in range(30):
        found += play(tonality, 7 * (turn % 2), CADENCE[:2], turn * 2 * NANOSECONDS, 2)
    found = found[10:]
    assert sum(key != before for key, before in zip(found[1:], found, strict=False)) <= 1


def test_a_key_that_is_never_let_go_does_not_become_the_tonic():
    tonality = Tonality()
    tonality.down(54, 0)
    assert play(tonality, 0, CADENCE, LONGEST, 40)[-1] == Key(0, False)


def test_nothing_changes_while_nobody_plays():
    tonality = Tonality()
    play(tonality, 0, CADENCE, 0, 12)
    tonality.up(0, 10**15)  # a key that is not down
    assert tonality.key == Key(0, False)
    assert ENOUGH > 0


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 127), st.integers(-(10**12), 10**15)), max_size=80))
def test_any_strokes_at_any_times(strokes):
    tonality = Tonality()
    for down, pitch, now in strokes:
        (tonality.down if down else tonality.up)(pitch, now)
    assert tonality.key is None or 0 <= tonality.key.tonic < 12


def test_a_scale_alone_is_its_major_or_its_relative_minor():
    tonality = Tonality()
    play(tonality, 2, [(step,) for step in SCALES["major"]], 0, 28)
    assert tonality.key in (Key(2, False), Key(11, True))


def test_chorales(monkeypatch):
    """A small run of ``python -m tests.benchmarks.keys``."""
    pieces = [keys.piece(name) for name in keys.chorales()[5::34]]
    score = keys.measured(pieces)
    assert score.pieces >= 8
    assert score.right >= 0.7 * score.pieces, score
    assert score.right + score.relative + score.fifth >= 0.9 * score.pieces, score
    monkeypatch.setattr("router.room.tonality.MARGIN", 0.0)
    assert keys.measured(pieces).changes > score.changes, "a key that is a little better is not enough"
