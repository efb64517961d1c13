"""The limits over everybody in the room."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RoomLimits:
    """What all together may do at most: notes that sound at once, and the sum of their velocities."""

    notes_at_once: int = 32
    velocity_sum: int = 1600


class Share:
    """One seat's share."""


class Balance:
    """See the module's docstring."""

    def __init__(self, limits: RoomLimits) -> None:
        self._limits = limits

    def share(self, name: str, give_way: Callable[[int], None]) -> Share:
        """A seat's share from now on; ``give_way(now)`` makes it end its oldest note at once."""
        return Share()
