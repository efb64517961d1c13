"""A seat with what the service keeps for it, and how a profile is fitted to it and to the seats beside it.

A profile names devices, outputs and channels as if it were alone; the seat has its own, the room has outputs, limits
and a keyboard, and the other seats play already.

Invariants: what plays already is never moved to another channel; a seat that shares a channel is told so before it may
silence all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from router.bedside.profile_folder import Offer, ProfileFolder
from router.core.units import NANOSECONDS
from router.devices.descriptions import TerminalKey
from router.files import configuration
from router.files.configuration import Configuration, Ports, SeatPlan
from router.files.profile import Profile
from router.live import channels
from router.live.seat import Seat
from router.live.surroundings import EventLog
from router.records.recorder import SessionRecorder
from router.system import clock
from router.system.agenda import Reminder

AT_ONCE, EVERY = 30, 5 * NANOSECONDS
"""Refusals that are told in the log one after another, and how long after each one more may be. Our choice: a day's
mistakes of one therapist are all told, and ten thousand broken files are some kilobytes."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A profile as it is at a seat, and what should be known of its channels."""

    profile: Profile
    warnings: tuple[str, ...]


class Sparing:
    """Counts what is told in the log of one seat: so much at once, then now and then.

    ``unsaid``: how many were not told yet.
    """

    def __init__(self) -> None:
        self.unsaid = 0
        self._free_at: list[int] = []  # when each that was told no longer counts

    def may_tell(self, now: int) -> bool:
        """True if one more may be told, and is counted so; else it is counted as not told."""
        self._free_at = [at for at in self._free_at if at > now]
        if len(self._free_at) >= AT_ONCE:
            self.unsaid += 1
            return False
        self._free_at.append((self._free_at[-1] if self._free_at else now) + EVERY)
        return True

    def deadline(self) -> int | None:
        """When the count of what was not told may be told; None if there is none."""
        return self._free_at[0] if self.unsaid else None

    def take(self, now: int) -> int:
        """Return how many were not told, if that may be told now; they then count as told."""
        if not self.unsaid or now < self._free_at[0]:
            return 0
        unsaid, self.unsaid = self.unsaid, 0
        return unsaid


@dataclass(slots=True)
class ServedSeat:
    """A seat with what the service keeps for it."""

    plan: SeatPlan
    folder: ProfileFolder
    offer: Offer  # what plays
    fitted: Fitted | None = None  # the offered profile as it is at this seat
    since: int = 0
    seat: Seat | None = None
    session: SessionRecorder | None = None
    refused: tuple[int, Offer] | None = None
    sparing: Sparing = field(default_factory=Sparing)  # limits how many refusals are logged
    telling: Reminder | None = None  # how many were not told
    ended: SessionRecorder | None = None  # the session before
    log_lines: int = 0  # missing in the logs of the sessions before ``ended``

    def refuse(self, offer: Offer, why: str, log: EventLog, now: int) -> None:
        """Note that this was refused, and why; the log is told as long as it has room for that."""
        self.refused = (now, offer)
        if self.sparing.may_tell(now):
            log.warning("profile_refused", seat=self.plan.name, child=offer.child, why=why)
        elif self.telling is not None and (at := self.sparing.deadline()) is not None:
            self.telling.set(at)

    def tell_unsaid(self, log: EventLog, now: int) -> None:
        """Log how many refusals were not told one by one."""
        unsaid = self.sparing.take(now)
        if not unsaid:
            return
        why = (
            f"{unsaid} more refusals came too fast to be told one by one; router status tells the last, router"
            " check all"
        )
        log.warning("profiles_refused", seat=self.plan.name, unsaid=unsaid, why=why)


def fit(place: ServedSeat, places: Mapping[str, ServedSeat], chosen: Configuration) -> Fitted:
    """Fit the offer to its seat: the seat's devices and channels, the room's outputs, at most the room's limits."""
    plan, profile = place.plan, place.offer.profile
    assert profile is not None  # it is to be played
    devices = {
        name: replace(device, pattern=plan.devices[name])
        if name in plan.devices and not isinstance(device, TerminalKey)
        else device
        for name, device in profile.devices.items()
    }
    outputs = {name: chosen.outputs.get(name, device) for name, device in profile.outputs.items()}
    assigned = channels.assign(
        configuration.capped(profile.plan, chosen.limits),
        outputs,
        plan.channels,
        taken_beside(place, places, chosen.ports),
        {channel for other in places.values() if other is not place for channel in other.plan.channels},
    )
    return Fitted(replace(profile, plan=assigned.plan, devices=devices, outputs=outputs), assigned.warnings)


def taken_beside(place: ServedSeat, places: Mapping[str, ServedSeat], ports: Ports) -> list[channels.Taken]:
    """The channels that others than this seat play on: the keyboard, and the other seats."""
    others = [other for other in places.values() if other is not place]
    return [*_of_the_keyboard(ports), *(one for other in others for one in _used(other))]


def share_channels(places: Mapping[str, ServedSeat], ports: Ports) -> None:
    """Tell each seat on which of its channels others play as well: it never silences those as a whole."""
    plans = {
        name: (place.fitted.profile.plan, place.fitted.profile.outputs)
        for name, place in places.items()
        if place.fitted is not None
    }
    for name, routes in channels.shared(plans, _of_the_keyboard(ports)).items():
        seat = places[name].seat
        if seat is not None:
            seat.share_routes(routes, clock.now())


def _of_the_keyboard(ports: Ports) -> list[channels.Taken]:
    """The channel that the room's keyboard plays on, if it has one of its own."""
    if ports.keyboard_to is None or ports.keyboard_channel is None:
        return []
    return [channels.Taken(ports.keyboard_to, ports.keyboard_channel, "the keyboard")]


def _used(place: ServedSeat) -> tuple[channels.Taken, ...]:
    """The channels that a seat plays on."""
    if place.fitted is None:
        return ()
    profile = place.fitted.profile
    return channels.used(profile.plan, profile.outputs, f'seat "{place.plan.name}"')


def plays_elsewhere(one: Profile, other: Profile) -> bool:
    """True if the same profile has other outputs or limits by now."""
    return (one.outputs, one.plan.limits) != (other.outputs, other.plan.limits)


def moved(before: SeatPlan, after: SeatPlan) -> bool:
    """True if something of a seat has changed that is only read at the start: all but its list of children."""
    return replace(before, list=after.list) != after
