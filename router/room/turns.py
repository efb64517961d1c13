"""The turn, and its order, among seats that take turns. Pure: the time is an argument, in nanoseconds.

    free      nobody's, so everybody's --someone plays--> begun
    offered   --its seat plays--> begun      --``wait`` has gone by--> offered to the next, or free
    begun     --``quiet`` after its last note, or ``longest_turn`` after its first--> offered to the next

The seats stand in line as they came; a seat that has had the turn goes to the end, and so does one that
joins. A seat that leaves or plays another profile passes its turn on at once. If no seat has played while the turn
went round once, it is free, and no deadline is left. A seat that is alone keeps its turn.

Invariant: nobody is locked out for ever. With n seats in line it is a seat's turn again at most (n - 1) * (``wait`` +
``longest_turn``) after it ended, whatever the others do: nobody is ever put before a seat that waits, except while the
turn is free, which is its own as well; and nobody keeps the turn for longer than ``wait`` until it begins and
``longest_turn`` from then on.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from router.core.units import NANOSECONDS


@dataclass(frozen=True, slots=True)
class TurnPlan:
    """How turns pass, in nanoseconds. The defaults are our choice.

    ``quiet``: silence that ends a phrase; ``wait``: longest wait for a turn to be taken.
    """

    quiet: int = 2 * NANOSECONDS
    wait: int = 8 * NANOSECONDS
    longest_turn: int = 30 * NANOSECONDS


class Turns:
    """The turn among seats. Each call that may pass the turn on returns whether it has."""

    def __init__(self, plan: TurnPlan) -> None:
        self._plan = plan
        self.whose: str | None = None
        """The seat that has the turn; None while it is free."""
        self._line: list[str] = []  # who has the turn stands first
        self._sounding: Counter[str] = Counter()  # notes that are on, by seat
        self._since = 0  # when it was offered, or begun
        self._begun = False
        self._last = 0  # when the last note of whoever has it ended
        self._untaken = 0  # how often it has passed on since anybody played

    @property
    def taking(self) -> tuple[str, ...]:
        """The seats that take turns, in the order in which their turns come."""
        return tuple(self._line)

    def join(self, name: str, now: int) -> bool:
        """A seat takes turns from now on, or with another profile than before: nothing of it sounds yet."""
        self._untaken = 0
        del self._sounding[name]
        if name in self._line:
            return self.whose == name and self._pass_on(now)
        self._line.append(name)
        if len(self._line) == 2 and self.whose is not None:  # from now on somebody waits for it
            self._offer(now)
            self._begun = self._sounding[self.whose] > 0
        return False

    def leave(self, name: str, now: int) -> bool:
        """A seat takes no turns any more."""
        if name not in self._line:
            return False
        self._untaken = 0
        del self._sounding[name]
        self._line.remove(name)
        if self.whose != name:
            return False
        self.whose = self._line[0] if self._line else None
        self._offer(now)
        return True

    def played(self, name: str, on: bool, now: int) -> bool:
        """A seat has begun a note, or ended one."""
        if name not in self._line:
            return False
        if not on:
            self._sounding[name] = max(0, self._sounding[name] - 1)
            if name == self.whose:
                self._last = now
            return False
        self._untaken = 0
        self._sounding[name] += 1
        taken = self.whose is None
        if taken:
            self._line.remove(name)
            self._line.insert(0, name)
            self.whose = name
            self._offer(now)
        if name == self.whose and not self._begun:
            self._begun, self._since = True, now
        return taken

    def deadline(self) -> int | None:
        """When ``wake`` is next wanted."""
        if self.whose is None or len(self._line) < 2:
            return None
        if not self._begun:
            return self._since + self._plan.wait
        ends = self._since + self._plan.longest_turn
        return ends if self._sounding[self.whose] else min(ends, self._last + self._plan.quiet)

    def wake(self, now: int) -> bool:
        """Pass the turn on, or free it, if that is due; tell whether it was."""
        due = self.deadline()
        if due is None or due > now:
            return False
        if not self._begun:
            self._untaken += 1
            if self._untaken >= len(self._line):
                self.whose = None
                self._line.append(self._line.pop(0))
                return True
        return self._pass_on(now)

    def _pass_on(self, now: int) -> bool:
        """Pass the turn to the next in line, from now and not from when it was due: no seat's time is shortened."""
        before = self.whose
        self._line.append(self._line.pop(0))
        self.whose = self._line[0]
        self._offer(now)
        return self.whose != before

    def _offer(self, now: int) -> None:
        self._begun, self._since, self._last = False, now, now
