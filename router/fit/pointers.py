"""Times and hysteresis of a head pointer, from places that were asked for one after another.

The zone in which the pointer stays longest between one mark and the next counts as the one that was asked for; every
other zone was passed by.

Estimators:

    hysteresis how far the place trembles about its median during a stay, 90 % quantile, in zones; 10 to 30 %
    grace_time how long the pointer leaves a zone and comes back, 95 % quantile and a quarter more; 200 to 300 ms
    dwell      as a switch's acceptance time: what best parts passing from staying, but no longer than it need be: 800
               ms, or half as long again as the longest passing, whichever is more. 400 ms at least; where hardly a zone
               was passed by, 800 ms
    all        kept as they are in the profile, or as they are by default, unless what was fitted to four fifths of the
               places makes no fewer places heard in the last fifth, nor more presses that nobody meant; and, if its
               dwell is longer, mistakes that are fewer by more than a standard error, or fewer at all where what is
               kept plays unasked in every fifth place
    intervals  percentile bootstrap over places, 90 %

Hysteresis and grace time are kept within what served simulated heads (tests/benchmarks/pointer.py): beyond it zones are
left too late, or never.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, stdev

from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.events import PointerSample, Press, Release
from router.core.units import NANOSECONDS
from router.fit.estimates import drawn, quantile
from router.fit.recording import LEAST_EFFORTS, PARTS, FitError, Recording
from router.fit.result import ENOUGH, FALSE_COUNTS, Fact, Fit, Heard, Judged, Setting, heard_between_marks, within
from router.fit.switches import parting, played

MILLISECOND = 1_000_000
LEAST_HYSTERESIS, MOST_HYSTERESIS = 0.1, 0.3
LEAST_GRACE_TIME, MOST_GRACE_TIME = 200 * MILLISECOND, 300 * MILLISECOND
LEAST_DWELL, USUAL_DWELL = 400 * MILLISECOND, 800 * MILLISECOND
FEW = 4
"""The fewest passings from which their length can be learned."""
BEYOND_NOISE = 1.0
"""Standard errors by which a longer dwell must make fewer mistakes. Our choice: simulated heads with 1.64 were served
no better."""
RESTLESS = 1 / 2
"""With more presses that nobody meant, as a share of the places, there is no result. Our choice."""
KEPT = ("what was fitted would not have heard more than what holds now, so that is kept",)
BACK = 500 * MILLISECOND
"""A pointer that is out of a zone for longer has left it. Our choice."""
ARRIVING = 500 * MILLISECOND
"""Left out at both ends of a stay, where the head is still arriving or already leaving."""


Stay = tuple[int, int, int]
"""A zone, when the pointer came and when it left."""


@dataclass(frozen=True, slots=True)
class _Mistakes:
    """Places missed, and presses that nobody meant."""

    missed: int
    false: int

    @property
    def cost(self) -> float:
        return self.missed + FALSE_COUNTS * self.false


def pointer(recording: Recording, conditioner: PointerConditioner) -> Fit:
    """Dwell, grace time and hysteresis of a pointer. See the module's docstring.

    Raises:
        FitError: stays that are meant are no longer than those that are not, or the recording is no use.
    """
    if len(recording.efforts) < LEAST_EFFORTS:
        raise FitError(
            f"{len(recording.efforts)} marked efforts are too few",
            'Ask for one place after another, mark each with "effort", and let the child stay there.',
        )
    return _Places(recording, conditioner.settings).result()


class _Places:
    """The places that were asked for, and what the pointer did in the meantime."""

    def __init__(self, recording: Recording, settings: PointerSettings) -> None:
        self._recording, self._settings = recording, settings
        self._last = recording.samples[-1][0]
        begins = [stretch.begin for stretch in recording.efforts]
        breaks = sorted(begin for begin, _end in (*recording.pauses, *recording.rests))
        self._asked = [
            (begin, min([following, *(t for t in breaks if t > begin)]))
            for begin, following in zip(begins, [*begins[1:], self._last], strict=True)
        ]
        self.everything = list(range(len(self._asked)))
        self._cache: dict[ZoneGrid, list[Stay]] = {}
        self._played: dict[ZoneGrid, list[tuple[int, int | None]]] = {}
        usual = replace(settings.grid, hysteresis=0.2, grace_time=LEAST_GRACE_TIME)
        self._meant = [self._longest(i, usual) for i in self.everything]
        self._trembles = [0.0 if stay is None else self._tremble(stay) for stay in self._meant]

    def result(self) -> Fit:
        """Return the fit.

        Raises:
            FitError: see ``pointer``.
        """
        zones = {stay[0] for stay in self._meant if stay is not None}
        if len(zones) < 2:
            raise FitError("the pointer does not move in the recording", "Is this the right device? Try it again.")
        kept = self._kept()
        chosen = kept or self._grid(self.everything)
        heard, judged, false = self._tried(chosen, self.everything)
        if heard.heard < ENOUGH * heard.efforts or heard.elsewhere > RESTLESS * heard.efforts:
            raise FitError(
                f"staying and passing by are alike: {heard.heard} of {heard.efforts} stays would be heard, and "
                f"{heard.elsewhere} passings",
                "Use fewer and larger zones (columns, rows), or smooth more (a lower min_cutoff).",
            )
        unseen = Heard()
        for grid, left_out in self._unseen():
            unseen = unseen.plus(replace(self._tried(kept or grid, left_out)[0], false=0))
        unseen.false = heard.false  # the head lies where it lies, whatever is left out
        again = [kept or self._grid(places, chosen) for places in drawn(self.everything)]
        return Fit(
            self._settings_of(chosen, again),
            heard,
            unseen,
            self._recording.seconds_of_rest,
            self._facts(chosen),
            [
                *self._remarks(chosen),
                *(KEPT if kept else ()),
                *heard_between_marks(heard.elsewhere),
            ],
            judged,
            false,
        )

    # --- keeping ----------------------------------------------------------------------------------------------

    def _kept(self) -> ZoneGrid | None:
        """Return the present or the default settings if they serve no worse than fitted ones.

        None if those are better.
        """
        present, usual = self._settings.grid, ZoneGrid()
        default = replace(present, dwell=usual.dwell, grace_time=usual.grace_time, hysteresis=usual.hysteresis)
        best, mistakes = present, self._mistakes(present, self.everything)
        if default != present and self._better(
            others := self._mistakes(default, self.everything), mistakes, default, best
        ):
            best, mistakes = default, others
        fitted: dict[int, _Mistakes] = {}
        for grid, left_out in self._unseen():
            fitted |= self._mistakes(grid, left_out)
        return None if self._better(fitted, mistakes, self._grid(self.everything), best) else best

    @staticmethod
    def _better(new: dict[int, _Mistakes], old: dict[int, _Mistakes], grid: ZoneGrid, than: ZoneGrid) -> bool:
        fewer = [old[i].cost - new[i].cost for i in sorted(new)]
        if any(
            sum(getattr(each, name) for each in new.values()) > sum(getattr(old[i], name) for i in new)
            for name in ("missed", "false")
        ):
            return False
        if grid.dwell < than.dwell:
            return True
        if sum(each.false for each in old.values()) > (1 - ENOUGH) * len(old):
            return sum(fewer) > 0
        noise = stdev(fewer) / math.sqrt(len(fewer)) if len(fewer) > 1 else math.inf
        return fmean(fewer) > BEYOND_NOISE * noise

    def _unseen(self) -> Iterator[tuple[ZoneGrid, list[int]]]:
        """Yield each fifth of the places, with the settings that are fitted to the others."""
        for part in range(PARTS):
            left_out = self.everything[part::PARTS]
            others = [i for i in self.everything if i not in left_out]
            if left_out and others:
                yield self._grid(others), left_out

    def _mistakes(self, grid: ZoneGrid, places: Sequence[int]) -> dict[int, _Mistakes]:
        """Count the mistakes in each of these places."""
        found = {}
        for i in places:
            heard = self._tried(grid, [i])[0]
            found[i] = _Mistakes(heard.efforts - heard.heard, heard.elsewhere)
        return found

    # --- choosing ---------------------------------------------------------------------------------------------

    def _grid(self, places: Sequence[int], stays_of: ZoneGrid | None = None) -> ZoneGrid:
        """Choose settings from these places alone. ``stays_of``: the grid whose stays count, if not the chosen one."""
        trembles = [self._trembles[i] for i in places]
        hysteresis = min(MOST_HYSTERESIS, max(LEAST_HYSTERESIS, math.ceil(quantile(trembles, 0.95) * 20) / 20))
        grid = replace(self._settings.grid, hysteresis=hysteresis)
        away = [gap for i in places for gap in self._away(i, replace(grid, grace_time=0))]
        long = 1.25 * quantile(away, 0.95) if away else 0.0
        grid = replace(grid, grace_time=min(MOST_GRACE_TIME, max(LEAST_GRACE_TIME, _tens(long))))
        meant, passing = self._lengths(places, stays_of or grid)
        return replace(grid, dwell=_dwell(meant, passing))

    def _lengths(self, places: Sequence[int], grid: ZoneGrid) -> tuple[list[int], list[int]]:
        """Return the lengths of the stays that were meant, and of all others."""
        meant: list[int] = []
        passing: list[int] = []
        for i in places:
            lengths = sorted((end - begin for _zone, begin, end in self._during(i, grid)), reverse=True)
            meant += lengths[:1]
            passing += lengths[1:]
        return meant, passing

    def _away(self, i: int, grid: ZoneGrid) -> list[int]:
        """Return how long each absence lasted from which the pointer came back to the zone that was meant."""
        stay = self._meant[i]
        if stay is None:
            return []
        here = [each for each in self._during(i, grid) if each[0] == stay[0]]
        gaps = [after[1] - before[2] for before, after in itertools.pairwise(here)]
        return [gap for gap in gaps if gap < BACK]

    def _longest(self, i: int, grid: ZoneGrid) -> Stay | None:
        return max(self._during(i, grid), key=lambda stay: stay[2] - stay[1], default=None)

    def _during(self, i: int, grid: ZoneGrid) -> list[Stay]:
        """Stays that begin while a place was asked for."""
        begin, end = self._asked[i]
        return [stay for stay in self._stays(grid) if begin <= stay[1] < end]

    def _stays(self, grid: ZoneGrid) -> list[Stay]:
        """Return the stays in one zone, each from entering to leaving it; the last one ends with the recording."""
        grid = replace(grid, dwell=0)
        if grid not in self._cache:
            stays: list[Stay] = []
            inside: tuple[int, int] | None = None
            for t, zone in self._presses(grid):
                if inside is not None:
                    stays.append((*inside, t - grid.grace_time))
                inside = None if zone is None else (zone, t)
            self._cache[grid] = stays if inside is None else [*stays, (*inside, self._last)]
        return self._cache[grid]

    def _presses(self, grid: ZoneGrid) -> list[tuple[int, int | None]]:
        """Return when the pointer presses, and in which zone; None: when it releases."""
        if grid not in self._played:
            settings = replace(self._settings, grid=grid, levels=frozenset(), centred_by=None)
            self._played[grid] = [
                (t, gesture.zone if isinstance(gesture, Press) else None)
                for t, gesture in played(
                    lambda alarm: PointerConditioner("", settings, itertools.count(1).__next__, alarm),
                    self._recording.samples,
                )
                if isinstance(gesture, Press | Release)
            ]
        return self._played[grid]

    def _tremble(self, stay: Stay) -> float:
        """The 90 % quantile of the distance from the median place, in zones: a single jerk is no tremor."""
        grid, gain = self._settings.grid, self._settings.gain
        places = [
            (sample.x * gain * grid.columns, sample.y * gain * grid.rows)
            for t, sample in self._recording.samples
            if isinstance(sample, PointerSample) and stay[1] + ARRIVING < t < stay[2] - ARRIVING
        ]
        if len(places) < 5:
            return 0.0
        middle = [median(place[axis] for place in places) for axis in (0, 1)]
        return max(quantile([abs(place[axis] - middle[axis]) for place in places], 0.9) for axis in (0, 1))

    # --- trying -----------------------------------------------------------------------------------------------

    def _tried(self, grid: ZoneGrid, places: Sequence[int]) -> tuple[Heard, list[Judged], list[int]]:
        """Try a grid with the real conditioning: a place that plays once is heard, every other press is not meant."""
        presses = [(t, zone) for t, zone in self._presses(grid) if zone is not None]
        judged: list[Judged] = []
        false: list[int] = []
        for i in places:
            stay, (begin, end) = self._meant[i], self._asked[i]
            # A press counts from when the pointer entered: if that was before this place was asked for, it is not its.
            inside = [(t, zone) for t, zone in presses if begin <= t - grid.dwell < end]
            right = [t for t, zone in inside if stay is not None and zone == stay[0]]
            judged.append(
                Judged(right[0] - grid.dwell, stay[2] if stay else end, heard=True)
                if right
                else Judged(begin, end, heard=False)
            )
            false += [t for t, _zone in inside if t not in right[:1]]
        at_rest = sum(max(0, sum(begin <= t < end for t, _zone in presses) - 1) for begin, end in self._recording.rests)
        return Heard(sum(each.heard for each in judged), len(judged), at_rest, len(false)), judged, false

    # --- saying -----------------------------------------------------------------------------------------------

    def _settings_of(self, chosen: ZoneGrid, again: Sequence[ZoneGrid]) -> list[Setting]:
        meant, passing = self._lengths(self.everything, chosen)
        away = [gap for i in self.everything for gap in self._away(i, replace(chosen, grace_time=0))]
        tremble = quantile(self._trembles, 0.95)
        shortest, longest = min(meant), max((length for length in passing if length < chosen.dwell), default=0)
        return [
            Setting(
                ("grid", "dwell"),
                chosen.dwell,
                "time",
                "passing by takes up to {}, and stays that are meant last {} or longer"
                if longest
                else "nothing was passed by, and stays that are meant last {} or longer",
                tuple((_tens(length), "time") for length in (longest, shortest) if length),
                *within([grid.dwell for grid in again], chosen.dwell, (longest, shortest)),
                now=self._settings.grid.dwell,
            ),
            Setting(
                ("grid", "grace_time"),
                chosen.grace_time,
                "time",
                "the pointer slips out of its zone and comes back within {}"
                if away
                else "the pointer never slips out of its zone and back",
                ((_tens(quantile(away, 0.95)), "time"),) if away else (),
                *within(
                    [grid.grace_time for grid in again],
                    chosen.grace_time,
                    (min(max(away, default=0), MOST_GRACE_TIME - 1), MOST_GRACE_TIME + 1),
                ),
                now=self._settings.grid.grace_time,
            ),
            Setting(
                ("grid", "hysteresis"),
                chosen.hysteresis,
                "share",
                "in a stay the place trembles by up to {} of a zone",
                ((tremble, "share"),),
                *within(
                    [grid.hysteresis for grid in again], chosen.hysteresis, (min(tremble, 0.1), MOST_HYSTERESIS + 0.01)
                ),
                now=self._settings.grid.hysteresis,
            ),
        ]

    def _facts(self, chosen: ZoneGrid) -> list[Fact]:
        meant, passing = self._lengths(self.everything, chosen)
        return [
            Fact(
                "stays",
                f"{len(meant)} stays of {{}} (median), the shortest {{}}; zones were passed by {len(passing)} times",
                ((_tens(median(meant)), "time"), (_tens(min(meant)), "time")),
            )
        ]

    def _remarks(self, chosen: ZoneGrid) -> list[str]:
        """Remark on the zone in which the head lies for most of the rest."""
        in_zones: dict[int, int] = {}
        for begin, end in self._recording.rests:
            for zone, came, left in self._stays(chosen):
                in_zones[zone] = in_zones.get(zone, 0) + max(0, min(end, left) - max(begin, came))
        seconds = self._recording.seconds_of_rest
        most = max(in_zones, key=lambda each: in_zones[each], default=None)
        if most is None or seconds < 5 or in_zones[most] < 0.8 * seconds * NANOSECONDS:
            return []
        return [f"at rest the head lies in zone {most + 1}: with grid: rest: [{most + 1}] it would not play there"]


def _dwell(meant: Sequence[int], passing: Sequence[int]) -> int:
    if not meant:
        return USUAL_DWELL
    if len(passing) < FEW:
        return _tens(min(USUAL_DWELL, min(meant) / 2))
    best = parting(meant, passing) or min(meant) / 2
    longest = max((length for length in passing if length < best), default=0)
    return max(LEAST_DWELL, _tens(min(best, max(USUAL_DWELL, 1.5 * longest))))


def _tens(nanoseconds: float) -> int:
    return round(nanoseconds / (10 * MILLISECOND)) * 10 * MILLISECOND
