"""Which chord some notes are.

    everything is said from the lowest note: the intervals above it, without octaves, are looked up in one table
    complete, on the lowest note    C E G is C; C E G A is C6 and A C E G is Am7; each note of an augmented triad or of a diminished
                                    seventh is the root when it lies lowest
    complete, turned over           E G C is C/E; where two names are left, sevenths come before sixths and sus4 before sus2:
                                    E G A C is Am7/E, D G C is Gsus4/D
    its fifth left out              C E is C(no5), C E Bb is C7(no5): only where no complete chord has these notes
    anything else                   the names of its notes, from the lowest up

Which notes belong together on a keyboard, ``Played`` says:

    together    the keys that sound when they have settled: those that are down, those that a pedal holds, and those that were struck
                in that moment, even if they are up again
    broken      if they make no chord by themselves, what was struck just before belongs to them, where a triad or a seventh comes of it
    two notes   are a chord only as a fifth or a third, and only if the chord that stands has not both of them already: a tune over a
                chord changes nothing

So the same notes over the same bass always have the same name, however they are spread or doubled. A chord's notes are those that
were given and no others: what is left out is not made up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from router.core.music import NAMES, SYMBOLS, Chord
from router.core.units import NANOSECONDS

SETTLE = 30 * NANOSECONDS // 1000
"""So long after the last key the chord of a keyboard is taken: the notes of one chord are seldom further apart. Our choice."""
TOGETHER = NANOSECONDS // 2
"""Notes of a broken chord lie no further apart than this from the first to the last. Our choice: four eighths at 180 a minute and more."""

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


class Played:
    """The chord that a keyboard plays: see the module's docstring. It is looked for ``SETTLE`` after each key that is struck.

    ``together``: how far apart, in nanoseconds, the first and the last note of a broken chord may be; 0: none is looked for.
    """

    def __init__(self, together: int = TOGETHER) -> None:
        self._together = together
        self._fresh: set[int] = set()  # struck since they were last looked at
        self._struck: dict[int, int] = {}  # when each note was last struck
        self.chord: Chord | None = None
        """What was played last; it stays when the keys are let go."""

    @property
    def fresh(self) -> bool:
        """Whether a key was struck since the last look."""
        return bool(self._fresh)

    def strike(self, note: int, now: int) -> None:
        """A key goes down."""
        self._fresh.add(note)
        self._struck[note] = now

    def forget(self) -> None:
        """What was struck before does not count any more. The chord stays."""
        self._fresh.clear()
        self._struck.clear()

    def settle(self, down: Iterable[int], held: Iterable[int] = ()) -> bool:
        """The keys have settled: these are down, and these are held all the same; whether the chord is another now."""
        fingers = set(down) | self._fresh
        sounding = fingers | set(held)
        newest = max(self._struck.values(), default=0)
        self._struck = {note: when for note, when in self._struck.items() if newest - when <= self._together}
        self._fresh.clear()
        before, self.chord = self.chord, self._found(fingers, sounding, sounding | set(self._struck)) or self.chord
        return self.chord != before

    def _found(self, fingers: set[int], sounding: set[int], recent: set[int]) -> Chord | None:
        for notes in (sounding, fingers):
            if _different(notes) > 2 and (chord := named_chord(notes)):
                return chord
        if (chord := named_chord(recent)) and chord.shape in TRIADS_AND_SEVENTHS:
            return chord
        if _different(sounding) > 2:
            return chord_of(list(fingers if _different(fingers) > 2 else sounding))
        chord = named_chord(sounding)
        if _different(sounding) < 2 or (chord and self.chord and set(chord.classes) <= set(self.chord.classes)):
            return None
        return chord


def _different(notes: Iterable[int]) -> int:
    return len({note % 12 for note in notes})
