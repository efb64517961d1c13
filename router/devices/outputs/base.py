"""The output's interface: something that takes MIDI bytes, now."""

from __future__ import annotations

from abc import ABC, abstractmethod

from router.devices.outputs.sounding_notes import PortAddress


class OutputError(Exception):
    """An output that cannot be opened or written. The text says what is wrong and what to do, for whoever set it up."""


class Output(ABC):
    """An open output. ``send`` never waits for long; ``close`` may be called twice."""

    description: str
    """The port or instrument behind it, for the log and for people."""

    place: PortAddress | None = None
    """Where another process finds the receiver; None: what is played ends with this process."""

    @abstractmethod
    def send(self, data: tuple[int, ...], now: int) -> None:
        """Send one complete MIDI message at ``now`` (monotonic nanoseconds; offline, nanoseconds from the start)."""

    def deadline(self) -> int | None:
        """When ``wake`` is next wanted (monotonic nanoseconds; a time that has passed is due now); None: not at all."""
        return None

    def wake(self, now: int) -> None:  # noqa: B027 - few outputs do anything by themselves
        """Do what is due at ``now``, if anything."""

    def present(self) -> bool:
        """Tell whether the receiver is still there. A MIDI port that is unplugged reports nothing by itself."""
        return True

    def stale(self) -> bool:
        """Tell whether this only stands in for the output that was wanted, and that has come now.

        Raises:
            OutputError: several have come, and it is not clear which is meant.
        """
        return False

    @abstractmethod
    def close(self) -> None:
        """Finish: close the port, write the file."""
