"""What lives in the daemon's loop beside the seats: it is woken when it is due, after the music, and hears all news."""

from __future__ import annotations


class Companion:
    """Something that lives in the loop beside the seats."""

    def open(self, now: int) -> None:
        """The seats are open."""

    def deadline(self) -> int | None:
        """When ``wake`` is wanted; 0: in this pass."""
        return None

    def wake(self, now: int) -> None:
        """Do what is due; called after the music, in each pass in which the deadline has come."""

    def plugged(self, now: int) -> None:
        """Something has been plugged in."""

    def look(self, now: int) -> None:
        """MIDI ports have come or gone."""

    def close(self) -> None:
        """The loop has ended, and every note."""
