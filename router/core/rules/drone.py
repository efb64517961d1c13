"""A long low sound lies under everything that is played.

With the first note the drone begins; while notes follow one another it goes on; ``linger`` after the last has ended it
ends too. A note that begins when the drone has sounded for longer than ``restrike_after`` strikes it again, so that it
does not die away. In another key it goes on at once in that one, and with ``follow`` in another chord: in the octave
that is nearest to where it was, and never further than a sixth from where degree 1 lay when it began. Its degrees are
those that chords stand on: 1 and 5 are an open fifth in a pentatonic or blues scale, too, where the fifth note of the
scale is another.

Example::

    rules:
      - sequence: {degrees: [1, 2, 3, 5]}
      - drone: {degrees: [1, 5], octave: 2, linger: 3 s}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import replace
from typing import Any, ClassVar

from router.rule import DEGREES, OCTAVE, Chord, Context, Events, Kind, NoteOff, NoteOn, Rule, fold

_STRAYS = 9
"""Semitones from where degree 1 is written to where the root of a chord may lie. Our choice: a sixth, so that nearly
every root has two places, and the drone moves to the nearer one."""


class DroneRule(Rule):
    """The rule ``drone``; the module's docstring is its manual."""

    name = "drone"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "degrees": {
                **DEGREES,
                "maxItems": 4,
                "default": [1, 5],
                "description": (
                    "steps of the key as chords count them (in a pentatonic scale too, 5 is the fifth), from 1 up"
                ),
            },
            "octave": {**OCTAVE, "default": 2},
            "follow": {
                "type": "boolean",
                "default": False,
                "description": "whether degree 1 is the root of the current chord",
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
            "restrike_after": {
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
        self._restrike_after: int = settings["restrike_after"]
        self._held: set[int] = set()  # the voices that are played
        self._voice: int | None = None  # of the drone
        self._since = 0
        self._home = self._root = 0  # where degree 1 is written, and where it is now
        self._pitches: list[int] = []
        self._chord: Chord | None = None  # where the music stood when it began

    def note_on(self, note: NoteOn, now: int) -> Events:
        self._held.add(note.voice)
        self.context.alarm.cancel()
        if self._voice is not None and (now - self._since < self._restrike_after or note.instead is not None):
            return (note,)
        ended = [] if self._voice is None else [NoteOff(self._voice)]
        return [*ended, *self._begin(now), note]

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
        before = self._voice
        begun, ended = self._begin(now), [NoteOff(before)]
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
        self._pitches, self._chord = self._sounds(), self.context.music.chord
        self._voice, self._since = self.context.new_voice(), now
        return [NoteOn(self._voice, pitch, self._velocity) for pitch in self._pitches]

    def _sounds(self) -> list[int]:
        """The drone's notes in the current music, in the octave nearest to it now, within ``_STRAYS`` of home."""
        music = self.context.music
        written = music.step(1, self._octave)
        if self._voice is None:
            self._home = self._root = written
        root = music.tonic if not self._follow or music.chord is None else music.chord.root
        low = self._home - _STRAYS + (root - self._home + _STRAYS) % 12  # the lowest such root that is not too far
        places = range(low, self._home + _STRAYS + 1, 12)
        self._root = min(places, key=lambda place: abs(place - self._root))
        pitches = [fold(music.step(degree, self._octave) + self._root - written) for degree in self._degrees]
        return [*dict.fromkeys(pitches)]

    def _end(self) -> list[NoteOff]:
        voice, self._voice = self._voice, None
        return [] if voice is None else [NoteOff(voice)]
