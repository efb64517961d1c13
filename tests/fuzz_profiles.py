"""Profiles, configurations and traces that nobody would write: no file may make a traceback, and what passes must play.

    python -m tests.fuzz_profiles --count 10000

Every case takes a good file, or one with a known mistake, and damages it. The seed of a failing case is printed;
``--seed N --count 1`` plays it again. A tenth runs with the other tests (``test_fuzz_profiles.py``).
"""

from __future__ import annotations

import argparse
import io
import random
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from router.cli.new import text
from router.core.engine import Engine
from router.core.events import Lost, MidiSample, PointerSample, PressureSample, Sample, SwitchSample
from router.core.units import NANOSECONDS
from router.files import configuration, source
from router.files.configuration.form import form_of
from router.files.profile import Problem, Profile, ProfileError, check, load, shipped
from router.offline.player import steps
from router.records.trace import Trace, TraceError
from tests.shared.places import GOLDEN_CONFIGURATIONS, GOLDEN_PROFILES

PROGRAMMERS_WORDS = re.compile(
    r"\b(strings?|objects?|oneOf|anyOf|None|null|mappings?|scalars?|tokens?|propert(y|ies)|integers?|booleans?|arrays?|"
    r"schema|regex|Traceback|NaN|dict|tuple|parse[rd]?|YAML|JSON|exception|codec|ordinal)\b"
)
"""Words that no message may hold, unless they stand in the file itself: the reader is a therapist."""

_TABLE = (
    "on off yes no true false null ~ 010 1:30 1e3 .inf .nan 0x10 -0 99999999999999999999 '' \"\" [] {} [[ }} - "
    "-- --- ... : :: "
    "? ! !!str & * | > % @ ` # , ; = \\ \u201c \u201d \u2013 \u00a0 \u200b \ufeff \u0000 \u202e \U0001f3b5 \t "
    "\r <<: *a &a "
    "30 ms 0,5 s 84 bpm C#4 H3 1/8 10 % inH2O switch pressure pointer midi evdev serial terminal instrument "
    "rules input "
    "seats folders buttons panic next list follow /run/router "
    "output note sequence zones latch chord arpeggio scale_lock velocity release control degrees notes kind when time"
)
WORDS = tuple(_TABLE.split(" "))
"""What a word is replaced with."""

TRACE = """\
{"trace": 1, "child": "wren"}
{"t": 0.0, "input": "cheek", "pascal": 0.5}
{"t": 0.12, "input": "pad", "pressed": true}
{"t": 0.125, "input": "cheek", "pascal": 61.3}
{"t": 0.13, "input": "head", "x": 0.41, "y": 0.5}
{"t": 0.2, "input": "pad", "lost": true}
{"t": 0.21, "input": "pad", "found": true}
{"t": 0.25, "input": "keys", "midi": [144, 60, 64]}
{"t": 0.3, "mark": "cue"}
{"t": 0.7, "input": "cheek", "pascal": 420}
{"t": 0.9, "input": "cheek", "pascal": 3}
{"t": 1.0, "input": "keys", "midi": [128, 60, 0]}
{"t": 1.3, "input": "head", "x": 0.9, "y": 0.5}
"""


# --- damage -----------------------------------------------------------------------------------------------------


def damaged(data: bytes, rng: random.Random) -> bytes:
    """``data`` with one to four mistakes in it."""
    for _ in range(rng.choice([1, 1, 1, 2, 3, 4])):
        data = rng.choice(DAMAGES)(data, rng)
    return data


def _flip(data: bytes, rng: random.Random) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.randint(1, 3)):
        if changed:
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    first, second = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.randrange(4)
    if what == 0:
        del lines[first]
    elif what == 1:
        lines.insert(second, lines[first])
    elif what == 2:
        lines[first], lines[second] = lines[second], lines[first]
    else:
        lines[first : first + rng.randint(2, 6)] = []
    return b"\n".join(lines)


def _indent(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    index = rng.randrange(len(lines))
    line = lines[index]
    lines[index] = (
        rng.choice([b" ", b"  ", b"\t", b"\xc2\xa0"]) + line if rng.random() < 0.5 else line.removeprefix(b" ")
    )
    return b"\n".join(lines)


def _word(data: bytes, rng: random.Random) -> bytes:
    places = [found.span() for found in re.finditer(rb"[\w.#%/*\"'-]+", data)]
    if not places:
        return data
    start, end = rng.choice(places)
    return data[:start] + rng.choice(WORDS).encode() + data[end:]


def _other_word(data: bytes, rng: random.Random) -> bytes:
    places = [found.span() for found in re.finditer(rb"[\w.#%/*-]+", data)]
    if not places:
        return data
    (start, end), (other, other_end) = rng.choice(places), rng.choice(places)
    return data[:start] + data[other:other_end] + data[end:]


def _sign(data: bytes, rng: random.Random) -> bytes:
    places = [found.start() for found in re.finditer(rb"[{}\[\]:,'\"#-]", data)]
    if not places:
        return data
    place = rng.choice(places)
    return (
        data[:place]
        + rng.choice([b"", b" ", data[place : place + 1] * 2, *(w.encode() for w in WORDS)])
        + data[place + 1 :]
    )


def _number(data: bytes, rng: random.Random) -> bytes:
    places = [found.span() for found in re.finditer(rb"\d+(\.\d+)?", data)]
    if not places:
        return data
    start, end = rng.choice(places)
    numbers = [
        "0",
        "-1",
        "1e400",
        "9" * 5000,
        "0." + "0" * 300 + "1",
        "127",
        "128",
        "1/0",
        "\u0663",
        "\u00b2",
        "1_000",
        "0x7f",
    ]
    return data[:start] + rng.choice(numbers).encode() + data[end:]


def _gently(data: bytes, rng: random.Random) -> bytes:
    """Another small number: what may well be right still, and must then play."""
    places = [found.span() for found in re.finditer(rb"\b\d{1,3}\b", data)]
    start, end = rng.choice(places or [(0, 0)])
    return data[:start] + str(rng.choice([0, 1, 2, 3, 4, 5, 7, 9, 10, 12, 16, 30, 60, 84, 100])).encode() + data[end:]


def _unicode(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(data) + 1)
    some = "".join(
        chr(rng.choice([rng.randrange(0x20), rng.randrange(0xD800), rng.randrange(0xE000, 0x110000)]))
        for _ in range(rng.randint(1, 5))
    )
    return data[:place] + some.encode() + data[place:]


def _again(data: bytes, rng: random.Random) -> bytes:
    start = rng.randrange(len(data) + 1)
    piece = data[start : start + rng.randrange(1, 60)]
    return data[:start] + piece * rng.choice([2, 3, 50]) + data[start:]


DAMAGES: Sequence[Callable[[bytes, random.Random], bytes]] = (
    _flip,
    _cut,
    _lines,
    _lines,
    _indent,
    _indent,
    _word,
    _word,
    _other_word,
    _other_word,
    _sign,
    _sign,
    _number,
    _gently,
    _gently,
    _gently,
    _gently,
    _unicode,
    _again,
)


# --- what must hold ---------------------------------------------------------------------------------------------


def try_profile(data: bytes, folder: Path, rng: random.Random) -> str:
    """What became of these bytes as a profile: "refused" or "plays". Everything else is an AssertionError."""
    path = folder / "fuzzed.yaml"
    if _problems(data, path, check):
        return "refused"
    _plays(load(path), rng)
    return "plays"


def try_configuration(data: bytes, folder: Path) -> str:
    """What became of these bytes as a configuration: "refused" or "fine"."""
    path = folder / "fuzzed.yaml"
    if _problems(data, path, configuration.check):
        return "refused"
    found = configuration.load(path)
    folders = [seat.folder for seat in found.seats]
    assert 1 <= len(folders) == len(set(folders)) <= 16, folders
    assert all(at.is_absolute() for at in (*folders, found.folders.state, found.folders.records, found.folders.runtime))
    assert all(button.seat in (None, *(seat.name for seat in found.seats)) for button in found.buttons)
    return "fine"


def _problems(data: bytes, path: Path, check: Callable[[Path], list[Problem]]) -> list[Problem]:
    """What is said of these bytes, if that is as it should be."""
    path.write_bytes(data)
    try:
        form_of(path)
    except ProfileError as error:
        assert "neither" in str(error)  # noqa: PT017 - this is no test
    problems = check(path)
    for problem in problems:
        _is_a_message(problem, path, data)
    assert problems == sorted(problems, key=lambda problem: (problem.line, problem.column)), (
        "not in the order of the file"
    )
    quick, source.FAST = source.FAST, source.PATIENT
    try:
        assert list(map(str, check(path))) == list(map(str, problems)), "the two readers of the YAML library disagree"
    finally:
        source.FAST = quick
    return problems


def _is_a_message(problem: Problem, path: Path, data: bytes) -> None:
    said = str(problem)
    assert said.startswith(f"{path}:{problem.line}:{problem.column}: "), said
    assert problem.line >= 1, said
    assert problem.column >= 1, said
    assert problem.line <= data.count(b"\n") + data.count(b"\r") + 1, said
    assert len(said.splitlines()) in (1, 2, 3, 4), said
    assert all(len(line) < 700 for line in said.splitlines()), said
    assert said.isprintable() or said.replace("\n", "").isprintable(), ascii(said)
    for word in PROGRAMMERS_WORDS.findall(problem.message + problem.hint):
        assert str(word[0]).encode() in data, said


def _plays(profile: Profile, rng: random.Random) -> None:
    told: Counter[str] = Counter()
    faults = []

    def observe(_now: int, event: str, fields: dict[str, object]) -> None:
        told[event] += 1
        if event == "fault" and "rule" in fields:  # a sensor may say senseless things; a rule may not fail
            faults.append(fields)

    engine = Engine(profile.plan, observe)
    samples = []
    now = 0
    for _ in range(40):
        now += rng.randrange(NANOSECONDS // 2)
        name = rng.choice(list(profile.types))
        samples.append((now, _sample(name, profile.types[name], rng)))
    for _ in steps(engine, samples, NANOSECONDS):
        pass
    assert engine.sounding == (), engine.sounding
    assert not faults, faults
    assert told["note_on"] == told["note_off"], told


def _sample(name: str, kind: str, rng: random.Random) -> Sample:
    if rng.random() < 0.05:
        return Lost(name)
    if kind == "switch":
        return SwitchSample(name, rng.random() < 0.5)
    if kind == "pressure":
        return PressureSample(name, rng.gauss(0, 300))
    if kind == "pointer":
        return PointerSample(name, rng.random(), rng.random())
    return MidiSample(name, (rng.choice([0x80, 0x90, 0xB0]), rng.randrange(128), rng.randrange(128)))


def try_trace(data: bytes, profile: Profile) -> str:
    """What became of these bytes as a trace: "refused" or "plays"."""
    engine = Engine(profile.plan)
    try:
        trace = Trace(io.BytesIO(data), "fuzzed.jsonl", profile.types)
        for count, _ in enumerate(steps(engine, trace, NANOSECONDS)):
            if count > 5000:  # a time far ahead, and an arpeggio that plays until then
                break
    except TraceError as refused:
        said = str(refused)
    else:
        engine.stop(2**62)
        assert engine.sounding == ()
        return "plays"
    assert said.startswith("fuzzed.jsonl:"), said
    return "refused"


def configurations() -> list[bytes]:
    """Good configurations, most of all the longest, and those with a known mistake."""
    files = sorted(GOLDEN_CONFIGURATIONS.glob("*.yaml"))
    return [file.read_bytes() for file in [*[GOLDEN_CONFIGURATIONS / "fine.yaml"] * 2 * len(files), *files]]


def corpus() -> list[bytes]:
    """Good profiles, and those with a known mistake."""
    files = [*sorted(shipped().glob("*.yaml")), *sorted(GOLDEN_PROFILES.glob("*.yaml"))]
    inputs = {"pad": "switch", "cheek": "pressure", "head": "pointer", "keys": "midi"}
    written = text("wren", inputs, Path("wren.yaml")).encode()
    whole = [file.read_bytes() for file in files if file.parent != GOLDEN_PROFILES or file.stem.startswith("fine")]
    return [written] * 20 + whole * 8 + [file.read_bytes() for file in files]


def fuzz(count: int, seed: int, *, progress: bool = False) -> Counter[str]:
    """Try ``count`` damaged files, one in five a trace and one in five a configuration; what became of how many.

    Raises:
        AssertionError: and whatever else a file made happen; the seed is in its notes.
    """
    became: Counter[str] = Counter()
    files, rooms = corpus(), configurations()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = folder / "whole.yaml"
        whole.write_bytes(files[0])
        profile = load(whole)
        for number in range(seed, seed + count):
            rng = random.Random(number)
            try:
                if number % 5 == 0:
                    became["trace " + try_trace(damaged(TRACE.encode(), rng), profile)] += 1
                elif number % 5 == 1:
                    became["configuration " + try_configuration(damaged(rng.choice(rooms), rng), folder)] += 1
                else:
                    became["profile " + try_profile(damaged(rng.choice(files), rng), folder, rng)] += 1
            except ProfileError as error:
                raise AssertionError(f"seed {number}: checked, and then refused") from error
            except BaseException as error:
                error.add_note(f"seed {number}")
                raise
            if progress and (number - seed + 1) % 500 == 0:
                print(f"{number - seed + 1} of {count}: {dict(became)}", file=sys.stderr)  # noqa: T201 - a command shows how far it is
    return became


def main() -> None:
    """Fuzz from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    print(dict(fuzz(args.count, args.seed, progress=True)))  # noqa: T201 - what the command found


if __name__ == "__main__":
    main()
