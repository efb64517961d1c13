"""The limits over all seats of the room: how many notes sound at once, and the sum of their velocities.

Each seat has a *share*: its ledger counts there what it begins and ends, so a note costs the same beside fifteen other
seats as alone. Only when a limit is reached is a seat looked for that gives way:

    room for the note             it begins
    no room                       the seat that holds most (notes, or velocity) ends its oldest note; of several, the
                                  one whose oldest note began first. The asking seat ends its own if no other holds more
    louder alone than the sum     a note whose velocity alone is above the sum is softened to the sum

The newest effort is always heard: no note is refused because of others. So no seat is silenced for ever:

  * a child who makes an effort hears it begin, as some other note makes room for it;
  * a seat loses a note to another only while it holds more than that one. If the limit allows at least one note for
    each seat, a seat that loses one holds two or more (with one each there would be room), so **no seat's only note is
    ever taken by another seat**. The same is true of the velocities if their limit is at least (seats + 1) times the
    loudest note: for sixteen seats at the default of 90 that is (16 + 1) x 90 = 1530, and the default limit is 1600.

The way of sharing is our choice: max-min fairness, note by note, as networks share a line among senders (common
practice, no source).

Invariants:
  * what is counted is what sounds: the sums over all shares, and over all notes of their ledgers;
  * a limit is exceeded only if a seat does not give way when it is asked to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

NOTES, VELOCITY = "room_notes_at_once", "room_velocity_sum"
"""The limits of the room, as the log names them."""


@dataclass(frozen=True, slots=True)
class RoomLimits:
    """The most that all seats together may play: notes at once, and the sum of their velocities (each 1 to 127).

    The defaults are our choice: two notes a child at sixteen seats, at a velocity of 50 each.
    """

    notes_at_once: int = 32
    velocity_sum: int = 1600


class Balance:
    """The limits and what counts towards them. ``limits`` may be replaced; sounding notes beyond the new ones stay."""

    def __init__(self, limits: RoomLimits) -> None:
        self.limits = limits
        self.notes = 0
        self.velocity = 0
        self._shares: dict[str, Share] = {}

    def share(self, name: str, give_way: Callable[[int], None]) -> Share:
        """Give a seat a new share; one that it had before is given back with all that was counted there.

        ``give_way(now)`` makes the seat end its oldest note, and send that, before it returns (``Engine.give_way``). It
        is called in the middle of another seat's note: it must not raise, and must not let any seat play meanwhile.
        """
        self.give_back(name)
        share = self._shares[name] = Share(self, give_way)
        return share

    def give_back(self, name: str) -> None:
        """Stop counting a seat's share, even if its ledger goes on using it; no harm if it has none."""
        share = self._shares.pop(name, None)
        if share is not None:
            self.notes -= share.notes
            self.velocity -= share.velocity
            share.leave()

    def make_way(self, asking: Share, limit: str, now: int) -> bool:
        """Let another seat end a note; False if the asking seat has to end one of its own, or none can."""
        unwilling: set[int] = set()
        while True:
            most = max(
                (share for share in self._shares.values() if id(share) not in unwilling and share.notes),
                key=lambda share: (share.holds(limit), share is asking, -share.oldest()),
                default=asking,
            )
            if most is asking:
                return False
            before = most.notes
            most.gives = limit
            most.give_way(now)
            if most.notes < before:
                return True
            unwilling.add(id(most))


class Share:
    """The count of one seat's ledger. ``oldest``, set by the ledger, returns when the oldest of its notes began."""

    def __init__(self, balance: Balance, give_way: Callable[[int], None]) -> None:
        self._balance = balance
        self.give_way = give_way
        self.notes = 0
        self.velocity = 0
        self.gives = NOTES
        """The limit for which it was asked to give way last."""
        self.oldest: Callable[[], int] = int

    def softened(self, velocity: int) -> int:
        """Lower a note's velocity to the limit on the sum."""
        return min(velocity, self._balance.limits.velocity_sum)

    def full(self, velocity: int) -> str | None:
        """The limit that one more note of this velocity would exceed; None if there is room."""
        balance = self._balance
        if balance.notes >= balance.limits.notes_at_once:
            return NOTES
        return VELOCITY if balance.velocity + velocity > balance.limits.velocity_sum else None

    def make_way(self, limit: str, now: int) -> bool:
        """Let another seat end a note; False if this seat has to end one of its own, or none can."""
        return self._balance.make_way(self, limit, now)

    def began(self, velocity: int) -> None:
        """Count a note that begins."""
        balance = self._balance
        self.notes += 1
        self.velocity += velocity
        balance.notes += 1
        balance.velocity += velocity

    def ended(self, velocity: int) -> None:
        """Count the end of a note that began with this velocity."""
        balance = self._balance
        self.notes -= 1
        self.velocity -= velocity
        balance.notes -= 1
        balance.velocity -= velocity

    def holds(self, limit: str) -> int:
        """The seat's amount of what this limit counts."""
        return self.notes if limit == NOTES else self.velocity

    def leave(self) -> None:
        """Count for this seat alone from now on, with the same limits."""
        self._balance = Balance(self._balance.limits)
        self._balance.notes, self._balance.velocity = self.notes, self.velocity
        self.oldest, self.give_way = (
            int,
            _nothing,
        )  # breaks the reference cycle with ledger and seat: the garbage collector does not run while it plays


def _nothing(_now: int) -> None:
    """Give no way: the seat has left."""
