"""Times of a switch, from rest and some presses.

Estimators:

    debounce   the longest flutter (edges less than 25 ms apart) and half as much again, as few presses do not show the longest;
               at least the usual 30 ms, because it delays nothing
    release    if the contact slips within a press (opens for less than 250 ms, in a stretch where one press was asked for):
               the longest slip and a quarter more, but at most half of the shortest gap between presses; if not, 0
    accept     if the contact also closes when nobody asked for it: of the geometric means of neighbouring durations the one with
               the fewest presses missed and strays heard (which count 1.5), furthest from both; but no more than 1.6 times the
               longest stray (of fewer than four: 3.2 times), because it is a delay. If it does not, 20 ms, which keep out a brush that the recording happens not
               to show; 0 for presses shorter than 200 ms
    intervals  percentile bootstrap over presses and pieces of rest, 90 %

"Tried on the unseen" as for pressures: a fifth is left out, the times are chosen from the others and tried on it with
the real conditioning.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median

from router.core.conditioning.base import Conditioner
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.events import Gesture, Lost, Press, SwitchSample
from router.core.timers import Alarm, Timers
from router.devices.inputs.base import Stamped
from router.fit.estimates import drawn
from router.fit.recording import PARTS, FitError, Pieces, Recording
from router.fit.result import ENOUGH, FALSE_COUNTS, Fact, Figure, Fit, Heard, Judged, Setting, within

LONGEST_BOUNCE = 25_000_000
"""A contact that is still for so long has settled. Bounce lasts 1 to 20 ms (common practice, no source)."""
LONGEST_SLIP = 250_000_000
"""A contact that is open for longer was let go. Our choice: twice as quick as a hand that taps fast."""
LEAST_DEBOUNCE, MOST_DEBOUNCE = 30_000_000, 250_000_000
BRUSH = 20_000_000
"""A delay that nobody hears, and longer than many accidental touches. Our choice, from simulated fingers."""
SPARE, MANY = 1.6, 4
"""A stray may last SPARE times as long as the longest seen, twice that if fewer than MANY were. Our choice."""
STEP = 5_000_000
"""Times of a switch are written in multiples of this."""


@dataclass(frozen=True, slots=True)
class Times:
    """The fitted times, in nanoseconds."""

    debounce: int
    release: int
    accept: int

    def onto(self, settings: SwitchSettings) -> SwitchSettings:
        return replace(settings, debounce=self.debounce, release=self.release, accept=self.accept)


def switch(recording: Recording, conditioner: SwitchConditioner) -> Fit:
    """Debounce, release and acceptance time of a switch. See the module's docstring.

    Raises:
        FitError: presses that are meant are no longer than those that are not, or the recording is no use.
    """
    recording.enough()
    seen = _Seen(recording, conditioner.settings)
    if not any(seen.holds.values()):
        raise FitError(
            "the switch was never pressed when it was asked for", "Is this the right key, and is it plugged in?"
        )
    chosen = seen.times(seen.everything)
    heard, judged, false = seen.tried(chosen, seen.everything)
    if heard.heard < ENOUGH * heard.efforts or heard.false + heard.elsewhere > (1 - ENOUGH) * heard.efforts:
        nobody = heard.false + heard.elsewhere
        raise FitError(
            f"presses that are meant and presses that are not are alike: {heard.heard} of {heard.efforts} would be heard, and "
            f"{nobody} that nobody meant",
            "Try another movement, or a switch that needs a little more force.",
        )
    again = [seen.times(pieces) for pieces in drawn(seen.pieces.of_effort, seen.pieces.rest)]
    unseen = Heard()
    for part in range(PARTS):
        left_out = [piece for piece in seen.everything if seen.pieces.part[piece] == part]
        others = [piece for piece in seen.everything if seen.pieces.part[piece] != part]
        if left_out and any(seen.holds.get(piece) for piece in others):
            unseen = unseen.plus(seen.tried(seen.times(others), left_out)[0])
    return Fit(
        seen.settings_of(chosen, again), heard, unseen, recording.seconds_of_rest, seen.facts(), [], judged, false
    )


class _Seen:
    """The contact's flutter, holds, slips and strays, by piece of the recording."""

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
        closed = _closed(edges, _debounce(max(self.flutter.values(), default=0)))
        self.holds: dict[int, list[int]] = {}  # of what was asked for: the longest of one press; of a burst all
        self.slips: dict[int, int] = {}
        self.strays: dict[int, list[int]] = {}
        self.gaps: dict[int, int] = {}  # before what was asked for, since the contact last opened
        mine: set[tuple[int, int]] = set()
        for stretch, piece in zip(recording.efforts, self.pieces.of_effort, strict=True):
            inside = [each for each in closed if stretch.begin <= each[0] < stretch.end and each not in mine]
            if not stretch.several and inside:
                inside = _around_the_longest(inside)
            lengths = [end - begin for begin, end in inside]
            self.holds[piece] = lengths if stretch.several else [max(lengths)] if lengths else []
            mine.update(inside)
            if not stretch.several:
                slips = [after[0] - before[1] for before, after in itertools.pairwise(inside)]
                self.slips[piece] = max(slips, default=0)
            if inside and (earlier := [end for _begin, end in closed if end <= inside[0][0]]):
                self.gaps[piece] = inside[0][0] - earlier[-1]
        for begin, end in closed:
            if (begin, end) not in mine and not recording.unjudged(begin):
                self.strays.setdefault(self.pieces.at(begin), []).append(end - begin)

    def times(self, pieces: Sequence[int]) -> Times:
        """Choose the times from these pieces alone."""
        slip = max((self.slips.get(piece, 0) for piece in pieces), default=0)
        gap = min((self.gaps[piece] for piece in pieces if piece in self.gaps), default=2 * LONGEST_SLIP)
        debounce = _debounce(max((self.flutter.get(piece, 0) for piece in pieces), default=0))
        return Times(debounce, min(_up(1.25 * slip), gap // 2 // STEP * STEP), self._accept(pieces))

    def _accept(self, pieces: Sequence[int]) -> int:
        strays = [length for piece in pieces for length in self.strays.get(piece, [])]
        holds = [length for piece in pieces for length in self.holds.get(piece, [])]
        if not strays or not holds:
            return BRUSH if min(holds, default=0) >= 10 * BRUSH else 0
        best = parting(holds, strays)
        kept_out = [stray for stray in strays if stray < best]
        return _up(min(best, (SPARE if len(kept_out) >= MANY else 2 * SPARE) * max(kept_out, default=0)))

    def tried(self, times: Times, pieces: Sequence[int]) -> tuple[Heard, list[Judged], list[int]]:
        """Try these times in these pieces with the real conditioning."""
        presses = [
            t - times.accept
            for t, gesture in played(
                lambda alarm: SwitchConditioner("", times.onto(self.settings), itertools.count(1).__next__, alarm),
                self.recording.samples,
            )
            if isinstance(gesture, Press) and not gesture.source
        ]
        taken: set[int] = set()
        judged: list[Judged] = []
        counted = set(pieces)
        for stretch, piece in zip(self.recording.efforts, self.pieces.of_effort, strict=True):
            asked = max(1, len(self.holds[piece])) if stretch.several else 1
            mine = [i for i, t in enumerate(presses) if stretch.begin <= t < stretch.end and i not in taken][:asked]
            taken.update(mine)
            if piece in counted:
                judged += [Judged(presses[i], presses[i] + max(self.holds[piece], default=0), heard=True) for i in mine]
                judged += [Judged(stretch.begin, stretch.end, heard=False)] * (asked - len(mine))
        strays = [
            t
            for i, t in enumerate(presses)
            if i not in taken and not self.recording.unjudged(t) and self.pieces.at(t) in counted
        ]
        false = sum(self.recording.at_rest(t) for t in strays)
        return Heard(sum(each.heard for each in judged), len(judged), false, len(strays) - false), judged, strays

    def settings_of(self, chosen: Times, again: Sequence[Times]) -> list[Setting]:
        holds = sorted(hold for of in self.holds.values() for hold in of)
        strays = sorted(hold for of in self.strays.values() for hold in of)
        flutter, slip = max(self.flutter.values(), default=0), max(self.slips.values(), default=0)
        gap = min(self.gaps.values(), default=MOST_DEBOUNCE)
        why = "the contact never closes when nobody asks" + (": only a mere brush is kept out" if chosen.accept else "")
        figures: tuple[Figure, ...] = ()
        if strays:
            shorter = [stray for stray in strays if stray < chosen.accept]
            why = "when nobody asks it closes for up to {}, and presses that are meant are held for {} or longer"
            figures = ((_millisecond(max(shorter, default=0)), "time"), (_millisecond(holds[0]), "time"))
        rows: list[tuple[str, int, tuple[float, float], str, tuple[Figure, ...]]] = [
            (
                "debounce",
                chosen.debounce,
                (flutter, min(MOST_DEBOUNCE, gap)),
                "the contact flutters for up to {}",
                ((_millisecond(flutter), "time"),),
            ),
            (
                "release",
                chosen.release,
                (slip - 1, gap),
                "within a press it slips off for up to {}" if slip else "within a press the contact never slips",
                ((_millisecond(slip), "time"),) if slip else (),
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

    def facts(self) -> list[Fact]:
        holds = sorted(hold for of in self.holds.values() for hold in of)
        strays = sorted(hold for of in self.strays.values() for hold in of)
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
            assert isinstance(key, tuple)  # noqa: S101 - an alarm's keys are (owner, tag)
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
