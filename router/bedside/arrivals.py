"""Tell when a file that is put into a folder is finished, as far as news of it shows.

Nothing is read here and no clock is known: news comes in with its time, and names come out when they may be looked at.

    made, linked, renamed   finished, if no more news comes for ``SETTLE``
    written to              being written: not looked at before it is closed
    closed                  finished, if no more news comes for ``SETTLE``
    looked at, not right    perhaps only the first half of it: looked at again after ``PATIENCE`` without news
    looked at, empty        something is to follow: looked at again at the end of ``GIVE_UP``
    gone                    no longer of interest

Files that are put there at once come out at once: while others are still arriving, a finished file waits for them, but
no longer than ``TOGETHER``. A file that is still being written ``GIVE_UP`` after its first news is looked at as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

from router.core.units import NANOSECONDS

SETTLE = NANOSECONDS // 4
"""Longer than an editor takes from the first to the last step of saving, and than a file manager from file to file."""

TOGETHER = 2 * NANOSECONDS
"""How long a finished file waits for others: somebody who has put one file there wants to hear it."""

PATIENCE = 2 * NANOSECONDS
"""How long a file that is not right may go on to arrive in pieces, before it is refused."""

GIVE_UP = 60 * NANOSECONDS
"""A USB stick that stalls for longer than this will not give the rest. Our choice, as are the others here."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """A name that may be looked at. ``began``: when its first news came; ``last``: True if no more is waited for."""

    name: str
    began: int
    last: bool


@dataclass(slots=True)
class _Arriving:
    began: int
    news: int  # the latest
    order: int  # among all news
    open: bool = False  # somebody is writing
    again: int | None = None  # looked at already, and not right


class Arrivals:
    """The files that are arriving in one folder. Times are monotonic nanoseconds."""

    def __init__(self) -> None:
        self._arriving: dict[str, _Arriving] = {}
        self._latest = 0
        self._count = 0

    def __contains__(self, name: str) -> bool:
        return name in self._arriving

    def all(self) -> list[str]:
        """Every name that is waited for."""
        return [*self._arriving]

    def unfinished(self) -> list[str]:
        """The names that were not yet looked at since their latest news."""
        return [name for name, arriving in self._arriving.items() if arriving.again is None]

    def written(self, name: str, now: int) -> None:
        """Note that something was written to a file, so it is open."""
        self._news(name, now).open = True

    def put(self, name: str, now: int) -> None:
        """Note that a file was made, closed, or renamed to this name."""
        self._news(name, now).open = False

    def gone(self, name: str) -> None:
        """Forget a file that was removed, or that is looked at for another reason now."""
        self._arriving.pop(name, None)

    def again(self, arrived: Arrived, now: int, empty: bool) -> None:
        """Give more time to a file that was looked at and is not right, or is empty, unless there is news already."""
        if arrived.name not in self._arriving:
            when = max(now, arrived.began + GIVE_UP) if empty else now + PATIENCE
            self._arriving[arrived.name] = _Arriving(arrived.began, now, self._next(), again=when)

    def uncertain(self, now: int) -> None:
        """Note that news was lost: each file that was being written may have been closed."""
        for name in self._arriving:
            self.put(name, now)

    def deadline(self) -> int | None:
        """When the next name may be looked at."""
        return min(map(self._when, self._arriving.values())) if self._arriving else None

    def due(self, now: int) -> list[Arrived]:
        """Return and forget what may be looked at now, in the order in which it was put there."""
        if not self._arriving:  # as nearly always
            return []
        due = [(name, arriving) for name, arriving in self._arriving.items() if self._when(arriving) <= now]
        for name, _ in due:
            del self._arriving[name]
        due.sort(key=lambda each: each[1].order)
        return [Arrived(name, each.began, each.again is not None or now >= each.began + GIVE_UP) for name, each in due]

    def _news(self, name: str, now: int) -> _Arriving:
        arriving = self._arriving.setdefault(name, _Arriving(now, now, 0))
        arriving.news, arriving.order, arriving.again = now, self._next(), None
        self._latest = now
        return arriving

    def _next(self) -> int:
        self._count += 1
        return self._count

    def _when(self, arriving: _Arriving) -> int:
        if arriving.again is not None:
            return arriving.again
        at_last = arriving.began + GIVE_UP
        if arriving.open:
            return at_last
        return min(max(self._latest, arriving.news) + SETTLE, arriving.news + TOGETHER, at_last)
