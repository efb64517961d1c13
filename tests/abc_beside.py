"""Tunes in ABC notation as our reader and as music21 read them: onsets, lengths and pitches of all notes.

    python -m tests.abc_beside                  300 of the 12,978 tunes in music21's corpus, drawn: two minutes
    python -m tests.abc_beside --count 3000

A tune agrees if every note has the same onset, length and pitch, repeats played out. Grace notes are taken out of the
text before: they have a length here and none in music21. Otherwise the reason is looked for, and counted:

    accidental    only pitches differ: an accidental holds to the end of its bar here, in every octave and over the end
                  of a line (ABC 2.1, 4.2 and 11.3), as does a natural; in music21 it does not always
    played order  an order of sections in the header (P:), endings, or a repeat that does not say where it begins: from
                  the last end of a repeat, here
    signs         a sign that music21 passes over with its note (H), or a broken rhythm behind a bracket
    refused       by our reader, with the reason
    other         none of these
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import warnings
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from music21 import common, converter, harmony

from router.songs import SongError
from router.songs.abc import score
from router.songs.abc.accompaniment import BASS, CHORDS

PER_QUARTER = 960
LEAST = 0.7
"""Share of tunes that agree, which the command asks for; the others have a reason."""

Notes = list[tuple[int, int, int]]


def tunes() -> list[tuple[str, str]]:
    """The tunes of the corpus with their names, in an order that is the same everywhere."""
    folder = Path(common.getCorpusFilePath())
    found = []
    for path in sorted(folder.rglob("*.abc"), key=lambda path: str(path.relative_to(folder))):
        text = path.read_text(encoding="utf-8", errors="replace")
        pieces = re.split(r"(?m)^(?=X:)", text)[1:]
        found += [(f"{path.parent.name}/{path.name} {number}", piece) for number, piece in enumerate(pieces, 1)]
    return found


def ours(text: str) -> list[Notes]:
    """Onset, length and pitch of each note, voice by voice, in 960ths of a quarter note."""
    parts = [part for part in score(text).parts if part.name not in (BASS, CHORDS)]
    return [sorted((_ticks(note.at), _ticks(note.lasts), note.pitch) for note in part.notes) for part in parts]


def _ticks(time: Fraction | float) -> int:
    return round(time * PER_QUARTER)


def theirs(text: str) -> list[Notes]:
    """The same by music21."""
    read = converter.parse(text, format="abc", forceSource=True)
    found = []
    for part in read.parts or [read]:
        flat = part.expandRepeats().stripTies().flatten()
        notes = [each for each in flat.notes if not isinstance(each, harmony.ChordSymbol)]
        found.append(
            sorted(
                (_ticks(each.offset), _ticks(each.quarterLength), pitch.midi)
                for each in notes
                for pitch in each.pitches
            )
        )
    return found


def compare(text: str) -> str:
    """Why a tune does not agree; "" if it does."""
    bare = re.sub(r"\{[^}]*\}", "", text)
    try:
        mine = ours(bare)
    except SongError as error:
        return f"refused: {error.what}"
    try:
        other = theirs(bare)
    except Exception as error:  # noqa: BLE001 - whatever another library does with a tune of its own corpus
        return f"music21 does not read it: {type(error).__name__}"
    if mine == other:
        return ""
    if [[note[:2] for note in part] for part in mine] == [[note[:2] for note in part] for part in other]:
        return "accidental" if re.search(r"[\^_=][A-Ga-g]", bare) else "other"
    music = "\n".join(line for line in bare.splitlines() if not re.match(r"[A-Za-z]:", line))
    if re.search(r"(?m)^P:[A-Z0-9().]{2,}", bare) or re.search(r":\||::|\|:|\[[1-9]", music):
        return "played order" if _length(mine) != _length(other) else "signs"
    return "signs" if re.search(r"[HTu~]|[)`-][<>]|[<>][()`]|\(\(?[0-9]", music) else "other"


def _length(parts: list[Notes]) -> int:
    return max((at + lasts for part in parts for at, lasts, _ in part), default=0)


def compared(count: int, seed: int) -> Iterator[tuple[str, str]]:
    """The name of each of so many tunes, drawn from this seed, and why it does not agree."""
    warnings.simplefilter("ignore")
    for name, text in random.Random(seed).sample(tunes(), count):
        yield name, compare(text)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    found: Counter[str] = Counter()
    for name, why in compared(args.count, args.seed):
        found[why.split(":")[0] or "agree"] += 1
        if why:
            sys.stdout.write(f"{name}: {why}\n")
    shares = (f"{why} {number} ({number / args.count:.1%})" for why, number in found.most_common())
    sys.stdout.write(f"{', '.join(shares)}\n")
    return 0 if found["agree"] >= LEAST * args.count else 1


if __name__ == "__main__":
    sys.exit(main())
