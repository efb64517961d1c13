"""Whose turn it is, among seats that take turns."""

from __future__ import annotations

from dataclasses import dataclass

from router.units import NANOSECONDS


@dataclass(frozen=True, slots=True)
class TurnPlan:
    """How turns pass, in nanoseconds: after so much quiet a phrase is over; nobody waits longer for a turn that is not taken;
    and no turn is longer than that.
    """

    quiet: int = 2 * NANOSECONDS
    wait: int = 8 * NANOSECONDS
    most: int = 30 * NANOSECONDS


class Turns:
    """See the module's docstring. Each call that may pass the turn on says whether it has."""

    def __init__(self, plan: TurnPlan) -> None:
        self._plan = plan
        self.whose: str | None = None
        self.taking: list[str] = []

    def join(self, name: str, now: int) -> bool:
        """A seat takes turns from now on."""
        return False

    def leave(self, name: str, now: int) -> bool:
        """A seat takes no turns any more."""
        return False

    def played(self, name: str, on: bool, now: int) -> bool:
        """A seat has begun a note, or ended one."""
        return False

    def deadline(self) -> int | None:
        """When ``wake`` is next wanted."""
        return None

    def wake(self, now: int) -> bool:
        """Do what is due."""
        return False
