"""Thresholds of a pressure sensor, from rest and some efforts.

Estimators:

    size of an effort   the largest pressure in its stretch beyond the background (rest, drift, rhythm), as the router's own
                        conditioning learns it; ordinary: their median
    reach of rest       of each quiet piece (a fifth of the rest, or the time after one effort) the 99 % quantile of the pressure beyond
                        the background; the largest of these
    on                  seven or eight shares of the ordinary effort are tried with the real conditioning. Of those with the fewest efforts
                        missed and false presses (which count 1.5) the one is taken that lies furthest from both the
                        10 % quantile of the efforts and the reach of rest
    off                 60 % of on; lower if efforts sag or waver within (0.9 times the 10 % quantile of their deepest dips), but
                        not below 30 % of on or half of the reach of rest, so that a note ends
    full                the 90 % quantile of the efforts
    intervals           percentile bootstrap over efforts and pieces of rest, 90 %
    tried on the unseen five times a fifth of the efforts and pieces is left out, the whole choice is made from the others, and
                        the left-out ones are judged by it with the real conditioning
    drift, fatigue      Theil and Sen's slope, with its interval
    rhythm              the finder of rhythms of the conditioning (``conditioning.rhythm.Rhythm``), on the rest
    jump of rest        the largest step between the means of two neighbouring periods of rest, the drift taken off; among the efforts
                        between the medians of three resting levels before and after an effort; beyond a fifth of on and
                        four times the ordinary step nothing is sure
    rise, hold          from 10 % to 90 % of an effort's height; how long it is above half of it; medians

The choice is tried on the recording itself with the real conditioning, so a fit promises what the router would have
done. Where rest and effort cannot be told apart there is no result: a guess would be worse than none.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean, median

from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.rhythm import STEP, Rhythm
from router.core.events import Lost, Press, PressureSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.fit.estimates import drawn, quantile, slope, spread
from router.fit.recording import BEFORE, PARTS, FitError, Pieces, Recording, Stretch, between
from router.fit.result import (
    ENOUGH,
    FALSE_COUNTS,
    SURE,
    UNSURE,
    Fact,
    Figure,
    Fit,
    Heard,
    Judged,
    Setting,
    within,
)

OFF_SHARE, LEAST_OFF = 0.6, 0.3
SEARCH_RATE = 100
"""Samples a second that thresholds are searched with; more tell no more about efforts of a tenth of a second."""
SHARES = (0.34, 0.42, 0.5, 0.58, 0.66)
"""Thresholds that are tried first, as shares of an ordinary effort."""
COARSE, FINER = 0.08, 0.04
"""Steps from the best share to the next ones tried: beyond the first or last share, then on both sides of the best."""
SETTLED = 3 * NANOSECONDS
"""Rest is not judged until so long after the beginning, while its level is not known."""
TIRES = 0.05
"""Share of the ordinary effort a minute; a smaller decline is not worth a remark."""

JUMP, BEYOND = 0.2, 4
"""Rest jumps if it moves between periods by this share of on, and this many times as far as usual. Our choice."""

LEVELS, LEAST_LEVELS = 3, 2
"""Resting levels before and after an effort that are compared, and how few will do at the ends. Our choice."""

ASIDE = NANOSECONDS // 3
"""Nothing this near to an effort counts as rest."""

_SIGNS = {"above": 1, "below": -1}

Sizes = dict[str, float]
"""The ordinary effort of each side that has any, in pascals."""


def pressure(recording: Recording, settings: PressureSettings) -> Fit:
    """Thresholds of a pressure sensor. See the module's docstring.

    Raises:
        FitError: rest and effort cannot be told apart, or the recording is no use.
    """
    recording.enough()
    samples = _thinned(recording.samples)
    _sane(samples, recording)
    sizes = _first_sizes(samples, recording, settings)
    asked = [word for word in _SIGNS if getattr(settings, word) is not None]
    # A side that nobody uses is not fitted, and its old threshold must not disturb what is learned of the other.
    settings = replace(
        settings,
        above=settings.above if "above" in sizes else None,
        below=settings.below if "below" in sizes else None,
    )
    search = _Search(samples, recording, settings)
    # The background is learned by the threshold, and the sizes are measured from the background.
    search.measure(_sides({side: 0.45 * size for side, size in sizes.items()}, sizes))
    for share in SHARES:
        search.look(share)
    best = search.choice(search.everything)
    if best in (SHARES[0], SHARES[-1]):
        search.look(best - COARSE if best == SHARES[0] else best + COARSE)
        best = search.choice(search.everything)
    for share in (best - FINER, best + FINER):
        search.look(share)
    return search.result(asked)


def applied(found: Fit, settings: PressureSettings) -> PressureSettings:
    """Replace the settings that were fitted by the fitted values."""
    values = {setting.path: setting.value for setting in found.settings}
    for word in {path[0] for path in values}:
        follow = (
            (values[word, "follow", "lowest"], values[word, "follow", "highest"])
            if (word, "follow", "lowest") in values
            else None
        )
        side = Side(values[word, "on"], values[word, "off"], values[word, "full"], values.get((word, "firm")), follow)
        settings = replace(settings, above=side) if word == "above" else replace(settings, below=side)
    return settings


def beyond_rest(recording: Recording, settings: PressureSettings) -> tuple[list[int], list[float]]:
    """Times, and how far the pressure is from the background as the router would learn it."""
    times, beyond, _presses = _condition(_thinned(recording.samples), replace(settings, levels=frozenset()))
    return times, beyond


# --- the recording ------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Samples:
    """Times and pressures, no more than ``SEARCH_RATE`` a second, and when the sensor was lost."""

    times: list[int] = field(default_factory=list)
    pascals: list[float] = field(default_factory=list)
    losses: list[int] = field(default_factory=list)


def _thinned(samples: Sequence[Stamped]) -> _Samples:
    thin = _Samples()
    due = samples[0][0]
    for t, sample in samples:
        if isinstance(sample, Lost):
            thin.losses.append(t)
        elif isinstance(sample, PressureSample) and t >= due:
            thin.times.append(t)
            thin.pascals.append(sample.pascal)
            due = max(due + NANOSECONDS // SEARCH_RATE, t - NANOSECONDS // SEARCH_RATE)
    if not thin.times:
        raise FitError("the recording holds no pressure of this input", "Record this input, or name another one.")
    return thin


def _sane(samples: _Samples, recording: Recording) -> None:
    """Refuse a sensor that never changes, or that is at its limit in most efforts, which hides how large they are."""
    values = samples.pascals
    low, rest, high = min(values), median(values), max(values)
    if low == high:
        raise FitError(
            "the sensor says the same all the time", "Is the tube connected, and is this the right input? Try it again."
        )
    for end, word in ((low, "lowest"), (high, "highest")):
        if abs(end - rest) < max(high - rest, rest - low) / 2:
            continue  # the side on which nobody tries
        held = 0
        for stretch in recording.efforts:
            places = range(*between(samples.times, stretch.begin, stretch.end))
            at_end = [samples.times[i] for i in places if values[i] == end]
            held += len(at_end) > 2 and at_end[-1] - at_end[0] > NANOSECONDS // 5
        if held > len(recording.efforts) / 2:
            raise FitError(
                f"in {held} efforts the sensor stays at its {word} value, so it cannot say how large they are",
                "Use a sensor with a wider range, or let some air out of the pad.",
            )


def _first_sizes(samples: _Samples, recording: Recording, settings: PressureSettings) -> Sizes:
    """Estimate the ordinary effort of each side that the profile listens to, roughly."""
    found = _roughly(samples, recording)
    asked = [word for word in _SIGNS if getattr(settings, word) is not None]
    sizes = {side: median(sizes) for side, sizes in found.items() if side in asked and median(sizes) > 0}
    if not sizes or sum(len(found[side]) for side in sizes) < 0.5 * len(recording.efforts):
        other = "below" if asked == ["above"] else "above"
        raise FitError(
            f"the efforts go {other} rest, and the profile listens only {asked[0]}",
            f'Write "{other}:" where "{asked[0]}:" stands, or turn the tube round.',
        )
    least = max(sizes.values()) / 2  # a stretch that looks the other way because nobody tried in it makes no side
    return {side: size for side, size in sizes.items() if size > least}


def _roughly(samples: _Samples, recording: Recording) -> dict[str, list[float]]:
    """The size of each effort, by side: the furthest from the median of the nearby samples that belong to no effort."""
    found: dict[str, list[float]] = {}
    times, values = samples.times, samples.pascals
    tried = bytearray(len(times))
    for stretch in recording.efforts:
        first, last = between(times, stretch.begin, stretch.end)
        tried[first:last] = b"\1" * (last - first)
    for stretch in recording.efforts:
        middle = stretch.begin + BEFORE
        near = range(*between(times, middle - 8 * NANOSECONDS + 1, middle + 8 * NANOSECONDS))
        around = [values[i] for i in near if not tried[i]]
        inside = [values[i] for i in range(*between(times, stretch.begin, stretch.end))]
        if inside and around:
            level = median(around)
            side = max(_SIGNS, key=lambda word: max(_SIGNS[word] * (pascal - level) for pascal in inside))
            found.setdefault(side, []).append(max(_SIGNS[side] * (pascal - level) for pascal in inside))
    return found


# --- one threshold, tried -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Hump:
    """An effort as the sensor shows it. ``dip``: the least between its first and its last moment above ``on``."""

    begin: int
    top: int
    end: int
    size: float
    dip: float


@dataclass(slots=True)
class _Trial:
    """Thresholds, and what the router hears in the recording with them. ``presses``: the time and the side of each."""

    sides: dict[str, Side]
    times: list[int]
    beyond: list[float]  # the background
    presses: list[tuple[int, str]]
    efforts: list[tuple[str, list[_Hump], int]] = field(default_factory=list)  # side, humps, how many were heard
    strays: list[int] = field(default_factory=list)
    reach: dict[str, dict[int, float]] = field(default_factory=dict)  # of rest, by side and piece
    disturbed: set[int] = field(default_factory=set)  # pieces in which a press was heard that nobody meant

    def judge(self, recording: Recording, pieces: Pieces) -> None:
        taken: set[int] = set()
        covered = bytearray(len(self.times))  # samples that belong to no rest
        for stretch in recording.efforts:
            first, last = between(self.times, stretch.begin, stretch.end)
            side, humps = self._humps(first, last, stretch)
            within = [
                i for i, (t, word) in enumerate(self.presses) if stretch.begin <= t < stretch.end and word == side
            ]
            mine = [i for i in within if i not in taken][: max(1, len(humps))]
            taken.update(mine)
            self.efforts.append((side, humps, len(mine)))
            # An effort lasts beyond its stretch until it is over.
            threshold = 0.3 * max((hump.size for hump in humps), default=math.inf)
            while last < len(self.times) and _SIGNS[side] * self.beyond[last] > threshold:
                last += 1
            covered[first:last] = b"\1" * (last - first)
        self.strays = [t for i, (t, _side) in enumerate(self.presses) if i not in taken and not recording.unjudged(t)]
        self.disturbed = {pieces.at(t) for t in self.strays}
        settled = self.times[0] + SETTLED if self.times else 0
        calm: dict[int, list[float]] = {}
        for t, value, busy in zip(self.times, self.beyond, covered, strict=True):
            if not busy and t > settled and not (recording.pauses and recording.unjudged(t)):
                calm.setdefault(pieces.at(t), []).append(value)
        for side in self.sides:
            share = 0.99 if side == "above" else 0.01
            self.reach[side] = {
                piece: max(0.0, _SIGNS[side] * quantile(values, share)) for piece, values in calm.items()
            }

    def _humps(self, first: int, last: int, stretch: Stretch) -> tuple[str, list[_Hump]]:
        """The efforts in some samples, and their side."""
        values = self.beyond[first:last]
        largest = {side: max((_SIGNS[side] * value for value in values), default=0.0) for side in self.sides}
        side = max(largest, key=lambda word: largest[word] / self.sides[word].on)
        size = largest[side]
        if size <= 0:
            return side, []
        signed = [_SIGNS[side] * value for value in values]
        if not stretch.several:
            return side, [self._hump(signed, first, 0, len(signed), side)]
        humps: list[_Hump] = []
        since: int | None = None
        for i, value in enumerate([*signed, 0.0]):
            if since is None and value > 0.4 * size:
                since = i
            elif since is not None and value < 0.2 * size:
                humps.append(self._hump(signed, first, since, i, side))
                since = None
        return side, humps

    def _hump(self, signed: Sequence[float], first: int, begin: int, end: int, side: str) -> _Hump:
        part = signed[begin:end]
        top = max(range(len(part)), key=part.__getitem__)
        on = self.sides[side].on
        beyond = [i for i, value in enumerate(part) if value >= on]
        # A dip to rest is the gap between two efforts, and none within one.
        dip = min((part[i] for i in range(beyond[0], beyond[-1])), default=on) if beyond else on
        begun = next((i for i in range(top, -1, -1) if part[i] < 0.1 * part[top]), 0)
        over = next((i for i in range(top, len(part)) if part[i] < 0.1 * part[top]), len(part) - 1)
        times = self.times[first + begin : first + end]
        return _Hump(times[begun], times[top], times[over], part[top], dip if dip > 0.25 * on else on)


def _sides(on: Sizes, full: Sizes) -> dict[str, Side]:
    return {side: Side(value, OFF_SHARE * value, max(1.5 * value, full[side])) for side, value in on.items()}


# --- all of them --------------------------------------------------------------------------------------------------


class _Search:
    """Trials of several thresholds, and choices made from all of the recording or from parts of it.

    ``pieces`` are the pieces that count; a piece given twice counts twice.
    """

    def __init__(self, samples: _Samples, recording: Recording, settings: PressureSettings) -> None:
        self._samples, self._recording, self._settings = samples, recording, settings
        self._pieces = Pieces(recording)
        self._trials: dict[float, _Trial] = {}
        self._tried: dict[tuple[tuple[str, Side], ...], _Trial] = {}
        self._measured: _Trial | None = None
        self.everything = sorted([*self._pieces.rest, *self._pieces.of_effort])

    def measure(self, sides: dict[str, Side]) -> None:
        """Take the sizes of the efforts from this trial."""
        self._measured = self._try(sides)

    def look(self, share: float) -> None:
        """Try ``on`` at a share of the ordinary effort of each side."""
        if share > 0:
            self._trials[share] = self._try(self._at(share, self.everything))

    def choice(self, pieces: Sequence[int]) -> float:
        """Return the best of the shares that were tried, judged by these pieces."""
        return min(self._trials, key=lambda share: self._rank(self._trials[share], pieces))

    def result(self, asked: Sequence[str]) -> Fit:
        """Return the fit.

        Raises:
            FitError: rest and effort cannot be told apart.
        """
        sides = self._chosen(self.everything)
        last = self._try(sides)
        heard = self._heard(last)
        overlap = [side for side in sides if self._gentle(last, side) <= self._reach(last, side)]
        few = heard.heard < ENOUGH * heard.efforts
        if few or overlap or heard.false + heard.elsewhere > (1 - ENOUGH) * heard.efforts:
            self._refuse(last, heard)
        again = [self._chosen(pieces) for pieces in drawn(*self._strata(last))]
        tried = self._tried_on_the_unseen()
        found = [setting for side in sides for setting in self._settings_of(side, last, again)]
        remarks = [
            f"no effort goes {side} rest, so {side} stays as it is, untried" for side in asked if side not in sides
        ]
        if tried.heard < 0.9 * tried.efforts:
            remarks.append("efforts that a fit had not seen were missed: a recording with more efforts would be surer")
        if heard.elsewhere:
            remarks.append(
                f"heard {heard.elsewhere} times between the marks: if these were efforts that nobody marked, all is well"
            )
        judged = [
            Judged(hump.begin, hump.end, self._was_heard(last, hump, side, count, len(humps)), side, hump.size)
            for side, humps, count in last.efforts
            for hump in humps
        ]
        facts, tiring = self._facts(last)
        jump = max(filter(None, (self._jump(), self._jump_among_efforts(last))), key=lambda each: each[1], default=None)
        least = min(side.on for side in sides.values())
        if jump is not None and jump[1] > JUMP * least:
            found = [replace(setting, sure=UNSURE) for setting in found]
            remarks.append(
                f"rest jumps by {100 * jump[1] / least:.0f} % of on, {jump[0] / NANOSECONDS:.0f} s after the beginning: somebody moved, or "
                "the sensor or its tube was touched, so no number is sure; measure again"
            )
        return Fit(
            found,
            heard,
            tried,
            self._recording.seconds_of_rest,
            facts,
            [*remarks, *tiring],
            judged,
            last.strays,
        )

    # --- choosing ---------------------------------------------------------------------------------------------

    def _at(self, share: float, pieces: Sequence[int]) -> dict[str, Side]:
        assert self._measured is not None  # noqa: S101 - measured before anything is looked at
        sizes = {}
        for side in self._measured.sides:
            of = self._sizes(self._measured, side, pieces) or self._sizes(self._measured, side, self.everything)
            sizes[side] = median(of) if of else self._measured.sides[side].full
        return _sides({side: share * size for side, size in sizes.items()}, sizes)

    def _chosen(self, pieces: Sequence[int]) -> dict[str, Side]:
        """Choose all thresholds from these pieces alone."""
        share = self.choice(pieces)
        trial, sides = self._trials[share], self._at(share, pieces)
        return {side: self._with_rest(trial, side, thresholds, pieces) for side, thresholds in sides.items()}

    def _with_rest(self, trial: _Trial, side: str, chosen: Side, pieces: Sequence[int]) -> Side:
        """Add ``off`` and ``full`` to a chosen ``on``."""
        sizes = self._sizes(trial, side, pieces) or [chosen.full]
        floor = min(OFF_SHARE * chosen.on, max(LEAST_OFF * chosen.on, self._reach(trial, side, pieces) / 2))
        sag = quantile(self._dips(trial, side, pieces) or [chosen.on], 0.1)
        off = max(floor, min(OFF_SHARE * chosen.on, 0.9 * sag))
        return Side(chosen.on, off, max(quantile(sizes, 0.9), 1.25 * chosen.on))

    def _rank(self, trial: _Trial, pieces: Sequence[int]) -> tuple[float, float]:
        """Rank a trial, less is better: by misses and false presses, then by how near rest and gentle efforts are."""
        counts: dict[int, int] = {}
        for piece in pieces:
            counts[piece] = counts.get(piece, 0) + 1
        missed = sum(
            (max(1, len(humps)) - heard) * counts.get(piece, 0)
            for (_side, humps, heard), piece in zip(trial.efforts, self._pieces.of_effort, strict=True)
        )
        false = sum(counts.get(self._pieces.at(t), 0) for t in trial.strays)
        margins = []
        for side, thresholds in trial.sides.items():
            if sizes := self._sizes(trial, side, pieces):
                least = min(quantile(sizes, 0.1) - thresholds.on, thresholds.on - self._reach(trial, side, pieces))
                margins.append(least / median(sizes))
        return missed + FALSE_COUNTS * false, -min(margins, default=-1.0)

    def _humps(self, trial: _Trial, side: str, pieces: Sequence[int]) -> list[_Hump]:
        of = dict(zip(self._pieces.of_effort, trial.efforts, strict=True))
        return [hump for piece in pieces if piece in of and of[piece][0] == side for hump in of[piece][1]]

    def _sizes(self, trial: _Trial, side: str, pieces: Sequence[int]) -> list[float]:
        return [hump.size for hump in self._humps(trial, side, pieces)]

    def _dips(self, trial: _Trial, side: str, pieces: Sequence[int]) -> list[float]:
        return [hump.dip for hump in self._humps(trial, side, pieces)]

    def _reach(self, trial: _Trial, side: str, pieces: Sequence[int] | None = None) -> float:
        """The reach of rest, in pascals, from pieces in which there was no false press."""
        by_piece = {piece: reach for piece, reach in trial.reach[side].items() if piece not in trial.disturbed}
        return max(
            (by_piece[piece] for piece in (self.everything if pieces is None else pieces) if piece in by_piece),
            default=0.0,
        )

    def _gentle(self, trial: _Trial, side: str) -> float:
        return quantile(self._sizes(trial, side, self.everything) or [0.0], 0.1)

    def _strata(self, trial: _Trial) -> list[list[int]]:
        """The strata to draw from: the efforts of each side, and the pieces of rest."""
        by_side: dict[str, list[int]] = {}
        for (side, _humps, _heard), piece in zip(trial.efforts, self._pieces.of_effort, strict=True):
            by_side.setdefault(side, []).append(piece)
        return [*by_side.values(), self._pieces.rest]

    # --- trying -----------------------------------------------------------------------------------------------

    def _try(self, sides: dict[str, Side]) -> _Trial:
        key = tuple(sorted(sides.items(), key=lambda entry: entry[0]))
        if key not in self._tried:
            plain = replace(
                self._settings,
                above=sides.get("above"),
                below=sides.get("below"),
                from_peak=False,  # strength is not looked at, and presses then come at once
                levels=frozenset(),
            )
            trial = _Trial(sides, *_condition(self._samples, plain))
            trial.judge(self._recording, self._pieces)
            self._tried[key] = trial
        return self._tried[key]

    def _tried_on_the_unseen(self) -> Heard:
        total = Heard()
        for part in range(PARTS):
            seen = [piece for piece in self.everything if self._pieces.part[piece] != part]
            unseen = {piece for piece in self.everything if self._pieces.part[piece] == part}
            if unseen:
                found = self._heard(self._try(self._chosen(seen)), unseen)
                total = total.plus(found)
        return total

    def _heard(self, trial: _Trial, pieces: set[int] | None = None) -> Heard:
        counted = [
            (max(1, len(humps)), heard)
            for (_side, humps, heard), piece in zip(trial.efforts, self._pieces.of_effort, strict=True)
            if pieces is None or piece in pieces
        ]
        strays = [t for t in trial.strays if pieces is None or self._pieces.at(t) in pieces]
        false = sum(self._recording.at_rest(t) for t in strays)
        return Heard(sum(heard for _, heard in counted), sum(there for there, _ in counted), false, len(strays) - false)

    @staticmethod
    def _was_heard(trial: _Trial, hump: _Hump, side: str, count: int, of: int) -> bool:
        if count in (0, of):
            return count > 0
        return any(word == side and hump.begin - NANOSECONDS // 10 <= t <= hump.end for t, word in trial.presses)

    # --- saying -----------------------------------------------------------------------------------------------

    def _refuse(self, trial: _Trial, heard: Heard) -> None:
        sizes = {side: self._sizes(trial, side, self.everything) for side in trial.sides}
        side = max(sizes, key=lambda word: len(sizes[word]))
        ordinary, reach = median(sizes[side] or [0.0]), self._reach(trial, side)
        how = "Try another movement, or move the sensor to where the effort is larger and breathing smaller."
        at_rest = max((value for piece, value in trial.reach[side].items() if piece in self._pieces.rest), default=0.0)
        anywhere = max(trial.reach[side].values(), default=0.0)
        unheard = {word: of for word, of in _roughly(self._samples, self._recording).items() if word not in trial.sides}
        other, of = max(unheard.items(), key=lambda found: len(found[1]), default=("", []))
        if len(of) > (1 - ENOUGH) * heard.efforts and median(of) > max(ordinary / 2, 3 * at_rest):
            how = (
                f"{len(of)} of the efforts seem to go {other} rest, where nothing is listened for: ask for efforts of one kind, or "
                f'write "{other}:" into the profile as well.'
            )
        elif anywhere > max(ordinary / 2, 3 * at_rest):
            how = (
                "Between the marks the pressure rises as far as in them, and at rest it does not: were the efforts marked as they "
                "began? Mark each within a second. If they were, try another movement or another place for the sensor."
            )
        elif abs(self._drift()[0]) > ordinary / 2:
            how = "The sensor drifts: let it warm up, or look for a leak in the tube. Or try another movement or place."
        raise FitError(
            f"rest and effort cannot be told apart: an ordinary effort reaches {ordinary:.0f} Pa and rest {reach:.0f} Pa; the "
            f"best threshold hears {heard.heard} of {heard.efforts} efforts, {heard.false} times nobody in "
            f"{self._recording.seconds_of_rest:.0f} s of rest, and {heard.elsewhere} times nobody between efforts",
            how,
        )

    def _settings_of(self, side: str, trial: _Trial, again: Sequence[dict[str, Side]]) -> list[Setting]:
        chosen, before = trial.sides[side], self._settings.above if side == "above" else self._settings.below
        sizes = self._sizes(trial, side, self.everything)
        reach, gentle, dips = (
            self._reach(trial, side),
            self._gentle(trial, side),
            self._dips(trial, side, self.everything),
        )
        others = [sides[side] for sides in again if side in sides]
        sag = quantile(dips or [chosen.on], 0.1)
        off_why: tuple[str, tuple[Figure, ...]] = ("60 % of on, so that an effort that wavers stays one", ())
        if chosen.off < 0.99 * OFF_SHARE * chosen.on:
            off_why = "within an effort the pressure sags to {}, and that must not end it", ((sag, "pressure"),)
        rows: list[tuple[str, float, tuple[float, float], str, tuple[Figure, ...]]] = [
            (
                "on",
                chosen.on,
                (reach, min(sizes, default=0.0)),
                "rest goes as far as {}, nine efforts of ten reach {}: this lies "
                + (
                    "between, as far from both as can be"
                    if reach < chosen.on < gentle
                    else "where fewest mistakes are made"
                ),
                ((reach, "pressure"), (gentle, "pressure")),
            ),
            ("off", chosen.off, (reach / 2, min(*dips, chosen.on) if dips else chosen.on), *off_why),
            ("full", chosen.full, (chosen.on, 1.25 * chosen.full), "one effort of ten is as strong as this", ()),
        ]
        if before is not None and before.firm is not None:
            share = (before.firm - before.on) / (before.full - before.on)
            others = [replace(other, firm=other.on + share * (other.full - other.on)) for other in others]
            firm = chosen.on + share * (chosen.full - chosen.on)
            rows.append(("firm", firm, (chosen.on, 1.25 * firm), "as far between on and full as it was", ()))
        moved = chosen.on / before.on if before is not None else 1.0
        bounds = before.follow if before is not None and before.follow is not None else ()
        return [
            Setting(
                (side, "follow", name),
                moved * bound,
                "pressure",
                "as far from on as it was",
                (),
                moved * bound,
                moved * bound,
                SURE,
            )
            for name, bound in zip(("lowest", "highest"), bounds, strict=False)
        ] + [
            Setting(
                (side, name),
                value,
                "pressure",
                why,
                figures,
                *within([getattr(other, name) for other in others], value, room),
            )
            for name, value, room, why, figures in rows
        ]

    def _drift(self) -> tuple[float, float, float]:
        """How fast rest moves, in pascals a minute, with its interval."""
        rhythm = self._rhythm()
        found = self._slope_at_rest(round(rhythm[0]) if rhythm else 2 * NANOSECONDS)
        return (60 * found[0], 60 * found[1], 60 * found[2])

    def _jump(self) -> tuple[int, float] | None:
        """Find the largest jump of rest: when, and by how many pascals; None if no move is much larger than the others.

        Means over whole periods of the rhythm before and after are compared; a steady drift is the same everywhere and
        is taken off.
        """
        rhythm = self._rhythm()
        width = max(2 * NANOSECONDS, round(rhythm[0]) if rhythm else 0)
        times, values = self._samples.times, self._samples.pascals
        sums = list(itertools.accumulate(values, initial=0.0))
        found = []
        for begin, end in self._recording.rests:
            for t in range(begin + width, end - width, width // 8):
                (first, here), (_, last) = between(times, t - width, t), between(times, t, t + width)
                if first < here < last:
                    before, after = (
                        (sums[here] - sums[first]) / (here - first),
                        (sums[last] - sums[here]) / (last - here),
                    )
                    found.append((t, after - before))
        if not found:
            return None
        ordinary = median(step for _, step in found)
        aside = [(t, abs(step - ordinary)) for t, step in found]
        when, most = max(aside, key=lambda each: each[1])
        return (when, most) if most > BEYOND * median(size for _, size in aside) else None

    def _jump_among_efforts(self, trial: _Trial) -> tuple[int, float] | None:
        """Find the largest jump of the resting level between and after the efforts, as ``_jump`` does within rest.

        A single odd level, such as an effort that nobody marked, is no jump: the medians of three levels are compared. A quick
        drift is none, either: it is spread over several levels.
        """
        levels = self._levels(trial)
        steps = [(after - before, later - t) for (t, before), (later, after) in itertools.pairwise(levels)]
        if len(levels) < 2 * LEAST_LEVELS:
            return None
        drift = median(step / length for step, length in steps)
        ordinary = median(abs(step - drift * length) for step, length in steps)
        level = [value - drift * t for t, value in levels]
        found = [
            (levels[i][0], min(abs(median(level[i : i + LEVELS]) - median(level[max(0, i - LEVELS) : i])), at_once))
            for i in range(LEAST_LEVELS, len(levels) - LEAST_LEVELS + 1)
            for at_once in [abs(level[i] - level[i - 1])]
        ]
        when, most = max(found, key=lambda each: each[1])
        return (when, most) if most > BEYOND * ordinary else None

    def _levels(self, trial: _Trial) -> list[tuple[int, float]]:
        """Resting levels, in pascals, and when each begins: of the periods of marked rest, and of each time between two efforts."""
        times, values = self._samples.times, self._samples.pascals
        rhythm = self._rhythm()
        width = max(2 * NANOSECONDS, round(rhythm[0]) if rhythm else 0)
        pieces = [(t, t + width) for begin, end in self._recording.rests for t in range(begin, end - width + 1, width)]
        humps = sorted((hump.begin, hump.end) for _side, humps, _count in trial.efforts for hump in humps)
        begins = [begin for begin, _ in [*humps, *self._recording.rests, *self._recording.pauses]]
        for _begin, end in humps:
            over = end + ASIDE
            following = min((begin for begin in begins if begin > end), default=times[-1] + ASIDE) - ASIDE
            if following - over >= ASIDE:
                pieces.append((max(over, following - width), following))
        found = [(begin, values[slice(*between(times, begin, end))]) for begin, end in sorted(pieces)]
        return [(begin, fmean(inside)) for begin, inside in found if inside]

    def _slope_at_rest(self, width: int) -> tuple[float, float, float]:
        """The slope of rest and its interval, in pascals a second, from means of pieces ``width`` nanoseconds wide."""
        times, values = self._samples.times, self._samples.pascals
        found = []
        for begin, end in self._recording.rests:
            for t in range(begin, end - width, width):
                inside = values[slice(*between(times, t, t + width))]
                if inside:
                    found.append((t / NANOSECONDS, fmean(inside)))
        return slope([t for t, _ in found], [mean for _, mean in found]) if len(found) > 3 else (0.0, 0.0, 0.0)

    def _facts(self, trial: _Trial) -> tuple[list[Fact], list[str]]:
        facts: list[Fact] = []
        calm = [value for t, value in zip(trial.times, trial.beyond, strict=True) if self._recording.at_rest(t)]
        if len(calm) > 2:
            noise = spread([after - before for before, after in itertools.pairwise(calm)]) / math.sqrt(2)
            facts.append(
                Fact(
                    "rest",
                    "noise of {} (standard deviation), drift of {} a minute ({} to {})",
                    ((noise, "pressure"), *((value, "pressure") for value in self._drift())),
                )
            )
        if rhythm := self._rhythm():
            facts.append(
                Fact(
                    "rhythm",
                    "something repeats every {} and is {} from crest to trough; it is taken out",
                    ((rhythm[0], "time"), (rhythm[1], "pressure")),
                )
            )
        tiring: list[str] = []
        for side in trial.sides:
            humps = self._humps(trial, side, self.everything)
            if not humps:
                continue
            ordinary = median(hump.size for hump in humps)
            shapes = [shape for hump in humps if (shape := _shape(trial, side, hump))]
            figures: list[Figure] = [
                (ordinary, "pressure"),
                *((median(shape[place] for shape in shapes), "time") for place in (0, 1) if shapes),
            ]
            says = "ordinarily {}, risen within {}, held for {}" if shapes else "ordinarily {}"
            facts.append(Fact(f"efforts {side}", says, tuple(figures)))
            if len(humps) >= 5:
                change, low, high = slope(
                    [hump.top / (60 * NANOSECONDS) for hump in humps], [hump.size for hump in humps]
                )
                says, figures = f"no sign of it in {len(humps)} efforts", []
                if low * high > 0:
                    says = "efforts change by {} a minute ({} to {})"
                    figures = [(value / ordinary, "share") for value in (change, low, high)]
                facts.append(Fact(f"tiring {side}", says, tuple(figures)))
                if high < 0 and change < -TIRES * ordinary:
                    tiring.append(
                        f"efforts shrink by {-100 * change / ordinary:.0f} % a minute: the child tires, so short turns, and fit again "
                        "when it is rested"
                    )
        return facts, tiring

    def _rhythm(self) -> tuple[float, float] | None:
        """The period in nanoseconds and the height in pascals of what repeats at rest; None if nothing does."""
        rhythm, levels = Rhythm(), []
        times, values = self._samples.times, self._samples.pascals
        if not self._recording.rests:
            return None
        begin, end = max(self._recording.rests, key=lambda rest: rest[1] - rest[0])
        first, last = between(times, begin, end)
        rise = self._slope_at_rest(2 * NANOSECONDS)[0] / NANOSECONDS
        place = first
        for t in range(begin, end, STEP):
            while place + 1 < last and times[place + 1] <= t:
                place += 1
            if place < last:
                value = values[place] - rise * (times[place] - begin)
                levels.append(value)
                rhythm.add(value)
        if rhythm.period is None or rhythm.strength < 0.5:
            return None
        return rhythm.period * STEP, quantile(levels, 0.95) - quantile(levels, 0.05)


def _shape(trial: _Trial, side: str, hump: _Hump) -> tuple[float, float] | None:
    """An effort's rise from 10 % to 90 % of its height, and how long it is above half of it."""
    first, last = between(trial.times, hump.begin, hump.end + NANOSECONDS)
    signed = [_SIGNS[side] * value for value in trial.beyond[first:last]]
    times = trial.times[first:last]
    top = bisect_left(times, hump.top)
    if not signed or top >= len(signed):
        return None
    back = range(top, -1, -1)
    low = next((i for i in back if signed[i] < 0.1 * hump.size), 0)
    nine_tenths = next((i for i in range(low, top + 1) if signed[i] >= 0.9 * hump.size), top)
    begin = next((i for i in back if signed[i] < 0.5 * hump.size), 0)
    end = next((i for i in range(top, len(signed)) if signed[i] < 0.5 * hump.size), len(signed) - 1)
    return float(times[nine_tenths] - times[low]), float(times[end] - times[begin])


def _condition(samples: _Samples, settings: PressureSettings) -> tuple[list[int], list[float], list[tuple[int, str]]]:
    """Condition the samples as the router does: times, pressures beyond the background, presses with their sides."""
    made = PressureConditioner("", settings, itertools.count(1).__next__, Alarm(Timers(), 0))
    times: list[int] = []
    beyond: list[float] = []
    presses: list[tuple[int, str]] = []
    losses = samples.losses[::-1]
    for t, pascal in zip(samples.times, samples.pascals, strict=True):
        while losses and t >= losses[-1]:
            made.lost(losses.pop())
        rest = made.rest
        if rest is not None:
            times.append(t)
            beyond.append(pascal - rest)
        presses += [
            (t, gesture.source.removeprefix("."))
            for gesture in made.handle(PressureSample("", pascal), t)
            if isinstance(gesture, Press)
        ]
    return times, beyond, presses
