"""When notes end: with the effort, after a fixed time, at the bar, or when the next one begins; at once or fading.

``released``: on release, as without this rule. ``after``: each note sounds for ``time``, however long the effort is.
``next``: each note sounds until the next begins, so that a short effort still gives a long line. ``bar``: after the
release it sounds on to the end of the bar. With ``fade`` the last note to end dies away, by the controller expression
of the part's channel; a note that begins meanwhile has its full sound.

Example::

    rules:
      - sequence: {degrees: [1, 3, 5]}
      - release: {when: after, time: 1.5 s, fade: 500 ms}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import EXPRESSION, NANOSECONDS, Context, Control, Event, Events, Kind, NoteOff, NoteOn, Rule, Span

_STEP = 20 * NANOSECONDS // 1000
"""The time between two values of a fade: fine enough to be smooth, coarse enough for a MIDI cable. Our choice."""
_FADE = "fade"
_BAR = Span(bars=Fraction(1))


class ReleaseRule(Rule):
    """The rule ``release``; the module's docstring is its manual."""

    name = "release"
    takes = Kind.NOTES
    sustains = True
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "when": {
                "enum": ["released", "after", "next", "bar"],
                "default": "released",
                "description": "what ends a note",
                "examples": ["after"],
            },
            "time": {
                "quantity": "time",
                "description": "how long each note sounds, with when: after",
                "examples": ["1.5 s"],
            },
            "fade": {
                "quantity": "time",
                "most": "10 s",
                "default": "0 ms",
                "description": "how long the last note takes to die away",
            },
        },
        "dependentRequired": {"time": ["when"]},
        "if": {"required": ["when"], "properties": {"when": {"const": "after"}}},
        "then": {"required": ["time"]},
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._when: str = settings["when"]
        self._time: int = settings.get("time", 0)
        self._fade: int = settings["fade"]
        self._full = context.volume
        self._on: dict[int, None] = {}  # voices that sound and do not fade
        self._kept: dict[
            int, None
        ] = {}  # those of them whose release came, or does not matter: this rule has to end them
        self._bars = context.music.grid(_BAR)
        self._ends: dict[int, int] = {}  # the bar at whose beginning a voice ends, on this grid
        self._fading: dict[int, None] = {}
        self._fade_ends = 0
        self._level: int | None = None  # the expression that was sent last

    def note_on(self, note: NoteOn, now: int) -> Events:
        if note.instead is not None and not self._takes_over(note.instead, note.voice):
            return ()  # what it would go on with has ended here
        events = [NoteOff(voice) for voice in self._fading] if self._fading else []
        self._stop_fading()
        given: list[Event] = [*events, *self._expression(self._full)]
        if self._when == "next":
            given += [NoteOff(voice) for voice in self._on if voice != note.voice]
            self._on.clear()
            self._kept.clear()
        self._on[note.voice] = None
        if self._when == "after" and note.instead is None:
            self.context.alarm.at(now + self._time, note.voice)
        if self._when in ("after", "next"):
            self._kept[note.voice] = None
        else:
            self._kept.pop(note.voice, None)
            self._ends.pop(note.voice, None)
            self.context.alarm.cancel(note.voice)
        return [*given, note]

    def note_off(self, off: NoteOff, now: int) -> Events:
        if off.voice not in self._on:
            return () if off.voice in self._fading else (off,)
        if off.voice in self._kept:
            return ()
        if self._when == "bar":
            self._kept[off.voice] = None
            self._bars = self.context.music.grid(_BAR)
            self._ends[off.voice] = self._bars.next(now)
            self.context.alarm.at(self._bars.at(self._ends[off.voice]), off.voice)
            return ()
        return self._end(off.voice, now)

    def wake(self, now: int, tag: Hashable) -> Events:
        if tag == _FADE:
            return self._fade_on(now)
        assert isinstance(tag, int)  # every other tag is a voice
        return self._end(tag, now)

    def beat_changed(self, now: int) -> Events:
        old, self._bars = self._bars, self.context.music.grid(_BAR)
        for voice, bar in self._ends.items():
            self._ends[voice] = old.onto(self._bars, bar, now)
            self.context.alarm.at(max(now, self._bars.at(self._ends[voice])), voice)
        return ()

    def let_go(self, now: int) -> Events:
        kept, fading = self._kept, self._fading
        self._kept, self._on = {}, {}
        self._ends.clear()
        for voice in kept:
            self.context.alarm.cancel(voice)
        self._stop_fading()
        return [*map(NoteOff, kept), *map(NoteOff, fading), *(self._expression(self._full) if fading else ())]

    def _takes_over(self, old: int, new: int) -> bool:
        """Tell whether a voice replaces another, which sounds no longer than this; its first note settles it."""
        if old in self._on:
            del self._on[old]
            self._on[new] = None
            self._kept.pop(old, None)
            # With its place in line: who repeats it may strike at the very moment at which it ends.
            self.context.alarm.hand_over(old, new)
        return new in self._on

    def _end(self, voice: int, now: int) -> Events:
        self._on.pop(voice, None)
        self._kept.pop(voice, None)
        self._ends.pop(voice, None)
        if not self._fade or self._on:  # the channel fades as a whole: not under a note that is held
            return (NoteOff(voice),)
        self._fading[voice] = None
        self._fade_ends = now + self._fade
        return self._fade_on(now)

    def _fade_on(self, now: int) -> Events:
        if now < self._fade_ends:
            self.context.alarm.at(min(now + _STEP, self._fade_ends), _FADE)
            return self._expression(self._full * (self._fade_ends - now) // self._fade)
        fading = self._fading
        self._stop_fading()
        return [*map(NoteOff, fading), *self._expression(self._full)]

    def _stop_fading(self) -> None:
        self._fading = {}
        self.context.alarm.cancel(_FADE)

    def _expression(self, level: int) -> list[Event]:
        if not self._fade or level == self._level:
            return []
        self._level = level
        return [Control(EXPRESSION, level)]
