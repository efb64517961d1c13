"""How often the key that is played is found: Bach's chorales as music21 carries them, played at 80 quarters a minute.

    python -m tests.benchmarks.keys                 all of them: some minutes
    python -m tests.benchmarks.keys --scores 60

The key of a chorale is read from its signature and its last bass note; one whose last bass is neither the major tonic
nor the minor one of its signature is left out, and counted. *at the end*: the key when the last note has come is that
one; *relative*: it is its relative major or minor; *fifth*: a fifth off, same mode; *of the time*: how much of the
playing after the first key it was that one, modulations within the chorale counted as mistakes; *changes*: of key, a
minute; *first*: seconds to the first key, median.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

from music21 import corpus
from music21.analysis import discrete
from rich.console import Console
from rich.progress import track
from rich.table import Table

from router.core.units import NANOSECONDS
from router.room.tonality import HALF, Key, Tonality

QUARTER = 60 * NANOSECONDS // 80
LEAST = 0.8
"""Of the keys at the end, with the profiles that are used: what the command asks for."""

PROFILES = {
    "Bellman-Budge": discrete.BellmanBudge,
    "Krumhansl-Kessler": discrete.KrumhanslSchmuckler,
    "Temperley-Kostka-Payne": discrete.TemperleyKostkaPayne,
    "Aarden-Essen": discrete.AardenEssen,
}

Stroke = tuple[int, bool, int]
"""When, whether it goes down, and which note; of one moment the notes that end come first."""


@dataclass(slots=True)
class Piece:
    """A score as it is played, and its key, None if its last bass does not say."""

    name: str
    strokes: list[Stroke]
    key: Key | None


@dataclass(slots=True)
class Score:
    """Sums over pieces."""

    pieces: int = 0
    right: int = 0
    relative: int = 0
    fifth: int = 0
    told: int = 0
    time_right: int = 0
    changes: int = 0
    first: list[float] = field(default_factory=list)


def chorales() -> list[str]:
    """Names in music21's corpus: scores of one key signature, mostly in four parts."""
    return sorted(str(path) for path in corpus.getComposer("bach") if path.suffix in (".mxl", ".xml"))


def piece(path: str) -> Piece:
    score = corpus.parse(path)
    strokes: list[Stroke] = []
    lowest: tuple[float, int] = (-1.0, 0)
    for note in score.flatten().notes:
        start, end = (round(float(at) * QUARTER) for at in (note.offset, note.offset + note.quarterLength))
        for pitch in note.pitches:
            strokes += [(start, True, pitch.midi), (end, False, pitch.midi)]
            if end > start:
                lowest = max(lowest, (end, -pitch.midi))
    signature = next(iter(score.recurse().getElementsByClass("KeySignature")), None)
    key = None
    if signature is not None and strokes:
        tonic = 7 * signature.sharps % 12
        key = {tonic: Key(tonic, False), (tonic - 3) % 12: Key((tonic - 3) % 12, True)}.get(-lowest[1] % 12)
    return Piece(path, sorted(strokes, key=lambda stroke: stroke[:2]), key)


def play(one: Piece, tonality: Tonality, score: Score) -> None:
    assert one.key is not None
    key, since, first = None, 0, None
    score.pieces += 1
    for when, down, pitch in one.strokes:
        if key is not None:
            score.told += when - since
            score.time_right += (when - since) * (key == one.key)
        (tonality.down if down else tonality.up)(pitch, when)
        if tonality.key != key:
            score.changes += key is not None
            first = when if first is None else first
            key = tonality.key
        since = when
    score.first.append((one.strokes[-1][0] if first is None else first) / NANOSECONDS)
    score.right += key == one.key
    if key is not None:
        score.relative += key.minor != one.key.minor and (key.tonic - one.key.tonic) % 12 == (9 if key.minor else 3)
        score.fifth += key.minor == one.key.minor and (key.tonic - one.key.tonic) % 12 in (5, 7)


def measured(pieces: Sequence[Piece], profiles: str | None = None, half: int = HALF) -> Score:
    """All pieces with a key; ``profiles`` None: those that the router uses."""
    score = Score()
    weights = () if profiles is None else (tuple(PROFILES[profiles]().getWeights(mode) for mode in ("major", "minor")),)
    for one in pieces:
        if one.key is not None:
            play(one, Tonality(half, *weights), score)
    return score


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scores", type=int, default=1000, help="how many, evenly taken (default all)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes at once (default: all cores)")
    args = parser.parse_args(argv)
    names = chorales()
    names = names[:: max(1, len(names) // args.scores)]
    with ProcessPoolExecutor(args.jobs) as pool:
        pieces = list(track(pool.map(piece, names, chunksize=4), "reading", len(names), console=Console(stderr=True)))
    known = [one for one in pieces if one.key is not None]
    table = Table(title=f"{len(known)} of {len(names)} scores; the others' last bass does not say their key")
    table.add_column("profiles")
    table.add_column("half s", justify="right")
    for name in ("at the end", "relative", "fifth", "of the time", "changes/min", "first s"):
        table.add_column(name, justify="right")
    rows = [(name, half) for name in PROFILES for half in ((6, 12, 24) if name == "Bellman-Budge" else (12,))]
    for name, half in rows:
        found = measured(known, name, half * NANOSECONDS)
        minutes = sum(one.strokes[-1][0] for one in known) / NANOSECONDS / 60
        shares = [f"{count / found.pieces:.1%}" for count in (found.right, found.relative, found.fifth)]
        shares += [f"{found.time_right / found.told:.1%}", f"{found.changes / minutes:.2f}"]
        table.add_row(name, str(half), *shares, f"{statistics.median(found.first):.1f}")
    Console(width=None if sys.stdout.isatty() else 110).print(table)
    found = measured(known)
    return 0 if found.right >= LEAST * found.pieces else 1


if __name__ == "__main__":
    sys.exit(main())
