"""The piece that ``router demo --together`` plays.

It holds what the specialist plays on the keyboard, and what three children mean to do.

It is in four-four time, 80 quarters a minute, so a bar is three seconds. For twenty bars:

    bars 1, 2     the keyboard alone, soft: D and F sharp minor
    from bar 3    Wren holds the switch, and lets go: a harp in eighths, through two octaves above middle C
    from bar 5    Lark pushes for a bar and a half, and rests: strings below middle C that swell and fade, pizzicato
                  quarters
    from bar 7    Pipit looks from place to place: a tune of bells high above, mostly in half notes, from one neighbour
                  to the next
    bars 7, 8     the specialist likes the B minor and holds it with a pedal, to play a run over it; the children stay
                  in it
    bars 11, 12   by C and D7 into G major: no note of Pipit's five is wrong before the key is noticed, and none after
    bars 19, 20   a soft plagal end: C, and G for a bar and a half. Wren lets go first, Pipit comes home, and Lark fades
                  last

So each player has a place of its own from the bass upwards (keyboard, strings, harp, bells), they come in one after
another, from soft to full, and the end is thinner again. A shorter piece leaves out the other key, then the held chord;
a longer one goes round more often.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from router.core.conditioning.pointer import ZoneGrid
from router.core.music import SCALES, Chord, Music, chord_symbol, middle, voice
from router.core.recognition import SETTLE
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.offline import simulate
from router.offline.simulate import Effort, Struck, Visit

SEED = 1
MUSIC = Music(tonic=2, scale=SCALES["major"], tempo=Fraction(80))
"""Where it begins: D major."""
BEAT = 60 * NANOSECONDS // 80
BAR = 4 * BEAT
HOLD = 67
"""The controller of the hold pedal: the left one of three (soft), which is seldom used otherwise."""
CHANNEL = 5
"""The channel of the keyboard, on which no child plays."""
RING = BAR
"""How long the last chord goes on after the last bar."""

FIRST, TURN, SECOND = ("D", "F#m", "Bm", "A"), ("C", "D7"), ("G", "Bm", "C", "D7")
ENDS = {"D": ("G", "D"), "G": ("C", "G")}
LEAST_WITH_TURN, LEAST_WITH_HOLD = 10, 6

TUNE = (3, 4, 5, 6, 5, 4, 5, 6, 7, 6, 5, 4, 3, 2, 3, 4, 5, 4, 3, 2, 1, 2)
"""Pipit's, by the notes of the scale; each is a neighbour of the one before on the board."""
LENGTHS = (2, 2, 2, 2, 2, 2, 4)
"""Beats of each note."""
BOARD = (8, 7, 6, 5, 1, 2, 3, 4)
"""Which note stands in which place of Pipit's profile, as one reads."""


@dataclass(frozen=True, slots=True)
class Piece:
    """``bars``: the chord of each; ``held``: the first of two bars in which the children stay in its chord."""

    bars: tuple[str, ...]
    held: int | None

    @property
    def end(self) -> int:
        """The end of the last bar, in nanoseconds."""
        return len(self.bars) * BAR

    def chord(self, now: int) -> Chord:
        """The chord that the children should play in at a time."""
        place = min(now // BAR, len(self.bars) - 1)
        if self.held is not None and place == self.held + 1:
            place = self.held
        chord = chord_symbol(self.bars[place])
        assert isinstance(chord, Chord)  # no bar is a number
        return chord


def piece(seconds: float) -> Piece:
    """The piece as long as this, in whole bars, two at least."""
    count = max(2, round(seconds * NANOSECONDS / BAR))
    if count < LEAST_WITH_TURN:
        bars = [FIRST[i % 4] for i in range(count - 2)]
        return Piece((*bars, *ENDS["D"]), _held(count - 2) if count >= LEAST_WITH_HOLD else None)
    turn = count // 2
    old = [FIRST[i % 4] for i in range(turn - 1)]
    new = [SECOND[i % 4] for i in range(count - turn - 4)]
    return Piece((*old, "G", *TURN, *new, *ENDS["G"]), _held(turn))


def _held(before: int) -> int | None:
    """The B minor of the last whole row of four."""
    return before // 4 * 4 - 2 if before >= 4 else None


def _chance(who: str) -> random.Random:
    return random.Random(f"{SEED} together {who}")  # noqa: S311 - a simulation, not a secret


# --- the children -------------------------------------------------------------------------------------------------


def wren(name: str, this: Piece) -> Iterator[Stamped]:
    """The switch: held for about a bar, and a rest of about half of one."""
    rng = _chance("wren")
    held = _efforts(rng, len(this.bars) // 10 * BAR, this.end - 2 * BEAT, hold=(3.5, 6.5), rest=(1.5, 3.0))
    return simulate.switch(name, held, rng)


def lark(name: str, this: Piece, low: float, high: float) -> Iterator[Stamped]:
    """The cheek on its pad: slow pushes of a bar and a half.

    ``low``, ``high``: the pressures of the weakest and a full one.
    """
    rng = _chance("lark")
    pushes = _efforts(rng, len(this.bars) // 5 * BAR, this.end - BEAT // 2, hold=(5.0, 7.0), rest=(1.5, 2.5))
    child = simulate.Pressure(rise=0.7)
    return simulate.pressure(name, pushes, this.end + BEAT, rng, low=low, high=high, child=child)


def pipit(name: str, this: Piece, grid: ZoneGrid) -> Iterator[Stamped]:
    """The head pointer: it is switched on when its child comes in, and goes from place to place."""
    rng = _chance("pipit")
    before = grid.dwell + round(simulate.Pointer().travel * NANOSECONDS)  # from setting off to the note
    begin = len(this.bars) * 3 // 10 * BAR
    goals: list[tuple[int, int]] = []  # when, and which note
    t, i = begin + BEAT, 0
    while t < this.end - BAR - 2 * BEAT:
        goals.append((t, TUNE[i % len(TUNE)]))
        t += LENGTHS[i % len(LENGTHS)] * BEAT
        i += 1
    goals += [(this.end - BAR - BEAT, 2), (this.end - 3 * BEAT, 1)]
    visits = [_visit(when - before + round(rng.gauss(0, 0.06) * NANOSECONDS), note, grid) for when, note in goals]
    on = max(0, visits[0].start - BEAT // 2)
    visits[0] = replace(visits[0], start=0)  # where the head is when it is switched on
    samples = simulate.pointer(name, visits, this.end, rng)
    return ((t, sample) for t, sample in samples if t >= on)


def _visit(when: int, note: int, grid: ZoneGrid) -> Visit:
    row, column = divmod(BOARD.index(note), grid.columns)
    return Visit(max(0, when), (column + 0.5) / grid.columns, (row + 0.5) / grid.rows)


def _efforts(
    rng: random.Random, begin: int, end: int, *, hold: tuple[float, float], rest: tuple[float, float]
) -> list[Effort]:
    """Efforts from ``begin`` to ``end``, where the last one ends; holds and rests in beats, not exactly on any."""
    found: list[Effort] = []
    t = begin + round(rng.uniform(0.05, 0.25) * NANOSECONDS)
    while True:
        length, pause = (round(rng.uniform(*beats) * BEAT) for beats in (hold, rest))
        strength = rng.uniform(0.45, 0.95)
        if t + length + pause + hold[0] * BEAT > end:
            if end - t > BEAT // 2:
                found.append(Effort(t, end - t, strength))
            return found
        found.append(Effort(t, length, strength))
        t += length + pause


# --- the specialist -----------------------------------------------------------------------------------------------


def keyboard(name: str, this: Piece) -> Iterator[Stamped]:
    """The keyboard: a bass note and a chord in each bar, and a little more; the pedal holds what the hands let go."""
    played: list[Struck] = []
    changes: list[int] = []
    pedals: list[tuple[int, int, int]] = []
    last = len(this.bars) - 1
    right: tuple[int, ...] = (54, 57, 62)
    hands = middle(right)
    for i, symbol in enumerate(this.bars):
        chord, start = chord_symbol(symbol), i * BAR
        assert isinstance(chord, Chord)  # as above
        loud = _loudness(i / last)
        changes.append(start)
        if this.held is not None and i == this.held + 1:
            played += _run(start, loud)
            changes.append(start + 2 * BEAT)
            continue
        bass = 36 + (chord.root - 36) % 12
        right = voice(right, chord.near(60)[:4], hands)
        if i == last:
            played += [Struck(start, BAR + RING, loud * 0.9, (bass, bass + 12, *right))]
            pedals.append((64, start + BEAT, this.end + RING))
        else:
            played += _pattern(start, bass, right, loud)
    if this.held is not None:
        up = (this.held + 2) * BAR
        # Up as soon as the next chord is there, and in time for its beat.
        pedals.append((HOLD, this.held * BAR + BEAT, up - SETTLE // 2))
    return simulate.pianist(name, played, _chance("keyboard"), chords=changes, pedals=pedals, channel=CHANNEL)


def _pattern(start: int, bass: int, right: tuple[int, ...], loud: float) -> list[Struck]:
    """The notes of an ordinary bar: bass and chord, a note of it after beat two, the fifth and the top, two more."""
    return [
        Struck(start, 3 * BEAT, loud, (bass,)),
        Struck(start, 3 * BEAT // 2, loud, right),
        Struck(start + 3 * BEAT // 2, BEAT // 2, loud * 0.7, (right[1],)),
        Struck(start + 2 * BEAT, BEAT, loud * 0.8, (bass + 12, right[-1])),
        Struck(start + 3 * BEAT, BEAT * 9 // 10, loud * 0.7, right[:2]),
    ]


def _run(start: int, loud: float) -> list[Struck]:
    """The notes over the held B minor: the bass walks by G and A, and a run in eighths goes up and comes back."""
    keys = (74, 76, 78, 81, 83, 81, 78, 76)
    run = [Struck(start + i * BEAT // 2, BEAT * 2 // 5, loud * 0.9, (key,)) for i, key in enumerate(keys)]
    return [
        Struck(start, 2 * BEAT, loud * 0.8, (43, 50, 59)),
        Struck(start + 2 * BEAT, 2 * BEAT * 9 // 10, loud * 0.8, (45, 52, 61)),
        *run,
    ]


def _loudness(share: float) -> float:
    """The velocity, as a share of the whole: from soft to full at three quarters of the piece, and soft again."""
    return 0.34 + 0.2 * (share / 0.75 if share < 0.75 else (1 - share) / 0.25)
