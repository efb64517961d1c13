"""A bass plays the ground of the current chord in time with the child, and leads to the chord that comes next.

With the first effort the bass begins, at once; the bars are counted from there, or as the room counts them. While
efforts follow one another it goes on, and ``linger`` after the last has ended ends with the root on the next bar.
Behind a ``latch`` a press is for on, and one for off. A part without an input goes with every movement of the others;
``starts: by itself`` needs none, and plays as long as the profile does. Its chords are those of the ``progression`` or
the room; where there are none it stays on the tonic.

``line`` says what it plays, always with the root (of C/E the E) on the bar and where the chord changes. ``root``: on
each beat that is strong. ``root and fifth``: the two in turn, on the strong beats, 1 and 3 in 4/4. ``walking``: a note
on each beat, along the notes of the chord, and the last one before another root is a step from it; where the chords go
on by presses nobody can know which comes when, and it leads to its own root. ``rate`` has a note on each such step
instead, and ``pattern`` on those of its steps that have a stroke: ``x`` a stroke, ``X`` an accent, ``g`` a ghost note,
``-`` a rest.

Example::

    rules:
      - bass: {line: walking}
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import (
    ACCENT,
    ENDING,
    GATE,
    LINGER,
    PLAIN,
    REST,
    STARTS,
    SWING,
    VELOCITY,
    Accompanies,
    Bars,
    Chord,
    Context,
    Events,
    Span,
    Stroke,
    Strokes,
    fold,
    gate,
    within,
)

_BELOW = 8
"""Semitones below the C of its octave to which it goes: the lowest string of a bass is E1 where that C is C2."""
_REACH = 24
"""Semitones that it has. Our choice: two octaves, so that each root has two places."""
_BACK = 4
"""Semitones that a root may lie further away in the direction of a walking line and be taken. Our choice."""
_FIFTHS = (7, 6, 8)
"""The fifth of a chord, in semitones: perfect, diminished or augmented."""


class BassRule(Accompanies):
    """The rule ``bass``; the module's docstring is its manual."""

    name = "bass"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "line": {
                "enum": ["root", "root and fifth", "walking"],
                "default": "root and fifth",
                "description": "what it plays beside the root on the bar",
            },
            "rate": {
                "quantity": "length",
                "description": "how long a step is; if left out, it plays on the beats that belong to its line",
                "examples": ["1/4"],
            },
            "pattern": {
                "quantity": "strokes",
                "description": "on which steps it plays; if left out, on each",
                "examples": ["x--x--x-"],
            },
            "octave": {
                "type": "integer",
                "minimum": 0,
                "maximum": 5,
                "default": 2,
                "description": "the octave about which it plays; octave 4 begins at middle C",
            },
            "gate": {**GATE, "default": "90 %", "description": "how much of the time to its next note a note sounds"},
            "swing": SWING,
            "velocity": VELOCITY,
            "starts": STARTS,
            "linger": LINGER,
            "ending": ENDING,
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._line: str = settings["line"]
        self._rate: Span | None = settings.get("rate")
        self._pattern: Strokes | None = settings.get("pattern")
        if self._rate is None and self._pattern is not None:
            self._rate = Span(whole=Fraction(1, 8))
        self._home: int = 12 * (settings["octave"] + 1)
        self._gate = gate(settings)
        self._swing: Fraction = settings["swing"]
        self.rest()

    def rest(self) -> None:
        self._chord: Chord | None = None  # in which it played last
        self._last = self._home  # the pitch that it played last
        self._target: int | None = None  # the root to which a walking line leads
        self._upwards = True
        self._turn = 0  # of root and fifth
        self._place = 0  # of the last note

    def places(self) -> Bars:
        music = self.context.music
        signature = music.time_signature
        beat = signature.beat if self._line == "walking" else Fraction(4, signature.beat_type)
        return music.bars(self._rate or Span(whole=beat / 4), self._swing)

    # --- where it plays -------------------------------------------------------------------------------------------

    def _strength(self, place: int) -> int:
        """The strength of the note at a place; none where it has none."""
        grid = self._playing
        bar, column = divmod(place, grid.columns)
        if self._pattern is not None:
            return within(self._pattern, bar, column, grid.columns)
        if column == 0:
            return ACCENT
        if self._rate is not None or self._line == "walking":
            return PLAIN
        signature = self.context.music.time_signature
        return PLAIN if column in [at * signature.beat_type / 4 for at in signature.strong] else REST

    @property
    def _playing(self) -> Bars:
        assert self.grid is not None  # it plays
        return self.grid

    def _following(self, place: int) -> int:
        """The place of the note after this one; within two bars there is one, as a pattern has a stroke."""
        most = place + max(2 * self._playing.columns, len(self._pattern or ()))
        return next((later for later in range(place + 1, most + 1) if self._strength(later)), most)

    def _takes_root(self, place: int, before: int) -> bool:
        """Tell whether the note at a place, after one ``before`` it, is a root: the first of a bar or of a chord."""
        grid, coming = self._playing, self.context.music.coming
        if place // grid.columns > before // grid.columns:
            return True
        return coming is not None and coming.at is not None and grid.at(before) < coming.at <= grid.at(place)

    # --- what it plays --------------------------------------------------------------------------------------------

    def play(self, place: int, now: int) -> Iterable[Stroke]:
        strength = self._strength(place)
        if not strength:
            return ()
        chord, following = self.context.music.chord_at(now), self._following(place)
        root = self._chord != chord or self._takes_root(place, self._place)
        if root:
            pitch = self._root(chord)
        elif self._line == "walking":
            pitch = self._walks(chord, place, following)
        else:
            self._turn += 1
            pitch = self._fifth(chord) if self._line == "root and fifth" and self._turn % 2 else self._root(chord)
        if root:
            self._turn, self._target = 0, None
            self._upwards = pitch < self._home + _REACH / 2 - _BELOW
        self._chord, self._last, self._place = chord, pitch, place
        return (Stroke(fold(pitch), strength, (following - place) * self._gate),)

    def last(self, place: int, now: int) -> Iterable[Stroke]:
        chord = self.context.music.chord_at(now)
        return (Stroke(fold(self._root(chord)), ACCENT, self._playing.columns * self._gate),)

    def music_changed(self, now: int) -> Events:
        """Go to the root of another chord at once, where the next note is far away."""
        chord = self.context.music.chord_at(now)
        if self._chord is None or self.grid is None or self.waits:
            return ()
        following = self._following(self.place)
        if self.soon(following, now):
            return ()
        if _ground(chord) == _ground(self._chord) and self._fifth(chord) == self._fifth(self._chord):
            self._chord = chord
            return ()
        self._chord, self._last, self._turn, self._target = chord, self._root(chord), 0, None
        return self.change([Stroke(fold(self._last), PLAIN, (following - self.place) * self._gate)], now)

    def _root(self, chord: Chord) -> int:
        """The ground of a chord: where a walking line leads, else in its own octave, or near the last note."""
        ground = _ground(chord)
        if self._line != "walking":
            return self._nearest(ground, self._home)
        if self._target is not None and self._target % 12 == ground:
            return self._target
        return self._nearest(ground, self._last)

    def _ahead(self, note: int) -> int:
        """The place of the root to which a line leads: near, and rather on in its direction than back."""
        return min(self._places_of(note), key=lambda place: abs(place - self._last) + _BACK * self._goes_back(place))

    def _goes_back(self, place: int) -> bool:
        return (place > self._last) != self._upwards

    def _nearest(self, note: int, pitch: int) -> int:
        """The place of a note (0 to 11) nearest to a pitch, within its reach; of two the lower."""
        return min(self._places_of(note), key=lambda place: abs(place - pitch))

    def _places_of(self, note: int) -> range:
        lowest = self._home - _BELOW
        return range(lowest + (note - lowest) % 12, lowest + _REACH, 12)

    def _fifth(self, chord: Chord) -> int:
        """The fifth of a chord, below its root if that is within its reach."""
        steps = next((fifth for fifth in _FIFTHS if fifth in chord.shape), _FIFTHS[0])
        root = self._nearest(_ground(chord), self._home)
        above = (chord.root + steps - root) % 12
        return root + above - 12 if root + above - 12 >= self._home - _BELOW else root + above

    def _walks(self, chord: Chord, place: int, following: int) -> int:
        """A note of a walking line: along the notes of the chord, and at last a step from the next root."""
        if not self._takes_root(following, place):
            return self._along(chord)
        music = self.context.music
        coming = music.coming
        comes = coming is not None and coming.at is not None and coming.at <= self._playing.at(following)
        self._target = self._ahead(_ground(coming.chord if coming and comes else chord))
        return self._approach(self._target)

    def _along(self, chord: Chord) -> int:
        """The next note of the chord, upwards or downwards; at the end of its reach it turns."""
        lowest, highest = self._home - _BELOW, self._home - _BELOW + _REACH - 1
        notes = [pitch for pitch in range(lowest, highest + 1) if pitch % 12 in chord.classes]
        for _ in range(2):
            beyond = [note for note in notes if (note > self._last) == self._upwards and note != self._last]
            if beyond:
                return min(beyond, key=lambda note: abs(note - self._last))
            self._upwards = not self._upwards
        return self._last

    def _approach(self, root: int) -> int:
        """A note that is a step from the next root: of the scale if it has one, from the side of the last note."""
        side = 1 if self._last > root else -1
        steps: Sequence[int] = (side, 2 * side, -side, -2 * side)
        possible = [step for step in steps if root + step != self._last]
        scale = self.context.music
        step = min(possible, key=lambda step: (step * side < 0, not scale.contains(root + step)))
        return root + step


def _ground(chord: Chord) -> int:
    """The note on which a chord stands: its root, or the bass of a slash chord."""
    return chord.root if chord.bass is None else chord.bass
