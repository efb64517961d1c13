"""A part of the daemon's loop beside the seats: told all news. What it does by time it sets reminders for."""

from __future__ import annotations


class LoopPart:
    """Something that lives in the loop beside the seats."""

    def open(self, now: int) -> None:
        """Begin, as the seats are open."""

    def plugged(self, now: int) -> None:
        """Note that something has been plugged in."""

    def look(self, now: int) -> None:
        """Note that MIDI ports have come or gone."""

    def close(self) -> None:
        """Give everything back: the loop has ended, and every note."""
