"""The limits over everybody in the room: how many notes sound at once, and the sum of their velocities.

Each seat has a *share*: its ledger counts there what it begins and ends, so a note costs the same beside fifteen other
seats as alone. Only at the limit is anybody looked for who gives way:

    room for the note             it begins
    no room                       who holds most (notes, or velocity) ends its oldest note; of several the one whose oldest
                                  note is the oldest. The asking seat ends its own if nobody holds more than it does
    softer than that it cannot be a note whose velocity alone is above the sum is softened to it

The newest effort is always heard: no note is refused because of others. So nobody is silenced for ever, by whatever others do:

  * whoever makes an effort hears it begin, as some other note makes room for it;
  * a seat loses a note to another only while it holds more than that one. Where the limit is at least as many notes as there are
    seats, whoever loses one holds two or more (were it only one each, there would be room), so **nobody's only note is ever
    taken by another seat**. For the velocities the same holds from (seats + 1) times the loudest note on, by the same count:
    with the limit's default sixteen seats of the default limit of 90 each are (16 + 1) x 90 = 1530 of 1600.

Which way of sharing is fair is our choice: max-min fairness, as networks share a line among those who send (common practice, no
source), note by note.

Invariants:
  * what is counted is what sounds: the sums over all shares, and over all notes of their ledgers;
  * a limit is exceeded only if a seat does not give way when it is asked to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

NOTES, VELOCITY = "room_notes_at_once", "room_velocity_sum"
"""The limits of the room, by the log's word for them."""


@dataclass(frozen=True, slots=True)
class RoomLimits:
    """What all together may do at most: notes that sound at once, and the sum of their velocities (each 1 to 127).

    The defaults are our choice: two notes a child at sixteen seats, at a velocity of 50 each.
    """

    notes_at_once: int = 32
    velocity_sum: int = 1600


class Balance:
    """See the module's docstring. ``limits`` may be set anew: what sounds above them stays until it ends."""

    def __init__(self, limits: RoomLimits) -> None:
        self.limits = limits
        self.notes = 0
        self.velocity = 0
        self._shares: dict[str, Share] = {}

    def share(self, name: str, give_way: Callable[[int], None]) -> Share:
        """A seat's share from now on; one that it had before is given back with all that was counted there.

        ``give_way(now)`` makes the seat end its oldest note, and send that, before it returns (``Engine.give_way``). It is
        called in the middle of another seat's note: it must not raise, and must not let any seat play meanwhile.
        """
        self.give_back(name)
        share = self._shares[name] = Share(self, give_way)
        return share

    def give_back(self, name: str) -> None:
        """A seat's share counts no more, whatever its ledger still says there; no harm if it has none."""
        share = self._shares.pop(name, None)
        if share is not None:
            self.notes -= share.notes
            self.velocity -= share.velocity
            share.leave()

    def make_way(self, asking: Share, limit: str, now: int) -> bool:
        """Let another seat end a note; no if the asking one has to end one of its own, or nobody can."""
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
    """What one seat's ledger counts. ``oldest`` says since when the oldest of its notes sounds; the ledger sets it."""

    def __init__(self, balance: Balance, give_way: Callable[[int], None]) -> None:
        self._balance = balance
        self.give_way = give_way
        self.notes = 0
        self.velocity = 0
        self.gives = NOTES
        """The limit for which it was asked to give way last."""
        self.oldest: Callable[[], int] = int

    def softened(self, velocity: int) -> int:
        """A note's velocity as far as it could be if it sounded alone."""
        return min(velocity, self._balance.limits.velocity_sum)

    def full(self, velocity: int) -> str | None:
        """The limit that one more note of this velocity would exceed; None if there is room."""
        balance = self._balance
        if balance.notes >= balance.limits.notes_at_once:
            return NOTES
        return VELOCITY if balance.velocity + velocity > balance.limits.velocity_sum else None

    def make_way(self, limit: str, now: int) -> bool:
        """Let another seat end a note; no if this one has to end one of its own, or nobody can."""
        return self._balance.make_way(self, limit, now)

    def began(self, velocity: int) -> None:
        """A note begins."""
        balance = self._balance
        self.notes += 1
        self.velocity += velocity
        balance.notes += 1
        balance.velocity += velocity

    def ended(self, velocity: int) -> None:
        """A note that began with this velocity has ended."""
        balance = self._balance
        self.notes -= 1
        self.velocity -= velocity
        balance.notes -= 1
        balance.velocity -= velocity

    def holds(self, limit: str) -> int:
        """How much of what this limit counts."""
        return self.notes if limit == NOTES else self.velocity

    def leave(self) -> None:
        """From now on it counts for itself alone, in the same limits."""
        self._balance = Balance(self._balance.limits)
        self._balance.notes, self._balance.velocity = self.notes, self.velocity
        self.oldest, self.give_way = (
            int,
            _nothing,
        )  # no ring with its ledger and its seat: nobody looks for those while it plays


def _nothing(_now: int) -> None:
    """Nobody gives way any more."""
