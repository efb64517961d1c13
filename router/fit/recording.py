"""A recording to fit from: the samples of one input, and what was asked for when.

Marks, in upper or lower case; all others are passed over:

    rest     nothing is asked of the child from here on, until ``end`` or any other of these marks
    effort   an effort is asked for or seen: it is looked for from one second before to two seconds after, and never
             further than half way to the next one
    end      ends a rest. After an effort: what lies between is a stretch with one or more efforts, as a burst of
             sucking
    pause    from here to the next rest or effort nobody judges what is heard: the child is moved, or the sensor
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from router.core.events import Mark
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped

BEFORE, AFTER = NANOSECONDS, 2 * NANOSECONDS
"""An effort may begin so long before its mark (whoever sees it marks it late) and so long after it (the child takes its
time)."""
LEAST_REST = 8 * NANOSECONDS
LEAST_EFFORTS = 3
PARTS = 5
"""The number of parts into which rest is cut, and of fits that each leave one part of everything out."""
WORDS = ("rest", "effort", "end", "pause")


class FitError(ValueError):
    """A recording from which nothing can be fitted; ``hint`` says what to do."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time, ``begin`` to ``end`` in nanoseconds, in which an effort was asked for; ``several``: one or more."""

    begin: int
    end: int
    several: bool = False


@dataclass(frozen=True, slots=True)
class Recording:
    """The samples of one input, and what was asked for when."""

    samples: list[Stamped]
    rests: list[tuple[int, int]]
    efforts: list[Stretch]
    pauses: list[tuple[int, int]]

    @property
    def seconds_of_rest(self) -> float:
        return sum(end - begin for begin, end in self.rests) / NANOSECONDS

    def at_rest(self, t: int) -> bool:
        return any(begin <= t < end for begin, end in self.rests)

    def unjudged(self, t: int) -> bool:
        return any(begin <= t < end for begin, end in self.pauses)

    def enough(self) -> None:
        """See to it that there is rest and that there are efforts.

        Raises:
            FitError: there is too little.
        """
        if self.seconds_of_rest * NANOSECONDS < LEAST_REST:
            seconds = f"{self.seconds_of_rest:.0f} s of rest {'is' if self.rests else 'are'} marked"
            raise FitError(
                f"{seconds}, which is too little to know what rest looks like",
                f'Mark "rest", wait {2 * LEAST_REST // NANOSECONDS} seconds or more without asking for anything, and'
                ' mark "end".',
            )
        if len(self.efforts) < LEAST_EFFORTS and not any(stretch.several for stretch in self.efforts):
            raise FitError(
                f"{len(self.efforts)} marked efforts are too few", f"Record {LEAST_EFFORTS} or more, better ten."
            )


class Pieces:
    """The recording cut into what can be left out or drawn again.

    Fifths of rest, and each effort with the time after it.
    """

    def __init__(self, recording: Recording) -> None:
        length = sum(end - begin for begin, end in recording.rests) // PARTS + 1
        cuts = [(t, True) for begin, end in recording.rests for t in range(begin, end, length)]
        cuts += [(stretch.begin, False) for stretch in recording.efforts]
        cuts.sort()
        self._begins = [t for t, _rest in cuts]
        self.rest = [i for i, (_t, rest) in enumerate(cuts) if rest]
        self.of_effort = [i for i, (_t, rest) in enumerate(cuts) if not rest]  # in the order of the efforts
        kinds = (self.rest, self.of_effort)
        self.part = {i: place % PARTS for kind in kinds for place, i in enumerate(kind)}

    def at(self, t: int) -> int:
        return max(0, bisect_right(self._begins, t) - 1)


def between(times: Sequence[int], begin: int, end: int) -> tuple[int, int]:
    """The places of the times from ``begin`` up to ``end``, for a slice."""
    return bisect_left(times, begin), bisect_left(times, end)


def record(stamped: Iterable[Stamped], name: str) -> Recording:
    """The samples of the input called ``name``, and the stretches that the marks name.

    Raises:
        FitError: too little of anything.
    """
    samples: list[Stamped] = []
    marks: list[tuple[int, str]] = []
    for t, sample in stamped:
        if isinstance(sample, Mark):
            word = sample.text.strip().casefold()
            if word in WORDS:
                marks.append((t, word))
        elif sample.input == name:
            samples.append((t, sample))
    if not samples:
        raise FitError(f'the recording holds no sample of "{name}"', "Record this input, or name another one.")
    if not marks:
        how = 'Mark where rest begins ("rest") and ends ("end"), and each effort ("effort").'
        raise FitError("the recording has no marks, so rest and effort are not known", how)
    recording = Recording(samples, [], [], [])
    times = [t for t, word in marks if word == "effort"]
    for (t, word), (then, following) in zip(marks, [*marks[1:], (samples[-1][0], "")], strict=True):
        if word in ("rest", "pause"):
            until = then - BEFORE if following == "effort" else then
            if until > t:
                (recording.rests if word == "rest" else recording.pauses).append((t, until))
        elif word == "effort":
            recording.efforts.append(_stretch(recording, times, t, then if following == "end" else None))
    if not recording.efforts:
        raise FitError("no effort is marked in the recording", 'Mark each effort with "effort" as it begins.')
    return recording


def _stretch(so_far: Recording, times: list[int], t: int, ended: int | None) -> Stretch:
    """Where the effort marked at ``t`` is looked for; ``times`` are all marks of efforts."""
    place = times.index(t)
    begin = max([t - BEFORE, *((t + before) // 2 for before in times[:place][-1:])])
    bounds = [*so_far.rests[-1:], *((each.begin, each.end) for each in so_far.efforts[-1:] if each.several)]
    begin = max([begin, *(end for _begin, end in bounds)])
    end = t + AFTER if ended is None else ended + NANOSECONDS // 4
    end = min([end, *(((ended or t) + after) // 2 for after in times[place + 1 :][:1])])
    return Stretch(begin, end, several=ended is not None)
