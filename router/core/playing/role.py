"""The base of the ways of playing a part of a song: its notes, its transport, and when it is woken."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from router.core.contract import Context
from router.core.events import Event, Press, Release
from router.core.playing.player import Player
from router.core.playing.transport import Stage, Transport, stage_of
from router.core.song import Song

MELODY, OTHERS, DRUMS = "melody", "others", "drums"
WRITTEN, ROOM, HERS = "written", "room", "hers"


class Role:
    """A way of playing a part of a song; the rule ``song`` has one."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        self.context = context
        self.song: Song = settings["play"]
        self.stage: Stage = stage_of(context.shared, self.song)

    def press(self, press: Press, now: int) -> list[Event]:
        """An effort begins."""
        return []

    def release(self, release: Release, now: int) -> list[Event]:
        """An effort ends."""
        return []

    def wake(self, now: int) -> list[Event]:
        """Something is due, or the transport has moved."""
        return []

    def beat_changed(self, now: int) -> list[Event]:
        """The tempo has changed."""
        return []

    def let_go(self, now: int) -> list[Event]:
        """End all that sounds, and wait for nothing."""
        return []

    def alarm(self, *times: int | None) -> None:
        """Be woken at the earliest of these times; not at all if each is None."""
        known = [time for time in times if time is not None]
        if known:
            self.context.alarm.at(min(known))
        else:
            self.context.alarm.cancel()


def parts_of(song: Song, named: str, without: int | None = None) -> tuple[int, ...]:
    """The indexes of the song's parts that are meant by ``melody``, ``others``, ``drums`` or a part's name.

    ``without``: the part that others play, for ``others``.

    Raises:
        ValueError: the song has no such part.
    """
    if named == MELODY:
        return (song.melody,)
    if named == OTHERS:
        left_out = song.melody if without is None else without
        return tuple(index for index, part in enumerate(song.parts) if index != left_out and not part.drums)
    if named == DRUMS:
        return tuple(index for index, part in enumerate(song.parts) if part.drums)
    found = tuple(i for i, part in enumerate(song.parts) if part.name.strip().casefold() == named.strip().casefold())
    if not found:
        raise ValueError(f'the song "{song.name}" has no part called "{named}"')
    return found[:1]


def room_rate(context: Context) -> Fraction:
    """Ticks a nanosecond at the room's tempo, where a quarter note has 10^9 ticks."""
    return Fraction(context.music.tempo, 60)


class LeadingRole(Role):
    """A role that moves a transport, and wakes whoever follows."""

    def __init__(self, settings: Mapping[str, Any], context: Context, transport: Transport, tempo: str) -> None:
        super().__init__(settings, context)
        self.transport = transport
        self.in_room = tempo == ROOM
        transport.by_quarters = self.in_room
        if self.in_room:
            transport.retime(room_rate(context), 0)
        self.parts = parts_of(self.song, settings["part"])
        transport.leads = self.parts[0]
        self.player = Player(self.song, self.parts, transport, context.new_voice)
        self.notes = self.song.timed(self.parts, by_quarters=self.in_room)
        if not self.notes:
            raise ValueError(f'the part "{settings["part"]}" of the song "{self.song.name}" has no notes')
        ends = [part.notes[-1].end for part in self.song.parts if part.notes]
        self.last = max([self.ticks(max(self.song.end, *ends)), *(note.end for note in self.notes)])

    def ticks(self, at: Fraction) -> int:
        """A moment of the song in the transport's ticks."""
        return self.song.ticks(at, by_quarters=self.in_room)

    def opening(self, first: int) -> int:
        """Where the song begins for those that follow, if that is before ``first``."""
        followed = {i for named in self.transport.followed_by for i in parts_of(self.song, named, self.parts[0])}
        begins = [self.ticks(self.song.parts[index].notes[0].at) for index in followed if self.song.parts[index].notes]
        return min([first, *begins])

    def tell(self, now: int) -> None:
        """The transport has moved: whoever follows is woken after this event, the chords first and this role next."""
        self.stage.latest = self.transport
        for alarm in self.stage.listeners:
            alarm.at(now)
        self.context.alarm.at(now)
        self.transport.tell(now)

    def beat_changed(self, now: int) -> list[Event]:
        if self.in_room:
            self.transport.retime(room_rate(self.context), now)
            if self.transport.round:
                self.tell(now)
        return []
