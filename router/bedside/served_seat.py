"""A seat with what the service keeps for it."""

from __future__ import annotations

from dataclasses import dataclass, field

from router.bedside.profile_folder import Offer, ProfileFolder
from router.bedside.refusals import Sparing
from router.files.configuration import SeatPlan
from router.files.profile import Profile
from router.live.seat import Seat
from router.records.recorder import SessionRecorder
from router.system.agenda import Reminder


@dataclass(frozen=True, slots=True)
class Fitted:
    """A profile as it is at a seat, and what should be known of its channels."""

    profile: Profile
    warnings: tuple[str, ...]


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
