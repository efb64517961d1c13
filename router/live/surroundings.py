"""The surroundings of all that lives in the daemon's loop, and the parts of that loop."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any, Protocol

from router.devices.inputs.shared import Sharing
from router.devices.outputs.shared import SharedOutputs
from router.live.turn import Turn
from router.system.loop import Loop


class EventLog(Protocol):
    """A logger as the daemon needs it (structlog's has this form): an event, and its fields."""

    def info(self, event: str, **fields: Any) -> Any:
        """A thing that happened."""

    def warning(self, event: str, **fields: Any) -> Any:
        """A thing that somebody may have to see to."""

    def error(self, event: str, **fields: Any) -> Any:
        """A thing that went wrong in the program."""

    def debug(self, event: str, **fields: Any) -> Any:
        """A thing for people who look closely."""


class Surroundings(Protocol):
    """The parts of the daemon that all attached devices share."""

    loop: Loop
    log: EventLog
    inputs: Sharing
    outputs: SharedOutputs
    turn: Turn

    @property
    def hears_of_devices(self) -> bool:
        """True if there is news when something is plugged in."""

    def beside(self, work: Callable[[], object], done: Callable[[object, int], None]) -> None:
        """Do this beside the loop, one after another; ``done`` is told in the loop what it gave or raised, and when.

        Before the loop runs and after it has ended it is done at once.
        """

    def flooded(self, wake: Callable[[int, int], None]) -> None:
        """Wake a seat whose devices say more than it can play after the others, with its share of the pass's time."""

    def midi_used(self) -> None:
        """Note that the MIDI system was asked for, and may be another one than before."""

    def fault(self, error: Exception) -> None:
        """Report a fault of the program."""

    def contained(self) -> AbstractContextManager[None]:
        """Report an exception raised inside, and let it go no further."""


class LoopPart:
    """Something that lives in the loop beside the seats, and sets reminders for what it does by time."""

    def open(self, now: int) -> None:
        """Begin, as the seats are open."""

    def plugged(self, now: int) -> None:
        """Note that something has been plugged in."""

    def look(self, now: int) -> None:
        """Note that MIDI ports have come or gone."""

    def close(self) -> None:
        """Give everything back: the loop has ended, and every note."""
