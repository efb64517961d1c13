"""A part of the daemon's loop beside the seats: woken when it is due, after the music, and told all news."""

from __future__ import annotations


class Companion:
    """Something that lives in the loop beside the seats."""

    def open(self, now: int) -> None:
        """Begin, as the seats are open."""

    def deadline(self) -> int | None:
        """When ``wake`` is wanted; 0: in this pass."""
        return None

    def wake(self, now: int) -> None:
        """Do what is due; called after the music, in each pass in which the deadline has come."""

    def plugged(self, now: int) -> None:
        """Note that something has been plugged in."""

    def look(self, now: int) -> None:
        """Note that MIDI ports have come or gone."""

    def close(self) -> None:
        """Give everything back: the loop has ended, and every note."""
