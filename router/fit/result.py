"""The result of a fit: each number with its reason and how far it may be trusted, and what would have been heard."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from router.core.conditioning.cycle import Cycle
from router.fit.estimates import limits

Figure = tuple[float, str]
"""A number and its kind: "pressure" (pascals), "time" (nanoseconds), "share" (1 is all of it), "pressure a minute",
"share a minute"."""

ENOUGH = 0.8
"""The share of efforts that must be heard; with fewer there is no result."""
FALSE_COUNTS = 1.5
"""A false press counts as so many missed efforts: it teaches the child that what sounds does not depend on trying."""

EXTRA_COUNTS = 1.0
"""A press between the marks counts as so many: it is false, or an effort that nobody marked. Our choice."""

SURE, FAIRLY, UNSURE = "sure", "fairly sure", "unsure"


def how_sure(value: float, interval: tuple[float, float], room: tuple[float, float]) -> str:
    """Say in a word how sure a value is.

    ``room`` is where the value could lie and the recording would have been heard alike. "sure": the whole interval lies
    in it. "fairly sure": the value does. "unsure": not even the value does.
    """
    low, high = room
    if low <= interval[0] and interval[1] <= high:
        return SURE
    return FAIRLY if low < value < high else UNSURE


def within(found: Sequence[float], value: float, room: tuple[float, float]) -> tuple[float, float, str]:
    """The interval of a value from its values over resamples, and how sure the value is."""
    low, high = limits(found)
    low, high = min(low, value), max(high, value)
    return low, high, how_sure(value, (low, high), room)


@dataclass(frozen=True, slots=True)
class Setting:
    """A number of a fit: where in the input's settings it stands, its value, why, and how far it may be trusted.

    ``kind`` as in ``Figure``. ``why`` is a sentence with ``{}`` where each of ``figures`` belongs. ``low`` to ``high``
    is its 90 % interval: where it would lie if the child did the same again. ``now`` is what holds at present, if
    known.
    """

    path: tuple[str, ...]
    value: float
    kind: str
    why: str
    figures: tuple[Figure, ...] = ()
    low: float = math.nan
    high: float = math.nan
    sure: str = UNSURE
    now: float = math.nan


@dataclass(frozen=True, slots=True)
class Fact:
    """A measurement made on the way: a sentence with ``{}`` where each of ``figures`` belongs."""

    name: str
    says: str
    figures: tuple[Figure, ...] = ()


@dataclass(slots=True)
class Heard:
    """How many efforts were heard, and how many presses nobody meant: at rest, and between efforts."""

    heard: int = 0
    efforts: int = 0
    false: int = 0
    elsewhere: int = 0

    def plus(self, other: Heard) -> Heard:
        return Heard(
            self.heard + other.heard,
            self.efforts + other.efforts,
            self.false + other.false,
            self.elsewhere + other.elsewhere,
        )


@dataclass(frozen=True, slots=True)
class Judged:
    """An effort as it was meant: from ``begin`` to ``end`` in nanoseconds, and whether it was heard."""

    begin: int
    end: int
    heard: bool
    side: str = ""


@dataclass(frozen=True, slots=True)
class Fit:
    """Settings, and what they would have heard in the recording.

    ``tried``: the same, where each effort and stretch of rest was judged by a fit that had not seen it.
    """

    settings: list[Setting]
    heard: Heard
    tried: Heard
    seconds_of_rest: float
    facts: list[Fact] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    judged: list[Judged] = field(default_factory=list)
    false: list[int] = field(default_factory=list)
    """When presses began that nobody meant, in nanoseconds."""
    cycle: Cycle | None = None
    """The rhythm beneath the efforts, if it is to be known beforehand."""


def heard_between_marks(times: int) -> list[str]:
    """Remark on presses between the marks, if there are any: whoever watched knows what they were."""
    if not times:
        return []
    return [f"heard {times} times between the marks: if these were efforts that nobody marked, all is well"]
