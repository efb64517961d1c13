"""Which chord some notes are.

    everything is said from the lowest note: the intervals above it, without octaves, are looked up in one table
    complete, on the lowest note    C E G is C; C E G A is C6 and A C E G is Am7; each note of an augmented triad or of a diminished
                                    seventh is the root when it lies lowest
    complete, turned over           E G C is C/E; where two names are left, sevenths come before sixths and sus4 before sus2:
                                    E G A C is Am7/E, D G C is Gsus4/D
    its fifth left out              C E is C(no5), C E Bb is C7(no5): only where no complete chord has these notes
    anything else                   the names of its notes, from the lowest up

So the same notes over the same bass always have the same name, however they are spread or doubled. A chord's notes are those that
were given and no others: what is left out is not made up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from router.music import NAMES, SYMBOLS, Chord

_FIFTH = 7
_THIRDS = (3, 4)
_LESS_LIKELY = ("sus2", "6", "m6")
"""Turned over these are named last: each has the notes of a chord that is more usual (sus4, m7, m7b5)."""


def _table() -> Mapping[frozenset[int], tuple[int, str, tuple[int, ...]]]:
    """From the intervals above the lowest note: how far above it the root is, the symbol, and the shape."""
    likely = sorted(SYMBOLS.items(), key=lambda item: item[0] in _LESS_LIKELY)
    without = [
        (f"{symbol}(no5)", tuple(step for step in shape if step != _FIFTH))
        for symbol, shape in likely
        if _FIFTH in shape and any(third in shape for third in _THIRDS)
    ]
    table: dict[frozenset[int], tuple[int, str, tuple[int, ...]]] = {}
    for chords in (likely, without):
        for turned in (False, True):
            for symbol, shape in chords:
                for lowest in shape[1:] if turned else (0,):
                    above = frozenset((step - lowest) % 12 for step in shape)
                    table.setdefault(above, (-lowest % 12, symbol, shape))
    return MappingProxyType(table)


_TABLE = _table()

TRIADS_AND_SEVENTHS = frozenset(
    SYMBOLS[symbol]
    for symbol in ("", "m", "dim", "aug", "sus2", "sus4", "7", "maj7", "m7", "mM7", "m7b5", "dim7", "7#5", "maj7#5")
)
"""Their shapes; complete, so none with its fifth left out."""


def named_chord(pitches: Iterable[int]) -> Chord | None:
    """The chord that these notes are, by its symbol; None if they have none, as a second, a tritone or a cluster."""
    notes = sorted(pitches)
    if not notes:
        return None
    bass = notes[0] % 12
    found = _TABLE.get(frozenset((note - bass) % 12 for note in notes))
    if found is None:
        return None
    up, symbol, shape = found
    root = (bass + up) % 12
    if root == bass:
        return Chord(f"{NAMES[root]}{symbol}", root, shape)
    return Chord(f"{NAMES[root]}{symbol}/{NAMES[bass]}", root, shape, bass)


def chord_of(pitches: Sequence[int]) -> Chord | None:
    """The chord that these notes are, by its symbol or by the names of its notes; None for fewer than two different notes."""
    classes = list(dict.fromkeys(pitch % 12 for pitch in sorted(pitches)))
    if len(classes) < 2:
        return None
    shape = tuple(sorted((note - classes[0]) % 12 for note in classes))
    return named_chord(pitches) or Chord(" ".join(NAMES[note] for note in classes), classes[0], shape)
