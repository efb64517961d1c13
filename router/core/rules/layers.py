"""Notes that she has just played come round again, on the bar, layer upon layer.

Each note sounds as it would without this rule, and comes again each time when so many ``bars`` have gone by, as long
as it was and a little ``softer``. If ``bars`` is left out, her first phrase says how long the round is: the whole bars
that it takes, up to eight; it is over when it has been ``quiet``, and comes again from the next bar on. What she plays
within one round is a layer. When there are as many as ``layers_at_once``, the oldest one ends as the next begins, or
the next is only heard and not kept (``when_full``). It does not matter where in the round she comes in, or how late:
each note comes again exactly a round after it was played. For notes on the beat put ``quantize`` above this rule.

All layers end when the input that is named as ``clear`` is pressed, the specialist's button or a gesture that is kept
for it, such as pad.long; it plays nothing. They end by themselves ``longest`` after the last effort. In another key
they go on in that one.

Example::

    rules:
      - sequence: {degrees: [1, 2, 3, 5]}
      - layers: {bars: 2, layers_at_once: 3}
"""

from __future__ import annotations

import math
from bisect import bisect_right, insort
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import Context, Event, Events, Kind, Later, NoteOff, NoteOn, Press, Rule, Span, fold

_BAR = Span(bars=Fraction(1))
_TICKS = 1_000_000
"""Parts of a bar in which notes are kept: a few microseconds each. Whole numbers, so that no round differs."""
_NEAR = _TICKS // 8
"""Time before a bar in which a note belongs to it, and after it in which a phrase still ends with it. Our choice."""
_MOST_BARS = 8
"""The longest round that a phrase makes. Our choice: a verse, and not all that she plays without a rest."""
_MOST_NOTES = 32
"""Notes of a layer that are kept; further ones are heard once. Our choice: no child's two bars have more."""
_STROKE, _QUIET, _LONGEST = "stroke", "quiet", "longest"


@dataclass(slots=True, eq=False)
class _Looped:
    """A note that comes round again: when in the round, and how long, in ticks; None while she holds it."""

    at: int
    lasts: int | None
    note: NoteOn
    tonic: int
    scale: tuple[int, ...]


@dataclass(slots=True)
class _Layer:
    """The notes that were played within one round from ``since`` on."""

    since: int
    notes: list[_Looped]


class LayersRule(Rule):
    """The rule ``layers``; the module's docstring is its manual."""

    name = "layers"
    takes = Kind.NOTES
    sustains = 64
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "bars": {
                "type": "integer",
                "minimum": 1,
                "maximum": 16,
                "description": "after how many bars a note comes again; as her first phrase says if left out",
                "examples": [2],
            },
            "quiet": {
                "quantity": "time",
                "least": "100 ms",
                "most": "10 s",
                "default": "1 s",
                "description": "without bars: so long after its last note her first phrase is over",
            },
            "layers_at_once": {
                "type": "integer",
                "minimum": 1,
                "maximum": 8,
                "default": 3,
                "description": "how many layers there may be",
            },
            "when_full": {
                "enum": ["oldest ends", "newest is not kept"],
                "default": "oldest ends",
                "description": "what happens when she plays, and there are as many layers as there may be",
            },
            "softer": {
                "quantity": "percent",
                "default": "20 %",
                "description": "how much softer a note comes again, so that she hears herself",
            },
            "clear": {
                "type": "string",
                "description": "an input whose press ends all layers and plays nothing; none that the part plays by",
                "examples": ["pad.long"],
            },
            "moves_with_key": {
                "type": "boolean",
                "default": True,
                "description": "whether layers go on in another key; no is for drums, where a note is no pitch",
            },
            "longest": {
                "quantity": "time",
                "least": "10 s",
                "most": "60 min",
                "default": "5 min",
                "description": "so long after the last effort all layers end by themselves",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._bars: int | None = settings.get("bars")
        self._quiet: int = settings["quiet"]
        self._at_once: int = settings["layers_at_once"]
        self._oldest_ends = settings["when_full"] == "oldest ends"
        self._louder: float = 1 - settings["softer"]
        self._clear: str = settings.get("clear", "").strip()
        self._moves: bool = settings["moves_with_key"]
        self._longest: int = settings["longest"]
        self._later = Later(context.alarm)  # the ends of what sounds
        self._on: dict[int, None] = {}  # the voices of what comes again and sounds
        self._grid = context.music.grid(_BAR)
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._first_bar: int | None = None  # the bar at which the first round begins; None: nothing is kept
        self._round = None if self._bars is None else self._bars * _TICKS  # its length; None until the phrase is over
        self._layers: list[_Layer] = []
        self._notes: list[_Looped] = []  # of all layers, as they come in the round
        self._held: dict[int, list[tuple[_Looped, int]]] = {}  # by voice: what she holds, and since which tick
        self._done = 0  # the tick up to which all has come

    # --- what she plays -----------------------------------------------------------------------------------------------

    def note_on(self, note: NoteOn, now: int) -> Events:
        if note.instead is not None:  # nobody made an effort, and what is held goes on
            self._held.setdefault(note.voice, []).extend(self._held.pop(note.instead, ()))
            return (note,)
        if self._first_bar is None:
            self._grid = self.context.music.grid(_BAR)
            self._first_bar = self._grid.latest(now + math.ceil(self._grid.step * _NEAR / _TICKS))
            self._done = self._tick(now)
        before = self._strokes(now)
        self.context.alarm.at(now + self._longest, _LONGEST)
        self.context.alarm.cancel(_QUIET)
        tick = self._tick(now)
        layer = self._layer(tick)
        if layer is not None and len(layer.notes) < _MOST_NOTES:
            music = self.context.music
            looped = _Looped(tick if self._round is None else tick % self._round, None, note, music.tonic, music.scale)
            layer.notes.append(looped)
            insort(self._notes, looped, key=_place)
            self._held.setdefault(note.voice, []).append((looped, tick))
        self._wait(now)
        return (*before, note)

    def note_off(self, off: NoteOff, now: int) -> Events:
        for looped, since in self._held.pop(off.voice, ()):
            looped.lasts = max(1, self._tick(now) - since)
            if self._round is not None:
                looped.lasts = min(looped.lasts, self._round - 1)
        if self._round is None and self._first_bar is not None and not self._held:
            self.context.alarm.at(now + self._quiet, _QUIET)
        return (off,)

    def press(self, press: Press, now: int) -> Events:
        return self.let_go(now) if self._clear and press.source == self._clear else (press,)

    def _layer(self, tick: int) -> _Layer | None:
        """The layer of a note that is played now; None if it is not kept."""
        last = self._layers[-1] if self._layers else None
        if last is not None and (self._round is None or tick < last.since + self._round):
            return last
        if len(self._layers) >= self._at_once:
            if not self._oldest_ends:
                return None
            for looped in self._layers.pop(0).notes:
                self._notes.remove(looped)
        self._layers.append(_Layer(tick, []))
        return self._layers[-1]

    def _end_phrase(self, now: int) -> None:
        """Say how long the round is: the bars of the first phrase. It comes again from the next bar on."""
        here = self._tick(now)
        last = max((looped.at + (looped.lasts or here - looped.at) for looped in self._notes), default=0)
        begins = max((looped.at for looped in self._notes), default=0)
        bars = max(1, -((_NEAR - last) // _TICKS), begins // _TICKS + 1)  # whole bars, rounded up
        whole = self._round = min(bars, _MOST_BARS) * _TICKS
        first = min((looped.at for looped in self._notes), default=0)  # below 0 if she came in before the bar
        comes = max(whole, -((first - here) // _TICKS) * _TICKS)  # the first bar from which on it can come again whole
        for looped in self._notes:
            looped.at = (looped.at + comes) % whole
            looped.lasts = None if looped.lasts is None else min(looped.lasts, whole - 1)
        self._notes.sort(key=_place)
        self._done = comes + first - 1

    # --- what comes again ---------------------------------------------------------------------------------------------

    def _tick(self, now: int) -> int:
        """The place of a moment, in ticks since the first round began."""
        assert self._first_bar is not None  # something is kept
        return math.floor((now - self._grid.start) * _TICKS / self._grid.step) - self._first_bar * _TICKS

    def _time(self, tick: int) -> int:
        """The moment of a place."""
        assert self._first_bar is not None  # as above
        return self._grid.start + math.ceil((tick + self._first_bar * _TICKS) * self._grid.step / _TICKS)

    def _strokes(self, now: int) -> list[Event]:
        """Begin all that has come since the last time; what is over by now, or what she still holds, is left out."""
        here = self._tick(now)
        if self._round is None or here <= self._done:
            return []
        events: list[Event] = []
        for tick, looped in self._coming(max(self._done, here - self._round), here):
            if looped.lasts is None or (ends := self._time(tick + looped.lasts)) <= now:
                continue
            voice = self.context.new_voice()
            self._on[voice] = None
            self._later.put(ends, NoteOff(voice))
            note = looped.note
            events.append(
                NoteOn(voice, self._pitch(looped), max(1, round(note.velocity * self._louder)), note.strength)
            )
        self._done = here
        return events

    def _coming(self, after: int, until: int) -> Iterator[tuple[int, _Looped]]:
        """The notes that come after a tick, up to another one at most a round later, and when."""
        assert self._round is not None  # nothing comes before it is known
        begin = after // self._round
        for number in range(begin, until // self._round + 1):
            base = number * self._round
            for place in range(bisect_right(self._notes, after - base, key=_place), len(self._notes)):
                looped = self._notes[place]
                if base + looped.at > until:
                    break
                yield base + looped.at, looped

    def _pitch(self, looped: _Looped) -> int:
        """The pitch in the present key: as far above its tonic, and in its scale if it was in the old one."""
        music, pitch = self.context.music, looped.note.pitch
        if not self._moves or (music.tonic, music.scale) == (looped.tonic, looped.scale):
            return pitch
        moved = fold(pitch + (music.tonic - looped.tonic + 6) % 12 - 6)
        return music.lock(moved) if (pitch - looped.tonic) % 12 in looped.scale else moved

    def _wait(self, now: int) -> None:
        """Wait for what comes next."""
        if self._round is None:  # a phrase that has no end is ended
            self.context.alarm.at(max(now, self._time(_MOST_BARS * _TICKS)), _STROKE)
            return
        here = max(self._done, self._tick(now))
        tick = next((tick for tick, _ in self._coming(here, here + self._round)), None)
        if tick is None:
            self.context.alarm.cancel(_STROKE)
        else:
            self.context.alarm.at(max(now, self._time(tick)), _STROKE)

    # --- time, and everybody else -------------------------------------------------------------------------------------

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == _LONGEST:
            self._forget()
            return ()  # what sounds ends by itself
        if tag is None:
            events = self._later.due(now)
            for event in events:
                if isinstance(event, NoteOff):
                    self._on.pop(event.voice, None)
            return events
        if self._round is None:
            self._end_phrase(now)
        given = self._strokes(now)
        self._wait(now)
        return given

    def beat_changed(self, now: int) -> Events:
        if self._first_bar is None:
            return ()
        old, new, was = self._grid, self.context.music.grid(_BAR), self._tick(now)
        bar = old.next(now)
        self._grid = new
        self._first_bar += old.onto(new, bar, now) - bar
        moved = self._tick(now) - was
        self._held = {voice: [(one, since + moved) for one, since in held] for voice, held in self._held.items()}
        self._done = max(self._done, self._tick(now))
        self._later.move(lambda when, _: now + math.ceil((when - now) * new.step / old.step))
        self._wait(now)
        return ()

    def let_go(self, now: int) -> Events:
        self._forget()
        self._later.clear()
        on, self._on = self._on, {}
        return [NoteOff(voice) for voice in on]

    def _forget(self) -> None:
        for tag in (_STROKE, _QUIET, _LONGEST):
            self.context.alarm.cancel(tag)
        self._begin_anew()


def _place(looped: _Looped) -> int:
    return looped.at
