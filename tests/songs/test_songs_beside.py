"""A few scores by our readers and by other libraries; more of them with ``python -m tests.songs_beside``."""

from __future__ import annotations

from tests import songs_beside


def test_a_few_scores_agree_with_music21_and_as_midi_with_pretty_midi():
    paths = [path for path in songs_beside.corpus() if path.name in ("bwv269.mxl", "two-voices.xml", "layoutTest.xml")]
    assert len(paths) == 3
    for path in paths:
        verdict, score = songs_beside.score_beside(path)
        assert not verdict.why, verdict
        midi = songs_beside.midi_beside(score, path.name)
        assert not midi.why, midi


def test_phrases_found_in_folk_songs_are_their_lines():
    right, too_many, missed, tunes = songs_beside.phrases_beside(100)
    assert tunes > 50
    assert right > 0.6 * (right + too_many)
    assert right > 0.6 * (right + missed)


def test_chords_calculated_from_chorales_are_those_of_their_analyses():
    found = songs_beside.chords_beside(3)
    assert found.chorales >= 2
    assert found.roots > 0.75 * found.compared
    assert found.chords > 0.7 * found.compared
