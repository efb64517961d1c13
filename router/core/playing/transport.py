"""Where a song is, and how far it may go: the place that the parts of a song share.

    the part that leads   moves the transport: ``begin``, ``go``, ``close``, ``retime``
    the others            look where it is (``at``) and when it comes somewhere (``when``); ``tell`` wakes them

Places are ticks (``Song.ticks``); times are nanoseconds. The transport goes on by itself up to ``limit`` and waits
there, so that nobody who looks at it is ever ahead of the part that leads.

Invariants: within a round the place never goes back; ``at(when(place)) >= place``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from router.core.song import Song
from router.core.timers import Alarm


class Transport:
    """The place of a song, moved by one part."""

    def __init__(self) -> None:
        self.followers: list[Alarm] = []
        self.followed_by: list[str] = []
        """The parts of the song that follow, as the profile names them."""
        self.leads: int | None = None
        """The index of the song's part that leads."""
        self.by_quarters = False
        """True if a tick is a part of a quarter note, for a tempo that is not the written one."""
        self.round = 0
        """How often the song has begun, or gone on elsewhere."""
        self.first = 0
        """Where this round began."""
        self.until = 0
        """How far the round before was still to be played when this one began."""
        self.moved = 0
        """Where it went last by an effort: what began before was overtaken."""
        self.limit = 0
        self.holds = False
        """Notes that last to the limit are held there, as the note of the part that leads is."""
        self.closes = False
        """At the limit everything ends."""
        self._place, self._since = 0, 0
        self._rate = Fraction(1)

    def at(self, now: int) -> int:
        """The place at ``now``."""
        rate = self._rate
        return min(self.limit, self._place + (now - self._since) * rate.numerator // rate.denominator)

    def when(self, place: int) -> int:
        """The time at which the transport is at a place, as things stand: not after the limit, never in the past."""
        rate = self._rate
        way = max(0, min(place, self.limit) - self._place)
        return self._since - (-way * rate.denominator // rate.numerator)

    def runs(self, now: int) -> bool:
        """Tell whether it goes on by itself."""
        return self.at(now) < self.limit

    def begin(self, first: int, limit: int, now: int, *, until: int = 0) -> None:
        """Begin the song at ``first``; the round before is still to be played up to ``until``."""
        self.round += 1
        self.first, self.until = first, until
        self.go(first, limit, now)

    def go(self, place: int, limit: int, now: int) -> None:
        """Go on from ``place`` at ``now`` by an effort."""
        self._place, self._since, self.limit = place, now, limit
        self.moved, self.closes = place, False

    def close(self, limit: int) -> None:
        """End everything at ``limit``, which is not before where the transport is."""
        self.limit, self.closes = limit, True

    def open(self, limit: int) -> None:
        """Take back ``close``."""
        self.limit, self.closes = limit, False

    def retime(self, rate: Fraction, now: int) -> None:
        """Go on at another rate, in ticks a nanosecond."""
        self._place, self._since, self._rate = self.at(now), max(now, self._since), rate

    @property
    def rate(self) -> Fraction:
        """Ticks a nanosecond."""
        return self._rate

    def tell(self, now: int) -> None:
        """Wake the parts that follow."""
        for alarm in self.followers:
            alarm.at(now)


@dataclass(slots=True)
class Stage:
    """All that the parts of one song share in one engine."""

    in_time: Transport = field(default_factory=Transport)
    """The transport of the parts that run in the room's time."""
    latest: Transport | None = None
    """The transport that was moved last: the song's chord is the one at its place."""
    timed: bool = False
    """True once it is settled whether ``in_time`` follows the room's tempo."""
    active: int = 0
    """When somebody did something last who plays in time."""
    down: int = 0
    """How many efforts of those who play in time are held."""
    listeners: list[Alarm] = field(default_factory=list)
    """Who follows the chords; woken before the notes are given."""


def stage_of(shared: dict[str, Any], song: Song) -> Stage:
    """The stage of a song."""
    stage: Stage = shared.setdefault(f"song: {song.name}", Stage())
    return stage


def transport_of(shared: dict[str, Any], part: str) -> Transport:
    """The transport that a part of the profile moves."""
    transport: Transport = shared.setdefault(f"song of part: {part}", Transport())
    return transport
