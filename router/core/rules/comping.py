"""Chords in a rhythm accompany what the child plays, as a guitar or a piano does.

With the first effort they begin, at once; the bars are counted from there, or as the room counts them. While efforts
follow one another they go on, and ``linger`` after the last has ended end with a chord on the next bar. Behind a
``latch`` a press is for on, and one for off. A part without an input goes with every movement of the others; ``starts:
by itself`` needs none, and plays as long as the profile does. They are the chords of the ``progression`` or the room,
each as near as can be to the one before; where there are none, the triad on the tonic.

``pattern`` says on which steps of ``rate`` a chord is struck: ``x`` a stroke, ``X`` an accent, ``g`` a ghost note,
``-`` a rest; spaces and ``|`` are for the eye. A pattern that is shorter than a bar begins again within it, one of
several bars goes on. Each chord sounds for the share ``gate`` of the time to the next one, a bar at most. When the
chord changes between two strokes, what sounds changes with it.

Example::

    rules:
      - comping: {pattern: -x-x, rate: 1/4, gate: 40 %}
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import (
    ACCENT,
    ENDING,
    GATE,
    LINGER,
    OCTAVE,
    PLAIN,
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
    gate,
    within,
)

_LOWEST = 4
"""Semitones above the C of its octave from which its lowest note lies: from E3 on, as on a guitar. Our choice."""


class CompingRule(Accompanies):
    """The rule ``comping``; the module's docstring is its manual."""

    name = "comping"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "pattern": {
                "quantity": "strokes",
                "default": "x",
                "description": "on which steps a chord is struck",
                "examples": ["-x-x"],
            },
            "rate": {
                "quantity": "note value",
                "least": "1/64",
                "default": "1/4",
                "description": "how long a step is",
            },
            "octave": {**OCTAVE, "minimum": 1, "maximum": 7, "default": 3, "description": "about where it lies"},
            "gate": GATE,
            "swing": SWING,
            "velocity": {**VELOCITY, "default": 56},
            "starts": STARTS,
            "linger": LINGER,
            "ending": ENDING,
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._pattern: Strokes = settings["pattern"]
        self._rate: Fraction = settings["rate"]
        self._lowest: int = 12 * (settings["octave"] + 1) + _LOWEST
        self._gate = gate(settings)
        self._swing: Fraction = settings["swing"]
        self.rest()

    def rest(self) -> None:
        self._chord: Chord | None = None
        self._notes: tuple[int, ...] = ()

    def places(self) -> Bars:
        return self.context.music.bars(Span(whole=self._rate), self._swing)

    def play(self, place: int, now: int) -> Iterable[Stroke]:
        strength = self._strength_at(place)
        return self._strike(place, now, strength) if strength else ()

    def last(self, place: int, now: int) -> Iterable[Stroke]:
        return self._strike(place, now, ACCENT)

    def music_changed(self, now: int) -> Events:
        """Go on in another chord, if one sounds and the next stroke is far away."""
        if self.grid is None or self._chord in (None, self.context.music.chord_at(now)):
            return ()
        if self.soon(self._following(self.place), now):
            return ()
        return self.change(self._strike(self.place, now, PLAIN), now)

    def _strength_at(self, place: int) -> int:
        assert self.grid is not None  # it plays
        columns = self.grid.columns
        return within(self._pattern, *divmod(place, columns), columns)

    def _following(self, place: int) -> int:
        """The place of the stroke after this one."""
        assert self.grid is not None  # it plays
        most = place + max(self.grid.columns, len(self._pattern))
        return next((later for later in range(place + 1, most + 1) if self._strength_at(later)), most)

    def _strike(self, place: int, now: int, strength: int) -> list[Stroke]:
        assert self.grid is not None  # it plays
        chord = self.context.music.chord_at(now)
        if self._chord != chord:
            self._chord, self._notes = chord, self._voiced(chord)
        lasts = min(self._following(place) - place, self.grid.columns)
        return [Stroke(pitch, strength, lasts * self._gate) for pitch in self._notes]

    def _voiced(self, chord: Chord) -> tuple[int, ...]:
        """The chord in the close position that moves least from the one before; each inversion has one place here."""
        found = []
        for inversion in range(len(chord.classes)):
            first, *others = (*chord.classes[inversion:], *chord.classes[:inversion])
            lowest = self._lowest + (first - self._lowest) % 12
            found.append(tuple(sorted({lowest, *(lowest + (note - lowest) % 12 for note in others)})))
        before = self._notes or (self._lowest + 7,) * 3
        return min(found, key=lambda notes: sum(abs(a - b) for a, b in zip(notes, before, strict=False)))
