"""How hard, or how far, chooses the note: a soft puff plays the first of a list, a full one the last.

The way from rest to a full effort is divided into equal steps, a note or chord each. What is below ``sounds_from`` is
rest, and there nothing sounds; a press that counts sounds however gentle it is. With ``sounds: while pressed`` the
level only chooses, and a press of another input of the part says when: a switch sounds the note to which the head is
turned.

A step holds on to the level that has reached it: only when the level is past the border by ``hysteresis``, a part of a
step, does the next one sound. So a level that trembles by less than that never changes the note to and fro. After a
note has begun the next waits until ``settle`` is over, so that a quick push does not run through all between. With
``glide`` each note slides in from where the last one was, by the pitch bend of the part's channel: from two semitones
away at most, the range that General MIDI gives the bend. The note ends in tune whatever the range is.

Example::

    rules:
      - pitch_from_level: {degrees: [1, 2, 3, 5], octave: 4, hysteresis: 25 %, glide: 80 ms}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import (
    BEND_CENTRE,
    NANOSECONDS,
    ONE_ROW,
    ROW,
    Bend,
    Context,
    Event,
    Events,
    Held,
    Kind,
    Level,
    NoteOn,
    Press,
    Release,
    Row,
    Rule,
)

_BEND_RANGE = 2
"""Semitones of the whole bend to one side: General MIDI Level 1, from memory; and what a synth has that is told
nothing."""
_BEND_EVERY = NANOSECONDS // 100
"""The time from one value of a glide to the next, as in the rule ``control``."""
_SETTLED, _GLIDES = "settled", "glides"


class PitchFromLevelRule(Rule):
    """The rule ``pitch_from_level``; the module's docstring is its manual."""

    name = "pitch_from_level"
    takes = Kind.LEVELS | Kind.GESTURES
    gives = Kind.NOTES | Kind.LEVELS
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            **ROW,
            "sounds": {
                "enum": ["above rest", "while pressed"],
                "default": "above rest",
                "description": "when it sounds: whenever the level is above rest, or only while an input is pressed",
            },
            "sounds_from": {
                "quantity": "percent",
                "least": "1 %",
                "most": "90 %",
                "default": "10 %",
                "description": "the level at which the first step begins; below half of it the sound ends",
            },
            "hysteresis": {
                "quantity": "percent",
                "most": "50 %",
                "default": "25 %",
                "description": "how far past its border, in parts of a step, the level must go to leave a step",
            },
            "settle": {
                "quantity": "time",
                "most": "1 s",
                "default": "60 ms",
                "description": "the shortest time from one note to the next",
            },
            "glide": {
                "quantity": "time",
                "most": "2 s",
                "default": "0 ms",
                "description": "how long a note takes to slide in from the one before; 0 ms: it does not",
            },
        },
        "oneOf": ONE_ROW,
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._row = Row(settings, context)
        self._held = Held(context)
        self._only_pressed = settings["sounds"] == "while pressed"
        self._from: float = settings["sounds_from"]
        self._hysteresis: float = settings["hysteresis"]
        self._settle: int = settings["settle"]
        self._glide: int = settings["glide"]
        self._levels: dict[str, float] = {}  # by source; the highest counts
        self._pressed: dict[int, None] = {}
        self._step: int | None = None  # None: at rest
        # Of the note that sounds, or that a limit has ended: then it is silent until another step or the next effort.
        self._voice: int | None = None
        self._since = 0  # when the step began
        self._pitch: int | None = None  # of the last note, where a glide begins
        self._away = 0.0  # semitones from which it slides in
        self._bend = BEND_CENTRE  # that was sent last

    def level(self, level: Level, now: int) -> Events:
        self._levels[level.source] = level.value
        return (*self._follow(now), level)  # another rule may move something else by it

    def press(self, press: Press, now: int) -> Events:
        self._pressed[press.voice] = None
        return self._follow(now)

    def release(self, release: Release, now: int) -> Events:
        self._pressed.pop(release.voice, None)
        return self._follow(now)

    def wake(self, now: int, tag: Hashable) -> Events:
        return self._follow(now) if tag == _SETTLED else self._slide(now)

    def music_changed(self, now: int) -> Events:
        return self._held.anew()

    def let_go(self, now: int) -> Events:
        self._levels.clear()
        self._pressed.clear()
        ended = self._end()
        self.context.alarm.cancel(_GLIDES)
        return [*ended, *self._held.clear(), *self._bent(BEND_CENTRE)]

    # --- which step ---------------------------------------------------------------------------------------------------

    @property
    def _highest(self) -> float:
        return max(self._levels.values(), default=0.0)

    def _wanted(self) -> int | None:
        """The step of the present level; None: nothing is to sound."""
        level, step = self._highest, self._step
        if self._only_pressed or self._pressed:
            sounds = bool(self._pressed)
        else:
            sounds = level >= (self._from if step is None else self._from / 2)
        if not sounds:
            return None
        position = (level - self._from) / (1 - self._from) * len(self._row)
        if step is not None and step - self._hysteresis <= position <= step + 1 + self._hysteresis:
            return step
        return min(max(int(position), 0), len(self._row) - 1)

    def _follow(self, now: int) -> list[Event]:
        wanted = self._wanted()
        if wanted == self._step:
            self.context.alarm.cancel(_SETTLED)
            return []
        if wanted is None:
            return self._end()
        if self._step is not None and now < self._since + self._settle:
            self.context.alarm.at(self._since + self._settle, _SETTLED)
            return []
        slides = self._step is not None
        return [*self._end(), *self._begin(wanted, now, slides=slides)]

    # --- what sounds --------------------------------------------------------------------------------------------------

    def _begin(self, step: int, now: int, *, slides: bool) -> list[Event]:
        voice = self._voice = self.context.new_voice()
        self._step, self._since = step, now
        effort = Press(self.name, voice, min(max(self._highest, 0.0), 1.0))
        notes: list[NoteOn] = self._held.begin(voice, lambda: self._row.play(step, effort))
        before, self._pitch = self._pitch, notes[0].pitch
        self._away = 0.0
        if self._glide and slides and before is not None:
            self._away = float(min(max(before - self._pitch, -_BEND_RANGE), _BEND_RANGE))
        return [*self._slide(now), *notes]

    def _slide(self, now: int) -> list[Event]:
        """Bend the note to where it is now on its way."""
        left = self._since + self._glide - now
        if not self._away or left <= 0:
            self.context.alarm.cancel(_GLIDES)
            return self._bent(BEND_CENTRE)
        self.context.alarm.at(now + min(_BEND_EVERY, left), _GLIDES)
        away = self._away * left / self._glide / _BEND_RANGE
        return self._bent(min(round(BEND_CENTRE * (1 + away)), 2 * BEND_CENTRE - 1))

    def _bent(self, value: int) -> list[Event]:
        if value == self._bend:
            return []
        self._bend = value
        return [Bend(value)]

    def _end(self) -> list[Event]:
        """End the note; a glide goes on to its end, which is in tune."""
        self.context.alarm.cancel(_SETTLED)
        voice, self._voice, self._step = self._voice, None, None
        return [] if voice is None else [self._held.end(voice)]
