"""A rhythm that is known beforehand, as a fit finds it in a marked rest.

It is taken out from the first breath on, however large it is.

Where in its cycle the rhythm is, is followed by a hidden Markov model (Rabiner, Proc. IEEE 77:257, 1989; from memory):
so many places in the cycle, each with and without an effort on top, and two more for "there is no such rhythm". With
every step of 40 ms each place gets the weight that the pressure gives it, and some of it spreads to its neighbours, as
breaths are early and late. So one model holds for weak and strong, steady and irregular rhythms, and which it is, and
whether it is there at all, is decided by the evidence.

What is taken out is what comes nearest to the pressure among all places that are still likely: of a steady rhythm one
value; of an irregular one, while the next breath may begin at any moment, all from trough to crest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from router.core.units import NANOSECONDS

CYCLE_STEP = NANOSECONDS // 25
"""Nanoseconds from one look at the pressure to the next."""
PLACES = 48
"""Places in a cycle that are told apart."""
FINE = 8
"""Points of the shape from one place to the next."""
BEGINS, ENDS = 0.01, 0.03
"""Chances within a step that an effort begins, and that it ends: one in 4 s, 1.3 s long. Our choice, as all that
follows."""
APPEARS = 0.00002
"""Chance within a step that the rhythm begins, stops, or goes on from anywhere."""
WRONG_SIDE = 0.05
"""How much less likely an effort is on a side of rest on which there are none: what is there is rest."""
CHANGES = 0.05
"""How far an effort changes within a step, as a share of the rhythm's height."""
NONE = 0.01
"""Weight at first of there being no such rhythm."""
MARGIN = 1.5
"""Standard deviations of its height by which a cycle may be higher or lower than its shape."""
FADES = 3 * NANOSECONDS // 10
"""Nanoseconds in which half of an effort is forgotten while the pressure may be an effort or the next breath."""
FOUND, NEARBY = 0.8, 4
"""Weight on so many neighbours to both sides from which on it is known where the rhythm is."""
EARLIEST, LATEST = 0.6, 1.5
"""Cycles after which it is known at the earliest, and must be at the latest."""
TOGETHER = 0.2
"""Share of the way that the level of each place goes to that of all, in a step."""
TOO_LONG = 8 * NANOSECONDS
"""Nothing but efforts for longer means that the level of rest was taken wrongly: it is found anew."""
OUTWEIGHS = 5
"""A step without an effort makes up for so many with one: efforts of 4 s may come half a second apart."""
LIKELY = 0.04
"""A place is likely if it has this share of the weight of the likeliest."""
SETTLES = 3 * NANOSECONDS
"""The shortest time constant with which the level of each place follows the pressure."""
STEADIEST = 0.012
"""Standard deviation of a cycle's length, as a share, that is allowed for at least: a period is never known exactly."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """A rhythm: ``period`` in nanoseconds; ``shape``, its pressure at equal distances in pascals about its mean.

    ``irregular``: standard deviation of a cycle's length as a share, ``uneven`` of its height; ``wavers`` of the
    pressure about it, in pascals.
    """

    period: int
    shape: tuple[float, ...]
    irregular: float
    uneven: float
    wavers: float

    @property
    def height(self) -> float:
        return max(self.shape) - min(self.shape)


class KnownRhythm:
    """Takes readings and gives them without the rhythm.

    ``signs``: 1 and -1 of the sides of rest on which efforts are.
    """

    def __init__(self, cycle: Cycle, signs: Sequence[int] = (1, -1)) -> None:
        self.cycle = cycle
        self._above = 1.0 if 1 in signs else WRONG_SIDE
        self._below = 1.0 if -1 in signs else WRONG_SIDE
        points = PLACES * FINE
        shape, count = cycle.shape, len(cycle.shape)
        self._table = [
            shape[int(x)] * (1 - x % 1) + shape[(int(x) + 1) % count] * (x % 1)
            for x in (i * count / points for i in range(points))
        ] * 2
        steps = cycle.period / CYCLE_STEP
        wander = (max(STEADIEST, cycle.irregular) * PLACES) ** 2 / steps / 2
        self._spreads = min(0.33, wander)
        low = min(shape)
        self._margin = [MARGIN * cycle.uneven * (there - low) for there in self._table]
        self._noise = max(cycle.wavers, 0.02 * cycle.height, 1e-9)
        self._change = max(1.5 * self._noise, CHANGES * cycle.height)
        self._slowest = CYCLE_STEP / max(SETTLES, 1.5 * cycle.period)
        self.restart()

    def restart(self) -> None:
        """Forget where the rhythm is."""
        self._begun: int | None = None
        self._due = 0
        self._steps = 0
        even = 1.0 / PLACES
        self._calm = [even] * PLACES + [NONE]  # weights without an effort; the last is "no rhythm"
        self._busy = [0.0] * (PLACES + 1)  # and with one on top
        self._level = [0.0] * (PLACES + 1)
        self._off = [0.0] * (PLACES + 1)  # how far the pressure was from each place's, a step ago
        self._low = self._high = self._rest = 0.0
        self._slope = 0.0  # of rest, in pascals a step
        self._left, self._last = 0.0, 0
        self._found = False
        self._doubt = 1.0  # the chance that there is no effort
        self._tries = 0  # steps in which an effort was likelier than none, more or less in a row

    def begin(self, now: int, level: float) -> None:
        """Let a cycle begin now, with rest at a level in pascals."""
        self.restart()
        self._begun = self._due = self._last = now
        self._calm = [0.0] * (PLACES + 1)
        self._calm[0] = 1.0
        self._level = [level] * (PLACES + 1)
        self._off = [0.0] * (PLACES + 1)
        self._steps, self._found = round(1 / self._slowest), True
        self._look_ahead(0)

    def shift(self, by: float) -> None:
        """Move rest by so many pascals at once."""
        self._level = [level + by for level in self._level]
        self._off = [off - by for off in self._off]
        self._rest += by
        for i, busy in enumerate(self._busy):
            self._calm[i] += busy
            self._busy[i] = 0.1 * busy

    def likeliest(self, now: int) -> tuple[float, float]:
        """Return the likeliest place in the cycle, 0 to 1, and the level of rest that it has, in pascals."""
        begun = now if self._begun is None else self._begun
        best = max(range(PLACES), key=lambda i: self._calm[i] + self._busy[i])
        return ((now - begun) / self.cycle.period + best / PLACES) % 1.0, self._level[best]

    def without(self, pascal: float, now: int) -> float | None:
        """Take the next reading; return it without the rhythm, None while its place in the cycle is not known."""
        if self._begun is None:
            self._begun = self._due = now
            self._level = [pascal - self._table[i * FINE] for i in range(PLACES)] + [pascal]
        if now >= self._due:
            self._step(pascal, now)
            self._due = max(self._due + CYCLE_STEP, now - CYCLE_STEP)
        if not self._found:
            return None
        # Between what the likely places leave of the pressure it is taken to be where it was, and rest before long: so
        # that an effort is not broken where the next breath may begin.
        stays = 0.5 ** ((now - self._last) / FADES * self._doubt)
        self._last = now
        self._left = min(pascal - self._low, max(pascal - self._high, self._rest + stays * self._left)) - self._rest
        return self._rest + self._left

    def _step(self, pascal: float, now: int) -> None:
        assert self._begun is not None  # set by the first reading
        self._steps += 1
        table, level, offs = self._table, self._level, self._off
        calm, busy = self._calm, self._busy
        points = PLACES * FINE
        base = int((now - self._begun) % self.cycle.period * points / self.cycle.period)
        change, scale = 1.0 / self._change**2, 1.0 / self._noise**2
        margins, slope, pulled = self._margin, self._slope, 0.0
        above, below = self._above, self._below
        heavier = math.sqrt(self._noise / self._change)
        gain = max(self._slowest, 1.0 / (self._steps + 1))
        bound = 2.0 * self._noise + 0.1 * self.cycle.height
        total = 0.0
        # What is there from the first is the rhythm, more often than an effort.
        begins = BEGINS if self._found else BEGINS / 10
        for i in range(PLACES + 1):
            if i < PLACES:
                at = base + i * FINE
                there, margin = table[at], margins[at]
            else:
                there, margin = 0.0, 0.0
            level[i] += slope
            off = pascal - level[i] - there
            moved = off - offs[i]
            rests, tries = calm[i], busy[i]
            over = off - margin if off > margin else off + margin if off < -margin else 0.0
            z = over * over * scale
            rests, tries = (
                ((1 - begins) * rests + ENDS * tries) / math.sqrt(math.sqrt(1.0 + z)),
                (begins * rests + (1 - ENDS) * tries)
                * heavier
                / math.sqrt(1.0 + moved * moved * change)
                * (z / (z + 9.0))
                * (above if off > 0.0 else below),
            )
            calm[i], busy[i] = rests, tries
            total += rests + tries
            share = rests / (rests + tries + 1e-300)
            step = gain * share * (bound if off > bound else max(off, -bound))
            level[i] += step
            offs[i] = pascal - level[i] - there
            pulled += rests * step
        self._spread(total)
        self._look_ahead(base)
        if self._steps * CYCLE_STEP > max(SETTLES, self.cycle.period):
            # Until then each place has a level of its own; a place that was unlikely has learned a wrong one.
            self._slope += gain / 4 * pulled / total
            self._level = [each + TOGETHER * (self._rest - each) for each in level]
        self._doubt = sum(self._calm)
        self._tries = self._tries + 1 if sum(self._busy) > sum(self._calm) else max(0, self._tries - OUTWEIGHS)
        if self._tries * CYCLE_STEP > max(TOO_LONG, 2.5 * self.cycle.period):
            self.restart()
        elif not self._found:
            self._found = self._is_found() or self._steps * CYCLE_STEP > LATEST * self.cycle.period

    def _is_found(self) -> bool:
        """Tell whether most of the weight lies on neighbouring places, or on there being no rhythm."""
        if self._steps * CYCLE_STEP < EARLIEST * self.cycle.period:
            return False
        weights = list(self._calm)
        nothing = weights.pop()
        best = max(range(PLACES), key=weights.__getitem__)
        near = sum(weights[(best + i) % PLACES] for i in range(-NEARBY, NEARBY + 1))
        return max(near, nothing) > FOUND

    def _spread(self, total: float) -> None:
        """Let weight go to neighbours, and a little to everywhere; the sum becomes 1."""
        keep, to = (1.0 - APPEARS) / total, self._spreads
        for weights in (self._calm, self._busy):
            nothing = weights.pop()
            stays = (1.0 - 2.0 * to) * keep
            moves = to * keep
            before, first = weights[-1], weights[0]
            new = []
            for i in range(PLACES):
                here = weights[i]
                after = weights[i + 1] if i + 1 < PLACES else first
                new.append(stays * here + moves * (before + after))
                before = here
            weights[:] = new
            weights.append(nothing * keep)
        low = APPEARS / 2 / PLACES
        self._calm[:] = [weight + low for weight in self._calm]
        self._calm[PLACES] += APPEARS / 2

    def _look_ahead(self, base: int) -> None:
        """Find between which pressures the rhythm may be until the next step."""
        weights = [rests + tries for rests, tries in zip(self._calm, self._busy, strict=True)]
        self._rest = sum(weight * level for weight, level in zip(weights, self._level, strict=True)) / sum(weights)
        least = LIKELY * max(weights)
        points = PLACES * FINE
        ahead = round(CYCLE_STEP * points / self.cycle.period)
        low, high = math.inf, -math.inf
        for i, weight in enumerate(weights):
            if weight < least:
                continue
            if i == PLACES:
                low, high = min(low, 0.0), max(high, 0.0)
                continue
            at = base + i * FINE
            for place in (at, (at + ahead) % points):
                there, margin = self._table[place], self._margin[place]
                low, high = min(low, there - margin), max(high, there + margin)
        self._low, self._high = low, high
