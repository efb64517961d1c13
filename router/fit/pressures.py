"""Thresholds of a pressure sensor, from rest and some efforts.

Estimators:

    size of an effort   the largest pressure in its stretch beyond the background (rest, drift, rhythm), as the router's
                        own conditioning learns it; ordinary: their median
    reach of rest       of each quiet piece (a fifth of the rest, or the time after one effort) the 99 % quantile of the
                        pressure beyond the background; the largest of these
    on                  seven or eight shares of the ordinary effort are tried with the real conditioning. Of those with
                        the fewest efforts missed and false presses (which count 1.5) the one is taken that lies
                        furthest from both 10 % quantile of the efforts and the reach of rest
    off                 60 % of on; lower if efforts sag or waver within (0.9 times the 10 % quantile of their deepest
                        dips), but not below 30 % of on or half of the reach of rest, so that a note ends
    full                the 90 % quantile of the efforts
    intervals           percentile bootstrap over efforts and pieces of rest, 90 %
    tried on the unseen five times a fifth of the efforts and pieces is left out, the whole choice is made from the
                        others, and the left-out ones are judged by it with the real conditioning
    drift, fatigue      Theil and Sen's slope, with its interval
    rhythm              the finder of rhythms of the conditioning (``conditioning.rhythm.Rhythm``), on the rest
    jump of rest        the largest step between the means of two neighbouring periods of rest, the drift taken off;
                        among the efforts between the medians of three resting levels before and after an effort; beyond
                        a fifth of on and four times the ordinary step nothing is sure
    rise, hold          from 10 % to 90 % of an effort's height; how long it is above half of it; medians

The choice is tried on the recording itself with the real conditioning, so a fit promises what the router would have
done. Where rest and effort cannot be told apart there is no result: a guess would be worse than none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from router.core.conditioning.cycle import Cycle
from router.core.conditioning.pressure import PressureSettings, Side
from router.core.units import NANOSECONDS
from router.fit.bursts import Burst, bursts, told, without
from router.fit.estimates import drawn, quantile
from router.fit.pressure_beneath import beneath_efforts, by_length, outvoted
from router.fit.pressure_facts import facts_of
from router.fit.pressure_rest import Rest
from router.fit.pressure_rhythm import rhythm_at_rest, without_rhythm
from router.fit.pressure_samples import SIGNS, Samples, condition, first_sizes, roughly, sane, spike_width, thinned
from router.fit.pressure_trials import OFF_SHARE, Hump, Trial, holds, sides_at
from router.fit.recording import PARTS, FitError, Pieces, Recording
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
    heard_between_marks,
    within,
)

LEAST_OFF = 0.3
WORTH_KNOWING = 0.15
"""A rhythm is known beforehand if it is larger than this share of an ordinary effort; a smaller one is learned while
playing."""
STEADY = 0.06
"""Standard deviation of a cycle's length, as a share, below which a movement surely is a rhythm. Breathing of the
simulated children is found with 0.04 to 0.07, writhing, in which a cycle can be found by chance, with 0.07 to 0.2."""
NOT_LEARNED = 0.5
"""A rhythm larger than this share of an ordinary effort may not be learned while playing (``background``)."""
NEARER_TO_REST = 1.7
"""A threshold lies so many times nearer to the reach of rest than to gentle efforts: children tire more often than rest
grows."""
LOWEST, HIGHEST, CLEAR = 0.35, 1.25, 1.5
"""A threshold follows down to this share of itself, up to this, and not below so many times the reach of rest. Our
choice."""
SHARES = (0.34, 0.42, 0.5, 0.58, 0.66)
"""Thresholds that are tried first, as shares of an ordinary effort."""
COARSE, FINER = 0.08, 0.04
"""Steps from the best share to the next ones tried: beyond the first or last share, then on both sides of the best."""
JUMP = 0.2
"""Rest jumps if it moves between periods by this share of on, and much further than usual. Our choice."""


def pressure(recording: Recording, settings: PressureSettings) -> Fit:
    """Thresholds of a pressure sensor. See the module's docstring.

    Raises:
        FitError: rest and effort cannot be told apart, or the recording is no use.
    """
    recording.enough()
    spikes = spike_width(recording.samples)
    samples = thinned(recording.samples, spikes)
    sane(samples, recording)
    settings = replace(settings, cycle=None)
    search = plain = _prepared(samples, recording, settings)
    cycle = rhythm_at_rest(samples, recording) if settings.rhythm and settings.track is not None else None
    if cycle is not None:
        left = without_rhythm(samples, cycle, plain.signs())
        known = _prepared(left, recording, settings)
        if known.worth_knowing(cycle, plain):
            search, samples = known, left
        else:
            cycle = None
    unasked = search.unasked()
    if unasked:
        search = _prepared(samples, without(recording, unasked), settings)
    for share in SHARES:
        search.look(share)
    best = search.choice(search.everything)
    if best in (SHARES[0], SHARES[-1]):
        search.look(best - COARSE if best == SHARES[0] else best + COARSE)
        best = search.choice(search.everything)
    for share in (best - FINER, best + FINER):
        search.look(share)
    found = search.result([word for word in SIGNS if getattr(settings, word) is not None])
    beneath = search.beneath
    if all(setting.sure == UNSURE for setting in found.settings):
        beneath = [replace(setting, sure=UNSURE) for setting in beneath]
    found.settings.extend(beneath)
    found.remarks.extend(told(unasked, search.held()))
    if spikes or settings.spikes:
        found.settings.append(outvoted(spikes, settings.spikes))
    if cycle is not None:
        says = (
            "something repeats every {} and is {} from crest to trough; it is known from the first breath on, and"
            " taken out"
        )
        found.facts.append(Fact("rhythm", says, ((cycle.period, "time"), (cycle.height, "pressure"))))
    return replace(found, cycle=cycle)


def _prepared(samples: Samples, recording: Recording, settings: PressureSettings) -> _Search:
    """Measure the efforts in these samples, before thresholds are searched."""
    asked = [word for word in SIGNS if getattr(settings, word) is not None]
    sizes = first_sizes(samples, recording, asked)
    # A side that nobody uses is not fitted, and its old threshold must not disturb what is learned of the other.
    settings = replace(
        settings,
        above=settings.above if "above" in sizes else None,
        below=settings.below if "below" in sizes else None,
    )
    settings, beneath = beneath_efforts(samples, recording, settings, sizes)
    search = _Search(samples, recording, settings, beneath)
    # The background is learned by the threshold, and the sizes are measured from the background.
    search.measure(sides_at({side: 0.45 * size for side, size in sizes.items()}, sizes))
    return search


def applied(found: Fit, settings: PressureSettings) -> PressureSettings:
    """Replace the settings that were fitted by the fitted values."""
    values = {setting.path: setting.value for setting in found.settings}
    settings = replace(
        settings,
        spikes=round(values.get(("spikes",), settings.spikes)),
        track=round(values["zero", "track"]) if ("zero", "track") in values else settings.track,
        flat=round(values.get(("zero", "flat"), settings.flat)),
        longest=round(values["longest",]) if ("longest",) in values else settings.longest,
    )
    for word in {path[0] for path in values if path[0] in SIGNS}:
        follow = (
            (values[word, "follow", "lowest"], values[word, "follow", "highest"])
            if (word, "follow", "lowest") in values
            else None
        )
        side = Side(values[word, "on"], values[word, "off"], values[word, "full"], values.get((word, "firm")), follow)
        settings = replace(settings, above=side) if word == "above" else replace(settings, below=side)
    return replace(settings, cycle=found.cycle)


def beyond_rest(recording: Recording, settings: PressureSettings) -> tuple[list[int], list[float]]:
    """Times, and how far the pressure is from the background as the router would learn it."""
    samples = thinned(recording.samples, settings.spikes)
    times, beyond, _presses = condition(samples, replace(settings, levels=frozenset(), spikes=0))
    return times, beyond


# --- all of them --------------------------------------------------------------------------------------------------


class _Search:
    """Trials of several thresholds, and choices made from all of the recording or from parts of it.

    ``pieces`` are the pieces that count; a piece given twice counts twice.
    """

    def __init__(
        self, samples: Samples, recording: Recording, settings: PressureSettings, beneath: list[Setting]
    ) -> None:
        self.beneath = beneath
        self._samples, self._recording, self._settings = samples, recording, settings
        self._rest = Rest(samples, recording)
        self._pieces = Pieces(recording)
        self._trials: dict[float, Trial] = {}
        self._tried: dict[tuple[tuple[str, Side], ...], Trial] = {}
        self._measured: Trial | None = None
        self.everything = sorted([*self._pieces.rest, *self._pieces.of_effort])

    def measure(self, sides: dict[str, Side]) -> None:
        """Take the sizes of the efforts from this trial."""
        self._measured = self._try(sides)

    def signs(self) -> list[int]:
        """1 and -1 of the sides on which there are efforts."""
        assert self._measured is not None
        return [SIGNS[side] for side in self._measured.sides]

    def unasked(self) -> list[Burst]:
        """Find what nobody asked for in the trial that the sizes are taken from."""
        assert self._measured is not None
        sizes = {word: side.full for word, side in self._measured.sides.items()}
        return bursts(self._measured.times, self._measured.beyond, sizes, self._recording)

    def held(self) -> float:
        """How long the shorter efforts are held, in nanoseconds: nine of ten are held longer."""
        assert self._measured is not None
        return quantile(holds(self._measured) or [0.0], 0.1)

    def ordinary(self) -> float:
        """The ordinary effort of the side on which it is least, in pascals."""
        assert self._measured is not None
        sizes = [self._sizes(self._measured, side, self.everything) for side in self._measured.sides]
        return min((median(of) for of in sizes if of), default=0.0)

    def worth_knowing(self, cycle: Cycle, plain: _Search) -> bool:
        """Tell whether this search, without ``cycle``, is to be preferred to one that leaves it in.

        It is if fewer efforts were missed and false presses heard where both were measured, by more than one false
        press, which may be chance. If there were about as many, a rhythm that is learned while playing is heard sooner:
        then the cycle must be so large that it is not learned, and leave rest and gentle efforts farther apart, and if
        there were no fewer it must be steady.
        """
        assert self._measured is not None  # both have been measured
        assert plain._measured is not None  # as above
        share = cycle.height / max(self.ordinary(), 1e-9)
        mistakes, near = self._rank(self._measured, self.everything)
        before, nearer = self._rank(plain._measured, self.everything)
        if before - mistakes > FALSE_COUNTS:
            return share > WORTH_KNOWING
        likely = mistakes < before or (mistakes == before and cycle.irregular < STEADY)
        return likely and share > NOT_LEARNED and near < nearer

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
        overlap = [side for side in sides if self._gentle(last, side) <= self._ordinary_reach(last, side)]
        few = heard.heard < ENOUGH * heard.efforts
        restless = heard.false > (1 - ENOUGH) * heard.efforts
        if few or restless or (overlap and heard.heard < heard.efforts):
            self._refuse(last, heard)
        again = [self._chosen(pieces) for pieces in drawn(*self._strata(last))]
        tried = self._tried_on_the_unseen()
        found = [setting for side in sides for setting in self._settings_of(side, last, again)]
        found += by_length(last, self._settings)
        remarks = [
            f"no effort goes {side} rest, so {side} stays as it is, untried" for side in asked if side not in sides
        ]
        remarks += [
            f"{len(self._sizes(last, side, self.everything))} efforts go {side} rest, where the profile did not listen:"
            f' now it does, and a part hears them as "….{side}"'
            for side in sides
            if side not in asked
        ]
        if tried.heard < 0.9 * tried.efforts:
            remarks.append("efforts that a fit had not seen were missed: a recording with more efforts would be surer")
        remarks += heard_between_marks(heard.elsewhere)
        judged = [
            Judged(hump.begin, hump.end, self._was_heard(last, hump, side, count, len(humps)), side)
            for side, humps, count in last.efforts
            for hump in humps
        ]
        facts, tiring = facts_of(
            last, {side: self._humps(last, side, self.everything) for side in last.sides}, self._recording, self._rest
        )
        humps = sorted((hump.begin, hump.end) for _side, humps, _count in last.efforts for hump in humps)
        jump = max(
            filter(None, (self._rest.jump(), self._rest.jump_among_efforts(humps))),
            key=lambda each: each[1],
            default=None,
        )
        least = min(side.on for side in sides.values())
        if jump is not None and jump[1] > JUMP * least:
            found = [replace(setting, sure=UNSURE) for setting in found]
            remarks.append(
                f"rest jumps by {100 * jump[1] / least:.0f} % of on, {jump[0] / NANOSECONDS:.0f} s after the beginning:"
                " somebody moved, or the sensor or its tube was touched, so no number is sure; measure again"
            )
        seconds = self._recording.seconds_of_rest
        return Fit(found, heard, tried, seconds, facts, [*remarks, *tiring], judged, last.strays)

    # --- choosing ---------------------------------------------------------------------------------------------

    def _at(self, share: float, pieces: Sequence[int]) -> dict[str, Side]:
        assert self._measured is not None  # measured before anything is looked at
        sizes = {}
        for side in self._measured.sides:
            of = self._sizes(self._measured, side, pieces) or self._sizes(self._measured, side, self.everything)
            sizes[side] = median(of) if of else self._measured.sides[side].full
        return sides_at({side: share * size for side, size in sizes.items()}, sizes)

    def _chosen(self, pieces: Sequence[int]) -> dict[str, Side]:
        """Choose all thresholds from these pieces alone."""
        share = self.choice(pieces)
        trial, sides = self._trials[share], self._at(share, pieces)
        return {side: self._with_rest(trial, side, thresholds, pieces) for side, thresholds in sides.items()}

    def _with_rest(self, trial: Trial, side: str, chosen: Side, pieces: Sequence[int]) -> Side:
        """Add ``off`` and ``full`` to a chosen ``on``."""
        sizes = self._sizes(trial, side, pieces) or [chosen.full]
        floor = min(OFF_SHARE * chosen.on, max(LEAST_OFF * chosen.on, self._reach(trial, side, pieces) / 2))
        sag = quantile(self._dips(trial, side, pieces) or [chosen.on], 0.1)
        off = max(floor, min(OFF_SHARE * chosen.on, 0.9 * sag))
        reach = self._reach(trial, side, pieces)
        lowest = min(chosen.on, max(LOWEST * chosen.on, CLEAR * reach))
        return Side(
            chosen.on,
            off,
            max(quantile(sizes, 0.9), 1.25 * chosen.on),
            follow=(lowest, HIGHEST * chosen.on),
        )

    def _rank(self, trial: Trial, pieces: Sequence[int]) -> tuple[float, float]:
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
                above = (quantile(sizes, 0.1) - thresholds.on) / NEARER_TO_REST
                least = min(above, thresholds.on - self._reach(trial, side, pieces))
                margins.append(least / median(sizes))
        return missed + FALSE_COUNTS * false, -min(margins, default=-1.0)

    def _humps(self, trial: Trial, side: str, pieces: Sequence[int]) -> list[Hump]:
        of = dict(zip(self._pieces.of_effort, trial.efforts, strict=True))
        return [hump for piece in pieces if piece in of and of[piece][0] == side for hump in of[piece][1]]

    def _sizes(self, trial: Trial, side: str, pieces: Sequence[int]) -> list[float]:
        return [hump.size for hump in self._humps(trial, side, pieces)]

    def _dips(self, trial: Trial, side: str, pieces: Sequence[int]) -> list[float]:
        return [hump.dip for hump in self._humps(trial, side, pieces)]

    def _reach(self, trial: Trial, side: str, pieces: Sequence[int] | None = None) -> float:
        """The reach of rest, in pascals, from pieces in which there was no false press."""
        by_piece = {piece: reach for piece, reach in trial.reach[side].items() if piece not in trial.disturbed}
        return max(
            (by_piece[piece] for piece in (self.everything if pieces is None else pieces) if piece in by_piece),
            default=0.0,
        )

    def _ordinary_reach(self, trial: Trial, side: str) -> float:
        """The reach of rest without the widest fifth of its pieces, which a sigh or a cough may have been in."""
        return quantile(sorted(trial.reach[side].values()) or [0.0], 1 - 1 / PARTS)

    def _gentle(self, trial: Trial, side: str) -> float:
        return quantile(self._sizes(trial, side, self.everything) or [0.0], 0.1)

    def _strata(self, trial: Trial) -> list[list[int]]:
        """The strata to draw from: the efforts of each side, and the pieces of rest."""
        by_side: dict[str, list[int]] = {}
        for (side, _humps, _heard), piece in zip(trial.efforts, self._pieces.of_effort, strict=True):
            by_side.setdefault(side, []).append(piece)
        return [*by_side.values(), self._pieces.rest]

    # --- trying -----------------------------------------------------------------------------------------------

    def _try(self, sides: dict[str, Side]) -> Trial:
        key = tuple(sorted(sides.items(), key=lambda entry: entry[0]))
        if key not in self._tried:
            plain = replace(
                self._settings,
                above=sides.get("above"),
                below=sides.get("below"),
                from_peak=False,  # strength is not looked at, and presses then come at once
                levels=frozenset(),
                spikes=0,  # the samples have been through it
                accept=0,
            )
            trial = Trial(sides, *condition(self._samples, plain))
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

    def _heard(self, trial: Trial, pieces: set[int] | None = None) -> Heard:
        counted = [
            (max(1, len(humps)), heard)
            for (_side, humps, heard), piece in zip(trial.efforts, self._pieces.of_effort, strict=True)
            if pieces is None or piece in pieces
        ]
        strays = [t for t in trial.strays if pieces is None or self._pieces.at(t) in pieces]
        false = sum(self._recording.at_rest(t) for t in strays)
        return Heard(sum(heard for _, heard in counted), sum(there for there, _ in counted), false, len(strays) - false)

    @staticmethod
    def _was_heard(trial: Trial, hump: Hump, side: str, count: int, of: int) -> bool:
        if count in (0, of):
            return count > 0
        return any(word == side and hump.begin - NANOSECONDS // 10 <= t <= hump.end for t, word in trial.presses)

    # --- saying -----------------------------------------------------------------------------------------------

    def _refuse(self, trial: Trial, heard: Heard) -> None:
        sizes = {side: self._sizes(trial, side, self.everything) for side in trial.sides}
        side = max(sizes, key=lambda word: len(sizes[word]))
        ordinary, reach = median(sizes[side] or [0.0]), self._reach(trial, side)
        how = "Try another movement, or move the sensor to where the effort is larger and breathing smaller."
        at_rest = max((value for piece, value in trial.reach[side].items() if piece in self._pieces.rest), default=0.0)
        anywhere = max(trial.reach[side].values(), default=0.0)
        unheard = {word: of for word, of in roughly(self._samples, self._recording).items() if word not in trial.sides}
        other, of = max(unheard.items(), key=lambda found: len(found[1]), default=("", []))
        if len(of) > (1 - ENOUGH) * heard.efforts and median(of) > max(ordinary / 2, 3 * at_rest):
            how = (
                f"{len(of)} of the efforts seem to go {other} rest, where nothing is listened for: ask for efforts of"
                " one kind, or "
                f'write "{other}:" into the profile as well.'
            )
        elif anywhere > max(ordinary / 2, 3 * at_rest):
            how = (
                "Between the marks the pressure rises as far as in them, and at rest it does not: were the efforts"
                " marked as they began? Mark each within a second. If they were, try another movement or another place"
                " for the sensor."
            )
        elif abs(self._rest.drift()[0]) > ordinary / 2:
            how = "The sensor drifts: let it warm up, or look for a leak in the tube. Or try another movement or place."
        raise FitError(
            f"rest and effort cannot be told apart: an ordinary effort reaches {ordinary:.0f} Pa and rest {reach:.0f}"
            f" Pa; the best threshold hears {heard.heard} of {heard.efforts} efforts, {heard.false} times nobody in"
            f" {self._recording.seconds_of_rest:.0f} s of rest, and {heard.elsewhere} times nobody between efforts",
            how,
        )

    def _settings_of(self, side: str, trial: Trial, again: Sequence[dict[str, Side]]) -> list[Setting]:
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
        lowest, highest = chosen.follow or (chosen.on, chosen.on)
        safe = "rest goes as far as {}, and efforts that shrink are followed down to here"
        follow: tuple[tuple[str, float, str, tuple[Figure, ...]], ...] = (
            ("lowest", lowest, safe, ((reach, "pressure"),)),
            ("highest", highest, "efforts that grow are followed up to here", ()),
        )
        return [
            Setting(
                (side, name),
                value,
                "pressure",
                why,
                figures,
                *within([getattr(other, name) for other in others], value, room),
            )
            for name, value, room, why, figures in rows
        ] + [
            Setting((side, "follow", name), value, "pressure", why, figures, value, value, SURE)
            for name, value, why, figures in follow
        ]
