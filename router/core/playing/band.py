"""The band: parts of a song that follow the part that leads, or run in the room's time.

A band begins nothing by itself. It is woken when the transport has moved, plays what is due up to where the transport
is, and asks to be woken for what comes next before the limit.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from router.core.contract import Context
from router.core.events import Event
from router.core.playing.player import Player
from router.core.playing.role import ROOM, Role, parts_of
from router.core.playing.transport import transport_of


class Band(Role):
    """A role that follows a transport."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        leader: str | None = settings.get("waits_for")
        self._part: str = settings["part"]
        if leader is None:
            self._transport = self.settle_time(settings.get("tempo", ROOM))
        else:
            self._transport = transport_of(context.shared, leader.strip())
        self._transport.followed_by.append(self._part)
        self._transport.followers.append(context.alarm)
        self._player: Player | None = None

    def wake(self, now: int) -> list[Event]:
        transport = self._transport
        if not transport.round:
            return []
        if self._player is None:  # only now the part that leads is surely known
            parts = parts_of(self.song, self._part, transport.leads)
            self._player = Player(self.song, parts, transport, self.context.new_voice)
        events = self._player.due(now)
        if transport is self.stage.in_time:
            self.close_if_quiet(now)
            self.alarm(self._player.next(now), self.quiet(now))
        else:
            self.alarm(self._player.next(now))
        return events

    def let_go(self, now: int) -> list[Event]:
        self.context.alarm.cancel()
        return [] if self._player is None else self._player.forget()
