"""Her part in a song that runs in time: an effort gives the note that the song has at that moment, so that it fits.

The note is the one of her part, or the one of the chord that is nearest to it. It lasts as long as the effort, and
where the harmony goes on and has no such note, it moves to the note of that moment.

    stopped    an effort begins the song
    runs       to its end; without an effort for ``restart_after`` it closes at the end of the bar
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from router.core.contract import Context
from router.core.events import Event, NoteOff, NoteOn, Press, Release
from router.core.music import nearest_of
from router.core.playing.role import ROOM, LeadingRole
from router.core.song import TimedNote


@dataclass(slots=True)
class _Sounding:
    """An effort that is held, with the voice of its note and its pitch; None before it is given."""

    press: Press
    voice: int
    pitch: int | None = None


class InTime(LeadingRole):
    """A role whose efforts give the note of the moment: ``press`` is now."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context, settings.get("tempo", ROOM), in_time=True)
        self._down: dict[int, _Sounding] = {}
        self._fits = self.song.harmony(by_quarters=self.in_room)

    def press(self, press: Press, now: int) -> list[Event]:
        events = self._due(now)
        stage = self.stage
        if press.source == self.settings.get("restart_by", "").strip():
            self.transport.close(self.transport.at(now))
            self.tell(now)
            return events
        if self._rests(now):
            return events
        if press.voice not in self._down:
            self._down[press.voice] = _Sounding(press, press.voice)
            stage.down += 1
        stage.active = now
        self.begin_in_time(now)
        self.tell(now)
        return events

    def release(self, release: Release, now: int) -> list[Event]:
        events = self._due(now)
        sounding = self._down.pop(release.voice, None)
        if sounding is not None:
            self.stage.active = now
            self.stage.down -= 1
            events += [] if sounding.pitch is None else [NoteOff(sounding.voice)]
        self._set(now)
        return events

    def wake(self, now: int) -> list[Event]:
        return self._due(now)

    def let_go(self, now: int) -> list[Event]:
        ended: list[Event] = [NoteOff(one.voice) for one in self._down.values() if one.pitch is not None]
        self.stage.down -= len(self._down)
        self._down.clear()
        self.transport.close(self.transport.at(now))
        self.transport.tell(now)
        self.context.alarm.cancel()
        return ended

    def _rests(self, now: int) -> bool:
        """Tell whether the song is over and rests, so that an effort does not begin it again."""
        transport, after = self.transport, self.settings["restart_after"]
        if self.settings["end"] != "stop" or not transport.round or transport.limit < self.last or transport.runs(now):
            return False
        return after is False or now - transport.when(transport.limit) < after

    def _due(self, now: int) -> list[Event]:
        transport, events = self.transport, list[Event]()
        place = transport.at(now)
        for one in self._down.values():
            events += self._give(one, place)
        self.close_if_quiet(now)
        self._set(now)
        return events

    def _give(self, one: _Sounding, place: int) -> list[Event]:
        """Begin the note of an effort, or move it if it no longer fits."""
        fits = self._fits[self._segment(place)][1]
        if one.pitch is not None and one.pitch % 12 in fits:
            return []
        pitch = self._pitch(place, fits)
        if one.pitch is None:
            one.pitch = pitch
            return [NoteOn(one.voice, pitch, self._note(place).velocity, one.press.strength)]
        before, one.voice, one.pitch = one.voice, self.context.new_voice(), pitch
        note = NoteOn(one.voice, pitch, self._note(place).velocity, one.press.strength)
        if self.context.repeated:
            return [replace(note, instead=before), NoteOff(before)]
        return [NoteOff(before), note]

    def _pitch(self, place: int, fits: tuple[int, ...]) -> int:
        pitch = self._note(place).pitch
        return pitch if pitch % 12 in fits else nearest_of(fits, pitch)

    def _note(self, place: int) -> TimedNote:
        """The highest note that her part has had last."""
        return self.notes[max(0, bisect_right(self.notes, place, key=lambda note: note.at) - 1)]

    def _segment(self, place: int) -> int:
        return max(0, bisect_right(self._fits, place, key=lambda one: one[0]) - 1)

    def _set(self, now: int) -> None:
        """Be woken where the harmony goes on, and when it has been quiet for long enough."""
        transport, times = self.transport, list[int | None]()
        if not transport.runs(now):
            self.alarm()
            return
        if self._down:
            later = self._segment(transport.at(now)) + 1
            if later < len(self._fits) and self._fits[later][0] < transport.limit:
                times.append(transport.when(self._fits[later][0]))
        self.alarm(self.quiet(now), *times)
