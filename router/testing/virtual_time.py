"""An engine on virtual time, for tests: woken at its deadlines exactly, or late on purpose."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from router.core.engine import Engine, Plan
from router.core.events import Message, Sample
from router.core.music import Music
from router.core.units import NANOSECONDS

MILLISECOND = NANOSECONDS // 1000
STARTED = 86_399_987_654_321
"""When virtual time begins, in nanoseconds: nearly a day after the clock's zero, and on no round figure."""


class Observed:
    """An ``observe`` that keeps what it is told: ``(time, event, fields)``."""

    def __init__(self) -> None:
        self.lines: list[tuple[int, str, dict[str, Any]]] = []

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        self.lines.append((now, event, fields))

    def named(self, *events: str) -> list[tuple[int, str, dict[str, Any]]]:
        """The lines of these events only."""
        return [line for line in self.lines if line[1] in events]


class VirtualTime:
    """An engine on virtual time: woken at each of its deadlines exactly, and all it plays is kept with its time.

    Times are counted from the start, in the log and in what was played too. The engine's own clock reads ``started``
    then, as that of a PC that has run for a day: what takes a time of day for a time since the start is wrong on it,
    and would not be on a clock at 0.
    """

    started = STARTED

    def __init__(self, plan: Plan) -> None:
        self.log = Observed()
        self.engine = Engine(plan, lambda now, event, fields: self.log(now - self.started, event, fields))
        self.now = 0
        self.played: list[tuple[int, Message]] = []
        self._keep(self.engine.start(self.started))

    def give(self, now: int, sample: Sample) -> None:
        """Go on to ``now`` and hand over a sample."""
        self.go_on(now)
        self._keep(self.engine.handle(sample, self.started + now))

    def give_late(self, now: int, sample: Sample) -> None:
        """Hand over a sample with every deadline since the last call still unserved: the loop was held up."""
        self.now = now
        self._keep(self.engine.handle(sample, self.started + now))

    def go_on(self, until: int) -> None:
        """Wake the engine at each deadline up to ``until``."""
        while (deadline := self.engine.next_deadline()) is not None and deadline <= self.started + until:
            self.now = max(self.now, deadline - self.started)
            self._keep(self.engine.wake(self.started + self.now))
        self.now = until

    def wake_late(self, now: int) -> None:
        """Wake the engine once, however many deadlines have gone by."""
        self.now = now
        self._keep(self.engine.wake(self.started + now))

    def follow(self, music: Music, now: int) -> None:
        """Go on to ``now`` and play on in this music; what is due at ``now`` is played in it, as in a room."""
        self.go_on(now - 1)
        self.now = now
        self._keep(self.engine.follow(replace(music, origin=self.started + music.origin), self.started + now))

    def stop(self) -> None:
        """Stop the engine now."""
        self._keep(self.engine.stop(self.started + self.now))

    def _keep(self, messages: Iterable[Message]) -> None:
        self.played += [(self.now, message) for message in messages]
