"""A song that the child knows: each effort plays its next note, its next phrase, or what fits at this moment.

The song is one of the profile's ``songs``, and is played in its own pitches and rhythm. Her part is the melody, or the
``part`` that is named. With ``press: note`` each press plays the next note (notes that begin together are one), which
lasts until release, or with ``lengths: written`` as long as it is written. With ``phrase``, ``bar`` or ``section`` each
press plays the next one, at the song's tempo; between two the song waits. With ``start`` a press plays the whole song,
and the next one (or the release) stops it at the end of a bar; another press goes on from there. With ``now`` the song
runs in the room's time from the first press on; while she presses, her part sounds with the note that it has at that
moment, or the nearest one of the chord, so that it always fits.

An effort that comes early, before the song has reached the next note, plays it at once; before the end of a phrase it
waits for that (``early``). After the last note the next effort begins the song again, and so does the first effort
after a pause (``restart_after``), or a gesture that is kept for it (``restart_by: pad.long``).

The band is a part of its own, and needs no input: ``part`` is ``others`` (all but hers, without drums), ``drums``, or
the name of one part of the song. With ``waits_for`` and the name of her part in the profile it goes on with her, note
by note, holds what sounds where she holds, and is never ahead. What she overtakes sounds softly with her next note.
Without ``waits_for`` it runs in the room's time from her first effort on.

Example::

    rules:
      - song: {play: evening, press: note}
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, Press, Release, Rule, song_role


class SongRule(Rule):
    """The rule ``song``; the module's docstring is its manual."""

    name = "song"
    takes = Kind.GESTURES
    gives = Kind.NOTES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "required": ["play"],
        "properties": {
            "play": {
                "type": "string",
                "song": True,
                "description": "the song: a name from the songs of this profile",
                "examples": ["evening"],
            },
            "press": {
                "enum": ["note", "phrase", "bar", "section", "now", "start"],
                "description": "what a press plays; left out for the band, which has no press",
            },
            "part": {
                "type": "string",
                "default": "melody",
                "description": (
                    "which part of the song is played: melody, others (all but hers, without drums), drums, or the name"
                    " of one part"
                ),
            },
            "waits_for": {
                "type": "string",
                "description": "for the band: the part of this profile that it follows note by note",
                "examples": ["tune"],
            },
            "lengths": {
                "enum": ["as held", "written"],
                "default": "as held",
                "description": "with press note: how long a note lasts",
            },
            "early": {
                "enum": ["at once", "in time", "not counted"],
                "description": (
                    "what becomes of a press that comes before its note or phrase is due: it plays at once, waits until"
                    " then, or does not count; at once for notes if left out, else in time"
                ),
            },
            "tempo": {
                "enum": ["written", "room", "hers"],
                "description": (
                    "the tempo of what plays by itself: the song's own, the room's, or one that follows her efforts"
                    " smoothly, between slowest and fastest; if left out the room's with press now and for a band that"
                    " does not wait, else the song's own"
                ),
            },
            "slowest": {
                "quantity": "tempo",
                "description": "the slowest tempo that follows her; half the song's own if left out",
                "examples": ["50 bpm"],
            },
            "fastest": {
                "quantity": "tempo",
                "description": "the fastest tempo that follows her; a quarter faster than the song's own if left out",
                "examples": ["120 bpm"],
            },
            "stop_by": {
                "enum": ["second press", "release", "nothing"],
                "default": "second press",
                "description": "with press start: what stops the song; the next press goes on there",
            },
            "stop_at": {
                "enum": ["bar", "beat", "phrase", "at once"],
                "default": "bar",
                "description": "with press start: at the end of what it stops",
            },
            "introduction": {
                "enum": ["played", "left out"],
                "default": "played",
                "description": (
                    "whether the first press lets the band play what it has before her first note, which then follows"
                    " by itself"
                ),
            },
            "end": {
                "enum": ["loop", "stop"],
                "default": "loop",
                "description": (
                    "what comes after the last note: the next press begins the song again, or only one after the pause"
                ),
            },
            "restart_after": {
                "quantity": "time",
                "least": "1 s",
                "most": "60 min",
                "no": "the song goes on where it was, however long the pause",
                "default": "30 s",
                "description": "a pause after which the song begins again",
            },
            "restart_at": {
                "enum": ["beginning", "section", "phrase"],
                "default": "beginning",
                "description": "where the song goes on after the pause: at its beginning, section or phrase",
            },
            "restart_by": {
                "type": "string",
                "description": "one of this part's inputs whose press plays nothing and sets the song to its beginning",
                "examples": ["pad.long"],
            },
        },
        "anyOf": [{"required": ["press"]}, {"required": ["part"]}],
        "not": {"required": ["press", "waits_for"]},
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._role = song_role(settings, context)
        self.song = settings["play"]

    def press(self, press: Press, now: int) -> Events:
        return self._role.press(press, now)

    def release(self, release: Release, now: int) -> Events:
        return self._role.release(release, now)

    def wake(self, now: int, tag: Hashable) -> Events:
        return self._role.wake(now)

    def beat_changed(self, now: int) -> Events:
        return self._role.beat_changed(now)

    def let_go(self, now: int) -> Events:
        return self._role.let_go(now)
