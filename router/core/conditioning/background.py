"""The pressure that a sensor would read without an effort: the rest level, and a steady rhythm underneath.

A child's effort often rides on something else: slow drift of the sensor, and the regular rise and fall of breathing or
of a ventilator. This module learns both from the times when nobody tries and says, at any moment, what to expect; an
effort is what goes beyond that. It is a filter for playing music. It detects nothing clinical and must not be
used to.

The rest level is the median of the first half second, then follows drift (``trend`` carries it on), and leaps to where
the signal stays as still as at rest (``plateau``), or comes back to between efforts (``pauses``). The rhythm's period
is found by ``rhythm``. The level to expect now is the mean of the last period plus the median of what was one, two,
three and four periods ago, each relative to the mean of its own period. The median makes it safe: a gentle effort that
was not heard is in one of four periods and does not count.

Regular playing would be learned like that, bit by bit: the rise and fall of each effort that is heard, and efforts too
gentle to be heard. So rise and fall belong to their effort, and a rhythm is believed only as far as the signal moved in
the stillest stretch of nearly a period: breathing goes on, playing rests now and then. After a rest it takes 30 s
without effort until a rhythm is believed that was not there before (a child that comes to an idle sensor).

A rhythm that reaches "on" by itself would never be learned like that, as each of its peaks counts as an effort. So the
unfiltered signal is watched too: a movement that repeats more exactly than any hand, has been there since the
beginning, and goes no further than half of a full effort is taken for the rhythm.

Invariants:
  * an effort that is heard is never learned, however long it is and however regularly a child can play;
  * a signal beyond ``off`` that is no effort moves what is learned by a small step at most;
  * no more of a rhythm is taken out than the signal moved in every recent stretch of nearly a period without effort.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from enum import Enum
from itertools import accumulate
from statistics import median

from router.core.conditioning.plateau import Plateau
from router.core.conditioning.rhythm import SHORTEST_PERIOD, STEP, Rhythm, Stillness
from router.core.conditioning.trend import Trend
from router.core.units import NANOSECONDS

SETTLE = NANOSECONDS // 2
"""Time for which the sensor is watched before the first rest level is known."""
GAP = NANOSECONDS // 4
"""A sensor silent for longer is taken to have read what was expected: some send only changes."""

TRUST_AFTER = 3 * NANOSECONDS // 2
"""Time at rest after which the rest level is trusted. Until then an "effort" may be rest, seen first during one."""
POSTURE_AFTER = 3 * NANOSECONDS
"""A pressure that stays between "off" and "on" for longer is another posture, and is followed."""

EXACT = 0.93
"""A correlation that nobody plays by hand: a jitter of 5 % of the period leaves about 0.8. Our choice, from
simulations."""
EXACT_FOR = 8 * NANOSECONDS
"""Time for which, and at least three times, a movement must repeat so exactly to be taken for the rhythm."""

FLANK = 8
"""Most steps before and after an effort that are its rise and its fall, as far as they lie beyond ``EDGE`` of ``on``.
Not for efforts quicker than any rhythm, as when a child sucks: rest would be hidden among them."""
EDGE = 0.1
STILL = 0.95
"""The share of a period in which a rhythm must have moved."""
_LOOK = 24  # steps after which the believed share of the rhythm is found again

_PERIODS = 4  # past periods of which the expected level is the median
_TREND = 300  # steps; what changes slower than this is drift to the finder of rhythms
_KEEP = 2048  # steps that are kept at least: four periods of 5.5 s, and one more for their mean


class Seen(Enum):
    """The thresholds' verdict on the signal, which decides how much may be learned."""

    REST = "rest"
    NEAR = "near"  # beyond ``off``, but no effort
    EFFORT = "effort"


class Background:
    """The expected level, learned step by step.

    Args:
        on: the lowest threshold of an effort, in pascals; what may be learned at once is measured by it. gentle: the
        highest that a rhythm may go, in pascals from rest. track: the time constant with which rest follows drift, in
        nanoseconds. rhythm: whether a steady rhythm is learned and taken out. flat: the time for which a signal away
        from rest must be as still as rest to be the new rest, in nanoseconds; 0: never. signs: 1 and -1 of the sides
        of rest on which efforts are. stacked: more may be wanted on top of an effort.
        quickly: whether rest that has moved is looked for in pauses as well.
    """

    def __init__(
        self,
        on: float,
        gentle: float,
        track: int,
        *,
        rhythm: bool = True,
        flat: int = 0,
        signs: Sequence[int] = (1, -1),
        stacked: bool = False,
        quickly: bool = True,
    ) -> None:
        self._on, self._gentle, self._track, self._wants_rhythm = on, gentle, track / NANOSECONDS, rhythm
        self._flat, self._signs, self._stacked, self._quickly = flat, signs, stacked, quickly
        self.restart()

    def restart(self, level: float | None = None, now: int = 0) -> None:
        """Forget everything and settle again; ``level``: where rest is ``now``, in pascals, if that is known."""
        self.expected: float | None = level
        """The level of the next step, in pascals; None while it settles."""
        self.rhythm = Rhythm()
        self._unfiltered = Rhythm()
        self._still = Stillness()
        self._believed = 1.0  # the share of the rhythm that is taken out
        self._rest = level or 0.0
        self._trend = Trend()
        self._plateau = (
            Plateau(self._on, self._flat, self._signs, stacked=self._stacked, quickly=self._quickly)
            if self._flat
            else None
        )
        self.moved: float | None = None
        """How far rest has moved at once, in pascals, if it has; until ``follow_the_move``."""
        self._settling: list[float] = []
        self._clean: list[float] = []  # the signal without efforts, step by step
        self._raw: list[float] = []  # the signal as it came, step by step
        self._busy: list[bool] = []  # whether it was an effort
        # Of ``_clean`` up to each step, so that a mean over any time is one subtraction.
        self._sums: list[float] = [0.0]
        self._before: deque[float] = deque(maxlen=FLANK)  # what was expected at the latest steps
        self._steps = self._calm = self._near = 0
        self._began = -SHORTEST_PERIOD  # the step with which the latest effort began
        self._falling = 0  # for so many more steps at most this is the fall of an effort
        self._frozen_mean: float | None = None  # the mean of the period before an effort
        self._settling_since = 0
        self._last = 0.0
        self._last_seen = Seen.REST
        self._last_time = self._next = now

    @property
    def trusted(self) -> bool:
        """Tell whether the rest level has proved itself."""
        return self._calm * STEP >= TRUST_AFTER

    @property
    def stands(self) -> float | None:
        """How far from rest the pressure was as still as at rest during this effort, in pascals; None: nowhere."""
        pauses = None if self._plateau is None else self._plateau.pauses
        stands = None if pauses is None or not pauses.pressed else pauses.stands
        return None if stands is None else stands - self._rest

    @property
    def played(self) -> bool:
        """Tell whether an effort was made from where rest has moved to."""
        return self._plateau is not None and self._plateau.pauses.tried

    def move(self, by: float) -> None:
        """Let rest have moved by so many pascals."""
        self.moved = by

    def expect(self, now: int) -> float | None:
        """The pressure without an effort at ``now``, in pascals; None while it settles."""
        if self.expected is None and self._settling and now - self._settling_since >= SETTLE:
            self._rest = self.expected = median(self._settling)
        return self.expected

    def learn(self, pascal: float, now: int, seen: Seen) -> None:
        """Learn from a sample that was judged against ``expect(now)``. Cheap when no step is due."""
        if self.expected is None:
            if not self._settling:
                self._settling_since = now
            self._settling.append(pascal)
            self._last, self._last_time, self._next = pascal, now, now
            return
        if now < self._next:
            return
        # A slow sensor gives several steps a sample: a straight line between two samples at rest.
        before, since = self._last if seen is self._last_seen is Seen.REST else pascal, self._last_time
        if now - since > GAP:
            for _ in range(min(_KEEP, (now - self._next) // STEP)):
                self._step(self.expected, Seen.EFFORT if seen is Seen.EFFORT else Seen.REST)
            before, since, self._next = pascal, now - 1, now
        while self._next <= now:
            share = (self._next - since) / (now - since) if now > since else 1.0
            self._step(before + (pascal - before) * share, seen)
            self._next += STEP
        self._last, self._last_time, self._last_seen = pascal, now, seen

    def _step(self, pascal: float, seen: Seen) -> None:
        assert self.expected is not None  # learn has settled it
        beyond = pascal - self.expected
        self._near = self._near + 1 if seen is Seen.NEAR else 0
        if self._near * STEP > POSTURE_AFTER:
            seen = Seen.REST
        flank = False
        if seen is Seen.EFFORT:
            if not (self._busy and self._busy[-1]):
                alone, self._began = self._steps - self._began >= SHORTEST_PERIOD, self._steps
                self._falling = FLANK if alone else 0
                if alone:
                    self._take_back_the_rise()
        elif self._falling:
            flank = abs(beyond) > EDGE * self._on
            self._falling = self._falling - 1 if flank else 0
        if seen is Seen.EFFORT or flank:
            clean = self.expected
        else:
            # A difference from what was expected is learned in part only: a little near an effort, more at rest,
            # and most when no rhythm is known, as there is nothing better to go by.
            reach = 0.25 if seen is Seen.NEAR else 0.4 if self.rhythm.strength > 0.3 else 1.0
            clean = self.expected + _within(beyond, reach * self._on)
        self._keep(clean, pascal, effort=seen is Seen.EFFORT)
        if seen is Seen.EFFORT and self._mechanical():
            self._take_raw()
        carried = self._trend.carried()
        self._rest += carried
        if self._frozen_mean is not None:
            self._frozen_mean += carried
        if self._plateau is not None:
            self.moved = self._plateau.add(beyond + self._rest, self._rest, effort=seen is Seen.EFFORT) or self.moved
        if seen is Seen.REST and not flank:  # quick at first, when it is a guess, then with the wanted time constant
            self._calm += 1
            pace = min(self._track, max(0.7, self._steps * STEP / NANOSECONDS / 2))
            self._trend.add(self._steps, clean - self.expected + self._rest)
            self._rest += _within(clean - self._rest, self._on) * (STEP / NANOSECONDS / pace)
        if self._steps % _LOOK == 0:
            self._believed = self._believe()
        self.expected = self._expect(seen)

    def follow_the_move(self) -> None:
        """Take the level to which the signal has moved for rest; what was learned of its rhythm stays."""
        by, self.moved = self.moved, None
        if by is None or self.expected is None:
            return
        self._rest += by
        self.expected += by
        self._clean = [level + by for level in self._clean]
        self._raw = [level + by for level in self._raw]
        self._sums = [0.0, *accumulate(self._clean)]
        self._frozen_mean, self._falling = None, 0
        self._trend = Trend()
        if self._plateau is not None:
            self._plateau.forget()

    def _take_back_the_rise(self) -> None:
        """Replace the rise to an effort, learned before the effort was known, by what was expected."""
        first = len(self._clean)
        for expected in reversed(self._before):
            if not first or self._busy[first - 1] or abs(self._raw[first - 1] - expected) <= EDGE * self._on:
                break
            first -= 1
            self._clean[first] = expected
        self._sums[first:] = accumulate(self._clean[first:], initial=self._sums[first])

    def _keep(self, clean: float, raw: float, *, effort: bool) -> None:
        assert self.expected is not None  # learn has settled it
        self._steps += 1
        self._clean.append(clean)
        self._raw.append(raw)
        self._busy.append(effort)
        self._before.append(self.expected)
        self._sums.append(self._sums[-1] + clean)
        if self._wants_rhythm:
            self._still.add(raw, effort=effort)
            sure = len(self._clean) - 1 - FLANK  # the latest step that cannot be taken back any more
            if sure >= 0:
                trend = self._mean(sure + 1, _TREND)
                self.rhythm.add(self._clean[sure] - trend)
                self._unfiltered.add(self._raw[sure] - trend)
        if len(self._clean) > 2 * _KEEP:
            for kept in (self._clean, self._raw, self._busy, self._sums):
                del kept[:_KEEP]

    def _believe(self) -> float:
        """The share of the rhythm that has been there all the time, 0 to 1."""
        period = self.rhythm.period
        if period is None or (least := self._still.least(STILL * period)) is None:
            return 1.0
        cycle = self._clean[-round(period) :]
        moves = max(cycle) - min(cycle)
        return 1.0 if moves <= least else least / moves

    def _mechanical(self) -> bool:
        """Tell whether this very effort has repeated as exactly as only a machine does."""
        period = self._unfiltered.period
        if period is None or self._unfiltered.strength < EXACT:
            return False
        first = self._raw[: int(0.95 * period) - SETTLE // STEP]  # less than a period from the first sample
        if self._steps > len(self._raw) or max(first) - min(first) < self._on / 2:
            return False  # it was not there at the beginning
        times = max(3, math.ceil(EXACT_FOR / STEP / period))
        here = len(self._busy) - 1
        if here < times * period or not all(self._busy[round(here - k * period)] for k in range(1, times + 1)):
            return False
        rest = self._rest
        return max(abs(raw - rest) for raw in self._raw[-round(period) :]) <= self._gentle

    def _take_raw(self) -> None:
        """Learn the signal as it came, with its efforts."""
        self.rhythm, self._unfiltered, self._still = self._unfiltered, Rhythm(), Stillness()
        self._clean = list(self._raw)
        self._sums = [0.0, *accumulate(self._clean)]
        self._busy = [False] * len(self._clean)
        self._rest = self._mean(len(self._clean), round(self.rhythm.period or _TREND))
        self._frozen_mean = None

    def _expect(self, seen: Seen) -> float:
        """The level of the next step."""
        period = self.rhythm.period
        if period is None:
            self._frozen_mean = None
            return self._rest
        here, width = len(self._clean), round(period)
        if seen is Seen.REST:
            mean, self._frozen_mean = self._mean(here, width), None
        else:  # an effort must not draw the mean along
            mean = self._frozen_mean = self._mean(here, width) if self._frozen_mean is None else self._frozen_mean
        shapes: list[float] = []
        for k in range(1, _PERIODS + 1):
            then = here - k * period
            if then < width and (shapes or then < 0):
                break
            shapes.append(self._at(then) - (self._mean(int(then), width) if then >= width else mean))
        if not shapes:
            return self._rest
        # A weak rhythm is taken out in part: if a shape correlates by r, taking out r times the shape leaves the least.
        # The mean is that of the last period at any strength, as ``_rest`` lags behind drift between quick efforts. The
        # mean of a rhythm that is not believed may be too high, by what it has learned of efforts.
        learned = mean + self.rhythm.strength * median(shapes)
        return self._rest + self._believed * (learned - self._rest)

    def _mean(self, end: int, width: int) -> float:
        begin = max(0, end - width)
        return (self._sums[end] - self._sums[begin]) / (end - begin)

    def _at(self, place: float) -> float:
        """The signal between two steps."""
        i = int(place)
        share = place - i
        clean = self._clean
        return clean[i] * (1.0 - share) + clean[min(i + 1, len(clean) - 1)] * share


def _within(value: float, reach: float) -> float:
    return min(reach, max(-reach, value))
