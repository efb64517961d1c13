"""The fate of efforts in one or several sessions."""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass, field


@dataclass(slots=True)
class Score:
    """The fate of some sessions. ``delays`` in milliseconds, ``fits`` in seconds of computing."""

    efforts: int = 0
    heard: int = 0
    false: int = 0
    minutes: float = 0.0
    refused: int = 0
    unmeant: int = 0
    """False presses within a cough, a spasm or another thing that the body did."""
    delays: list[float] = field(default_factory=list)
    fits: list[float] = field(default_factory=list)

    def add(self, other: Score) -> None:
        for name in ("efforts", "heard", "false", "minutes", "refused", "unmeant", "delays", "fits"):
            setattr(self, name, getattr(self, name) + getattr(other, name))

    @classmethod
    def sum(cls, scores: Iterable[Score]) -> Score:
        total = cls()
        for one in scores:
            total.add(one)
        return total

    @property
    def share(self) -> float:
        return self.heard / self.efforts

    @property
    def false_a_minute(self) -> float:
        return self.false / self.minutes

    @property
    def delay(self) -> float:
        return statistics.median(self.delays) if self.delays else 0.0

    @property
    def late(self) -> float:
        """The 95th percentile of the delays."""
        return statistics.quantiles(self.delays, n=20)[-1] if len(self.delays) > 1 else self.delay

    @property
    def line(self) -> str:
        """One child in a few words."""
        if self.refused:
            return "refused"
        return f"{self.heard} of {self.efforts}, {self.false} false ({self.unmeant} unmeant), {self.delay:.0f} ms"
