"""The beat that was played to, and the place of each note in it: rhythm quantization.

Two readings are made of what was heard, and the likelier one is taken:

    in time   the room's beat ran, and she played to it: each onset stands near a place of that grid; for certain
              where a part was played by the beat itself (``EXACT``), as a band is that runs
    freely    the beat is hers: the tempo wanders, a pause before a note is a hesitation and no rest

Both weigh the same things, each as minus the logarithm of a likelihood, and find the places that cost least by dynamic
programming (Viterbi). A place of the bar has a chance of holding an onset, the less the finer it is, so simple values
are preferred; an onset lies near its place with the timing of a hand; freely, the tempo is a second state that changes
little from one onset to the next, and an onset may come much too late for a cost that is not exceeded. In one beat
there are halves or thirds, never both, so no tuplet stands within another value.

Sources: Raphael, "A hybrid graphical model for rhythmic parsing", Artificial Intelligence 137 (2002): place in the bar
and tempo as one hidden path; Temperley, Music and Probability (MIT Press, 2007): the chance of an onset by metrical
level; Cemgil and Kappen, "Monte Carlo methods for tempo tracking and rhythm quantization", JAIR 18 (2003): the same
trade of simplicity against timing. The figures below are our own choice, tried on tunes played by simulated hands.
"""

from __future__ import annotations

import itertools
import math
import statistics
from bisect import bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

from router.core.music import TimeSignature
from router.core.units import NANOSECONDS
from router.keep.played import MusicFrom, SongMusic

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

TICKS = 24
"""Places of a quarter note: enough for 32nd notes and for triplets."""

TOGETHER = 45 * NANOSECONDS // 1000
"""Nanoseconds within which notes begin together: a strummed chord is one."""

HAND = 0.04
"""Seconds: the deviation of an onset from its place, its standard deviation."""
ELASTIC = 0.05
"""Share of a time between two onsets: how far a free player stretches it, as a standard deviation."""
EXACT = 5 * NANOSECONDS // 1000
"""Nanoseconds beside the room's beat within which only a machine keeps; its standard deviation is taken as that."""
FEWEST, SHARE = 8, 0.7
"""Notes of a part, and the share of them within ``EXACT``, from which on it was played by the beat itself."""
LATE, EARLY = 7.0, 14.0
"""The most that an onset costs that comes later or earlier than it should: a hesitation, a slip."""
STEP, RATES, WANDER = 0.04, 18, 0.04
"""Logarithms of tempo: from one to the next that is tried, how many on each side, and the change at each onset."""
FIRST_TEMPO, HOMEWARD = 0.22, 0.2
"""The logarithm of a free player's tempo beside the one that the log says, as a standard deviation; and the share of
its cost that each further onset adds, so that no piece is read at half its tempo because its notes are long."""
UPBEAT = 1.5
"""The cost of beginning elsewhere than on a bar's first beat."""
TIED_OVER = 0.8
"""The cost of a note on a weak place that lasts over the next bar's first beat."""
FARTHEST = 2
"""Bars between two onsets at most in a free reading: a longer silence is a pause, and no count of rests."""

_ONSET = {
    "bar": 0.85,
    "half": 0.75,
    "beat": 0.65,
    "eighth": 0.17,
    "third": 0.3,
    "16th": 0.03,
    "triplet": 0.012,
    "32nd": 0.004,
}
"""The chance of an onset by the place in the bar."""
_ACCENT = {"bar": 0.0, "half": 0.6, "beat": 1.2, "eighth": 2.5, "third": 2.5}
"""The cost of an accent (a change of chord, many parts at once) by its place in the bar; of finer ones ``_WEAK``."""
_WEAK = 4.0


@dataclass(frozen=True, slots=True)
class Onset:
    """Notes that begin together: their time in nanoseconds, each track's own by its number.

    ``accent``: how much speaks for a bar that begins here.
    """

    time: int
    tracks: Mapping[int, int]
    accent: float = 0.0


@dataclass(slots=True)
class BeatFound:
    """The place of each onset, in ticks; ``metres``: time signatures with the tick of their first bar.

    ``tempo`` is in quarter notes a minute. ``free``: the beat was the player's own.
    """

    onsets: list[Onset]
    places: list[int]
    metres: list[tuple[int, TimeSignature]]
    tempo: float
    free: bool
    _rates: list[float] = field(default_factory=list)  # nanoseconds a tick, from each onset on

    def place(self, when: int) -> float:
        """The place of any time, in ticks; between two onsets along a line."""
        i = bisect_right(self.onsets, when, key=lambda onset: onset.time) - 1
        if i < 0:
            return self.places[0] - (self.onsets[0].time - when) / self._rates[0]
        here, at = self.places[i], self.onsets[i].time
        if i + 1 < len(self.places) and self.places[i + 1] > here:
            after = self.onsets[i + 1]
            return here + (when - at) * (self.places[i + 1] - here) / (after.time - at)
        return here + (when - at) / self._rates[i]


def bar_ticks(metre: TimeSignature) -> int:
    """The ticks of a bar."""
    return int(metre.quarters * TICKS)


def beat_ticks(metre: TimeSignature) -> int:
    """The ticks of a beat: a dotted quarter in 6/8, and of half notes the quarter, as it is easier read."""
    return min(int(metre.beat * TICKS), 36 if metre.compound else TICKS)


def level(tick: int, metre: TimeSignature) -> str | None:
    """The metrical level of a place of the bar; None for a place where nothing may begin."""
    bar, beat = bar_ticks(metre), beat_ticks(metre)
    tick %= bar
    inner = tick % beat
    if tick == 0:
        return "bar"
    if inner == 0:
        return "half" if 2 * tick == bar and bar // beat % 2 == 0 else "beat"
    if metre.compound:
        third = beat // 3
        return "third" if inner % third == 0 else "16th" if 2 * inner % third == 0 else None
    if 2 * inner == beat:
        return "eighth" if beat == TICKS else "16th"
    if 4 * inner % beat == 0:
        return "16th" if beat == TICKS else "32nd"
    if 3 * inner % beat == 0 and beat == TICKS:
        return "triplet"
    return "32nd" if inner % 3 == 0 and beat == TICKS else None


class _Costs:
    """The costs that a metre gives: of an onset at each place of the bar, and of none from 0 to there."""

    def __init__(self, metre: TimeSignature) -> None:
        self.metre, self.bar, self.beat = metre, bar_ticks(metre), beat_ticks(metre)
        levels = [level(tick, metre) for tick in range(self.bar)]
        self.places = [tick for tick, each in enumerate(levels) if each is not None]
        self.onset = [math.inf if each is None else -math.log(_ONSET[each]) for each in levels]
        self.accent = [_ACCENT.get(each or "", _WEAK) for each in levels]
        self._none = [0.0]
        for each in levels:
            self._none.append(self._none[-1] - (0.0 if each is None else math.log1p(-_ONSET[each])))

    def silence(self, before: int, after: int) -> float:
        """The cost of no onset between two places, counted from any bar."""
        return self._until(after) - self._until(before + 1)

    def _until(self, tick: int) -> float:
        bars, rest = divmod(tick, self.bar)
        return bars * self._none[-1] + self._none[rest]

    def between(self, before: int, after: int) -> float:
        """The cost of going from one place to the next one, the onset there included; infinite if it may not be."""
        if after == before:
            return 0.0
        if before // self.beat == after // self.beat and self._kind(before) + self._kind(after) == 3:
            return math.inf  # halves and thirds in one beat
        weak = before % self.bar != 0 and before // self.bar < after // self.bar and after % self.bar != 0
        return self.silence(before, after) + self.onset[after % self.bar] + (TIED_OVER if weak else 0.0)

    def _kind(self, tick: int) -> int:
        """1 for halves, 2 for thirds, 0 for a beat's beginning."""
        inner = tick % self.beat
        return 0 if inner == 0 or self.beat != TICKS else 2 if inner % 8 == 0 else 1


def rhythm(onsets: Sequence[Onset], music: Sequence[MusicFrom], song: SongMusic | None = None) -> BeatFound:
    """Find the place of each onset; ``onsets`` are in the order of time, and there is one at least.

    ``music``: the room's beat; a free player follows the ``song``, if one was played, and its own tempo.
    """
    grid = _Grid(music)
    machines = _machines(onsets, grid)
    cost, in_time = _in_time(onsets, grid, machines)
    if machines:
        return in_time
    other, freely = _freely(onsets, music, song)
    return in_time if cost <= other else freely


def _machines(onsets: Sequence[Onset], grid: _Grid) -> set[int]:
    """The parts that stand on the room's beat as no hand could: an arpeggio, a rhythm, a band that runs."""
    on, all_ = Counter[int](), Counter[int]()
    known: dict[TimeSignature, _Costs] = {}
    for onset in onsets:
        for track, time in onset.tracks.items():
            exactly = grid.place(time)
            start, metre = grid.metre(exactly)
            costs = known.setdefault(metre, _Costs(metre))
            near = round(EXACT / grid.rate(time)) + 1
            places = range(round(exactly) - near, round(exactly) + near + 1)
            allowed = [place for place in places if not math.isinf(costs.onset[(place - start) % costs.bar])]
            all_[track] += 1
            on[track] += any(abs(place - exactly) * grid.rate(time) <= EXACT for place in allowed)
    return {track for track, count in all_.items() if count >= FEWEST and on[track] >= SHARE * count}


# --- in time ----------------------------------------------------------------------------------------------------------


class _Grid:
    """The beat that the log tells of: ticks by time, through all changes of tempo and metre."""

    def __init__(self, music: Sequence[MusicFrom]) -> None:
        self.metres: list[tuple[int, TimeSignature]] = []
        self._pieces: list[tuple[int, float, float]] = []  # from when, the tick there, nanoseconds a tick
        for one in music:
            metre, bar = one.music.time_signature, bar_ticks(one.music.time_signature)
            rate = float(one.music.duration(Fraction(1, 4)) / TICKS)
            into = (one.at - one.music.origin) / rate
            if not self._pieces:
                tick = into
                self.metres.append((0, metre))
            else:
                start, before = self.metres[-1]
                guess = self.place(one.at) - into  # where its bar would begin
                old = bar_ticks(before)
                begins = start + max(0, round((guess - start) / old)) * old
                if metre != before:
                    if begins <= start:
                        self.metres.pop()
                    self.metres.append((begins, metre))
                    tick = begins + into
                else:
                    tick = begins + into % bar if into >= 0 else begins + into
                    tick = max(tick, self._pieces[-1][1])
            self._pieces.append((one.at, tick, rate))

    def place(self, when: int) -> float:
        """The place of a time, in ticks."""
        i = max(0, bisect_right(self._pieces, when, key=lambda piece: piece[0]) - 1)
        start, tick, rate = self._pieces[i]
        return tick + (when - start) / rate

    def rate(self, when: int) -> float:
        """Nanoseconds a tick at a time."""
        i = max(0, bisect_right(self._pieces, when, key=lambda piece: piece[0]) - 1)
        return self._pieces[i][2]

    def metre(self, tick: float) -> tuple[int, TimeSignature]:
        """The metre at a place, and where its first bar begins."""
        return self.metres[max(0, bisect_right(self.metres, tick, key=lambda one: one[0]) - 1)]


def _in_time(onsets: Sequence[Onset], grid: _Grid, machines: set[int]) -> tuple[float, BeatFound]:
    """The places on the grid that cost least, and their cost."""
    known: dict[TimeSignature, _Costs] = {}
    table: list[list[tuple[float, int, int]]] = []  # for each onset: cost, place, which of the ones before
    for i, onset in enumerate(onsets):
        by_machine = [time for track, time in onset.tracks.items() if track in machines]
        time, deviation = (by_machine[0], EXACT / NANOSECONDS) if by_machine else (onset.time, HAND)
        exactly, seconds = grid.place(time), grid.rate(time) / NANOSECONDS
        start, metre = grid.metre(exactly)
        costs = known.setdefault(metre, _Costs(metre))
        found: list[tuple[float, int, int]] = []
        for place in range(math.floor(exactly - costs.beat / 2), math.ceil(exactly + costs.beat / 2) + 1):
            here = place - start
            if math.isinf(costs.onset[here % costs.bar]):
                continue
            own = (
                min((place - exactly) ** 2 * seconds**2 / (2 * deviation**2), EARLY)
                + onset.accent * costs.accent[here % costs.bar]
            )
            if not i:
                found.append((own + costs.onset[here % costs.bar], place, -1))
                continue
            apart = onset.tracks.keys().isdisjoint(onsets[i - 1].tracks)
            best = min(
                (
                    (cost + costs.between(before - start, here), k)
                    for k, (cost, before, _) in enumerate(table[-1])
                    if before < place or (before == place and apart)
                ),
                default=(math.inf, -1),
            )
            if not math.isinf(best[0]):
                found.append((best[0] + own, place, best[1]))
        if not found:  # no place is left between its neighbours: it takes the next finest one
            before = max(place for _, place, _ in table[-1]) if table else math.floor(exactly)
            k = max(range(len(table[-1])), key=lambda k: table[-1][k][1]) if table else -1
            found.append(((table[-1][k][0] if table else 0.0) + LATE, _next_place(before, costs, start), k))
        table.append(found)
    k = min(range(len(table[-1])), key=lambda k: table[-1][k][0])
    total, places = table[-1][k][0], []
    for row in reversed(table):
        places.append(row[k][1])
        k = row[k][2]
    places.reverse()
    rates = [grid.rate(onset.time) for onset in onsets]
    tempo = 60 * NANOSECONDS / (TICKS * statistics.median(rates))
    return total, BeatFound([*onsets], places, grid.metres, tempo, free=False, _rates=rates)


def _next_place(after: int, costs: _Costs, start: int) -> int:
    place = after + 1
    while math.isinf(costs.onset[(place - start) % costs.bar]):
        place += 1
    return place


# --- freely -----------------------------------------------------------------------------------------------------------


def _freely(onsets: Sequence[Onset], music: Sequence[MusicFrom], song: SongMusic | None) -> tuple[float, BeatFound]:
    """The places and tempi that cost least where the beat is the player's, and their cost."""
    import numpy as np  # noqa: PLC0415 - it comes with pyfluidsynth, and only a score needs it

    if song is not None:
        music = [MusicFrom(0, song.music)]
    begins = 0 if song is None else int(song.begins * TICKS)
    metre = music[0].music.time_signature
    costs = _Costs(metre)
    places = np.array(costs.places)
    rates = np.exp(STEP * np.arange(-RATES, RATES + 1))
    spans, moves = _moves(costs)
    nominal = [
        float(_music_at(music, onset.time).music.duration(Fraction(1, 4)) / TICKS) / NANOSECONDS for onset in onsets
    ]
    onset_cost = np.array([costs.onset[place] for place in costs.places])
    elsewhere = UPBEAT if song is None else 2 * UPBEAT
    accents = np.array([costs.accent[place] for place in costs.places])
    strange = (STEP * np.arange(-RATES, RATES + 1)) ** 2 / (2 * FIRST_TEMPO**2)
    score = (onset_cost + np.where(places == begins, 0.0, elsewhere) + onsets[0].accent * accents)[:, None] + strange
    shifts = np.arange(-3, 4)
    changing = (shifts * STEP) ** 2 / (2 * WANDER**2)
    steps: list[tuple[NDArray[np.int16], NDArray[np.int16]]] = []
    for i in range(1, len(onsets)):
        apart = (onsets[i].time - onsets[i - 1].time) / NANOSECONDS
        padded = np.pad(score, ((0, 0), (3, 3)), constant_values=np.inf)
        moved = np.stack([padded[:, 3 - s : 3 - s + len(rates)] + c for s, c in zip(shifts, changing, strict=True)])
        shift = moved.argmin(axis=0)
        before = np.take_along_axis(moved, shift[None], axis=0)[0]
        expected = spans[:, None] * nominal[i - 1] / rates[None, :]
        away = apart - expected
        spread = 2 * (2 * HAND**2 + (ELASTIC * expected) ** 2)
        timing = np.minimum(away**2 / spread, np.where(away > 0, LATE, EARLY))
        if not onsets[i].tracks.keys().isdisjoint(onsets[i - 1].tracks):
            timing[0] = np.inf  # two notes of one part do not begin together
        # the axes: from which place, how (by bars that lie between), to which place, at which tempo
        ways = before[:, None, None, :] + moves[0][..., None] + timing[moves[1]]
        flat = ways.reshape(-1, len(places), len(rates))
        best = flat.argmin(axis=0)
        score = np.take_along_axis(flat, best[None], axis=0)[0] + (onsets[i].accent * accents)[:, None]
        score += HOMEWARD * strange
        steps.append((best.astype(np.int16), shift.astype(np.int16)))
    total = float(score.min())
    found, chosen = _traced(int(score.argmin()), steps, costs, [int(shift) for shift in shifts])
    used = [nominal[i] * NANOSECONDS / float(rates[chosen[i]]) for i in range(len(onsets))]
    tempo = 60 * NANOSECONDS / (TICKS * statistics.median(used))
    return total, BeatFound([*onsets], found, [(0, metre)], tempo, free=True, _rates=used)


def _traced(
    last: int, steps: Sequence[tuple[NDArray[np.int16], NDArray[np.int16]]], costs: _Costs, shifts: Sequence[int]
) -> tuple[list[int], list[int]]:
    """The places, and the tempi by number, on the path that ends in the state ``last``."""
    here, rate = divmod(last, 2 * RATES + 1)
    spans, chosen = [], [rate]
    for best, shift in reversed(steps):
        origin, bars = divmod(int(best[here, rate]), FARTHEST + 1)
        spans.append(_span(costs.places[origin], costs.places[here], bars, costs.bar))
        rate -= shifts[shift[origin, rate]]
        here = origin
        chosen.append(rate)
    places = list(itertools.accumulate(reversed(spans), initial=costs.places[here]))
    return places, chosen[::-1]


def _moves(costs: _Costs) -> tuple[NDArray[np.float64], tuple[NDArray[np.float64], NDArray[np.int64]]]:
    """All spans between two places; then, by place, bars between and place: the cost, and which span it is."""
    import numpy as np  # noqa: PLC0415 - see _freely

    every = range(FARTHEST + 1)
    spans = sorted({_span(a, b, bars, costs.bar) for a in costs.places for b in costs.places for bars in every})
    number = {span: i for i, span in enumerate(spans)}
    count = len(costs.places)
    cost = np.full((count, FARTHEST + 1, count), np.inf)
    which = np.zeros((count, FARTHEST + 1, count), dtype=np.int64)
    for i, a in enumerate(costs.places):
        for bars in every:
            for j, b in enumerate(costs.places):
                span = _span(a, b, bars, costs.bar)
                which[i, bars, j] = number[span]
                cost[i, bars, j] = costs.between(a, a + span)
    return np.array(spans, dtype=float), (cost, which)


def _span(before: int, after: int, bars: int, bar: int) -> int:
    """Ticks from a place to another, over so many bars' lines beyond the first."""
    return (after - before) % bar + bars * bar


def _music_at(music: Sequence[MusicFrom], when: int) -> MusicFrom:
    return music[max(0, bisect_right(music, when, key=lambda one: one.at) - 1)]
