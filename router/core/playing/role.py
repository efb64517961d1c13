"""The base of the ways of playing a part of a song: its notes, its transport, and when it is woken."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from router.core.contract import Context
from router.core.events import Event, Press, Release
from router.core.playing.player import Player
from router.core.playing.transport import Stage, Transport, stage_of, transport_of
from router.core.song import Song

MELODY, OTHERS, DRUMS = "melody", "others", "drums"
WRITTEN, ROOM, HERS = "written", "room", "hers"


class Role:
    """A way of playing a part of a song; the rule ``song`` has one."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        self.context = context
        self.settings = settings
        self.song: Song = settings["play"]
        self.stage: Stage = stage_of(context.shared, self.song)
        self._follows_room: Transport | None = None

    def follow_room(self, transport: Transport) -> None:
        """Let a transport follow the room's tempo."""
        self._follows_room = transport
        transport.by_quarters = True
        transport.retime(room_rate(self.context), 0)

    def quiet(self, now: int) -> int | None:
        """When the song that runs in time ends because nobody has played for so long; None: not before its end."""
        stage, transport = self.stage, self.stage.in_time
        after: int | bool = self.settings["restart_after"]
        if after is False or stage.down or transport.closes or not transport.runs(now):
            return None
        return stage.active + after

    def close_if_quiet(self, now: int) -> None:
        """End the song that runs in time with the bar, if nobody has played for long."""
        quiet, transport = self.quiet(now), self.stage.in_time
        if quiet is not None and now >= quiet:
            transport.close(self.boundary("bar", transport.at(now), transport))
            transport.tell(now)

    def boundary(self, by: str, place: int, transport: Transport) -> int:
        """The next end of a beat, bar or phrase that is not before a place; the place itself if it is ``at once``."""
        song = self.song
        if by == "at once":
            return place
        if by == "phrase":
            cuts = [song.tune.steps[phrase.first].at for phrase in song.phrases]
        else:
            cuts = list(song.bars) if by == "bar" else song.beats

        def ticks(at: Fraction) -> int:
            return song.ticks(at, by_quarters=transport.by_quarters)

        found = bisect_left(cuts, place, key=ticks)
        return min(ticks(cuts[found]), transport.limit) if found < len(cuts) else transport.limit

    def settle_time(self, tempo: str) -> Transport:
        """The transport of the parts that run in time; the first of them says whether in the room's tempo."""
        if not self.stage.timed or self.stage.in_time.by_quarters:
            self.stage.timed = True
            if tempo == ROOM:
                self.follow_room(self.stage.in_time)
        return self.stage.in_time

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
        transport = self._follows_room
        if transport is not None:
            transport.retime(room_rate(self.context), now)
            if transport.round:
                transport.tell(now)
                self.context.alarm.at(now)
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

    def __init__(self, settings: Mapping[str, Any], context: Context, tempo: str, *, in_time: bool = False) -> None:
        """``in_time``: the song runs in the time of all who play it so."""
        super().__init__(settings, context)
        if in_time:
            transport = self.settle_time(tempo)
        else:
            transport = transport_of(context.shared, context.part)
            if tempo == ROOM:
                self.follow_room(transport)
        self.transport = transport
        self.in_room = transport.by_quarters
        self.parts = parts_of(self.song, settings["part"])
        transport.leads = self.parts[0]
        self.player = Player(self.song, self.parts, transport, context.new_voice)
        self.notes = self.song.timed(self.parts, by_quarters=self.in_room)
        if not self.notes:
            raise ValueError(f'the part "{settings["part"]}" of the song "{self.song.name}" has no notes')
        self.last = max([self.end_of(transport), *(note.end for note in self.notes)])

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

    def start_band(self, now: int) -> None:
        """She has done something: a band that runs in time begins."""
        self.stage.active = now
        if self.stage.in_time.followed_by:
            self.begin_in_time(now)

    def begin_in_time(self, now: int) -> None:
        """Let the parts that run in time begin, if there are any and they do not run."""
        transport = self.stage.in_time
        if transport.runs(now):
            transport.open(self.end_of(transport))
        elif transport.followed_by or transport is self.transport:
            parts = {i for named in transport.followed_by for i in parts_of(self.song, named, transport.leads)}
            parts |= set(self.parts) if transport is self.transport else set()
            begins = [self.song.parts[index].notes[0].at for index in parts if self.song.parts[index].notes]
            first = self.song.ticks(min(begins, default=Fraction(0)), by_quarters=transport.by_quarters)
            transport.begin(first, self.end_of(transport), now)
        transport.tell(now)

    def end_of(self, transport: Transport) -> int:
        """Where the song ends."""
        ends = [part.notes[-1].end for part in self.song.parts if part.notes]
        return self.song.ticks(max(self.song.end, *ends), by_quarters=transport.by_quarters)
