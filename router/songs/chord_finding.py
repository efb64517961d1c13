"""Calculate the chords of an accompaniment.

    heard      how long each of the twelve notes sounds within a beat, all parts but drums together; the melody counts
               for ``MELODY``, as it passes over the harmony
    score      of a chord on a beat: what sounds of it, less what sounds beside it, less ``MISSING`` for each of its
               notes that does not sound, and ``BASS`` more if its root is the lowest note that sounds (Pardo and
               Birmingham, Algorithms for chordal analysis, Computer Music Journal 26(2), 2002: from memory)
    way        the chords of all beats whose scores add up to most, where another chord costs ``CHANGE``, and half of it
               at the beginning of a bar (dynamic programming)

How often this is right is measured by ``python -m tests.songs_beside --chords``; ``MELODY``, ``MISSING``, ``BASS`` and
``CHANGE`` are our choice, by that measure.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

from router.core.music import CHORDS, SYMBOLS, Chord, spelt
from router.core.song import ChordAt, MetreAt, SongNote
from router.songs.score import ScorePart

MELODY = 0.8
MISSING = 0.25
BASS = 0.2
CHANGE = 0.4

_SHAPES = tuple(CHORDS[kind] for kind in ("major", "minor", "diminished", "7", "m7", "maj7", "m7b5", "dim7"))
_RARE = {CHORDS["maj7"]: 0.08, CHORDS["m7"]: 0.04, CHORDS["diminished"]: 0.05, CHORDS["dim7"]: 0.08}
"""Taken off the score of chords that are seldom meant where a plainer one explains as much."""
_CANDIDATES = tuple((root, shape) for root in range(12) for shape in _SHAPES)
_TONES = tuple(frozenset((root + step) % 12 for step in shape) for root, shape in _CANDIDATES)
_SYMBOL = {shape: symbol for symbol, shape in SYMBOLS.items()}


def chords_of(
    parts: Sequence[ScorePart],
    melody: int,
    bars: Sequence[Fraction],
    metres: Sequence[MetreAt],
    key: tuple[int, tuple[int, ...]],
) -> list[ChordAt]:
    """The chords of the parts; none if only the melody sounds, and it one note at a time."""
    sounding = [
        (note, MELODY if i == melody else 1.0) for i, part in enumerate(parts) if not part.drums for note in part.notes
    ]
    accompanied = len({i for i, part in enumerate(parts) if not part.drums and part.notes}) > 1
    if not accompanied and not _in_chords(parts[melody].notes):
        return []
    beats = _beats(bars, metres)
    heard, lowest = _heard(sounding, [beat for beat, _ in beats], bars[-1])
    found = _best_way([_scores(*each) for each in zip(heard, lowest, strict=True)], [first for _, first in beats])
    names = spelt(*key)
    chords: list[ChordAt] = []
    for (at, _), weights, place in zip(beats, heard, found, strict=True):
        if not any(weights) and chords:
            continue  # the chord goes on through a rest
        root, shape = _CANDIDATES[place]
        chord = Chord(f"{names[root]}{_SYMBOL[shape]}", root, shape) if any(weights) else None
        if not chords or chords[-1].chord != chord:
            chords.append(ChordAt(at, chord))
    return chords


def _in_chords(notes: Sequence[SongNote]) -> bool:
    """Tell whether a part has harmony of its own: a quarter of its notes begin together with another."""
    onsets = [note.at for note in notes]
    return 4 * (len(onsets) - len(set(onsets))) >= len(onsets)


def _beats(bars: Sequence[Fraction], metres: Sequence[MetreAt]) -> list[tuple[Fraction, bool]]:
    """When each beat begins, and whether a bar begins with it."""
    found = []
    changes = [metre.at for metre in metres]
    for begins, ends in pairwise(bars):
        beat = metres[max(bisect_right(changes, begins) - 1, 0)].signature.beat
        at = begins
        while at < ends:
            found.append((at, at == begins))
            at += beat
    return found


def _heard(
    sounding: Sequence[tuple[SongNote, float]], beats: Sequence[Fraction], end: Fraction
) -> tuple[list[list[float]], list[int]]:
    """Each beat's weights of the twelve notes, which add up to 1; and its lowest note, -1 if nothing sounds."""
    heard = [[0.0] * 12 for _ in beats]
    lowest = [128] * len(beats)
    ends = [*beats[1:], end]
    for note, weight in sounding:
        i = max(bisect_right(beats, note.at) - 1, 0)
        while i < len(beats) and beats[i] < note.end:
            within = min(note.end, ends[i]) - max(note.at, beats[i])
            heard[i][note.pitch % 12] += weight * float(within / (ends[i] - beats[i]))
            if 4 * within >= ends[i] - beats[i] or note.at == beats[i]:
                lowest[i] = min(lowest[i], note.pitch)
            i += 1
    for weights in heard:
        total = sum(weights)
        if total:
            weights[:] = [weight / total for weight in weights]
    return heard, [note % 12 if note < 128 else -1 for note in lowest]


def _scores(weights: Sequence[float], lowest: int) -> list[float]:
    """How well each candidate explains a beat."""
    if not any(weights):
        return [0.0] * len(_CANDIDATES)
    scores = []
    for (root, shape), tones in zip(_CANDIDATES, _TONES, strict=True):
        inside = sum(weights[tone] for tone in tones)
        missing = sum(not weights[tone] for tone in tones)
        score = 2 * inside - 1 - MISSING * missing - _RARE.get(shape, 0.0)
        scores.append(score + BASS if root == lowest else score)
    return scores


def _best_way(scores: Sequence[Sequence[float]], bar_begins: Sequence[bool]) -> list[int]:
    """The candidate of each beat."""
    if not scores:
        return []
    best = list(scores[0])
    came_from: list[list[int]] = []
    for here, first in zip(scores[1:], bar_begins[1:], strict=True):
        leader = max(range(len(best)), key=best.__getitem__)
        another = best[leader] - (CHANGE / 2 if first else CHANGE)
        stays = [value >= another for value in best]
        came_from.append([i if stay else leader for i, stay in enumerate(stays)])
        best = [(best[i] if stay else another) + here[i] for i, stay in enumerate(stays)]
    place = max(range(len(best)), key=best.__getitem__)
    way = [place]
    for origins in reversed(came_from):
        place = origins[place]
        way.append(place)
    return way[::-1]
