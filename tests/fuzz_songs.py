"""Songs' files that nobody would write: no file may make a traceback, and what is read is a whole song.

    python -m tests.fuzz_songs --count 10000

Every case damages a MIDI file, a MusicXML file, a compressed one or a tune in ABC notation, from the
outside or from within. The seed of a
failing case is printed; ``--seed N --count 1`` plays it again. A twentieth runs with the other tests.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import time
from collections import Counter
from collections.abc import Callable

from router.songs import SongError, plain, summary
from router.songs.reading import song_of
from tests.fuzz_profiles import PROGRAMMERS_WORDS
from tests.shared.song_files import MUSICXML, compressed, midi_file

VALUES = (
    *("0", "-1", "1", "2", "7", "99", "100000", "99999999999999999999", "1e9", "0.5", "1/3", "nan", "inf", "x", ""),
    *("start", "stop", "yes", "backward", "major", "1, 2, 3", "dominant", "none", "G", "\u266d", "\u202e"),
)
"""What a value in a score is replaced with."""


def flip(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        changed[rng.randrange(len(changed))] = rng.randrange(256)
    return bytes(changed)


def cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


def cut_out(data: bytes, rng: random.Random) -> bytes:
    first = rng.randrange(len(data))
    return data[:first] + data[first + rng.randint(1, 40) :]


def double(data: bytes, rng: random.Random) -> bytes:
    first = rng.randrange(len(data))
    piece = data[first : first + rng.randint(1, 200)]
    return data[:first] + piece * rng.choice([2, 2, 3, 50]) + data[first:]


def put_in(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(data))
    return (
        data[:place] + rng.choice([b"\xff", b"\0" * 9, b"\xff\xff\xff\x7f", b"\x80\x80", b"<a>", b"]]>"]) + data[place:]
    )


def swap(data: bytes, rng: random.Random) -> bytes:
    a, b = sorted(rng.randrange(len(data)) for _ in range(2))
    size = rng.randint(1, 30)
    return data[:a] + data[b : b + size] + data[a + size : b] + data[a : a + size] + data[b + size :]


ANY: tuple[Callable[[bytes, random.Random], bytes], ...] = (flip, flip, cut, cut_out, double, put_in, swap)


def other_value(data: bytes, rng: random.Random) -> bytes:
    """Put another text between two tags, or into an attribute."""
    places = list(re.finditer(rb'(?<=>)[^<>\n]+(?=<)|(?<==")[^"]*(?=")', data))
    if not places:
        return data
    place = rng.choice(places)
    return data[: place.start()] + rng.choice(VALUES).encode() + data[place.end() :]


def element(data: bytes, rng: random.Random) -> bytes:
    """Take an element out, double it, or put another in its place."""
    places = list(re.finditer(rb"<([a-z-]+)[^<>]*/>|<([a-z-]+)[^<>/]*>[^<>]*</\2>", data))
    if not places:
        return data
    place, other = rng.choice(places), rng.choice(places)
    new = rng.choice([b"", place[0] * 2, other[0], place[0] * 30])
    return data[: place.start()] + new + data[place.end() :]


def track(data: bytes, rng: random.Random) -> bytes:
    """Damage the inside of a MIDI file's track, and give it the length that it then has."""
    starts = [found.end() + 4 for found in re.finditer(b"MTrk", data)]
    if not starts:
        return data
    first = rng.choice(starts)
    after = min([start - 8 for start in starts if start > first], default=len(data))
    inside = rng.choice((flip, cut_out, double, put_in, swap))(data[first:after] or b"\0", rng)
    return data[: first - 4] + len(inside).to_bytes(4, "big") + inside + data[after:]


MIDI_ANY = (*ANY, *[track] * 12)
WITHIN = (other_value, other_value, other_value, element, element, swap)
MIDI = midi_file()


ABC = b"""\
X:1
T:Evening
C:nobody
M:3/4
L:1/8
Q:1/4=96
P:A2B
V:1 name="Tune" clef=treble
V:2 name="Low" clef=bass octave=-1
K:D mixolydian
V:1
P:A
|:"D"D>E ^F2 (3GAB|{cd}c4 z2|1 "Em7/B"[EGB]2 !breath!d4:|2 "N.C."d4- d=c||
w:one two-three four _ five|six|se-ven|eight _ nine
P:B
[K:G] "Am7"A,,B,, c'd' __e/f//|[M:2/4]Z|]
V:2
P:A
|:D6|A,6|1 G6:|2 D6||
P:B
A6|z4|]
"""
SIGNS = (*"|:[](){}<>-^_=',/0123456789zZx\"!+.~\\ABCabcw%&", "w:", "V:", "K:", "P:", "M:", ":|", "|:", "[1", "::", "\n")


def sign(data: bytes, rng: random.Random) -> bytes:
    """Put a sign of the notation anywhere, or in the place of another."""
    place = rng.randrange(len(data))
    return data[:place] + rng.choice(SIGNS).encode() * rng.choice([1, 1, 1, 2, 40]) + data[place + rng.randint(0, 2) :]


ABC_ANY = (*[sign] * 6, cut_out, double, swap, flip)


def case(rng: random.Random) -> tuple[str, bytes]:
    """The form of a file, and its damaged bytes."""
    form = rng.choice(["midi", "midi", "xml", "xml", "mxl", "abc"])
    data = {"midi": MIDI, "abc": ABC}.get(form, MUSICXML)
    damages = {"midi": MIDI_ANY, "abc": ABC_ANY}.get(form, ANY if rng.random() < 0.2 else WITHIN)
    for _ in range(rng.choice([1, 1, 1, 2, 3, 5])):
        data = rng.choice(damages)(data, rng) or data
    if form == "mxl":
        data = compressed(data)
        if rng.random() < 0.5:
            data = rng.choice(ANY)(data, rng)
    return form, data


def check(data: bytes) -> str:
    """Read a file; return what became of it."""
    try:
        song = song_of(data, "evening")
    except SongError as error:
        refused = error
    else:
        assert plain.song_of(plain.lines(song)) == song, "what is read is a whole song"
        assert summary(song).startswith("evening: ")
        return "read"
    assert refused.what
    assert refused.hint
    words = PROGRAMMERS_WORDS.search(re.sub(r'"[^"]*"|\([^)]*\)', "", f"{refused.what} {refused.hint}"))
    assert not words, f"{words}: {refused}"
    return "refused"


def fuzz(count: int, seed: int, *, progress: bool = False) -> tuple[Counter[str], float]:
    """Try so many cases; return what became of them, and the most processor seconds that one took."""
    became: Counter[str] = Counter()
    worst = 0.0
    for number in range(seed, seed + count):
        form, data = case(random.Random(number))
        before = time.process_time()
        try:
            became[f"{form} {check(data)}"] += 1
        except BaseException as error:
            error.add_note(f"seed {number}")
            raise
        worst = max(worst, time.process_time() - before)
        if progress and not (number - seed + 1) % 1000:
            print(f"{number - seed + 1} of {count}: {dict(became)}", file=sys.stderr)  # noqa: T201 - how far it is
    return became, worst


def main() -> None:
    """Fuzz from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    became, worst = fuzz(args.count, args.seed, progress=True)
    print(dict(became), f"the dearest took {worst:.2f} s of the processor")  # noqa: T201 - what the command found


if __name__ == "__main__":
    main()
