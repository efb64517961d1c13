"""Held notes are played one after another, in time, for as long as they are held.

On press the first note sounds at once and the others follow at ``rate``; on release it ends at once. Each step has
an absolute place in time, counted from the first: a late one never delays the next, and steps that were missed are
left out, not played in a bunch.

Example::

    rules:
      - note: {degree: 1}
      - chord: {kind: triad}
      - arpeggio: {order: up, rate: 1/8, octaves: 2, gate: 80 %}
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from fractions import Fraction
from typing import Any, ClassVar

from router.events import Event, NoteOff, NoteOn
from router.rules.base import Context, Events, Kind, Rule


class Arpeggio(Rule):
    """See the module's docstring."""

    name = "arpeggio"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "order": {
                "enum": ["up", "down", "up and down", "as played"],
                "default": "up",
                "description": "in which order the held notes follow one another",
            },
            "rate": {"quantity": "note value", "default": "1/8", "description": "how long a step is"},
            "octaves": {
                "type": "integer",
                "minimum": 1,
                "maximum": 4,
                "default": 1,
                "description": "over how many octaves the notes are repeated",
            },
            "gate": {"quantity": "percent", "default": "80 %", "description": "how much of a step its note sounds"},
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._order: str = settings["order"]
        self._rate: Fraction = settings["rate"]
        self._octaves: int = settings["octaves"]
        self._gate = max(Fraction(settings["gate"]).limit_denominator(1000), Fraction(1, 100))
        self._held: dict[int, list[NoteOn]] = {}  # by voice, in the order played
        self._start: int | None = None  # when step 0 is, None while silent
        self._step = Fraction(0)  # nanoseconds, exact, so that a thousand steps add up
        self._count = 0  # how many notes were played since the start
        self._sounding: int | None = None  # the voice of the step that sounds

    def note_on(self, note: NoteOn, now: int) -> Events:
        self._held.setdefault(note.voice, []).append(note)
        if self._start is None:
            self._start, self._count = now, 0
            self._step = self.context.music.duration(self._rate)
            self.context.alarm.at(now, "step")  # after this event, so that a whole chord has come
        return ()

    def note_off(self, off: NoteOff, now: int) -> Events:
        if off.voice not in self._held:
            return (off,)
        events: list[Event] = []
        if self._start is not None and self._count == 0:  # over before its first step: it is heard all the same
            events += self.wake(now, "step")
        del self._held[off.voice]
        if not self._held:
            events += self._rest() if self._start == now else self.let_go(now)
        return events

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == "gate":
            return self._end_step()
        if self._start is None:
            return ()
        place = int((now - self._start) / self._step)  # the latest step that is due; those before it are skipped
        self.context.alarm.at(self._start + math.ceil((place + 1) * self._step), "step")
        end = self._start + math.ceil((place + self._gate) * self._step)
        if end <= now:  # so late that its note would be over before it began: left out too
            return self._end_step()
        self.context.alarm.at(end, "gate")
        notes = self._notes()
        note = notes[self._count % len(notes)]
        self._count += 1
        ended = self._end_step()
        self._sounding = self.context.new_voice()
        return [*ended, NoteOn(self._sounding, note.pitch, note.velocity, note.strength)]

    def _rest(self) -> Events:
        """No further steps; the one that sounds ends with its gate."""
        self._start = None
        self.context.alarm.cancel("step")
        return ()

    def let_go(self, now: int) -> Events:
        self._held.clear()
        self._start = None
        self.context.alarm.cancel("step")
        self.context.alarm.cancel("gate")
        return self._end_step()

    def _end_step(self) -> Events:
        voice, self._sounding = self._sounding, None
        return () if voice is None else (NoteOff(voice),)

    def _notes(self) -> list[NoteOn]:
        """One round of the held notes, over the octaves, in order."""
        played = [note for notes in self._held.values() for note in notes]
        if self._order != "as played":
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
