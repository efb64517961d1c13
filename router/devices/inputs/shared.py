"""The choice of devices for several seats (and the room's own buttons): each device is told apart, shared or refused.

Each wish gets one of the devices that are there and match its pattern, taken in the order of their ports:

    the one that it had before, if it is there and may be had          that one
    one that nobody has, and that no other wish waits for to return    it, if it is the only one; the first, if another
                                                                       seat's pattern matches them all just as well
    several that match this wish only                                  refused: nobody guesses
    one that others have, who use other keys or readings of it         shared, unless its own has only been pulled out
    one that others have, who use the same                             refused, with their name

A device is open once (``Opened``), whoever listens. What it says goes unchanged to each of its readers, and each reader
makes the samples that its seat needs (``Reader``); the device is closed with the last of them.

Invariants: no choice leaves another seat without a device if it could have had one; no reader's coming, going or
failing takes anything from another.
"""

from __future__ import annotations

import errno
import os
import re
import select
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from threading import Lock, RLock
from typing import Any, Generic, NoReturn, TypeVar, cast

from router.devices.descriptions import Device
from router.devices.inputs.base import DeviceBusy, DeviceLost, DeviceMissing, Input, Stamped
from router.devices.names import Candidate, NotOne, as_yaml, candidates_listed, choose

What = TypeVar("What")
"""Raw data of an open device, before any reader has made samples of it."""


AnyOpened = TypeVar("AnyOpened", bound="Opened[Any]")


@dataclass(frozen=True, slots=True)
class DeviceKind:
    """A kind of device: its name, its word in a profile, and what its inputs may differ in.

    ``means``: tells whether the device of this name could serve these inputs. ``clash``: says what both sets of inputs
    use of one device; empty if they do not disturb each other.
    """

    what: str
    key: str
    differ: str
    means: Callable[[Mapping[str, Any], str], bool]
    clash: Callable[[Mapping[str, Any], Mapping[str, Any]], str]


@dataclass(eq=False, slots=True)
class Wish:
    """A seat's (``who``) wish for one device that serves its inputs. ``news`` is called when one may have become free.

    ``has``: the lasting name of the device that it has; None while it looks. ``moved``: the device that it had before
    was not there at the choice.
    """

    sharing: Sharing
    who: str
    at: tuple[object, ...]
    devices: Mapping[str, Device]
    news: Callable[[], None]
    has: str | None = None
    moved: bool = False

    @property
    def home(self) -> tuple[object, ...]:
        """The key under which its last device is remembered, also for a later wish of the same seat for the same."""
        return self.who, *self.at

    @property
    def pattern(self) -> str:
        """The pattern for the device's name; empty for a kind of device that has none."""
        return str(getattr(next(iter(self.devices.values())), "pattern", ""))


@dataclass(slots=True)
class Sharing:
    """All wishes, and the devices that are open. The methods may be called from any thread.

    ``later``: runs slow work that nobody waits for, such as closing a device. ``keep``: a device whose opening would
    hold up all others stays open when nobody listens to it, until it has gone or ``close`` is called.
    """

    later: Callable[[Callable[[], None]], None] = lambda work: work()
    keep: bool = False
    lock: RLock = field(default_factory=RLock)
    _wishes: list[Wish] = field(default_factory=list)
    _homes: dict[tuple[object, ...], str] = field(default_factory=dict)  # what each had last
    _opened: dict[str, Opened[Any]] = field(default_factory=dict)  # by path

    def wish(
        self, who: str, at: tuple[object, ...], devices: Mapping[str, Device], news: Callable[[], None] = lambda: None
    ) -> Wish:
        """Add a wish for a device. ``at`` begins with the kind of device; wishes of one kind compete."""
        wish = Wish(self, who, at, devices, news)
        with self.lock:
            self._wishes.append(wish)
        return wish

    def withdraw(self, wish: Wish) -> None:
        """Remove a wish, and release its device."""
        with self.lock:
            if wish in self._wishes:
                self._wishes.remove(wish)
        self.let_go(wish)

    def let_go(self, wish: Wish) -> None:
        """Release a wish's device, and tell all other wishes."""
        if wish.has is None:
            return
        wish.has = None
        with self.lock:
            waiting = [other for other in self._wishes if other is not wish]
        for other in waiting:
            other.news()

    @contextmanager
    def opening(self, wish: Wish) -> Iterator[None]:
        """Enclose the opening of the chosen device. If it fails, no other wish is told: it would fail for them, too.

        If it succeeds, the device is the wish's home from now on, and those who shared the device that it had before
        go with it to the new port.
        """
        try:
            yield
        except DeviceMissing:
            wish.has = None
            raise
        key = wish.has
        assert key is not None  # it was chosen
        with self.lock:
            before = self._homes.get(wish.home)
            if before is not None and before != key and wish.moved:
                self._homes |= {shared: key for shared, home in self._homes.items() if home == before}
            self._homes[wish.home] = key

    def choose(self, wish: Wish, there: Mapping[str, Candidate], kind: DeviceKind) -> str:
        """Choose one of the devices that are there for this wish, which has it from now on; return its lasting name.

        Raises:
            DeviceMissing: none, or several of which none is anybody's.
            DeviceBusy: others have what there is, or are about to have it again.
        """
        with self.lock:
            others = [other for other in self._wishes if other.who != wish.who and other.at[0] == wish.at[0]]
            wish.has = _Choice(wish, there, kind, others, self._homes).key()
            wish.moved = self._homes.get(wish.home) not in there
            return wish.has

    def opened(self, path: str, make: Callable[[], AnyOpened]) -> AnyOpened:
        """Return the device as it is open already, or open it now."""
        opened = self.has_opened(path)
        if opened is None:
            self._opened = {at: one for at, one in self._opened.items() if not one.over}
            opened = self._opened[path] = make()
            opened.later, opened.stays = self.later, self.keep and opened.may_stay
        return cast("AnyOpened", opened)

    def look(self) -> None:
        """Close the kept devices that have gone; to be called when ports have come or gone."""
        for opened in [*self._opened.values()]:
            if opened.readers or opened.over:
                continue
            try:
                opened.look()
            except DeviceLost:
                opened.later(opened.close)

    def close(self) -> None:
        """Close all devices that are still open; to be called when nobody listens any more."""
        for opened in [*self._opened.values()]:
            if not opened.over:
                opened.over = True
                opened.later(opened.close)

    def has_opened(self, path: str) -> Opened[Any] | None:
        """The device if it is open."""
        opened = self._opened.get(path)
        return None if opened is None or opened.over else opened


@dataclass(frozen=True, slots=True)
class _Choice:
    """A choice of a device for a wish, among those there, beside the other wishes. ``homes``: what each had last."""

    wish: Wish
    there: Mapping[str, Candidate]
    kind: DeviceKind
    others: Sequence[Wish]
    homes: Mapping[tuple[object, ...], str]

    def key(self) -> str:
        """The chosen device's lasting name; raises as ``Sharing.choose`` does."""
        found = [key for key in sorted(self.there, key=_counting) if self.kind.means(self.wish.devices, key)]
        if not found:
            self._none()
        clashes = {key: self._clashes(key) for key in found}
        home = self.homes.get(self.wish.home)
        if home in clashes and not clashes[home]:
            return home
        waited = {self.homes.get(other.home): other for other in self.others if other.has is None}
        held = {other.has for other in self.others}
        free = [key for key in found if key not in held and key not in waited]
        if free:
            return self._free(free)
        joined = [key for key in found if key in held and not clashes[key]]
        if joined and home is None:
            if len(joined) > 1:
                self._several(joined)
            return joined[0]
        for key, clash in clashes.items():
            if clash:
                other, same = clash[0]
                raise DeviceBusy(
                    f"{self.kind.what} {as_yaml(self.there[key].name)} is taken: {other.who} has {same} of it, and"
                    f" {as_yaml(self.wish.pattern)} means no other that is free; write another pattern or"
                    f" {self.kind.differ} into the profile, or another pattern under devices: of the seat in the"
                    " configuration"
                )
            if key in waited:
                raise DeviceBusy(
                    f"{self.kind.what} {as_yaml(self.there[key].name)} was that of {waited[key].who}, which waits for"
                    f" it, and {as_yaml(self.wish.pattern)} means no other"
                )
        raise DeviceBusy(
            f"the {self.kind.what} that was here has gone, and {as_yaml(self.wish.pattern)} means only what others have"
        )

    def _clashes(self, key: str) -> list[tuple[Wish, str]]:
        """List the wishes that have this device and use the same of it, each with what they use."""
        holders = [other for other in self.others if other.has == key]
        return [(other, same) for other in holders if (same := self.kind.clash(self.wish.devices, other.devices))]

    def _free(self, free: Sequence[str]) -> str:
        """Return the first free device that takes none from those who still look, else just the first.

        Raises:
            DeviceMissing: several do that, and no other seat's pattern matches them all.
        """
        rivals = [
            {key for key in free if self.kind.means(other.devices, key)} for other in self.others if other.has is None
        ]
        best = most(rivals)
        harmless = [key for key in free if most([options - {key} for options in rivals]) == best]
        if not harmless:  # fewer than seats: who comes first has the first
            return free[0]
        rivalled = any(all(self.kind.means(other.devices, key) for key in harmless) for other in self.others)
        if len(free) > 1 and len(harmless) > 1 and not rivalled:
            self._several(harmless)
        return harmless[0]

    def _none(self) -> NoReturn:
        try:
            choose(self.wish.pattern, [*self.there.values()], self.kind.what, self.kind.key)
        except NotOne as error:
            raise DeviceMissing(str(error)) from error
        raise DeviceMissing(f"no {self.kind.what} called {as_yaml(self.wish.pattern)} will do")

    def _several(self, keys: Sequence[str]) -> NoReturn:
        listing = candidates_listed([self.there[key] for key in keys], self.kind.key)
        raise DeviceMissing(
            f"{as_yaml(self.wish.pattern)} could be {len(keys)} {self.kind.what}s; write one of these:\n{listing}"
        )


def most(options: Sequence[Collection[str]]) -> int:
    """Count how many can have a device of their own at once: the size of a largest matching, by augmenting paths."""
    owner: dict[str, int] = {}

    def settled(who: int, tried: set[str]) -> bool:
        for key in options[who]:
            if key not in tried:
                tried.add(key)
                if key not in owner or settled(owner[key], tried):
                    owner[key] = who
                    return True
        return False

    return sum(settled(who, set()) for who in range(len(options)))


def _counting(name: str) -> list[tuple[int, str]]:
    """A sort key that puts 2 before 10."""
    return [(int(piece), "") if piece.isdecimal() else (0, piece) for piece in re.split(r"(\d+)", name)]


class Opened(ABC, Generic[What]):
    """An open device. ``over``: gone or closed, so nobody may join it. ``stays``: see ``keep`` of ``Sharing``."""

    may_stay = False

    def __init__(self) -> None:
        self.over = self.stays = False
        self.later: Callable[[Callable[[], None]], None] = lambda work: work()
        self.readers: tuple[Reader[What], ...] = ()
        self._lock = RLock()

    @abstractmethod
    def fileno(self) -> int:
        """A descriptor that is readable when the device has said something."""

    @abstractmethod
    def take(self, now: int) -> What | None:
        """Take what has come, bounded by ``PER_READ``; None if nothing has.

        Raises:
            DeviceLost: it has gone.
        """

    @abstractmethod
    def close(self) -> None:
        """Close the device."""

    def look(self) -> None:
        """Check that the device is still there.

        Raises:
            DeviceLost: it has gone.
        """

    def join(self, reader: Reader[What]) -> None:
        """Add a reader.

        Raises:
            DeviceMissing: the device was closed meanwhile.
        """
        with self._lock:
            if self.over:  # it was closed since we looked
                raise DeviceMissing(os.strerror(errno.ENODEV))
            self.readers = (*self.readers, reader)

    def leave(self, reader: Reader[What]) -> None:
        """Remove a reader; close the device with the last one, unless it stays."""
        with self._lock:
            self.readers = tuple(other for other in self.readers if other is not reader)
            last = not self.readers and (self.over or not self.stays)
            self.over |= last
        if last:
            self.later(self.close)

    def close_unused(self) -> None:
        """Close the device if nobody listens to it after all."""
        with self._lock:
            unused = not self.readers and not self.over
            self.over |= unused
        if unused:
            self.close()

    def pull(self, by: Reader[What], now: int) -> None:
        """Hand what has come to every reader, and wake all but the one that asked."""
        try:
            what = self.take(now)
        except DeviceLost:
            self.over = True
            raise
        if what is None:
            return
        for reader in self.readers:
            reader.give(what, now, poke=reader is not by)


class Reader(Input, Generic[What]):
    """Some inputs of an open device, for one seat.

    ``given_up``: why it must leave the device to somebody else; ``read`` raises this as if the device had gone.
    """

    def __init__(self, opened: Opened[What], wish: Wish | None = None) -> None:
        self.wish = wish
        self.given_up = ""
        self._opened = opened
        self._came: deque[tuple[int, What]] = deque()
        self._poke = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._poking = Lock()
        self._epoll = select.epoll()
        self._epoll.register(self._poke, select.EPOLLIN)
        try:
            self._epoll.register(opened.fileno(), select.EPOLLIN)
            opened.join(self)
        except (OSError, DeviceMissing):
            self._close()
            raise

    @abstractmethod
    def made(self, what: What, now: int) -> Iterable[Stamped]:
        """Make this seat's samples of what the device has said."""

    def fileno(self) -> int:
        return self._epoll.fileno()

    def give(self, what: What, now: int, *, poke: bool) -> None:
        """Queue what the device has said at ``now``; ``poke``: make the descriptor readable."""
        self._came.append((now, what))
        if poke:
            self._wake_reader()

    def give_up(self, why: str) -> None:
        """Leave the device to somebody else: the next ``read`` raises ``DeviceLost`` with this reason."""
        self.given_up = why
        self._wake_reader()

    def read(self, now: int) -> list[Stamped]:
        if self.given_up:
            raise DeviceLost(self.given_up)
        if self._came:
            with suppress(BlockingIOError):
                os.eventfd_read(self._poke)
        else:
            self._opened.pull(self, now)
        stamped: list[Stamped] = []
        while self._came:
            at, what = self._came.popleft()
            stamped += self.made(what, at)
        return stamped

    def close(self) -> None:
        if not self._epoll.closed:
            try:
                self._opened.leave(self)
            finally:
                self._close()

    def _wake_reader(self) -> None:
        """Make the descriptor readable, from any thread; not once it is closed, when its number may be another's."""
        with self._poking:
            if self._poke >= 0:
                os.eventfd_write(self._poke, 1)

    def _close(self) -> None:
        self._epoll.close()
        with self._poking:
            os.close(self._poke)
            self._poke = -1
