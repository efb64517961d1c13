"""Each note comes back a few times, softer and softer.

On press the note sounds as it would without this rule; then it comes back ``times`` times, each ``delay`` after the one
before and softer by the share ``softer``. What comes back sounds as long as the note itself did, but never longer than
most of the time between.

Example::

    rules:
      - note: {degree: 1}
      - echo: {times: 3, delay: 1/4, softer: 40 %}
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import NANOSECONDS, Context, Event, Events, Kind, Later, NoteOff, NoteOn, Rule, Span, fold

_SOUNDS = 0.8
"""The share of the time between two that each sounds at most. Our choice."""
_SHORTEST = 30 * NANOSECONDS // 1000
"""An echo sounds for this long at least, however short the note was: as in the ledger, a tap is to be heard."""


class EchoRule(Rule):
    """The rule ``echo``; the module's docstring is its manual."""

    name = "echo"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "times": {
                "type": "integer",
                "minimum": 1,
                "maximum": 8,
                "default": 3,
                "description": "how often each note comes back",
            },
            "delay": {
                "quantity": "length",
                "default": "1/4",
                "description": "the time from one to the next",
            },
            "softer": {
                "quantity": "percent",
                "default": "40 %",
                "description": "how much softer each is than the one before",
            },
            "semitones": {
                "type": "integer",
                "minimum": -12,
                "maximum": 12,
                "default": 0,
                "description": "how much higher each is than the one before, or lower with a minus sign",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._times: int = settings["times"]
        self._delay: Span = settings["delay"]
        self._softer: float = settings["softer"]
        self._semitones: int = settings["semitones"]
        self._lasts = context.music.lasts(self._delay)
        self._later = Later(context.alarm)
        self._on: dict[int, int] = {}  # the voices of echoes that sound, and when each began
        self._behind: dict[
            int, list[tuple[int, int]]
        ] = {}  # by voice that is held: its echoes, and when the note of each began

    def note_on(self, note: NoteOn, now: int) -> Events:
        self._lasts = self.context.music.lasts(self._delay)
        if note.instead is not None:  # no effort, but the key is another
            if note.instead in self._behind:
                self._behind[note.voice] = self._behind.pop(note.instead)
            return (note,)
        delay = int(self._lasts)
        for count in range(1, self._times + 1):
            velocity = round(note.velocity * (1 - self._softer) ** count)
            if velocity < 1:
                break
            voice = self.context.new_voice()
            self._behind.setdefault(note.voice, []).append((voice, now))
            pitch = fold(note.pitch + count * self._semitones)
            self._later.put(now + count * delay, NoteOn(voice, pitch, velocity, note.strength))
            self._later.put(now + count * delay + int(_SOUNDS * delay), NoteOff(voice))
        return (note,)

    def note_off(self, off: NoteOff, now: int) -> Events:
        echoes = self._behind.pop(off.voice, None)
        if echoes is not None:
            begins = {**self._on, **self._later.begins()}
            ends = {voice: begins[voice] + max(now - began, _SHORTEST) for voice, began in echoes if voice in begins}
            self._later.move(lambda when, event: self._end(when, event, ends, now))
        return (off,)

    @staticmethod
    def _end(when: int, event: Event, ends: Mapping[int, int], now: int) -> int:
        """Return when an event comes once the end of some echoes is known: never later than it would have come."""
        if isinstance(event, NoteOff) and event.voice in ends:
            return min(when, max(now, ends[event.voice]))
        return when

    def wake(self, now: int, tag: Hashable) -> Events:
        events = self._later.due(now)
        ended = {event.voice for event in events if isinstance(event, NoteOff)}
        # One whose end has come as well was missed: it is left out, so that a held-up program does not play a bunch.
        given = [event for event in events if not isinstance(event, NoteOn) or event.voice not in ended]
        given = [event for event in given if not isinstance(event, NoteOff) or event.voice in self._on]
        for event in given:
            if isinstance(event, NoteOn):
                self._on[event.voice] = now
            elif isinstance(event, NoteOff):
                del self._on[event.voice]
        return given

    def beat_changed(self, now: int) -> Events:
        before, self._lasts = self._lasts, self.context.music.lasts(self._delay)
        longer = self._lasts / before
        if longer != 1:
            self._later.move(lambda when, _: now + math.ceil((when - now) * longer))
        return ()

    def let_go(self, now: int) -> Events:
        self._later.clear()
        self._behind.clear()
        on, self._on = self._on, {}
        return [NoteOff(voice) for voice in on]
