"""What an output is: something that takes MIDI bytes, now."""

from __future__ import annotations

from abc import ABC, abstractmethod


class Output(ABC):
    """An open output. ``send`` never waits for long; ``close`` may be called twice."""

    @abstractmethod
    def send(self, data: tuple[int, ...], now: int) -> None:
        """One complete MIDI message at ``now`` (monotonic nanoseconds; offline, nanoseconds from the start)."""

    @abstractmethod
    def close(self) -> None:
        """Finish: close the port, write the file."""
