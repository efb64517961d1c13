"""The input's interface to the loop: a descriptor that becomes readable, and samples when it is read."""

from __future__ import annotations

import errno
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence

from router.core.events import Sample

Stamped = tuple[int, Sample]
"""A sample and when it was taken, in nanoseconds of the monotonic clock."""


PER_READ = 256
"""Bytes or messages that one ``read`` takes at most: a device that floods us must not keep the others waiting.

Our choice: some milliseconds of work at worst, and far more than a healthy device sends in that time."""


class DeviceMissing(Exception):  # a device that is missing is not always an error
    """No such device now; the message says what was looked for and what is there."""


class DeviceBusy(DeviceMissing):
    """A device in use by another program, or behind a server that does not run: no news will say when it is free."""


LASTING = frozenset(
    {
        errno.ENOENT,
        errno.ENODEV,
        errno.ENXIO,
        errno.ENOTDIR,
        errno.EACCES,
        errno.EPERM,
        errno.ELOOP,
        errno.EINVAL,
        errno.ENOTTY,
    }
)
"""Errors of opening that end with news from the system: a device is plugged in, or its rights or its name change."""


SCARCE = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM})
"""Errors of the system when no descriptor or no memory is free for anything."""


def passing(error: BaseException) -> bool:
    """Tell whether the cause may pass without any news: no descriptor or memory was free, or a disk or line failed."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, MemoryError) or (isinstance(cause, OSError) and cause.errno not in LASTING):
            return True
        cause = cause.__cause__
    return False


class DeviceLost(Exception):  # it is an event: the input is lost, and looked for again
    """An open device has gone."""


class Input(ABC):
    """An open device that serves one or more of a profile's inputs.

    Invariants: ``read`` never waits, and what it takes at a time is bounded; after ``DeviceLost`` only ``close`` may be
    called; ``close`` may be called twice.
    """

    inputs: tuple[str, ...]
    """The names of the profile's inputs that this device serves."""

    description: str
    """Name of the open device, for the log and for people."""

    first: Sequence[Sample] = ()
    """Samples known at opening, until ``wake`` has given them."""

    dropped: int = 0
    """Losses since opening: what came was too long, or came faster than it was taken."""

    grows: bool = False
    """True if more devices may join it while it is open (``more``)."""

    @abstractmethod
    def fileno(self) -> int:
        """The descriptor to wait on."""

    @abstractmethod
    def read(self, now: int) -> list[Stamped]:
        """Take the samples that have come, oldest first; if there are more, the descriptor stays readable.

        Raises:
            DeviceLost: the device has gone.
        """

    def deadline(self) -> int | None:
        """When ``wake`` is next wanted, for a device that needs time (a terminal sends no key release); None: never."""
        return 0 if self.first else None

    def wake(self, now: int) -> list[Stamped]:
        """Return the samples that are due by time alone.

        Raises:
            DeviceLost: the device has gone, and only looking shows it.
        """
        first, self.first = self.first, ()
        return [(now, sample) for sample in first]

    def more(self) -> Callable[[], None] | None:
        """Look whether a device that was plugged in belongs here, and open it. To be called outside the loop.

        Returns a function that takes it in, to be called in the loop; None if there is nothing new.
        """
        return None

    def look(self) -> None:  # noqa: B027 - most devices say themselves that they go
        """Check that the device is still there, for one whose removal only the system announces (see ``MidiSystem``).

        Raises:
            DeviceLost: it has gone.
        """

    @abstractmethod
    def close(self) -> None:
        """Give the device back."""
