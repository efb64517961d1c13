"""The share of a song's notes that stand in the kept score as they are written, when a simulated hand plays it.

    python -m tests.benchmarks.kept_songs               the shipped songs, ten hands of each kind: some minutes
    python -m tests.benchmarks.kept_songs --seeds 3

Each song is played by presses of a switch through ``router play``, its log is kept as a score by ``router keep``, and
music21 reads that. *right*: pitch and written length, in order (the longest common subsequence); *bars*: of these the
share that begins at its own place in the bar. The hands: see ``HANDS``.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Self

import music21
from rich.console import Console
from rich.progress import track
from rich.table import Table

from router.cli import main as router
from router.core.song import Song
from router.files import profile
from tests.shared.hands import plays

LEAST = 0.95
"""Of the notes of a hand that deviates by 30 ms, which the command asks for."""

HANDS: Mapping[str, Mapping[str, float]] = {
    "30 ms": {},
    "30 ms, tempo wanders": {"wander": 0.02},
    "30 ms, a quarter slower": {"tempo": 0.75, "wander": 0.02},
    "30 ms, a quarter quicker": {"tempo": 1.25, "wander": 0.02},
    "50 ms": {"deviation": 0.05},
}

PROFILE = """\
profile: 1
child: wren
inputs:
  pad: {{type: switch, device: {{terminal: space}}}}
songs:
  it: {{file: {file}}}
parts:
  tune:
    input: pad
    rules:
      - song: {{play: it, press: note}}
    output: {{port: synth, channel: 1, program: flute}}
outputs:
  synth: {{instrument: default}}
"""

Sign = tuple[int, Fraction, Fraction]
"""A note: pitch, length and place in its bar, in quarter notes."""


@dataclass(slots=True)
class Share:
    """Notes of a song, those that are right, and those whose place in the bar is, too."""

    notes: int = 0
    right: int = 0
    bars: int = 0

    def __iadd__(self, other: Share) -> Self:
        self.notes, self.right, self.bars = self.notes + other.notes, self.right + other.right, self.bars + other.bars
        return self

    @property
    def share(self) -> float:
        return self.right / max(1, self.notes)


def songs() -> list[Path]:
    """The songs that come with the router."""
    return sorted((profile.shipped() / "songs").glob("*.abc"))


def kept(folder: Path, file: Path, seed: int, hand: Mapping[str, float]) -> tuple[Song, Any]:
    """A song, and the score that is kept of it, as music21 reads it."""
    (folder / file.name).write_bytes(file.read_bytes())
    path = folder / "wren.yaml"
    path.write_text(PROFILE.format(file=file.name), encoding="utf-8")
    (song,) = profile.load(path).songs.values()
    presses = [{"t": round(t, 4), "input": "pad", "pressed": on} for t, on in plays(song, seed, **hand)]
    (folder / "t.jsonl").write_text("\n".join(map(json.dumps, [{"trace": 1}, *presses])), encoding="utf-8")
    log, score = folder / "l.jsonl", folder / "s.musicxml"
    with contextlib.redirect_stdout(io.StringIO()):
        assert router(["play", str(folder / "t.jsonl"), "--profile", str(path), "--log", str(log)]) == 0
        assert router(["keep", str(log), "--score", str(score)]) == 0
    return song, music21.converter.parse(score, forceSource=True)


def of_song(song: Song) -> list[Sign]:
    """The melody as it is written."""
    short = song.metres[0].signature.quarters - (song.bars[1] - song.bars[0])  # an upbeat stands at its bar's end
    found = []
    for note in song.tune.notes:
        bar = song.bar(note.at)
        found.append((note.pitch, note.lasts, note.at - song.bars[bar] + (max(short, 0) if bar == 0 else 0)))
    return found


def of_score(read: Any) -> Iterator[Sign]:
    """The notes of the first part, ties joined."""
    part = read.parts[0]
    upbeat = part.getElementsByClass(music21.stream.Measure)[0]
    for note in part.stripTies().recurse().notes:
        if isinstance(note, music21.harmony.ChordSymbol):
            continue
        place = Fraction(note.getOffsetBySite(note.activeSite))
        if note.measureNumber == upbeat.measureNumber:
            place += Fraction(upbeat.barDuration.quarterLength) - Fraction(upbeat.duration.quarterLength)
        for pitch in note.pitches:
            yield pitch.midi, Fraction(note.quarterLength), place


def compared(song: Song, read: Any) -> Share:
    """Compare a score with the song that was played."""
    wanted, found = of_song(song), list(of_score(read))
    return Share(
        len(wanted), _common([sign[:2] for sign in wanted], [sign[:2] for sign in found]), _common(wanted, found)
    )


def _common(wanted: list[Any], found: list[Any]) -> int:
    """The length of the longest common subsequence."""
    row = [0] * (len(found) + 1)
    for one in wanted:
        before = 0
        for i, other in enumerate(found, 1):
            before, row[i] = row[i], before + 1 if one == other else max(row[i], row[i - 1])
    return row[-1]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=10)
    args = parser.parse_args()
    table = Table("song", *HANDS)
    sums = {name: Share() for name in HANDS}
    with tempfile.TemporaryDirectory() as folder:
        for file in track(songs(), "playing", console=Console(stderr=True), transient=True):
            cells = []
            for name, hand in HANDS.items():
                here = Share()
                for seed in range(args.seeds):
                    here += compared(*kept(Path(folder), file, seed, hand))
                sums[name] += here
                cells.append(_cell(here))
            table.add_row(file.stem, *cells)
    table.add_row("all", *(_cell(share) for share in sums.values()), end_section=True)
    Console().print(table)
    return 0 if sums["30 ms"].share >= LEAST else 1


def _cell(share: Share) -> str:
    return f"{100 * share.share:.1f} % (bars {100 * share.bars / max(1, share.notes):.0f} %)"


if __name__ == "__main__":
    sys.exit(main())
