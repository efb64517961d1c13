"""Notes, chords, songs or phrases go by, each hinted softly, and a press takes the one of the moment.

This is choice with one movement (auditory scanning). The first press begins: one after another is hinted, ``every`` so
long, in the order of the list, and the next press plays the one that is there, in full. It sounds while she holds, and
for ``lasts`` at least; a press within that time plays it once more, so that a tremor costs nothing. After that a press
begins to choose again; with ``again: by itself`` that begins when the chosen one has ended. If she presses late, set
``lag``: the one that was there so long ago is taken. ``first_stays`` gives more time to a child who has just pressed.
Without a choice it comes to rest after so many ``rounds``, or after ``longest_wait``, and the next press begins again.

Of ``songs`` the beginning of each melody is hinted, and the chosen one is played to its end at its own tempo, however
short the press is; ``phrases_of`` lets the phrases of one song go by in the same way.

How long is ``every``? So long as she surely needs, and rather more. A rule of thumb is the time from a sound to her
press, divided by 0.65: with 1.3 s, 2 s (Assist Technol 2007;19:51, from memory, and not found with slow children: for
them try twice that). With ``begin: on the beat`` the hints lie on the grid that all parts share.

Example::

    rules:
      - choice: {chords: [1, 4, 5], octave: 3, every: 2 s, lag: 300 ms}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from router.rule import (
    BEGIN,
    GATE,
    ON_THE_BEAT,
    ONE_ROW,
    ROW,
    Context,
    Event,
    Events,
    Grid,
    NoteOn,
    Plays,
    Press,
    Release,
    Row,
    Span,
    TimedNote,
    Tune,
    gate,
    melody_of,
    phrases_of,
)

_STEP, _HINT, _REST, _LASTS, _TUNE = "step", "hint", "rest", "lasts", "tune"


@dataclass(slots=True)
class _Going:
    """The row goes by: on which grid, since which place, until when; and what is hinted."""

    grid: Grid
    first: int
    next: int
    hinted: int | None = None  # its voice, while it sounds


@dataclass(slots=True)
class _Chosen:
    """The chosen one sounds: the press that chose it, which of the list it is, and until when it does at least."""

    press: Press
    which: int
    until: int
    held: bool = True


class ChoiceRule(Plays):
    """The rule ``choice``; the module's docstring is its manual."""

    name = "choice"
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            **ROW,
            "songs": {
                "type": "array",
                "minItems": 1,
                "maxItems": 16,
                "items": {"type": "string", "song": True},
                "description": "songs of this profile, of which the melody is played, instead of degrees",
                "examples": [["evening"]],
            },
            "phrases_of": {
                "type": "string",
                "song": True,
                "description": "a song of this profile whose phrases go by, instead of degrees",
                "examples": ["evening"],
            },
            "every": {
                "quantity": "length",
                "default": "2 s",
                "description": "how long each is there to be chosen",
            },
            "begin": BEGIN,
            "first_stays": {
                "type": "integer",
                "minimum": 1,
                "maximum": 4,
                "default": 1,
                "description": "for how many steps the first of the list is there",
            },
            "hint_velocity": {
                "type": "integer",
                "minimum": 1,
                "maximum": 127,
                "default": 35,
                "description": "how loud a hint begins; a rule velocity further on has the last word",
            },
            "gate": {**GATE, "default": "50 %", "description": "how much of a step its hint sounds"},
            "lag": {
                "quantity": "time",
                "most": "5 s",
                "default": "0 ms",
                "description": "the one is taken that was there so long before the press",
            },
            "lasts": {
                "quantity": "time",
                "least": "200 ms",
                "most": "20 s",
                "default": "2 s",
                "description": "how long the chosen one sounds at least; a press in this time plays it once more",
            },
            "again": {
                "enum": ["press", "by itself"],
                "default": "press",
                "description": "what begins the next choice when the chosen one has ended",
            },
            "rounds": {
                "type": "integer",
                "minimum": 1,
                "maximum": 20,
                "default": 3,
                "description": "how often the list goes by without a choice before it rests",
            },
            "longest_wait": {
                "quantity": "time",
                "least": "1 s",
                "most": "90 s",
                "default": "60 s",
                "description": "so long it waits for a choice at most, whatever the rounds are",
            },
        },
        "oneOf": [*ONE_ROW, {"required": ["songs"]}, {"required": ["phrases_of"]}],
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._row = Row(settings, context)
        self._tunes: list[tuple[TimedNote, ...]] = [melody_of(song) for song in settings.get("songs", ())]
        if "phrases_of" in settings:
            self._tunes = phrases_of(settings["phrases_of"])
        self._every: Span = settings["every"]
        self._on_the_beat = settings["begin"] == ON_THE_BEAT
        self._first_stays: int = settings["first_stays"]
        self._hint_velocity: int = settings["hint_velocity"]
        self._gate = gate(settings)
        self._lag: int = settings["lag"]
        self._lasts: int = settings["lasts"]
        self._by_itself = settings["again"] == "by itself"
        self._round: int = (len(self._tunes) or len(self._row)) - 1 + self._first_stays  # steps of one round
        self._steps: int = self._round * settings["rounds"]
        self._longest_wait: int = settings["longest_wait"]
        self._going: _Going | None = None
        self._chosen: _Chosen | None = None
        self._tune: Tune | None = None  # that is hinted or played

    # --- what she does ------------------------------------------------------------------------------------------------

    def press(self, press: Press, now: int) -> Events:
        chosen, going = self._chosen, self._going
        if chosen is not None and now < chosen.until:
            return [*self._end_chosen(), *self._play(press, chosen.which, now)]
        if going is not None:
            return [*self._stop_going(), *self._play(press, self._at(going, now - self._lag), now)]
        return [*self._end_chosen(), *self._go(now, 0)]

    def release(self, release: Release, now: int) -> Events:
        chosen = self._chosen
        if chosen is None or chosen.press.voice != release.voice:
            return ()
        chosen.held = False
        return self._over(now) if self._has_ended(chosen, now) else ()

    def _has_ended(self, chosen: _Chosen, now: int) -> bool:
        """Tell whether nothing keeps the chosen one: a melody is played to its end, all else while it is held."""
        return now >= chosen.until and (not chosen.held if self._tune is None else self._tune.next() is None)

    def _play(self, press: Press, which: int, now: int) -> list[Event]:
        """Play the chosen one in full."""
        self._chosen = _Chosen(press, which, now + self._lasts)
        self.context.alarm.at(now + self._lasts, _LASTS)
        if self._tunes:
            self._tune = Tune(self._tunes[which], now)
            return self._sing(self._tune, now)
        return [*self.held.begin(press.voice, lambda: self._row.play(which, press))]

    def _sing(self, tune: Tune, now: int) -> list[Event]:
        """Go on with a melody, as a hint or in full."""
        chosen = self._chosen

        def note(timed: TimedNote) -> NoteOn:
            velocity, strength = (
                (self._hint_velocity, 0.0) if chosen is None else (timed.velocity, chosen.press.strength)
            )
            return NoteOn(self.context.new_voice(), timed.pitch, velocity, strength)

        events = tune.due(now, note)
        comes = tune.next()
        if comes is not None:
            self.context.alarm.at(max(now, comes), _TUNE)
        elif chosen is not None and self._has_ended(chosen, now):
            events += self._over(now)
        return events

    def _end_tune(self) -> list[Event]:
        self.context.alarm.cancel(_TUNE)
        tune, self._tune = self._tune, None
        return [] if tune is None else tune.end()

    def _over(self, now: int) -> list[Event]:
        """End the chosen one, and go on by itself if that is wanted."""
        return [*self._end_chosen(), *(self._go(now, 1) if self._by_itself else ())]

    def _end_chosen(self) -> list[Event]:
        chosen, self._chosen = self._chosen, None
        self.context.alarm.cancel(_LASTS)
        if chosen is None or self._tunes:
            return self._end_tune() if chosen is not None else []
        return [self.held.end(chosen.press.voice)]

    # --- what goes by -------------------------------------------------------------------------------------------------

    def _go(self, now: int, after: int) -> list[Event]:
        """Let the list go by from its beginning, ``after`` so many steps."""
        music = self.context.music
        if self._on_the_beat:
            grid = music.grid(self._every)
            first = grid.next(now) + after
        else:
            grid, first = Grid(now, music.lasts(self._every)), after
        self._going = _Going(grid, first, first)
        self.context.alarm.at(now + self._longest_wait, _REST)
        return self._step(self._going, now)

    def _step(self, going: _Going, now: int) -> list[Event]:
        """Hint what is there now, and wait for the next; those that were missed are left out."""
        place = going.grid.latest(now)
        if place >= going.first + self._steps:  # a late press may still take the last
            self.context.alarm.at(going.grid.at(going.first + self._steps) + self._lag, _REST)
            return self._end_hint(going)
        if place < going.next:
            self.context.alarm.at(going.grid.at(going.next), _STEP)
            return []
        going.next = place + 1
        self.context.alarm.at(going.grid.at(place + 1), _STEP)
        step = (place - going.first) % self._round
        ends = going.grid.end(place, self._gate)
        if 0 < step < self._first_stays or ends <= now:
            return []
        events = self._end_hint(going)
        which = self._which(place - going.first)
        if self._tunes:
            self._tune = Tune(self._tunes[which], going.grid.at(place), ends)
            return [*events, *self._sing(self._tune, now)]
        voice = going.hinted = self.context.new_voice()
        self.context.alarm.at(ends, _HINT)
        return [*events, *self.held.begin(voice, lambda: self._hint(which, voice))]

    def _hint(self, which: int, voice: int) -> list[NoteOn]:
        soft = Press(self.name, voice, strength=0.0)
        return [replace(note, velocity=self._hint_velocity) for note in self._row.play(which, soft)]

    def _which(self, step: int) -> int:
        """Which of the list is there in a step since the beginning."""
        return max(0, step % self._round - self._first_stays + 1)

    def _at(self, going: _Going, when: int) -> int:
        """Which of the list was there at ``when``: the first before the beginning, the last after the end."""
        return self._which(min(max(0, going.grid.latest(when) - going.first), self._steps - 1))

    def _end_hint(self, going: _Going) -> list[Event]:
        self.context.alarm.cancel(_HINT)
        voice, going.hinted = going.hinted, None
        return self._end_tune() if voice is None else [self.held.end(voice)]

    def _stop_going(self) -> list[Event]:
        for tag in (_STEP, _REST):
            self.context.alarm.cancel(tag)
        going, self._going = self._going, None
        return [] if going is None else self._end_hint(going)

    # --- time, and everybody else -------------------------------------------------------------------------------------

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == _TUNE:
            return () if self._tune is None else self._sing(self._tune, now)
        if tag == _LASTS:
            return self._over(now) if self._chosen is not None and self._has_ended(self._chosen, now) else ()
        going = self._going
        if going is None or tag == _REST:
            return self._stop_going()
        return self._step(going, now) if tag == _STEP else self._end_hint(going)

    def beat_changed(self, now: int) -> Events:
        going = self._going
        if going is None:
            return ()
        old, step = going.grid, self.context.music.lasts(self._every)
        if self._on_the_beat:
            grid = self.context.music.grid(self._every)
            shift = old.onto(grid, going.next, now) - going.next
            going.first, going.next = going.first + shift, going.next + shift
        elif step == old.step:
            return ()
        else:
            grid = old.retimed(now, step)
        going.grid = grid
        self.context.alarm.at(max(now, grid.at(going.next)), _STEP)
        if going.hinted is not None:
            self.context.alarm.at(max(now, grid.end(going.next - 1, self._gate)), _HINT)
        return ()

    def cut(self, voice: int, now: int) -> Events:
        if self._chosen is not None and self._tune is None and self._chosen.press.voice == voice:
            return self._over(now)
        return ()

    def let_go(self, now: int) -> Events:
        return [*self._stop_going(), *self._end_chosen(), *super().let_go(now)]
