"""Times of a switch, from rest and some presses.

Estimators:

    debounce   the longest flutter (edges less than 25 ms apart) and half as much again, as few presses do not show the
               longest; at least the usual 30 ms, because it delays nothing
    release    if the contact slips within a press (opens for less than 250 ms, in a stretch where one press was asked
               for): the longest slip and a quarter more, but at most half of the shortest gap between presses
    lockout    if the contact closes again within a second after a press that was asked for, as a finger that drags over
               it does: 1.6 times as long as it took (of fewer than four: twice), but at most half of the shortest gap
               between presses
    accept     if the contact also closes when nobody asked for it: of the geometric means of neighbouring durations the
               one with the fewest presses missed and strays heard (which count 1.5), furthest from both; but no more
               than 1.6 times the longest stray (of fewer than four: 3.2 times), because it is a delay. If it does not,
               15 ms, which keep out a brush that the recording happens not to show; 0 for presses shorter than 150 ms
    all        each of release, lockout and accept is tried in the recording with and without each of the others, by the
               real conditioning. The three with the least cost are chosen: efforts missed, false presses, and each
               second of a setting as much as the child loses by it. So nothing is accepted late that a time without
               delay keeps out as well
    intervals  percentile bootstrap over presses and pieces of rest, 90 %

"Tried on the unseen" as for pressures: a fifth is left out, the times are chosen from the others and tried on it with
the real conditioning.

Presses between the marks are told and refuse nothing: they may be efforts that nobody marked.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median

from router.core.conditioning.base import Conditioner
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.events import Gesture, Lost, Press, Release, SwitchSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.fit.estimates import drawn
from router.fit.recording import PARTS, FitError, Pieces, Recording
from router.fit.result import (
    ENOUGH,
    EXTRA_COUNTS,
    FALSE_COUNTS,
    Fact,
    Figure,
    Fit,
    Heard,
    Judged,
    Setting,
    heard_between_marks,
    within,
)

LONGEST_BOUNCE = 25_000_000
"""A contact that is still for so long has settled. Bounce lasts 1 to 20 ms (common practice, no source)."""
LONGEST_SLIP = 250_000_000
"""A contact that is open for longer was let go. Our choice: twice as quick as a hand that taps fast."""
LEAST_DEBOUNCE, MOST_DEBOUNCE = 30_000_000, 250_000_000
LONGEST_DRAG = 800_000_000
"""A contact that closes later than this after a press was pressed again, or brushed. Our choice."""
BRUSH = 15_000_000
"""A delay that nobody hears, and longer than many accidental touches. Our choice, from simulated fingers."""
SPARE, SPARE_OF_FEW, MANY = 1.6, 2.0, 4
"""A stray may last SPARE times as long as the longest seen, twice that if fewer than MANY were; and a finger may drag
SPARE times as long as seen, SPARE_OF_FEW times if it did so fewer than MANY times. Our choice."""
TRIED_STRAYS = (0.25, 0.5, 0.75, 1.0)
"""Which strays, by their length from the shortest to the longest, a time of acceptance is tried for."""
RESTLESS = 1 / 3
"""With more false presses at rest, as a share of the efforts, there is no result: what is heard says nothing of the
child. Our choice."""
MOST_LOCKOUT = NANOSECONDS
"""Longer than this a child waits in vain. Our choice."""
CUT_COUNTS = 0.5
"""An effort of which only a touch before it sounds counts as so much of a missed one. Our choice."""
PRICES = {"accept": 0.4, "release": 0.05, "lockout": 0.1}
"""Missed efforts that a second of each setting counts as, for each effort: accept delays every note, release its end
only, and lockout loses what comes quickly after. Our choice."""
STEP = 5_000_000
"""Times of a switch are written in multiples of this."""


@dataclass(frozen=True, slots=True)
class Times:
    """The fitted times, in nanoseconds."""

    debounce: int
    release: int = 0
    lockout: int = 0
    accept: int = 0

    def onto(self, settings: SwitchSettings) -> SwitchSettings:
        return replace(settings, debounce=self.debounce, release=self.release, lockout=self.lockout, accept=self.accept)

    @property
    def price(self) -> float:
        """Missed efforts that these times count as, for each effort."""
        seconds: Mapping[str, float] = {name: getattr(self, name) / NANOSECONDS for name in PRICES}
        return sum(price * seconds[name] for name, price in PRICES.items())


def switch(recording: Recording, conditioner: SwitchConditioner) -> Fit:
    """Debounce, release, lockout and acceptance time of a switch. See the module's docstring.

    Raises:
        FitError: presses that are meant are no longer than those that are not, or the recording is no use.
    """
    recording.enough()
    seen = _Seen(recording, conditioner.settings)
    if not any(seen.holds.values()):
        raise FitError(
            "the switch was never pressed when it was asked for", "Is this the right key, and is it plugged in?"
        )
    chosen = seen.choice(seen.everything)
    heard = seen.heard(chosen, seen.everything)
    if heard.heard < ENOUGH * heard.efforts or heard.false > RESTLESS * heard.efforts:
        raise FitError(
            f"presses that are meant and presses that are not are alike: {heard.heard} of {heard.efforts} would be"
            f" heard, and {heard.false} times nobody in {recording.seconds_of_rest:.0f} s of rest",
            "Try another movement, or a switch that needs a little more force.",
        )
    again = [seen.best_of_tried(pieces) for pieces in drawn(seen.pieces.of_effort, seen.pieces.rest)]
    unseen = Heard()
    for part in range(PARTS):
        left_out = [piece for piece in seen.everything if seen.pieces.part[piece] == part]
        others = [piece for piece in seen.everything if seen.pieces.part[piece] != part]
        if left_out and any(seen.holds.get(piece) for piece in others):
            unseen = unseen.plus(seen.heard(seen.choice(others), left_out))
    judged, false = seen.judged(chosen)
    return Fit(
        seen.settings_of(chosen, again),
        heard,
        unseen,
        recording.seconds_of_rest,
        seen.facts(),
        heard_between_marks(heard.elsewhere),
        judged,
        false,
    )


@dataclass(slots=True)
class _Trial:
    """The presses that the router hears in the recording with some times.

    Presses begin where their acceptance began, in nanoseconds.
    """

    presses: list[tuple[int, int]]
    of_effort: list[list[int]] = field(default_factory=list)
    """The places, among ``presses``, of those that are each effort's own."""
    strays: list[int] = field(default_factory=list)
    """The places of all others that are judged."""
    cost: defaultdict[int, float] = field(
        default_factory=lambda: defaultdict(float)
    )  # by piece; the price of the times is not in it


class _Seen:
    """The contact's flutter, holds and slips, by piece of the recording, and what is heard with the times tried."""

    def __init__(self, recording: Recording, settings: SwitchSettings) -> None:
        self.recording, self.settings = recording, settings
        self.pieces = Pieces(recording)
        self.everything = sorted([*self.pieces.rest, *self.pieces.of_effort])
        edges: list[tuple[int, bool]] = []
        for t, sample in recording.samples:
            closed_now = isinstance(sample, SwitchSample) and sample.pressed is not settings.inverted  # lost is open
            if closed_now is not (edges[-1][1] if edges else False):  # some devices say the same again and again
                edges.append((t, closed_now))
        self.flutter: dict[int, int] = {}
        since: int | None = None
        for (before, _), (t, _pressed) in itertools.pairwise(edges):
            since = (before if since is None else since) if t - before < LONGEST_BOUNCE else None
            if since is not None:
                piece = self.pieces.at(since)
                self.flutter[piece] = max(self.flutter.get(piece, 0), t - since)
        self.closed = _closed(edges, _debounce(max(self.flutter.values(), default=0)))
        self.holds: dict[int, list[int]] = {}  # of what was asked for: the longest of one press; of a burst all
        self.longest: dict[int, tuple[int, int]] = {}  # the longest closing of each effort
        self.slips: dict[int, int] = {}
        self.gaps: dict[int, int] = {}  # between what was asked for and the effort before
        mine: set[tuple[int, int]] = set()
        ended: int | None = None
        for stretch, piece in zip(recording.efforts, self.pieces.of_effort, strict=True):
            inside = [each for each in self.closed if stretch.begin <= each[0] < stretch.end and each not in mine]
            if not stretch.several and inside:
                inside = _around_the_longest(inside)
                slips = [after[0] - before[1] for before, after in itertools.pairwise(inside)]
                self.slips[piece] = max(slips, default=0)
            lengths = [end - begin for begin, end in inside]
            self.holds[piece] = lengths if stretch.several else [max(lengths)] if lengths else []
            mine.update(inside)
            if inside:
                self.longest[piece] = max(inside, key=lambda each: each[1] - each[0])
                begins = inside[0][0] if stretch.several else self.longest[piece][0]
                if ended is not None:
                    self.gaps[piece] = begins - ended
                ended = self.longest[piece][1]
                if stretch.several:
                    ended = inside[-1][1]
                    between = [after[0] - before[1] for before, after in itertools.pairwise(inside)]
                    self.gaps[piece] = min([*between, self.gaps.get(piece, 2 * LONGEST_DRAG)])
        self._tried: dict[Times, _Trial] = {}

    # --- choosing ---------------------------------------------------------------------------------------------

    def choice(self, pieces: Sequence[int]) -> Times:
        """Choose the times from these pieces alone."""
        candidates = self._candidates(pieces)
        return min(candidates, key=lambda times: self._cost(times, pieces))

    def best_of_tried(self, pieces: Sequence[int]) -> Times:
        """Choose from all times tried so far, judged by these pieces; one given twice counts twice."""
        return min(self._tried, key=lambda times: self._cost(times, pieces))

    def _cost(self, times: Times, pieces: Sequence[int]) -> float:
        cost, holds = self.trial(times).cost, self.holds
        return sum(cost[piece] + (times.price if piece in holds else 0.0) for piece in pieces)

    def _candidates(self, pieces: Sequence[int]) -> list[Times]:
        debounce = _debounce(max((self.flutter.get(piece, 0) for piece in pieces), default=0))
        slip = max((self.slips.get(piece, 0) for piece in pieces), default=0)
        most = min((self.gaps[piece] for piece in pieces if piece in self.gaps), default=2 * LONGEST_SLIP) // 2
        most = max(0, most // STEP * STEP)
        found: list[Times] = []
        for release in sorted({0, min(_up(1.25 * slip), most)}):
            plain = Times(debounce, release)
            # A finger that slipped so long will slip a little longer some day.
            least = min(_up(SPARE * slip), most) if release else 0
            for lockout in sorted({least, min(max(least, self._lockout(plain, pieces)), most)}):
                at_once = replace(plain, lockout=lockout)
                found += [replace(at_once, accept=accept) for accept in self._accepts(at_once, pieces)]
        return found

    def _lockout(self, plain: Times, pieces: Sequence[int]) -> int:
        """How long to refuse presses after one that counts, so that a finger that drags is heard once."""
        trial, counted = self.trial(plain), set(pieces)
        strays = [trial.presses[i][0] for i in trial.strays]
        drags = []
        for own, piece in zip(trial.of_effort, self.pieces.of_effort, strict=True):
            if own and piece in counted:
                ended = trial.presses[own[-1]][1]
                drags.append(max((t - ended for t in strays if 0 <= t - ended < LONGEST_DRAG), default=0))
        count = sum(drag > 0 for drag in drags)
        return min(MOST_LOCKOUT, _up((SPARE if count >= MANY else SPARE_OF_FEW) * max(drags, default=0)))

    def _accepts(self, at_once: Times, pieces: Sequence[int]) -> list[int]:
        """The times of acceptance worth trying.

        The least, and what parts presses that are meant from those left over.
        """
        holds = [length for piece in pieces for length in self.holds.get(piece, [])]
        least = BRUSH if min(holds, default=0) >= 10 * BRUSH else 0
        trial, counted = self.trial(at_once), set(pieces)
        strays = [
            self._longest_within(*trial.presses[i])
            for i in trial.strays
            if self.pieces.at(trial.presses[i][0]) in counted
        ]
        if not strays or not holds:
            return [least]
        found, best = {least}, parting(holds, strays)
        kept_out = sorted(stray for stray in strays if stray < best)
        for i in {round(share * (len(kept_out) - 1)) for share in TRIED_STRAYS} if kept_out else ():
            found.add(_up(min(best, (SPARE if i + 1 >= MANY else 2 * SPARE) * kept_out[i])))
        return sorted(accept for accept in found if accept >= least)

    def _longest_within(self, begin: int, end: int) -> int:
        """The longest that the contact is closed in a press: acceptance counts from each closing's own beginning."""
        return max((closed[1] - closed[0] for closed in self.closed if begin <= closed[0] <= end), default=end - begin)

    # --- trying -----------------------------------------------------------------------------------------------

    def trial(self, times: Times) -> _Trial:
        """Try these times with the real conditioning."""
        if times not in self._tried:
            self._tried[times] = self._try(times)
        return self._tried[times]

    def _try(self, times: Times) -> _Trial:
        presses: list[tuple[int, int]] = []
        last = self.recording.samples[-1][0]
        for t, gesture in played(
            lambda alarm: SwitchConditioner("", times.onto(self.settings), itertools.count(1).__next__, alarm),
            self.recording.samples,
        ):
            if isinstance(gesture, Press) and not gesture.source:
                presses.append((t - times.accept, last))
            elif isinstance(gesture, Release) and not gesture.source:
                presses[-1] = (presses[-1][0], t)
        trial = _Trial(presses)
        taken: set[int] = set()
        for stretch, piece in zip(self.recording.efforts, self.pieces.of_effort, strict=True):
            asked = max(1, len(self.holds[piece])) if stretch.several else 1
            own = [i for i, (t, _end) in enumerate(presses) if stretch.begin <= t < stretch.end and i not in taken]
            trial.of_effort.append(own[:asked])
            taken.update(own[:asked])
            trial.cost[piece] += asked - len(own[:asked])
            if own and not stretch.several and piece in self.longest:
                (begin, end), (_, over) = self.longest[piece], presses[own[0]]
                trial.cost[piece] += CUT_COUNTS * (over <= begin or presses[own[0]][0] >= end)
        for i, (t, _end) in enumerate(presses):
            if i not in taken and not self.recording.unjudged(t):
                trial.strays.append(i)
                trial.cost[self.pieces.at(t)] += FALSE_COUNTS if self.recording.at_rest(t) else EXTRA_COUNTS
        return trial

    def heard(self, times: Times, pieces: Sequence[int]) -> Heard:
        """Count what is heard with these times in these pieces."""
        trial, counted = self.trial(times), set(pieces)
        asked = heard = 0
        for stretch, own, piece in zip(self.recording.efforts, trial.of_effort, self.pieces.of_effort, strict=True):
            if piece in counted:
                asked += max(1, len(self.holds[piece])) if stretch.several else 1
                heard += len(own)
        strays = [trial.presses[i][0] for i in trial.strays]
        strays = [t for t in strays if self.pieces.at(t) in counted]
        false = sum(self.recording.at_rest(t) for t in strays)
        return Heard(heard, asked, false, len(strays) - false)

    def judged(self, times: Times) -> tuple[list[Judged], list[int]]:
        """The efforts, heard and missed, and when presses began that nobody meant."""
        trial = self.trial(times)
        judged: list[Judged] = []
        for stretch, own, piece in zip(self.recording.efforts, trial.of_effort, self.pieces.of_effort, strict=True):
            asked = max(1, len(self.holds[piece])) if stretch.several else 1
            longest = max(self.holds[piece], default=0)
            begins = [trial.presses[i][0] for i in own]
            judged += [Judged(t, t + longest, heard=True) for t in begins]
            judged += [Judged(stretch.begin, stretch.end, heard=False)] * (asked - len(own))
        return judged, [trial.presses[i][0] for i in trial.strays]

    # --- saying -----------------------------------------------------------------------------------------------

    def settings_of(self, chosen: Times, again: Sequence[Times]) -> list[Setting]:
        holds = sorted(hold for of in self.holds.values() for hold in of)
        strays = self._strays(replace(chosen, accept=0))
        flutter, slip = max(self.flutter.values(), default=0), max(self.slips.values(), default=0)
        gap = min(self.gaps.values(), default=2 * LONGEST_SLIP)
        drag = self._drag(replace(chosen, lockout=0))
        why = "the contact never closes when nobody asks" + (": only a mere brush is kept out" if chosen.accept else "")
        figures: tuple[Figure, ...] = ()
        if strays:
            shorter = [stray for stray in strays if stray < chosen.accept]
            why = "when nobody asks it closes for up to {}, and presses that are meant are held for {} or longer"
            figures = ((_millisecond(max(shorter, default=0)), "time"), (_millisecond(holds[0]), "time"))
            if not shorter:
                why, figures = "a delay would cost more than it keeps out: only a mere brush is kept out", ()
        rows: list[tuple[str, int, tuple[float, float], str, tuple[Figure, ...]]] = [
            (
                "debounce",
                chosen.debounce,
                (flutter, min(MOST_DEBOUNCE, holds[0])),
                "the contact flutters for up to {}",
                ((_millisecond(flutter), "time"),),
            ),
            (
                "release",
                chosen.release,
                (slip - 1 if chosen.release else -1, gap),
                "within a press it slips off for up to {}" if slip else "within a press the contact never slips",
                ((_millisecond(slip), "time"),) if slip else (),
            ),
            (
                "lockout",
                chosen.lockout,
                (drag - 1, gap),
                (
                    "after a press the finger drags, and it closes again for up to {}; a press that is meant so soon is"
                    " lost, too"
                    if chosen.lockout
                    else "after a press it is not closed again by a finger that drags"
                ),
                ((_millisecond(drag), "time"),) if chosen.lockout else (),
            ),
            ("accept", chosen.accept, (max(strays, default=-1), holds[0]), why, figures),
        ]
        return [
            Setting(
                (name,),
                value,
                "time",
                says,
                numbers,
                *within([getattr(times, name) for times in again], value, room),
                now=getattr(self.settings, name),
            )
            for name, value, room, says, numbers in rows
        ]

    def _strays(self, times: Times) -> list[int]:
        """How long the contact closes in presses that nobody meant, the shortest first."""
        trial = self.trial(times)
        return sorted(self._longest_within(*trial.presses[i]) for i in trial.strays)

    def _drag(self, times: Times) -> int:
        """How long after an effort's press the contact closes again, at most; 0 if it does not."""
        trial = self.trial(times)
        ends = [trial.presses[own[-1]][1] for own in trial.of_effort if own]
        later = [trial.presses[i][0] - end for i in trial.strays for end in ends]
        return max((after for after in later if 0 <= after < LONGEST_DRAG), default=0)

    def facts(self) -> list[Fact]:
        holds = sorted(hold for of in self.holds.values() for hold in of)
        strays = self._strays(Times(_debounce(max(self.flutter.values(), default=0))))
        facts = [
            Fact(
                "presses",
                "held for {} (median), from {} to {}",
                tuple((_millisecond(hold), "time") for hold in (median(holds), holds[0], holds[-1])),
            )
        ]
        if strays:
            facts.append(
                Fact("not asked", f"{len(strays)} times, for up to {{}}", ((_millisecond(strays[-1]), "time"),))
            )
        return facts


def _around_the_longest(closed: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """The longest time that the contact is closed, and what slips off and on before and after it."""
    place = max(range(len(closed)), key=lambda i: closed[i][1] - closed[i][0])
    first = last = place
    while first > 0 and closed[first][0] - closed[first - 1][1] < LONGEST_SLIP:
        first -= 1
    while last + 1 < len(closed) and closed[last + 1][0] - closed[last][1] < LONGEST_SLIP:
        last += 1
    return list(closed[first : last + 1])


def parting(meant: Sequence[float], strays: Sequence[float]) -> float:
    """Return the duration that best separates presses that are meant, which are longer, from strays.

    Candidates are 0 and the geometric means of neighbouring durations. The best has the fewest meant presses below it
    and strays, which count 1.5, above it; among equals it is the one furthest from both, by ratio.
    """
    both = sorted({*meant, *strays})
    means = [0.0, *(math.sqrt(shorter * longer) for shorter, longer in itertools.pairwise(both) if shorter > 0)]

    def cost(duration: float) -> tuple[float, float]:
        missed, false = sum(each < duration for each in meant), sum(each >= duration for each in strays)
        kept = [each / duration for each in meant if each >= duration and duration]
        refused = [duration / each for each in strays if 0 < each < duration]
        return missed + FALSE_COUNTS * false, -min([*kept, *refused], default=0.0)

    return min(means, key=cost)


def played(make: Callable[[Alarm], Conditioner], samples: Sequence[Stamped]) -> Iterator[tuple[int, Gesture]]:
    """Yield a conditioner's gestures on virtual time; its deadlines come when due, up to two seconds after the end."""
    timers = Timers()
    made = make(Alarm(timers, 0))

    def due(now: int) -> Iterator[tuple[int, Gesture]]:
        while (when := timers.next()) is not None and when <= now:
            key = timers.pop(now)
            assert isinstance(key, tuple)  # an alarm's keys are (owner, tag)
            yield from ((when, gesture) for gesture in made.wake(when, key[1]))

    for t, sample in samples:
        yield from due(t)
        gestures = made.lost(t) if isinstance(sample, Lost) else made.handle(sample, t)
        yield from ((t, gesture) for gesture in gestures)
        yield from due(t)
    yield from due(samples[-1][0] + 2_000_000_000)


def _debounce(flutter: int) -> int:
    return min(MOST_DEBOUNCE, max(LEAST_DEBOUNCE, _up(1.5 * flutter)))


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
