"""The contract of conditioning: raw samples of one input in, gestures out. No I/O, no clock; time is an argument."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from typing import Any

from router.core.events import Gesture, Press
from router.core.timers import Alarm

Gestures = Iterable[Gesture]


class Conditioner:
    """Turns the samples of one input into gestures; each kind of input has a subclass.

    Invariants: presses and releases of one source alternate, each release names the voice of its press, and after
    ``lost`` nothing is pressed.
    """

    hears: frozenset[str] = frozenset()
    """Sources of other inputs whose presses ``pressed`` is told of."""

    def __init__(self, name: str, new_voice: Callable[[], int], alarm: Alarm) -> None:
        self.name = name
        self.new_voice = new_voice
        self.alarm = alarm

    def handle(self, sample: Any, now: int) -> Gestures:
        """Take a sample of this input, of the kind that this conditioner is for."""
        raise NotImplementedError

    def wake(self, now: int, tag: Hashable) -> Gestures:
        """A deadline set with ``self.alarm.at`` has come."""
        return ()

    def pressed(self, press: Press, now: int) -> Gestures:
        """Take the press of another input, one of ``hears``. Gives no press."""
        return ()

    def lost(self, now: int) -> Gestures:
        """The device has gone: release what is pressed, forget what was seen."""
        raise NotImplementedError
