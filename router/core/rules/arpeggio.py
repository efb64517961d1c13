"""Held notes are played one after another, in time, for as long as they are held.

On press the first note sounds at once and the others follow at ``rate``; on release it ends at once. With ``begin: on
the beat`` the first waits for its place on the grid that all parts share, and a tap is heard there too. Each step has
an absolute place in time: a late one never delays the next, and steps that were missed are left out, not played in a
bunch.

Example::

    rules:
      - note: {degree: 1}
      - chord: {kind: triad}
      - arpeggio: {order: up, rate: 1/8, octaves: 2, gate: 80 %}
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import replace
from fractions import Fraction
from random import Random
from typing import Any, ClassVar

from router.rule import (
    BEGIN,
    GATE,
    ON_THE_BEAT,
    SEED,
    SWING,
    Context,
    Events,
    Grid,
    Kind,
    NoteOff,
    NoteOn,
    Rule,
    Span,
    gate,
)


class ArpeggioRule(Rule):
    """The rule ``arpeggio``; the module's docstring is its manual."""

    name = "arpeggio"
    takes = Kind.NOTES
    repeats = True
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "order": {
                "enum": ["up", "down", "up and down", "as played", "random"],
                "default": "up",
                "description": "in which order the held notes follow one another",
            },
            "rate": {"quantity": "rate", "default": "1/8", "description": "how long a step is"},
            "octaves": {
                "type": "integer",
                "minimum": 1,
                "maximum": 4,
                "default": 1,
                "description": "over how many octaves the notes are repeated",
            },
            "gate": GATE,
            "begin": BEGIN,
            "swing": SWING,
            "seed": SEED,
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._order: str = settings["order"]
        self._rate: Span = settings["rate"]
        self._octaves: int = settings["octaves"]
        self._gate = gate(settings)
        self._on_the_beat = settings["begin"] == ON_THE_BEAT
        self._swing: Fraction = settings["swing"]
        self._seed: int = settings["seed"]
        self._chances = Random(self._seed)  # noqa: S311 - a fixed row of numbers for music, no secret
        self._held: dict[int, list[NoteOn]] = {}  # by voice, in the order played
        self._tapped: set[int] = set()  # voices that ended before the first step, in which they are heard all the same
        self._grid: Grid | None = None  # the places of the steps, None while silent
        self._place = 0  # of the step that comes next
        self._stepped = 0  # when the last step came
        self._end = 0  # when the step that sounds ends
        self._count = 0  # how many notes were played since the start
        self._first = 0  # when the first of them was
        self._sounding: int | None = None  # the voice of the step that sounds
        self._pitch: int | None = None  # the note that was played last

    def note_on(self, note: NoteOn, now: int) -> Events:
        self._tapped.discard(note.voice)
        if note.instead is not None:
            self._held.pop(note.instead, None)
            self._tapped.discard(note.instead)
        self._held.setdefault(note.voice, []).append(note)
        if self._grid is None:
            self._count = 0
            self._grid = self._beats() if self._on_the_beat else replace(self._beats(), start=now)
            self._place = self._grid.next(now)
            # After this event, so that a whole chord has come.
            self.context.alarm.at(self._grid.at(self._place), "step")
        return ()

    def note_off(self, off: NoteOff, now: int) -> Events:
        if off.voice not in self._held:
            return (off,)
        if self._grid is not None and self._count == 0:
            self._tapped.add(off.voice)
            return ()
        del self._held[off.voice]
        if self._held:
            return ()
        return self._rest() if now == self._first else self.let_go(now)

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == "gate":
            return self._end_step()
        if self._grid is None:
            return ()
        place = self._grid.latest(now)  # the latest step that is due; those before it are skipped
        self._place, self._stepped = place + 1, now
        self.context.alarm.at(self._grid.at(self._place), "step")
        self._end = self._grid.end(place, self._gate)
        if self._end <= now:  # so late that its note would be over before it began: left out too
            return self._end_step()
        self.context.alarm.at(self._end, "gate")
        note = self._next(self._notes())
        if self._count == 0:
            self._first = now
        self._count += 1
        ended = self._end_step()
        self._sounding = self.context.new_voice()
        for voice in self._tapped:
            del self._held[voice]
        self._tapped.clear()
        if not self._held:
            self._rest()
        return [*ended, NoteOn(self._sounding, note.pitch, note.velocity, note.strength)]

    def beat_changed(self, now: int) -> Events:
        old, new = self._grid, self._beats()
        if old is None or (self._rate.nanoseconds and self._count):
            return ()
        due = old.at(self._place)
        if self._on_the_beat:
            self._grid, self._place = new, old.onto(new, self._place, now)
            # Beats that change several times within a step could together bring the next one too near.
            while self._count and 2 * (new.at(self._place) - self._stepped) < min(old.step, new.step):
                self._place += 1
        else:
            self._grid = old.retimed(now, new.step)
        step = max(now, self._grid.at(self._place))
        self.context.alarm.at(step, "step")
        if self._sounding is not None and due > now:  # its end keeps its share of the time to the next step
            self._end = now + math.ceil(Fraction((self._end - now) * (step - now), due - now))
            self.context.alarm.at(self._end, "gate")
        return ()

    def _beats(self) -> Grid:
        """The grid that all parts share."""
        return self.context.music.grid(self._rate, self._swing)

    def _rest(self) -> Events:
        """Leave out further steps; the one that sounds ends with its gate."""
        self._grid = None
        self.context.alarm.cancel("step")
        return ()

    def let_go(self, now: int) -> Events:
        self._held.clear()
        self._tapped.clear()
        self._grid = self._pitch = None
        self._chances.seed(self._seed)
        self.context.alarm.cancel("step")
        self.context.alarm.cancel("gate")
        return self._end_step()

    def _end_step(self) -> Events:
        voice, self._sounding = self._sounding, None
        return () if voice is None else (NoteOff(voice),)

    def _next(self, notes: list[NoteOn]) -> NoteOn:
        if self._order != "random":
            return notes[self._count % len(notes)]
        others = [note for note in notes if note.pitch != self._pitch] or notes  # never the same twice running
        chosen = self._chances.choice(others)
        self._pitch = chosen.pitch
        return chosen

    def _notes(self) -> list[NoteOn]:
        """Return the held notes for a round, over the octaves, in order."""
        played = [note for notes in self._held.values() for note in notes]
        if self._order not in ("as played", "random"):
            played.sort(key=lambda note: note.pitch)
        row = [
            NoteOn(note.voice, note.pitch + 12 * octave, note.velocity, note.strength)
            for octave in range(self._octaves)
            for note in played
            if note.pitch + 12 * octave <= 127
        ]
        if self._order == "down":
            row.reverse()
        if self._order == "up and down":
            row += row[-2:0:-1]  # neither end is played twice
        return row
