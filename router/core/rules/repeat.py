"""A held note is struck again and again, in time, for as long as it is held.

On press it sounds at once; while held it comes again at ``rate``, each time for the share ``gate`` of a step; on
release it ends at once. With ``begin: on the beat`` the first stroke waits for its place on the grid that all parts
share, and a tap is heard there too. With ``swing`` the first of two steps is longer than the second, in the ratio that
is written: 2:1 is a triplet feel. With ``strong`` the rate follows the strength of the effort, from ``rate`` at the
gentlest to ``strong`` at full; on the beat it is the nearest that divides ``rate`` evenly, so that every stroke stands
on the grid. Each stroke has an absolute place in time: a late one never delays the next, and strokes that were missed
are left out.

Example::

    rules:
      - note: {degree: 1}
      - repeat: {rate: 1/4, strong: 1/16, gate: 50 %}
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import (
    BEGIN,
    GATE,
    ON_THE_BEAT,
    SWING,
    Context,
    Event,
    Events,
    Grid,
    Kind,
    NoteOff,
    NoteOn,
    Rule,
    Span,
    gate,
)


class RepeatRule(Rule):
    """The rule ``repeat``; the module's docstring is its manual."""

    name = "repeat"
    takes = Kind.NOTES
    repeats = True
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "rate": {"quantity": "rate", "default": "1/8", "description": "how long a step is"},
            "strong": {"quantity": "rate", "description": "how long a step is at full strength; as rate if left out"},
            "gate": {**GATE, "default": "50 %"},
            "begin": BEGIN,
            "swing": SWING,
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._rate: Span = settings["rate"]
        self._strong: Span = settings.get("strong", self._rate)
        self._gate = gate(settings)
        self._on_the_beat = settings["begin"] == ON_THE_BEAT
        self._swing: Fraction = settings["swing"]
        self._held: dict[int, list[NoteOn]] = {}
        self._grids: dict[int, Grid] = {}
        self._places: dict[int, int] = {}  # of the stroke that comes next
        self._struck: dict[int, int] = {}  # when the last stroke was; none yet of a voice that waits for the beat
        self._tapped: set[int] = (
            set()
        )  # voices that ended before their first stroke, in which they are heard all the same
        self._ends: dict[int, int] = {}  # when the last stroke ends or has ended
        self._sounding: dict[int, int] = {}  # the voice of the stroke that sounds, by the voice behind it

    def note_on(self, note: NoteOn, now: int) -> Events:
        if note.instead in self._held:
            self._take_over(note.instead, note.voice, now)
        if note.instead is not None and note.voice in self._held:  # it is struck at the next place
            self._held[note.voice].append(note)
            return ()
        if note.voice not in self._held:
            self._begin(note, now)
        self._held.setdefault(note.voice, []).append(note)
        self._tapped.discard(note.voice)
        if note.voice not in self._struck:
            return ()
        own = self._sounding.get(note.voice)
        if own is None:
            own = self._sounding[note.voice] = self.context.new_voice()
        return (NoteOn(own, note.pitch, note.velocity, note.strength),)

    def _begin(self, note: NoteOn, now: int) -> None:
        step = self._step(note)
        if (
            self._on_the_beat
        ):  # the first stroke comes at its place: at this moment after this event, so that a whole chord has come
            grid = self._grids[note.voice] = Grid(self.context.music.origin, step, self._swing)
            self._places[note.voice] = grid.next(now)
        else:
            self._grids[note.voice], self._places[note.voice] = Grid(now, step, self._swing), 1
            self._struck[note.voice] = now
            self._ends[note.voice] = self._grids[note.voice].end(0, self._gate)
        self._set_alarms(note.voice, now)

    def _take_over(self, old: int, new: int, now: int) -> None:
        """A voice goes on in the place of another."""
        of_voices: tuple[dict[int, Any], ...] = (self._grids, self._places, self._struck, self._ends, self._sounding)
        for of_voice in of_voices:
            if old in of_voice:
                of_voice[new] = of_voice.pop(old)
        del self._held[old]
        self._held[new] = []
        self._tapped.discard(old)
        for what in ("step", "gate"):
            self.context.alarm.cancel((what, old))
        self._set_alarms(new, now)

    def _step(self, note: NoteOn) -> Fraction:
        """Return the length of a step, by the strength of the note."""
        music = self.context.music
        slow, fast = music.lasts(self._rate), music.lasts(self._strong)
        strength = Fraction(note.strength).limit_denominator(100)
        if self._rate == self._strong:
            return slow
        if self._on_the_beat:
            return slow / _evenly(slow / fast, strength)
        return 1 / (1 / slow + (1 / fast - 1 / slow) * strength)

    def _set_alarms(self, voice: int, now: int) -> None:
        self.context.alarm.at(max(now, self._grids[voice].at(self._places[voice])), ("step", voice))
        if self._ends.get(voice, now - 1) >= now:
            self.context.alarm.at(self._ends[voice], ("gate", voice))

    def beat_changed(self, now: int) -> Events:
        for voice, notes in self._held.items():
            old, step = self._grids[voice], self._step(notes[0])
            if step == old.step and (self._rate.nanoseconds or not self._on_the_beat):
                continue
            due = old.at(self._places[voice])
            if self._on_the_beat:
                new = self._grids[voice] = Grid(self.context.music.origin, step, self._swing)
                self._places[voice] = old.onto(new, self._places[voice], now)
                # Beats that change several times within a step could together bring the next one too near.
                shortest = 2 * (1 - self._swing) * min(old.step, step)
                while voice in self._struck and 2 * (new.at(self._places[voice]) - self._struck[voice]) < shortest:
                    self._places[voice] += 1
            else:
                new = self._grids[voice] = old.retimed(now, step)
            if due > now and voice in self._ends:  # its end keeps its share of the time to the next stroke
                left = max(now, new.at(self._places[voice])) - now
                self._ends[voice] = now + math.ceil(Fraction((self._ends[voice] - now) * left, due - now))
            self._set_alarms(voice, now)
        return ()

    def note_off(self, off: NoteOff, now: int) -> Events:
        if off.voice not in self._held:
            return (off,)
        if off.voice not in self._struck:
            self._tapped.add(off.voice)
            return ()
        self._forget(off.voice, "step", "gate")
        return self._end(off.voice)

    def _forget(self, voice: int, *alarms: str) -> None:
        """Leave out further strokes of this voice."""
        of_voices: tuple[dict[int, Any], ...] = (self._held, self._grids, self._places, self._struck, self._ends)
        for of_voice in of_voices:
            of_voice.pop(voice, None)
        self._tapped.discard(voice)
        for what in alarms:
            self.context.alarm.cancel((what, voice))

    def wake(self, now: int, tag: Hashable) -> Events:
        assert isinstance(tag, tuple)  # the tags are set above
        what, voice = tag
        if what == "gate":
            return self._end(voice)
        grid = self._grids[voice]
        place = grid.latest(now)  # the latest that is due; those before it are left out
        self._places[voice], self._ends[voice] = place + 1, grid.end(place, self._gate)
        ended = self._end(voice)
        self._set_alarms(voice, now)
        if self._ends[voice] <= now:  # so late that it would be over before it began
            return ended
        self._struck[voice] = now
        own = self._sounding[voice] = self.context.new_voice()
        strokes = [NoteOn(own, note.pitch, note.velocity, note.strength) for note in self._held[voice]]
        if voice in self._tapped:
            self._forget(voice, "step")  # what sounds ends with its gate
        return [*ended, *strokes]

    def let_go(self, now: int) -> Events:
        for voice in list(self._held):
            self._forget(voice, "step", "gate")
        for voice in self._sounding:
            self.context.alarm.cancel(("gate", voice))
        return [event for voice in list(self._sounding) for event in self._end(voice)]

    def _end(self, voice: int) -> list[Event]:
        own = self._sounding.pop(voice, None)
        return [] if own is None else [NoteOff(own)]


def _evenly(most: Fraction, strength: Fraction) -> Fraction:
    """Into how many a step is divided, 1 to ``most`` by strength.

    It is the nearest of the whole numbers that divide ``most``.

    Where ``most`` is no whole number there are the two ends only.
    """
    wanted = 1 + (most - 1) * strength
    whole = most.denominator == 1 and most > 1
    counts = [Fraction(n) for n in range(1, int(most) + 1) if most % n == 0] if whole else [Fraction(1), most]
    return min(counts, key=lambda count: abs(count - wanted))
