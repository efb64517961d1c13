"""From a recording to settings: thresholds that hear a child's efforts and nothing else.

A recording is a trace with marks. ``rest`` begins a stretch in which nothing is asked of the child, and ``end`` (or the
next mark) ends it. ``effort`` marks the moment at which an effort is asked for or seen: it is looked for from one second
before the mark to two seconds after it. An ``effort`` with an ``end`` after it is a stretch that holds one or more efforts
(a burst of sucking). Other marks are passed over.

What is chosen is tried on the recording itself with the real conditioning, so what a fit promises is what the router
would have done. Where rest and effort cannot be told apart there is no result: a guess would be worse than none.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from router.conditioning.base import Conditioner
from router.conditioning.pointer import PointerConditioner
from router.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.conditioning.switch import SwitchConditioner
from router.events import Gesture, Mark, PointerSample, Press, PressureSample, Release, SwitchSample
from router.inputs.base import Stamped
from router.timers import Alarm, Timers
from router.units import NANOSECONDS

BEFORE, AFTER = NANOSECONDS, 2 * NANOSECONDS
"""An effort may begin so long before its mark (whoever sees it marks it late) and so long after it (the child takes its time)."""
LEAST_REST = 8 * NANOSECONDS
LEAST_EFFORTS = 3
ENOUGH = 0.8
"""The share of efforts that must be heard for the result to be one."""
OFF_SHARE = 0.6
FALSE_COUNTS = 1.5
"""A false press counts so many missed efforts: it teaches the child that what sounds does not depend on trying."""
SEARCH_RATE = 100
"""Samples a second that thresholds are searched with; more tell no more about efforts of a tenth of a second."""
SHARES = (0.26, 0.34, 0.42, 0.5, 0.58, 0.66, 0.74)
"""Thresholds that are tried first, as shares of an ordinary effort; then those between the best one and its neighbours."""


class FitError(ValueError):
    """A recording from which nothing can be fitted; ``hint`` says what to do."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in nanoseconds from ``begin`` to ``end`` in which an effort was asked for; ``several``: one or more of them."""

    begin: int
    end: int
    several: bool = False


@dataclass(frozen=True, slots=True)
class Recording:
    """The samples of one input, and what was asked for when."""

    samples: list[Stamped]
    rests: list[tuple[int, int]]
    efforts: list[Stretch]

    @property
    def seconds_of_rest(self) -> float:
        return sum(end - begin for begin, end in self.rests) / NANOSECONDS


@dataclass(frozen=True, slots=True)
class Setting:
    """One number of a fit: where in the input's settings it stands, its value (a pressure in pascals or a time in nanoseconds), and why.

    ``why`` is a sentence with ``{}`` where each of ``figures``, which are of the same kind, belongs.
    """

    path: tuple[str, ...]
    value: float
    kind: str
    why: str
    figures: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Fit:
    """Settings, and what they would have heard in the recording."""

    settings: list[Setting]
    heard: int
    efforts: int
    false: int
    elsewhere: int
    seconds_of_rest: float
    remarks: list[str]


def record(stamped: Iterable[Stamped], name: str) -> Recording:
    """The samples of the input called ``name``, and the stretches that the marks name.

    Raises:
        FitError: too little of anything.
    """
    samples: list[Stamped] = []
    marks: list[tuple[int, str]] = []
    for t, sample in stamped:
        if isinstance(sample, Mark):
            marks.append((t, sample.text.strip().casefold()))
        elif sample.input == name:
            samples.append((t, sample))
    marks = [mark for mark in marks if mark[1] in ("rest", "effort", "end")]
    if not samples:
        raise FitError(f'the recording holds no sample of "{name}"', "Record this input, or name another one.")
    last = samples[-1][0]
    rests: list[tuple[int, int]] = []
    efforts: list[Stretch] = []
    times = [t for t, word in marks if word == "effort"]
    for i, (t, word) in enumerate(marks):
        then, following = marks[i + 1] if i + 1 < len(marks) else (last, "end of the recording")
        if word == "rest":
            end = then - BEFORE if following == "effort" else then
            if end > t:
                rests.append((t, end))
        elif word == "effort":
            place = times.index(t)
            begin = max([t - BEFORE, *((t + before) // 2 for before in times[:place][-1:])])
            begin = max(
                [begin, *(end for _begin, end in rests[-1:]), *(each.end for each in efforts[-1:] if each.several)]
            )
            if following == "end":
                over = min([then + NANOSECONDS // 4, *((then + after) // 2 for after in times[place + 1 :][:1])])
                efforts.append(Stretch(begin, over, several=True))
            else:
                efforts.append(
                    Stretch(begin, min([t + AFTER, *((t + after) // 2 for after in times[place + 1 :][:1])]))
                )
    recording = Recording(samples, rests, efforts)
    if not marks:
        how = 'Mark where rest begins ("rest") and ends ("end"), and each effort ("effort").'
        raise FitError("the recording has no marks, so rest and effort are not known", how)
    if not efforts:
        raise FitError("no effort is marked in the recording", 'Mark each effort with "effort" as it begins.')
    return recording


# --- pressure -----------------------------------------------------------------------------------------------------


def pressure(recording: Recording, settings: PressureSettings) -> Fit:
    """Thresholds of a pressure sensor.

    Estimators. Size of an effort: the largest pressure in its stretch beyond what the background (rest, drift, rhythm)
    would have been; ordinary: their median. Rest: the 99.9 % quantile of the pressure beyond the background at rest, and
    between efforts. ``on`` is tried at nine shares of the ordinary effort with the real conditioning. Of those with
    the fewest efforts missed and false presses the one is taken that lies furthest from both the 10 % quantile of the
    efforts and from rest. ``off`` is 60 % of ``on``,
    ``full`` the 90 % quantile of the efforts.

    Raises:
        FitError: rest and effort cannot be told apart, or the recording is no use.
    """
    _enough(recording)
    samples = _thinned(recording.samples)
    _sane(samples, recording)
    sizes = _first_sizes(samples, recording, settings)
    asked = _sides(settings)
    # A side that nobody uses is not fitted, and its old threshold must not disturb what is learned of the other.
    settings = replace(
        settings,
        above=settings.above if "above" in sizes else None,
        below=settings.below if "below" in sizes else None,
    )
    # The background is learned by the threshold, and the sizes are measured from the background.
    sizes = _Trial.of(samples, recording, settings, sizes, 0.45).sizes(sizes)
    trials = {share: _Trial.of(samples, recording, settings, sizes, share) for share in SHARES}
    for shift in (-0.04, 0.04):
        share = min(SHARES, key=lambda share: trials[share].rank) + shift
        trials[share] = _Trial.of(samples, recording, settings, sizes, share)
    return min(trials.values(), key=lambda trial: trial.rank).result(asked)


def _enough(recording: Recording) -> None:
    if recording.seconds_of_rest * NANOSECONDS < LEAST_REST:
        seconds = f"{recording.seconds_of_rest:.0f} s of rest {'is' if recording.rests else 'are'} marked"
        raise FitError(
            f"{seconds}, which is too little to know what rest looks like",
            f'Mark "rest", wait {2 * LEAST_REST // NANOSECONDS} seconds or more without asking for anything, and mark "end".',
        )
    if len(recording.efforts) < LEAST_EFFORTS and not any(stretch.several for stretch in recording.efforts):
        raise FitError(
            f"{len(recording.efforts)} marked efforts are too few", f"Record {LEAST_EFFORTS} or more, better ten."
        )


def _thinned(samples: Sequence[Stamped]) -> list[tuple[int, float]]:
    """Times and pressures, no more than ``SEARCH_RATE`` a second."""
    thin: list[tuple[int, float]] = []
    due = samples[0][0]
    for t, sample in samples:
        if isinstance(sample, PressureSample) and t >= due:
            thin.append((t, sample.pascal))
            due = max(due + NANOSECONDS // SEARCH_RATE, t - NANOSECONDS // SEARCH_RATE)
    return thin


def _sane(samples: Sequence[tuple[int, float]], recording: Recording) -> None:
    """Refuse a sensor that says nothing, or whose end is reached in half of the efforts and hides how large they are."""
    values = [pascal for _t, pascal in samples]
    low, rest, high = min(values), median(values), max(values)
    if low == high:
        raise FitError(
            "the sensor says the same all the time", "Is the tube connected, and is this the right input? Try it again."
        )
    times = [t for t, _pascal in samples]
    for end, word in ((low, "lowest"), (high, "highest")):
        if abs(end - rest) < max(high - rest, rest - low) / 2:
            continue  # the side on which nobody tries
        held = 0
        for stretch in recording.efforts:
            first, last = _between(times, stretch.begin, stretch.end)
            at_end = [t for t, pascal in samples[first:last] if pascal == end]
            held += len(at_end) > 2 and at_end[-1] - at_end[0] > NANOSECONDS // 5
        if held > len(recording.efforts) / 2:
            raise FitError(
                f"in {held} efforts the sensor stays at its {word} value, so it cannot say how large they are",
                "Use a sensor with a wider range, or let some air out of the pad.",
            )


def applied(found: Fit, settings: PressureSettings) -> PressureSettings:
    """The settings with what was found in place of what stood there."""
    values = {setting.path: setting.value for setting in found.settings}
    for word in {path[0] for path in values}:
        side = Side(values[word, "on"], values[word, "off"], values[word, "full"])
        settings = replace(settings, above=side) if word == "above" else replace(settings, below=side)
    return settings


Sizes = dict[str, float]
"""The ordinary effort of each side that has any, in pascals."""

_SIGNS = {"above": 1, "below": -1}


def _sides(settings: PressureSettings) -> list[str]:
    return [word for word, side in (("above", settings.above), ("below", settings.below)) if side is not None]


def _first_sizes(samples: Sequence[tuple[int, float]], recording: Recording, settings: PressureSettings) -> Sizes:
    """How large the efforts are, roughly: the furthest in each stretch from the median of the seconds around it and the others."""
    found: dict[str, list[float]] = {}
    times = [t for t, _pascal in samples]
    tried = bytearray(len(samples))
    for stretch in recording.efforts:
        first, last = _between(times, stretch.begin, stretch.end)
        tried[first:last] = b"\1" * (last - first)
    calm = [sample for sample, busy in zip(samples, tried, strict=True) if not busy]
    for stretch in recording.efforts:
        around = [pascal for t, pascal in calm if abs(t - stretch.begin - BEFORE) < 8 * NANOSECONDS]
        inside = [pascal for t, pascal in samples if stretch.begin <= t < stretch.end]
        if inside and around:
            level = median(around)
            side = max(_SIGNS, key=lambda word: max(_SIGNS[word] * (pascal - level) for pascal in inside))
            found.setdefault(side, []).append(max(_SIGNS[side] * (pascal - level) for pascal in inside))
    asked = _sides(settings)
    sizes = {side: median(values) for side, values in found.items() if side in asked and median(values) > 0}
    if not sizes or sum(len(found[side]) for side in sizes) < 0.5 * len(recording.efforts):
        other = "below" if asked == ["above"] else "above"
        raise FitError(
            f"the efforts go {other} rest, and the profile listens only {asked[0]}",
            f'Write "{other}:" where "{asked[0]}:" stands, or turn the tube round.',
        )
    least = max(sizes.values()) / 2  # a stretch that looks the other way because nobody tried in it makes no side
    return {side: size for side, size in sizes.items() if size > least}


@dataclass(slots=True)
class _Trial:
    """One threshold, tried on the recording."""

    recording: Recording
    settings: PressureSettings
    peaks: dict[str, list[float]]  # of the efforts, by side
    rest: dict[str, float]  # how far rest went, by side
    heard: int
    efforts: int
    false: int
    elsewhere: int

    @classmethod
    def of(
        cls,
        samples: Sequence[tuple[int, float]],
        recording: Recording,
        settings: PressureSettings,
        sizes: Sizes,
        share: float,
    ) -> _Trial:
        """Try ``on`` at a share of the ordinary effort of each side."""
        for side, size in sizes.items():
            on = share * size
            tried = Side(on, OFF_SHARE * on, max(1.5 * on, size))
            settings = replace(settings, above=tried) if side == "above" else replace(settings, below=tried)
        beyond, presses = _condition(samples, settings)
        trial = cls(recording, settings, {side: [] for side in sizes}, {}, 0, 0, 0, 0)
        trial._judge(beyond, presses)
        return trial

    def _judge(self, beyond: Sequence[tuple[int, float]], presses: list[tuple[int, str]]) -> None:
        taken: set[int] = set()
        covered = bytearray(len(beyond))  # samples that belong to no rest
        times = [t for t, _ in beyond]
        for stretch in self.recording.efforts:
            first, last = _between(times, stretch.begin, stretch.end)
            inside = [i for i, (t, _side) in enumerate(presses) if stretch.begin <= t < stretch.end and i not in taken]
            side, humps = self._humps(beyond, first, last, several=stretch.several)
            self.efforts += max(1, len(humps))
            if humps:
                self.peaks[side] += humps
            mine = [i for i in inside if presses[i][1] == side][: max(1, len(humps))]
            self.heard += len(mine)
            taken.update(mine)
            # An effort lasts beyond its stretch until it is over.
            threshold = 0.3 * max(humps, default=math.inf)
            while last < len(beyond) and _SIGNS[side] * beyond[last][1] > threshold:
                last += 1
            covered[first:last] = b"\1" * (last - first)
        rests = self.recording.rests
        strays = [t for i, (t, _side) in enumerate(presses) if i not in taken]
        self.false = sum(any(begin <= t < end for begin, end in rests) for t in strays)
        self.elsewhere = len(strays) - self.false
        settled = times[0] + 3 * NANOSECONDS if times else 0
        calm = [value for i, (t, value) in enumerate(beyond) if not covered[i] and t > settled]
        for side in self.peaks:
            values = sorted(_SIGNS[side] * value for value in calm)
            self.rest[side] = max(0.0, values[int(0.999 * (len(values) - 1))]) if values else 0.0

    def _humps(
        self, beyond: Sequence[tuple[int, float]], first: int, last: int, *, several: bool
    ) -> tuple[str, list[float]]:
        """The efforts in some samples: their side, and how large each is."""
        reach = {
            side: max((_SIGNS[side] * value for _t, value in beyond[first:last]), default=0.0)
            / max(1e-9, getattr(self.settings, side).on)
            for side in self.peaks
        }
        side = max(reach, key=lambda word: reach[word])
        largest = reach[side] * getattr(self.settings, side).on
        if largest <= 0:
            return side, []
        if not several:
            return side, [largest]
        humps: list[float] = []
        up = False
        for _t, value in beyond[first:last]:
            pressure = _SIGNS[side] * value
            if not up and pressure > 0.4 * largest:
                up = True
                humps.append(pressure)
            elif up and pressure < 0.2 * largest:
                up = False
            elif up:
                humps[-1] = max(humps[-1], pressure)
        return side, humps

    def sizes(self, before: Sizes) -> Sizes:
        """The ordinary effort of each side, measured from the background."""
        return {side: median(peaks) if len(peaks) > 1 else before[side] for side, peaks in self.peaks.items()}

    @property
    def rank(self) -> tuple[float, float]:
        """Less is better."""
        return self.efforts - self.heard + FALSE_COUNTS * (self.false + self.elsewhere), -self.margin

    @property
    def margin(self) -> float:
        """How far ``on`` is from both the gentle efforts and from rest, in ordinary efforts; below 0: they overlap."""
        margins = []
        for side, peaks in self.peaks.items():
            if peaks:
                on = getattr(self.settings, side).on
                margins.append(min(quantile(peaks, 0.1) - on, on - self.rest[side]) / median(peaks))
        return min(margins, default=-1.0)

    def result(self, asked: Sequence[str]) -> Fit:
        overlap = any(quantile(peaks, 0.1) <= self.rest[side] for side, peaks in self.peaks.items() if peaks)
        few = self.heard < ENOUGH * self.efforts
        if few or overlap or self.false + self.elsewhere > (1 - ENOUGH) * self.efforts:
            raise FitError(
                f"rest and effort cannot be told apart: the best threshold hears {self.heard} of {self.efforts} "
                f"efforts, {self.false} times nobody in {self.recording.seconds_of_rest:.0f} s of rest, "
                f"and {self.elsewhere} times nobody between efforts",
                "Try another movement, or move the sensor to where the effort is larger and breathing smaller.",
            )
        found: list[Setting] = []
        for side, peaks in self.peaks.items():
            if not peaks:
                continue
            chosen: Side = getattr(self.settings, side)
            gentle, hard, rest = quantile(peaks, 0.1), quantile(peaks, 0.9), self.rest[side]
            found += [
                Setting(
                    (side, "on"),
                    chosen.on,
                    "pressure",
                    "rest goes as far as {}, nine efforts of ten reach {}: this lies between, far from both",
                    (rest, gentle),
                ),
                Setting((side, "off"), chosen.off, "pressure", "60 % of on, so that an effort that wavers stays one"),
                Setting(
                    (side, "full"), max(hard, 1.25 * chosen.on), "pressure", "one effort of ten is as strong as this"
                ),
            ]
        remarks = [
            f"no effort goes {side} rest, so {side} stays as it is, untried" for side in asked if side not in self.peaks
        ]
        return Fit(found, self.heard, self.efforts, self.false, self.elsewhere, self.recording.seconds_of_rest, remarks)


def _between(times: Sequence[int], begin: int, end: int) -> tuple[int, int]:
    return bisect_left(times, begin), bisect_left(times, end)


def _condition(
    samples: Sequence[tuple[int, float]], settings: PressureSettings
) -> tuple[list[tuple[int, float]], list[tuple[int, str]]]:
    """What the router makes of the samples: pressures beyond the background, and presses with their sides."""
    plain = replace(
        settings,
        from_peak=False,  # strength is not looked at, and presses then come at once
        levels=frozenset(),
        above=settings.above and replace(settings.above, firm=None),
        below=settings.below and replace(settings.below, firm=None),
    )
    made = PressureConditioner("", plain, itertools.count(1).__next__, Alarm(Timers(), 0))
    beyond: list[tuple[int, float]] = []
    presses: list[tuple[int, str]] = []
    for t, pascal in samples:
        rest = made.rest
        if rest is not None:
            beyond.append((t, pascal - rest))
        presses += [
            (t, gesture.source.removeprefix("."))
            for gesture in made.handle(PressureSample("", pascal), t)
            if isinstance(gesture, Press)
        ]
    return beyond, presses


def quantile(values: Sequence[float], share: float) -> float:
    """The value below which a share of the values lies, with straight lines between them (Hyndman and Fan's type 7)."""
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)


# --- switches -----------------------------------------------------------------------------------------------------

LONGEST_BOUNCE = 25_000_000
"""A contact that is still for so long has settled. Bounce lasts 1 to 20 ms (common practice, no source)."""
STEP = 5_000_000
"""Times of a switch are written in these."""


def switch(recording: Recording, conditioner: SwitchConditioner) -> Fit:
    """Debounce and acceptance time of a switch.

    Estimators. Debounce: the longest flutter (edges less than 25 ms apart) and a quarter more. Acceptance: if the contact
    also closes at rest, the geometric mean of the longest closing at rest and the 10 % quantile of the holds that were asked for; if
    not, 0, because it is a delay.

    Raises:
        FitError: presses that are meant are no longer than those that are not, or the recording is no use.
    """
    _enough(recording)
    inverted = conditioner.settings.inverted
    edges = [(t, s.pressed is not inverted) for t, s in recording.samples if isinstance(s, SwitchSample)]
    flutter = 0
    begin: int | None = None
    for (before, _), (t, _pressed) in itertools.pairwise(edges):
        begin = (before if begin is None else begin) if t - before < LONGEST_BOUNCE else None
        flutter = max(flutter, t - begin if begin is not None else 0)
    debounce = min(10 * LONGEST_BOUNCE, max(10_000_000, _up(1.25 * flutter)))
    closed = _closed(edges, debounce)
    meant = [_longest(closed, stretch) for stretch in recording.efforts]
    holds = [hold for hold in meant if hold]
    if not holds:
        raise FitError(
            "the switch was never pressed when it was asked for", "Is this the right key, and is it plugged in?"
        )
    stray = [end - begin for begin, end in closed if any(a <= begin < b for a, b in recording.rests)]
    shortest = quantile(holds, 0.1)
    accept = _up(math.sqrt(max(stray) * shortest)) if stray else 0
    why = "the contact never closes at rest, so nothing need be waited for"
    if stray:
        why = "at rest it closes for up to {}, and nine presses of ten are held for {} or longer"
    heard = sum(hold >= accept for hold in holds)
    false = sum(hold >= accept for hold in stray)
    if heard < ENOUGH * len(meant) or false > 0.2 * len(meant):
        raise FitError(
            f"presses that are meant and presses at rest are alike: {heard} of {len(meant)} would be heard, and {false} "
            f"that nobody meant",
            "Try another movement, or a switch that needs a little more force.",
        )
    settings = [
        Setting(("debounce",), debounce, "time", "the contact flutters for up to {}", (_millisecond(flutter),)),
        Setting(("accept",), accept, "time", why, (_millisecond(max(stray)), _millisecond(shortest)) if stray else ()),
    ]
    return Fit(settings, heard, len(meant), false, 0, recording.seconds_of_rest, [])


def _millisecond(nanoseconds: float) -> float:
    return round(nanoseconds / 1_000_000) * 1_000_000


def _up(nanoseconds: float) -> int:
    return math.ceil(nanoseconds / STEP) * STEP


def _closed(edges: Sequence[tuple[int, bool]], debounce: int) -> list[tuple[int, int]]:
    """When the contact is closed, flutter taken out: two closings less than ``debounce`` apart are one."""
    found: list[tuple[int, int]] = []
    since: int | None = None
    for t, pressed in edges:
        if pressed and since is None:
            since = t
            if found and t - found[-1][1] < debounce:
                since = found.pop()[0]
        elif not pressed and since is not None:
            found.append((since, t))
            since = None
    return found


def _longest(closed: Iterable[tuple[int, int]], stretch: Stretch) -> int:
    return max((end - begin for begin, end in closed if stretch.begin <= begin < stretch.end), default=0)


# --- pointers -----------------------------------------------------------------------------------------------------


def pointer(recording: Recording, conditioner: PointerConditioner) -> Fit:
    """The dwell time of a pointer: long enough that zones on the way do not play, short enough that staying does.

    Estimators. Of the stays in one zone that begin after one mark and before the next the longest was meant, and every
    other was passing by. Dwell: the geometric mean of the 95 % quantile of passing stays and the 10 % quantile of meant ones.

    Raises:
        FitError: stays that are meant are no longer than those that are not, or the recording is no use.
    """
    if len(recording.efforts) < LEAST_EFFORTS:
        raise FitError(
            f"{len(recording.efforts)} marked efforts are too few",
            'Ask for one place after another, mark each with "effort", and let the child stay there.',
        )
    stays = _stays(recording.samples, conditioner)
    meant: list[int] = []
    passing: list[int] = []
    begins = [stretch.begin for stretch in recording.efforts]
    for asked, next_asked in zip(begins, [*begins[1:], recording.samples[-1][0]], strict=True):
        lengths = sorted(end - begin for begin, end in stays if asked <= begin < next_asked)
        meant += lengths[-1:]
        passing += lengths[:-1]
    if len(meant) < LEAST_EFFORTS:
        raise FitError("the pointer does not move in the recording", "Is this the right device? Try it again.")
    shortest = quantile(meant, 0.1)
    longest = quantile(passing, 0.95) if passing else shortest / 4
    dwell = round(math.sqrt(longest * shortest) / 10_000_000) * 10_000_000
    heard, false = sum(stay >= dwell for stay in meant), sum(stay >= dwell for stay in passing)
    if heard < ENOUGH * len(meant) or false > 0.2 * len(meant):
        raise FitError(
            f"staying and passing by are alike: {heard} of {len(meant)} stays would be heard, and {false} passings",
            "Use fewer and larger zones (columns, rows), or smooth more (a lower min_cutoff).",
        )
    why = (
        "passing by takes up to {}, and nine stays of ten last {} or longer"
        if passing
        else "nothing was passed by on the way: a quarter of the shortest stay was taken for it"
    )
    return Fit(
        [
            Setting(
                ("grid", "dwell"),
                dwell,
                "time",
                why,
                (_millisecond(longest), _millisecond(shortest)) if passing else (),
            )
        ],
        heard,
        len(meant),
        0,
        false,
        recording.seconds_of_rest,
        [],
    )


def _stays(samples: Iterable[Stamped], conditioner: PointerConditioner) -> list[tuple[int, int]]:
    """When the pointer was in one zone, from entering to leaving it; the last one ends with the recording."""
    timers = Timers()
    grid = replace(conditioner.settings.grid, dwell=0, rest=frozenset())
    settings = replace(conditioner.settings, grid=grid, levels=frozenset())
    made = PointerConditioner("", settings, itertools.count(1).__next__, Alarm(timers, 0))
    stays: list[tuple[int, int]] = []
    since: int | None = None
    t = 0
    for t, sample in samples:
        if not isinstance(sample, PointerSample):
            continue
        gestures = [*_wake(made, timers, t), *made.handle(sample, t)]
        gestures += _wake(made, timers, t)
        for gesture in gestures:
            if isinstance(gesture, Release) and since is not None:
                stays.append((since, t))
                since = None
            elif isinstance(gesture, Press):
                since = t
    return stays if since is None else [*stays, (since, t)]


def _wake(made: PointerConditioner, timers: Timers, now: int) -> Iterator[Gesture]:
    while (key := timers.pop(now)) is not None:
        assert isinstance(key, tuple)  # noqa: S101 - an alarm's keys are (owner, tag)
        yield from made.wake(now, key[1])


# --- any input ----------------------------------------------------------------------------------------------------


def fit(recording: Recording, conditioner: Conditioner) -> Fit:
    """What the recording says about an input that is conditioned as ``conditioner`` is now.

    Raises:
        FitError: nothing can be said.
    """
    if isinstance(conditioner, PressureConditioner):
        return pressure(recording, conditioner.settings)
    if isinstance(conditioner, SwitchConditioner):
        return switch(recording, conditioner)
    if isinstance(conditioner, PointerConditioner):
        return pointer(recording, conditioner)
    raise FitError("a MIDI input has nothing to fit", "Every key counts as it is; lowest and highest choose the keys.")
