"""Her part from one effort: the song plays by itself, and another effort, or the release, stops it musically.

stopped    an effort begins the song, or goes on where it was stopped
plays      the next effort, or the release of the one that began it, closes it at the end of a beat, bar or phrase
closing    an effort takes that back
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from router.core.contract import Context
from router.core.events import Event, Press, Release
from router.core.playing.role import WRITTEN, LeadingRole

STOP = "stop"


class Started(LeadingRole):
    """A role whose effort plays the whole song: ``press`` is start."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context, settings.get("tempo", WRITTEN))
        self._stop_by: str = settings["stop_by"]
        self._place: int | None = None  # where it was cut off
        self._anew = True  # the next effort begins at the beginning
        self._down: dict[int, None] = {}
        self._active = 0

    def press(self, press: Press, now: int) -> list[Event]:
        transport, events = self.transport, self.player.due(now)
        if press.source == self.settings.get("restart_by", "").strip():
            self._place, self._anew = None, True
            transport.close(transport.at(now))
            self.tell(now)
            return events
        self._down[press.voice] = None
        if not transport.runs(now):
            self._begin(press, now)
        elif transport.closes:
            transport.open(self.last)
        elif self._stop_by == "second press":
            transport.close(self.boundary(self.settings["stop_at"], transport.at(now), transport))
        self._active = now
        self.start_band(now)
        self.tell(now)
        return events

    def release(self, release: Release, now: int) -> list[Event]:
        events = self.player.due(now)
        known = self._down.pop(release.voice, release.voice) is None
        if known:
            self._active = now
        if known and not self._down and self._stop_by == "release" and self.transport.runs(now):
            self.transport.close(self.boundary(self.settings["stop_at"], self.transport.at(now), self.transport))
            self.tell(now)
        else:
            self.alarm(self.player.next(now))
        return events

    def wake(self, now: int) -> list[Event]:
        events = self.player.due(now)
        self.alarm(self.player.next(now))
        return events

    def let_go(self, now: int) -> list[Event]:
        transport = self.transport
        if transport.runs(now):
            self._place = transport.at(now)
        self._down.clear()
        transport.close(transport.at(now))
        transport.tell(now)
        self.context.alarm.cancel()
        return self.player.forget()

    def _begin(self, press: Press, now: int) -> None:
        transport = self.transport
        ended = transport.round > 0 and transport.limit >= self.last
        paused = self._paused(now)
        if ended and self.settings["end"] == STOP and not paused:
            return
        first = self.opening(self.notes[0].at) if self.settings["introduction"] == "played" else self.notes[0].at
        if not (self._anew or ended or paused):
            first = transport.limit if self._place is None else self._place
        self._place, self._anew = None, False
        self.player.strength = press.strength
        transport.begin(first, self.last, now)

    def _paused(self, now: int) -> bool:
        after: int | bool = self.settings["restart_after"]
        transport = self.transport
        if after is False or not transport.round:
            return False
        ended = transport.limit >= self.last and self.settings["end"] == STOP
        active = 0 if ended else self._active  # efforts do not prolong the rest at the end
        return now - max(active, transport.when(transport.limit)) >= after
