"""A long low sound lies under everything that is played.

With the first note the drone begins; while notes follow one another it goes on; ``linger`` after the last has ended it ends too. A
note that begins when the drone has sounded for longer than ``renew`` strikes it again, so that it does not die away. In another key
it goes on at once in that one.

Example::

    rules:
      - sequence: {degrees: [1, 2, 3, 5]}
      - drone: {degrees: [1, 5], octave: 2, linger: 3 s}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import replace
from typing import Any, ClassVar

from router.events import NoteOff, NoteOn
from router.music import Chord
from router.rules.base import DEGREES, OCTAVE, Context, Events, Kind, Rule


class Drone(Rule):
    """See the module's docstring."""

    name = "drone"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "degrees": {**DEGREES, "maxItems": 4, "default": [1, 5]},
            "octave": {**OCTAVE, "default": 2},
            "follow": {
                "type": "boolean",
                "default": False,
                "description": "whether degree 1 is the root of the chord where the music stands",
            },
            "velocity": {
                "type": "integer",
                "minimum": 1,
                "maximum": 127,
                "default": 50,
                "description": "how loud it begins",
            },
            "linger": {
                "quantity": "time",
                "most": "30 s",
                "default": "3 s",
                "description": "how long it goes on after the last note",
            },
            "renew": {
                "quantity": "time",
                "least": "1 s",
                "most": "10 min",
                "default": "8 s",
                "description": "after how long the next note strikes it again",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._degrees: list[int] = settings["degrees"]
        self._octave: int = settings["octave"]
        self._follow: bool = settings["follow"]
        self._velocity: int = settings["velocity"]
        self._linger: int = settings["linger"]
        self._renew: int = settings["renew"]
        self._held: set[int] = set()  # the voices that are played
        self._voice: int | None = None  # of the drone
        self._since = 0
        self._pitches: list[int] = []
        self._chord: Chord | None = None  # where the music stood when it began

    def note_on(self, note: NoteOn, now: int) -> Events:
        self._held.add(note.voice)
        self.context.alarm.cancel()
        if self._voice is not None and (now - self._since < self._renew or note.instead is not None):
            return (note,)
        return [*self._end(), *self._begin(now), note]

    def note_off(self, off: NoteOff, now: int) -> Events:
        self._held.discard(off.voice)
        if not self._held and self._voice is not None:
            self.context.alarm.at(now + self._linger)
        return (off,)

    def music_changed(self, now: int) -> Events:
        if self._voice is None or (
            self._sounds() == self._pitches and not (self._follow and self.context.music.chord != self._chord)
        ):
            return ()
        before, ended = self._voice, self._end()
        begun = self._begin(now)
        if self.context.repeated:  # what is repeated from now on takes the old one's place, before that ends
            return [*(replace(note, instead=before) for note in begun), *ended]
        return [*ended, *begun]

    def wake(self, now: int, tag: Hashable) -> Events:
        return self._end()

    def let_go(self, now: int) -> Events:
        self._held.clear()
        self.context.alarm.cancel()
        return self._end()

    def _begin(self, now: int) -> list[NoteOn]:
        self._voice, self._since = self.context.new_voice(), now
        self._pitches, self._chord = self._sounds(), self.context.music.chord
        return [NoteOn(self._voice, pitch, self._velocity) for pitch in self._pitches]

    def _sounds(self) -> list[int]:
        """Its notes in the music of the moment."""
        music = self.context.music
        above = (music.chord.root - music.tonic) % 12 if self._follow and music.chord is not None else 0
        pitches = [music.degree(degree, self._octave) + above for degree in self._degrees]
        return [pitch for pitch in dict.fromkeys(pitches) if pitch <= 127]

    def _end(self) -> list[NoteOff]:
        voice, self._voice = self._voice, None
        return [] if voice is None else [NoteOff(voice)]
