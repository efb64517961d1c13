"""Each note becomes a chord.

The chord stands on the note: ``triad`` and ``seventh`` are stacked from the notes of the key on the nearest of them, so
they always fit it; a pentatonic or blues scale takes them from the seven notes that it is a part of, and in a minor key
the chord on the fifth step is major (write ``natural minor`` or ``aeolian`` to leave it minor). The other kinds have a
fixed shape. Or the note only says where it lies: with ``to`` it is one chord, by symbol or by the step of the key it
stands on; with ``follow`` it is the current chord, and changes with it while held. In another key what an arpeggio or a
repeat after it plays goes on in that key from the next step; a chord that just sounds stays. All notes of the chord
begin and end with the note behind them. Notes above MIDI's range are left out.

With ``voice_leading: smooth`` each chord moves as little as can be from the one before and stays near home, which is
where the first one lay: its middle is never more than 7 semitones from there, whatever the chords are and however long
they go on. A note more than an octave from home makes its place the new home.

Example::

    rules:
      - note: {degree: 1}
      - chord: {kind: triad, inversion: 1, position: open, voice_leading: smooth}
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any, ClassVar

from router.rule import CHORDS, Chord, Context, Event, Events, Held, Kind, NoteOff, NoteOn, Rule, invert, middle, voice

STACKED = {"triad": 3, "seventh": 4}

_ELSEWHERE = 12
"""A chord written further than this from home, in semitones, is meant to lie elsewhere: that is home from then on. Our
choice."""


class ChordRule(Rule):
    """The rule ``chord``; the module's docstring is its manual."""

    name = "chord"
    takes = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "kind": {
                "enum": [*STACKED, *CHORDS],
                "default": "triad",
                "description": "triad and seventh are stacked from the key; the others have a fixed shape",
            },
            "to": {
                "quantity": "chord",
                "description": (
                    "one chord instead, by symbol, or by the step of the key (1 to 7) on which a triad stands"
                ),
            },
            "follow": {
                "type": "boolean",
                "default": False,
                "description": "whether it is the current chord instead",
            },
            "inversion": {
                "type": "integer",
                "minimum": 0,
                "maximum": 4,
                "default": 0,
                "description": "how many of the lowest notes are moved up an octave",
            },
            "position": {
                "enum": ["close", "open"],
                "default": "close",
                "description": "close, or open: every second note an octave higher",
            },
            "voice_leading": {
                "enum": ["as written", "smooth"],
                "default": "as written",
                "description": (
                    "smooth: the octave and order of the notes that move least from the chord before, near the first"
                ),
            },
        },
        "not": {"required": ["to", "follow"]},
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._kind: str = settings["kind"]
        self._to: Chord | int | None = settings.get("to")
        self._follow: bool = settings["follow"]
        self._inversion: int = settings["inversion"]
        self._open = settings["position"] == "open"
        self._smooth = settings["voice_leading"] == "smooth"
        self._last: tuple[int, ...] = ()
        self._home = Fraction(0)  # where the middle of smooth voice leading stays about
        self._held = Held(context)  # of a chord that does not follow
        self._following: dict[int, tuple[int, list[NoteOn]]] = {}  # of one that does: by voice, its own voice and notes
        self._stood: Chord | None = None  # the chord in which they were played

    def note_on(self, note: NoteOn, now: int) -> Events:
        if not self._follow:
            return self._held.begin(note.voice, lambda: self._play(note, note.voice), note.instead)
        own, notes = self._following.setdefault(note.voice, (self.context.new_voice(), []))
        notes.append(note)
        self._stood = self._stands()
        instead, _ = self._following.get(note.instead or 0, (None, []))
        return self._play(note, own, instead)

    def note_off(self, off: NoteOff, now: int) -> Events:
        if not self._follow:
            return (self._held.pass_on(off),)
        own, _ = self._following.pop(off.voice, (off.voice, []))
        return (NoteOff(own),)

    def music_changed(self, now: int) -> Events:
        if not self._follow:
            return self._held.anew()
        before, self._stood = self._stood, self._stands()
        if before is None or replace(before, name=self._stood.name) == self._stood:
            return ()
        events: list[Event] = []
        for cause, (old, notes) in self._following.items():
            own = self.context.new_voice()
            self._following[cause] = (own, notes)
            instead = old if self.context.repeated else None
            events += [event for note in notes for event in self._play(note, own, instead)]
            events.append(NoteOff(old))  # after the new one has begun, so that what follows a chord never rests between
        return events

    def let_go(self, now: int) -> Events:
        following, self._following = self._following, {}
        self._last = ()
        return [*self._held.clear(), *(NoteOff(own) for own, _ in following.values())]

    def _stands(self) -> Chord:
        music = self.context.music
        return music.chord or music.chord_on(1)

    def _play(self, note: NoteOn, own: int, instead: int | None = None) -> list[NoteOn]:
        pitches = invert(self._chord(note.pitch), self._inversion)
        if self._smooth:
            pitches = self._last = self._near(pitches)
        if self._open:
            pitches = tuple(pitch + 12 * (place % 2) for place, pitch in enumerate(pitches))
        return [replace(note, voice=own, pitch=pitch, instead=instead) for pitch in pitches if pitch <= 127]

    def _near(self, written: tuple[int, ...]) -> tuple[int, ...]:
        """The chord as it follows the one before; as it is written if there is none, or only one note in octaves."""
        where = middle(written)
        if not self._last or abs(where - self._home) > _ELSEWHERE:
            self._home = where
        alone = len({pitch % 12 for pitch in written}) == 1
        return voice(self._last, written, self._home) if self._last and not alone else written

    def _chord(self, pitch: int) -> Sequence[int]:
        music = self.context.music
        if self._follow:
            return self._stands().near(pitch)
        if self._to is not None:
            return music.chord_on(self._to).near(pitch)
        if self._kind in STACKED:
            pitch = music.rooted(pitch)
            return [pitch + step for step in music.stack(pitch, STACKED[self._kind])]
        return [pitch + step for step in CHORDS[self._kind]]
