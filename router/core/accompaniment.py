"""A rule of the band: begins with an effort, plays bar by bar, and ends on a bar line some time after the last one.

    rest      an effort begins: if no other of the band plays, the engine begins the first bar with it, unless the room
              counts the bars; it joins in at its next place
    plays     at each place of its grid ``play`` says what begins there; while an effort is held, and for ``linger``
              after the last one, it goes on
              one that starts by itself does so with the engine, and goes on until it is let go
    ends      at the first bar line after that, with what ``last`` says, or at once

Each place has an absolute time; what is missed is left out, and never played in a bunch.

Invariant: each note is one voice of its own, and its end is known when it begins.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping
from fractions import Fraction
from typing import Any, ClassVar, NamedTuple

from router.core.contract import Context, Events, Kind, Later, Rule
from router.core.events import Event, NoteOff, NoteOn, Press, Release
from router.core.music import Bars

ON_THE_BAR = "on the bar"
ENDING: Mapping[str, Any] = {
    "enum": [ON_THE_BAR, "at once"],
    "default": ON_THE_BAR,
    "description": "how it ends: with a last stroke on the next bar, or as soon as the time is over",
}
LINGER: Mapping[str, Any] = {
    "quantity": "time",
    "most": "60 s",
    "default": "6 s",
    "description": "how long it goes on after the last effort, until it ends",
}
BY_ITSELF = "by itself"
STARTS: Mapping[str, Any] = {
    "enum": ["with an effort", BY_ITSELF],
    "default": "with an effort",
    "description": "what it starts with: with an effort, or by itself as soon as the profile plays, and without end",
}
VELOCITY: Mapping[str, Any] = {
    "type": "integer",
    "minimum": 1,
    "maximum": 127,
    "default": 70,
    "description": "how hard a stroke is; accents are harder, ghost notes softer",
}
_LOUDER = (0, Fraction(1, 2), Fraction(1), Fraction(5, 4))
"""The share of the velocity that a rest, a ghost note, a plain stroke and an accent have. Our choice."""
_STEP, _OVER = "step", "over"


class Stroke(NamedTuple):
    """A note that begins at a place: its strength (``router.core.strokes``), and how many places it lasts."""

    pitch: int
    strength: int
    lasts: Fraction


class Accompanies(Rule):
    """A rule that accompanies: subclass it, say what it plays on which grid, and nothing of when it begins and ends."""

    takes = Kind.GESTURES
    gives = Kind.NOTES
    counts_bars = True
    together: ClassVar[bool] = False
    """True if new notes leave on those that sound, as one drum does another; else they take their place."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._by_itself = settings["starts"] == BY_ITSELF
        self._linger: int = settings["linger"]
        self._on_the_bar = settings["ending"] == ON_THE_BAR
        self._velocity: int = settings["velocity"]
        self._later = Later(context.alarm)  # ends of what sounds
        self._on: set[int] = set()  # the voices that sound
        self._held: set[int] = set()  # the efforts
        self._effort = 1.0  # of the last one
        self.grid: Bars | None = None
        """The places of the bars while it plays, None while it rests."""
        self._next = 0  # the place that comes next
        self._struck: int | None = None  # when the last one came; None if none has come yet
        self._began: int | None = None  # when the first one came
        self._over: int | None = None  # when it is to end; None while an effort is held

    # --- for the subclass -----------------------------------------------------------------------------------------

    def places(self) -> Bars:
        """The grid of its places in the current music."""
        raise NotImplementedError

    def play(self, place: int, now: int) -> Iterable[Stroke]:
        """The notes that begin at a place; called once for each place in turn, but for those that were missed."""
        raise NotImplementedError

    def last(self, place: int, now: int) -> Iterable[Stroke]:
        """The notes with which it ends, at the beginning of a bar."""
        return self.play(place, now)

    def rest(self) -> None:
        """Forget what was played: it ends, and will begin as if for the first time."""

    # --- when it plays --------------------------------------------------------------------------------------------

    def started(self, now: int) -> Events:
        if self._by_itself and self.grid is None:
            self._begin(now)
        return ()

    def press(self, press: Press, now: int) -> Events:
        if self._by_itself:
            return ()
        self._held.add(press.voice)
        self._effort = press.strength
        self._over = None
        self.context.alarm.cancel(_OVER)
        if self.grid is None:
            self._begin(now)
        return ()

    def _begin(self, now: int) -> None:
        self.playing = True
        self.grid = self.places()
        self._set_next(self.grid.next(now), now)

    def release(self, release: Release, now: int) -> Events:
        self._held.discard(release.voice)
        if not self._held and self.grid is not None and self._over is None:
            self._over = now + self._linger
            if not self._on_the_bar:
                self.context.alarm.at(self._over, _OVER)
        return ()

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == _STEP:
            return self._step(now)
        if tag == _OVER:
            return [*self._stop(), *self._end_all()]
        return self._ended(now)

    def beat_changed(self, now: int) -> Events:
        old = self.grid
        if old is None:
            return ()
        new = self.grid = self.places()
        if self._struck is None:
            self._set_next(new.next(now), now)
            return ()
        place = old.onto(new, self._next, now)
        # Beats that change several times within a step could together bring the next one too near.
        shortest = 2 * (1 - old.swing) * min(old.step, new.step)
        while 2 * (new.at(place) - self._struck) < shortest:
            place += 1
        self._later.move(lambda when, _: now + math.ceil((when - now) * new.step / old.step) if when > now else when)
        self._set_next(place, now)
        return ()

    def cut(self, voice: int, now: int) -> Events:
        if voice in self._on:
            self._on.discard(voice)
            self._later.drop(voice)
        return ()

    def let_go(self, now: int) -> Events:
        self._held.clear()
        return [*self._stop(), *self._end_all()]

    # --- what it plays --------------------------------------------------------------------------------------------

    @property
    def waits(self) -> bool:
        """Tell whether it plays and its first place is still to come."""
        return self.grid is not None and self._struck is None

    @property
    def place(self) -> int:
        """The last place whose time has come, while it plays."""
        return self._next - 1

    def soon(self, place: int, now: int) -> bool:
        """Tell whether a place is due, or so near that what changes now can wait for it."""
        grid = self.grid
        return grid is not None and 4 * (grid.at(place) - now) < grid.step

    def strike(self, strokes: Iterable[Stroke], place: int) -> list[Event]:
        """Begin the notes of a place; each ends by itself, or when others take its place."""
        grid, strokes = self.grid, list(strokes)
        assert grid is not None  # it plays
        events: list[Event] = [] if self.together or not strokes else self._end_all()
        for stroke in strokes:
            voice = self.context.new_voice()
            velocity = max(1, min(127, round(self._velocity * _LOUDER[stroke.strength])))
            events.append(NoteOn(voice, stroke.pitch, velocity, self._effort))
            self._later.put(self._end_of(grid, place, stroke), NoteOff(voice))
            self._on.add(voice)
        return events

    def change(self, strokes: Iterable[Stroke], now: int) -> Events:
        """Let what sounds go on as other notes, as the music has changed; not if it is to end at once."""
        grid, strokes = self.grid, list(strokes)
        if grid is None or not self._on or not strokes:
            return ()
        nearly_over = 4 * (self._end_of(grid, self.place, strokes[0]) - now) < grid.step
        return () if nearly_over else self.strike(strokes, self.place)

    @staticmethod
    def _end_of(grid: Bars, place: int, stroke: Stroke) -> int:
        whole = math.floor(stroke.lasts)
        return grid.end(place + whole, stroke.lasts - whole)

    def _step(self, now: int) -> Events:
        grid = self.grid
        assert grid is not None  # its deadline is taken back when it stops
        ended = self._ended(now)
        place = grid.latest(now)  # the latest that is due; those before it are left out
        missed = 2 * (now - grid.at(place)) > grid.step
        end = self._end(grid, now)
        if end is not None and end <= place:
            last = self.strike(self.last(place, now), place) if end == place and not missed else []
            return [*ended, *last, *self._stop()]
        self._set_next(place + 1, now)
        if missed:
            return ended
        self._struck = now
        self._began = now if self._began is None else self._began
        return [*ended, *self.strike(self.play(place, now), place)]

    def _end(self, grid: Bars, now: int) -> int | None:
        """The place of the bar line on which it ends; None if it is not to end, or not on a bar line."""
        if self._over is None or not self._on_the_bar:
            return None
        heard = now if self._began is None else self._began  # at least one bar is, or an effort would be silent
        return -(-grid.next(max(self._over, heard + 1)) // grid.columns) * grid.columns

    def _set_next(self, place: int, now: int) -> None:
        assert self.grid is not None  # it plays
        self._next = place
        self.context.alarm.at(max(now, self.grid.at(place)), _STEP)

    def _stop(self) -> Events:
        """Play no more; what sounds ends when it is to end."""
        if self.grid is not None:
            self.playing = False
            self.rest()
        self.grid = self._struck = self._began = self._over = None
        for tag in (_STEP, _OVER):
            self.context.alarm.cancel(tag)
        return ()

    def _ended(self, now: int) -> list[Event]:
        events = self._later.due(now)
        for event in events:
            self._on.discard(getattr(event, "voice", 0))
        return events

    def _end_all(self) -> list[Event]:
        self._later.clear()
        on, self._on = self._on, set()
        return [NoteOff(voice) for voice in sorted(on)]
