"""What an input is to the loop: a descriptor that becomes readable, and samples when it is read."""

from __future__ import annotations

import errno
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence

from router.core.events import Sample

Stamped = tuple[int, Sample]
"""A sample and when it was taken, in nanoseconds of the monotonic clock."""


PER_READ = 256
"""Bytes or messages that one ``read`` takes at most: a device that floods us must not keep the others waiting. Our choice:
some milliseconds of work at worst, and far more than comes in that time from a device that is well."""


class DeviceMissing(Exception):  # noqa: N818 - a device that is missing is not always an error
    """No such device now; the message says what was looked for and what is there."""


class DeviceBusy(DeviceMissing):
    """It cannot be had now, and nobody will say when it can: another program has it, or a server does not run."""


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
"""Why the system opens no device, where there will be news once it does: it is plugged in, its rights or its name change."""


SCARCE = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM})
"""What the system says where no descriptor or no memory is free for anything."""


def passing(error: BaseException) -> bool:
    """Return whether it failed for what may pass without any news: no descriptor or memory was free, or a disk or line failed."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, MemoryError) or (isinstance(cause, OSError) and cause.errno not in LASTING):
            return True
        cause = cause.__cause__
    return False


class DeviceLost(Exception):  # noqa: N818 - it is an event: the input is lost, and looked for again
    """An open device has gone."""


class Input(ABC):
    """An open device that serves one or more of a profile's inputs.

    Invariants: ``read`` never waits, and what it takes at a time is bounded; after ``DeviceLost`` only ``close`` may be called; ``close`` may be called twice.
    """

    inputs: tuple[str, ...]
    """The names of the profile's inputs that this device serves."""

    description: str
    """What was opened, for the log and for people."""

    first: Sequence[Sample] = ()
    """What was known when it was opened, until ``wake`` has given it."""

    dropped: int = 0
    """How often something that came was lost since it was opened: it was too long, or came faster than it was taken."""

    grows: bool = False
    """Whether more may come to it while it is open (``more``)."""

    @abstractmethod
    def fileno(self) -> int:
        """The descriptor to wait on."""

    @abstractmethod
    def read(self, now: int) -> list[Stamped]:
        """What has come, oldest first; if there is more of it, the descriptor stays readable.

        Raises:
            DeviceLost: the device has gone.
        """

    def deadline(self) -> int | None:
        """When ``wake`` is wanted, for a device that also needs time (a terminal sends no key release)."""
        return 0 if self.first else None

    def wake(self, now: int) -> list[Stamped]:
        """What time alone has brought about.

        Raises:
            DeviceLost: the device has gone, and only looking shows it.
        """
        first, self.first = self.first, ()
        return [(now, sample) for sample in first]

    def more(self) -> Callable[[], None] | None:
        """Something was plugged in: look whether it belongs to what is open, and open it. To be called beside the loop.

        What is given, if anything, takes it in; to be called in the loop.
        """
        return None

    def look(self) -> None:  # noqa: B027 - most devices say themselves that they go
        """Look whether the device is still there, for one whose going is only announced (see ``MidiSystem``).

        Raises:
            DeviceLost: it has gone.
        """

    @abstractmethod
    def close(self) -> None:
        """Give the device back."""
