"""Efforts answer what was heard: each plays the next note of the last phrase, or the whole phrase in its own rhythm.

The part has two inputs: the child's, and the one that it ``hears``: of type ``listen`` (another child, another part),
or MIDI keys. What comes from there is only remembered. A phrase is over when nothing has sounded for ``quiet``; then
the next answer is its answer, while one that has begun is played to its end. Notes that begin together are one step.
Note by note, a press begins the next step and its release ends it, and after the last comes the first again; after
``restart_after`` without an effort the answer begins anew. With ``whole`` one press plays everything, however long it
is held, and another press begins it again. As long as nothing was heard, each press plays the step ``degree`` of the
scale, so that no effort is silent. Moved by ``octaves`` or ``steps`` an answer stays within two octaves of that step,
or as near to it as what was heard: two children who answer each other do not climb for ever.

Example::

    rules:
      - answer: {hears: call, plays: note by note, octaves: 1}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from router.rule import (
    DEGREE,
    NANOSECONDS,
    OCTAVE,
    Context,
    Event,
    Events,
    Later,
    NoteOff,
    NoteOn,
    Plays,
    Press,
    Release,
    fold,
)

MOST = 64
"""Notes of a phrase that can be remembered: more than anybody sings in one breath. Our choice."""
_TOGETHER = 50 * NANOSECONDS // 1000
"""Notes that begin within this time are a chord and one step. Our choice: wider than hands are apart, closer than two
efforts."""
_LONGEST = 10 * NANOSECONDS
"""A longer note is answered by one of this length: the longest that a profile lets sound if nothing is written."""
_REACH = 24
"""Semitones from ``degree`` to which an answer may be moved: two answers that move each other's would climb for ever.
Our choice."""
_OVER = "over"


@dataclass(slots=True)
class _Tone:
    """A note of a phrase: when it begins and how long it lasts, in nanoseconds from the beginning of the phrase."""

    after: int
    pitch: int
    velocity: int
    lasts: int = 0


class AnswerRule(Plays):
    """The rule ``answer``; the module's docstring is its manual."""

    name = "answer"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "required": ["hears"],
        "properties": {
            "hears": {
                "type": "string",
                "description": "the input that is answered, of type listen or midi",
                "examples": ["call"],
            },
            "plays": {
                "enum": ["note by note", "whole"],
                "default": "note by note",
                "description": "what an effort plays: the next note of the phrase, or all of it in its own rhythm",
            },
            "notes": {
                "type": "integer",
                "minimum": 1,
                "maximum": MOST,
                "default": MOST,
                "description": "how many notes are remembered; of a longer phrase its beginning",
            },
            "quiet": {
                "quantity": "time",
                "least": "100 ms",
                "most": "10 s",
                "default": "1 s",
                "description": "so long after its last note a phrase is over",
            },
            "octaves": {
                "type": "integer",
                "minimum": -4,
                "maximum": 4,
                "default": 0,
                "description": "the answer is so many octaves higher, or lower with a minus sign",
            },
            "steps": {
                "type": "integer",
                "minimum": -14,
                "maximum": 14,
                "default": 0,
                "description": "the answer is so many steps of the scale higher, or lower with a minus sign",
            },
            "degree": {
                **DEGREE,
                "default": 1,
                "description": "the step of the scale that is played before anything was heard",
            },
            "octave": {**OCTAVE, "description": "the octave of that step; octave 4 begins at middle C"},
            "restart_after": {
                "quantity": "time",
                "least": "1 s",
                "most": "10 min",
                "default": "10 s",
                "description": "a pause after which the answer begins anew, with what was heard last",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._settings = settings
        self._hears: str = settings["hears"].strip()
        self._later = Later(context.alarm)  # of a whole answer
        self._on: dict[int, None] = {}  # what of it sounds
        self._forget()

    def _forget(self) -> None:
        self._down: dict[int, _Tone | None] = {}  # what is heard sounding, by voice; None: more than are remembered
        self._began = 0
        self._over: int | None = None  # when the phrase that is heard will be over
        self._heard: list[_Tone] = []  # of the phrase that is not over
        self._last: list[_Tone] = []  # the one before it, whole
        self._answering: list[_Tone] = []
        self._steps: list[list[_Tone]] = []  # of the one that is answered
        self._next = 0
        self._effort = 0  # when the last one was

    # --- what is heard ----------------------------------------------------------------------------------------

    def press(self, press: Press, now: int) -> Events:
        if self._of_others(press):
            if press.source == self._hears or press.pitch is not None:
                self._note(press, now)
            return ()
        return self._play(press, now)

    def release(self, release: Release, now: int) -> Events:
        if not self._of_others(release):
            return (self.held.end(release.voice),)
        if release.voice in self._down:
            tone = self._down.pop(release.voice)
            if tone is not None:
                tone.lasts = min(now - self._began - tone.after, _LONGEST)
            if not self._down:
                self._over = now + self._settings["quiet"]
                self.context.alarm.at(self._over, _OVER)
        return ()

    def _of_others(self, gesture: Press | Release) -> bool:
        return gesture.source.partition(".")[0] == self._hears

    def _note(self, press: Press, now: int) -> None:
        if self._over is not None and self._over <= now:
            self._end_phrase()
        self._over = None
        self.context.alarm.cancel(_OVER)
        if not self._heard:
            self._began = now
        self._down[press.voice] = None
        if len(self._heard) < self._settings["notes"] and press.pitch is not None:
            tone = _Tone(now - self._began, press.pitch, max(1, round(press.strength * 127)))
            self._down[press.voice] = tone
            self._heard.append(tone)

    def _end_phrase(self) -> None:
        self._over = None
        if self._heard:
            self._last, self._heard = self._heard, []

    # --- what is played ---------------------------------------------------------------------------------------

    def _play(self, press: Press, now: int) -> Events:
        if now - self._effort >= self._settings["restart_after"]:
            self._next = 0
        self._effort = now
        whole = self._settings["plays"] == "whole"
        if (whole or not self._next) and self._answering is not self._last:
            self._answering, self._steps, self._next = self._last, _steps(self._last), 0
        if not self._steps:
            return self.held.begin(
                press.voice, lambda: [NoteOn(press.voice, self._key_note(), strength=press.strength)]
            )
        if whole:
            return [*self._end_answer(), *self._begin_answer(press, now)]
        step = self._steps[self._next]
        self._next = (self._next + 1) % len(self._steps)
        return self.held.begin(press.voice, lambda: self._notes(step, press))

    def _key_note(self) -> int:
        return self.context.music.degree(self._settings["degree"], self._settings["octave"])

    def _notes(self, step: list[_Tone], press: Press) -> list[NoteOn]:
        pitches = dict.fromkeys(self._moved(tone.pitch) for tone in step)
        return [NoteOn(press.voice, pitch, strength=press.strength) for pitch in pitches]

    def _begin_answer(self, press: Press, now: int) -> Events:
        for tone in self._answering:
            voice = self.context.new_voice()
            note = NoteOn(voice, self._moved(tone.pitch), tone.velocity, press.strength)
            self._later.put(now + tone.after, note)
            self._later.put(now + tone.after + max(tone.lasts, 1), NoteOff(voice))
        return self._due(now)

    def _moved(self, pitch: int) -> int:
        steps: int = self._settings["steps"]
        moved = self.context.music.move(pitch, steps) if steps else pitch
        moved = fold(moved + 12 * self._settings["octaves"])
        home = self._key_note()
        most = max(_REACH, abs(pitch - home))  # what was heard far away may be answered there
        while abs(moved - home) > most:
            moved += 12 if moved < home else -12
        return moved

    def _due(self, now: int) -> list[Event]:
        events = self._later.due(now)
        # A note whose end has come as well was missed: left out, so that a held-up program does not play a bunch.
        missed = {event.voice for event in events if isinstance(event, NoteOff)} - self._on.keys()
        given = [event for event in events if isinstance(event, NoteOn | NoteOff) and event.voice not in missed]
        for event in given:
            if isinstance(event, NoteOn):
                self._on[event.voice] = None
            else:
                del self._on[event.voice]
        return [*given]

    def _end_answer(self) -> list[Event]:
        self._later.clear()
        on, self._on = self._on, {}
        return [NoteOff(voice) for voice in on]

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == _OVER:
            self._end_phrase()
            return ()
        return self._due(now)

    def let_go(self, now: int) -> Events:
        self.context.alarm.cancel(_OVER)
        self._forget()
        return [*super().let_go(now), *self._end_answer()]


def _steps(phrase: list[_Tone]) -> list[list[_Tone]]:
    """The notes of a phrase, those that begin together in one step."""
    steps: list[list[_Tone]] = []
    for tone in phrase:
        if steps and tone.after - steps[-1][0].after <= _TOGETHER:
            steps[-1].append(tone)
        else:
            steps.append([tone])
    return steps
