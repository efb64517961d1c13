"""Recognize the chord that some notes make.

    the rule                        the intervals above the lowest note, without octaves, are looked up in one table
    complete, on the lowest note    C E G is C; C E G A is C6 and A C E G is Am7; each note of an augmented triad or of
                                    a diminished seventh is the root when it lies lowest
    complete, inverted              E G C is C/E; where two names are left, sevenths come before sixths and sus4 before
                                    sus2: E G A C is Am7/E, D G C is Gsus4/D
    its fifth left out              C E is C(no5), C E Bb is C7(no5): only where no complete chord has these notes
    anything else                   the names of its notes, from the lowest up

``PlayedChord`` decides which notes of a keyboard belong together:

    together    the keys that sound when they have settled: those that are down, those that a pedal holds, and those
                that were struck in that moment, even if they are up again
    broken      if these make no chord, notes struck just before are added, provided that a triad or a seventh results
    two notes   are a chord only as a fifth or a third, and only if the current chord does not contain both already: a
                tune over a chord changes nothing

So the same notes over the same bass always have the same name, however they are spread or doubled. A chord has the
notes that were given and no others: a missing note is not made up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from router.core.music import NAMES, SYMBOLS, Chord
from router.core.units import NANOSECONDS

SETTLE = 30 * NANOSECONDS // 1000
"""Time from the last key until its chord is taken: notes of one chord are seldom further apart. Our choice."""
TOGETHER = NANOSECONDS // 2
"""Longest time from the first note of a broken chord to its last. Our choice: four eighth notes at 180 bpm or more."""

_FIFTH = 7
_THIRDS = (3, 4)
_LESS_LIKELY = ("sus2", "6", "m6")
"""Inversions of these are named last: each has the notes of a more usual chord (sus4, m7, m7b5)."""


def _table() -> Mapping[frozenset[int], tuple[int, str, tuple[int, ...]]]:
    """Root (semitones above the lowest note), symbol and shape of each chord, by its intervals above that note."""
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
"""The shapes of triads and sevenths; complete, so none without its fifth."""


def named_chord(pitches: Iterable[int]) -> Chord | None:
    """The chord of these notes, by its symbol; None if there is none, as for a second, a tritone or a cluster."""
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
    """The chord of these notes, by its symbol or its notes' names; None for fewer than two different notes."""
    classes = list(dict.fromkeys(pitch % 12 for pitch in sorted(pitches)))
    if len(classes) < 2:
        return None
    shape = tuple(sorted((note - classes[0]) % 12 for note in classes))
    return named_chord(pitches) or Chord(" ".join(NAMES[note] for note in classes), classes[0], shape)


class PlayedChord:
    """The chord that a keyboard plays, looked for ``SETTLE`` after each key that is struck.

    ``together``: longest time in nanoseconds from a broken chord's first note to its last; 0: no broken chords.
    """

    def __init__(self, together: int = TOGETHER) -> None:
        self._together = together
        self._fresh: set[int] = set()  # struck since they were last looked at
        self._struck: dict[int, int] = {}  # when each note was last struck
        self.chord: Chord | None = None
        """The chord played last; it stays when the keys are released."""

    @property
    def fresh(self) -> bool:
        """Tell whether a key was struck since the last ``settle``."""
        return bool(self._fresh)

    def strike(self, note: int, now: int) -> None:
        """Note a key that goes down."""
        self._fresh.add(note)
        self._struck[note] = now

    def forget(self) -> None:
        """Forget all keys struck before; the chord stays."""
        self._fresh.clear()
        self._struck.clear()

    def settle(self, down: Iterable[int], held: Iterable[int] = ()) -> bool:
        """Take the chord of the keys ``down`` and those a pedal has ``held``; tell whether it has changed."""
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
