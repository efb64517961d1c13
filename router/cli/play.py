"""``router play``: a trace through the engine on virtual time, as fast as the machine can."""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from router.cli import say
from router.core.engine import Engine
from router.core.ledger import Observe
from router.core.units import NANOSECONDS
from router.devices.descriptions import Instrument
from router.devices.inputs.base import Stamped
from router.devices.outputs import loudness
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.instrument import SoundFile
from router.devices.outputs.midi_file import MidiFile, track_names
from router.files import profile, pseudonym
from router.live.budget import Budget
from router.offline.player import Strangers, Tally, play
from router.records.session_log import LogFile, digest, header
from router.records.trace import Trace, TraceError
from router.system.files import replacing

NAME = "play"
HELP = "play a recorded or simulated trace through a profile"
EXAMPLE = "router play session.jsonl --profile wren.yaml --midi wren.mid --sound wren.wav"

LONG = 1_000_000
"""Bytes of a trace from which on a bar of progress is shown."""

MOST_FAULTS = 20
"""How many faults of sensors are printed: a loose plug has one after another."""

PATIENCE = 5 * NANOSECONDS
"""How long a rule of others' may keep us waiting: so long that the result does not depend on the speed of the
machine."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("trace", metavar="TRACE", help='the trace, JSON Lines; "-" reads standard input')
    parser.add_argument("--profile", required=True, metavar="FILE", help="the profile, or the name of a shipped one")
    parser.add_argument("--midi", type=Path, metavar="OUT.mid", help="write what is played as a MIDI file")
    parser.add_argument(
        "--log", type=Path, metavar="OUT.jsonl", help="write what is heard and played, one event a line"
    )
    parser.add_argument(
        "--sound", type=Path, metavar="OUT.wav", help="write what is played as sound, at -16 LUFS (needs FluidSynth)"
    )
    parser.add_argument(
        "--names-nobody", action="store_true", help="take marks into the log although one looks like a name or a number"
    )
    parser.add_argument("--json", action="store_true", help="say what was heard and played for a program to read")


def run(args: argparse.Namespace) -> int:
    """Play the trace, write the files, say what was heard."""
    loaded = profile.load(profile.find(args.profile))
    if wrong := _overwrites(args, loaded.path):
        say(f"router play: {wrong}", file=sys.stderr)
        return 2
    try:
        said = _play(args, loaded)
    except (TraceError, OutputError, _SomebodyNamedError) as error:
        say(error, file=sys.stderr)
        return 1
    except OSError as error:
        place = "" if error.filename is None else f"{error.filename}: "  # a full disk has no name
        say(f"router play: {place}{(error.strerror or str(error)).lower()}", file=sys.stderr)
        return 1
    print(json.dumps(said, ensure_ascii=False) if args.json else "\n".join(_plainly(said)))
    for fault in said["faults"]:
        say(f"a rule failed and was switched off: {fault}", file=sys.stderr)
    return 1 if said["faults"] else 0


def _overwrites(args: argparse.Namespace, read: Path) -> str | None:
    """Say which file that is read, or written already, would be overwritten; None if there is none."""
    used = {read.resolve(): "the profile"}
    if args.trace != "-":
        used[Path(args.trace).resolve()] = "the trace"
    for option in ("midi", "log", "sound"):
        path: Path | None = getattr(args, option)
        if path is None or (path.exists() and not path.is_file()):
            continue
        if path.resolve() in used:
            return f"--{option} {path} would overwrite {used[path.resolve()]}"
        used[path.resolve()] = f"--{option}"
    return None


def _play(args: argparse.Namespace, loaded: profile.Profile) -> dict[str, Any]:
    """Play it and write the files; all of them are written, or none."""
    plan = loaded.plan
    remarks: list[str] = []
    with contextlib.ExitStack() as stack:
        file = stack.enter_context(_open(args.trace))
        name = "standard input" if args.trace == "-" else args.trace
        trace = Trace(file, name, loaded.types, remarks.append)
        takers: dict[str, list[Output]] = {output: [] for output in loaded.outputs}
        finish = []
        if args.midi:
            target = stack.enter_context(replacing(args.midi))
            midi = MidiFile(target, plan.music.tempo, loaded.child, track_names(plan.parts))
            midi.music(plan.music, 0)
            finish.append(midi.close)
            for output, taken_by in takers.items():
                taken_by.append(midi.output(output))
        if args.sound:
            sound = SoundFile(stack.enter_context(replacing(args.sound)), mastered=True)
            if sound.unmastered:
                remarks.append(f"the sound file is not at {loudness.LOUDNESS:g} LUFS: {sound.unmastered}")
            finish.append(sound.close)
            for output, device in loaded.outputs.items():
                takers[output].append(sound.output(output, device if isinstance(device, Instrument) else None))
        tally = Tally()
        if args.log:
            text = io.TextIOWrapper(stack.enter_context(replacing(args.log)), encoding="utf-8", newline="\n")
            stack.callback(text.detach)  # it flushes, and leaves the file to whoever opened it
            tally.then = LogFile(text, 0, header(loaded.child, profile=digest(loaded.path)))
            if not args.names_nobody:
                tally.then = _NamesNobody(tally.then, name)
        samples = Strangers(_with_progress(trace, file), plan.inputs)
        budget = stack.enter_context(Budget(slow=None, stuck=PATIENCE))
        end = play(Engine(budget.held(plan), tally), samples, plan.limits.note_length, takers)
        for step in finish:
            step()
    return {
        "trace": name,
        "seconds": round(end / NANOSECONDS, 6),
        "samples": samples.samples,
        "presses": {source: tally.presses[source] for source in sorted(tally.presses)},
        "notes": {part.name: tally.notes[part.name] for part in plan.parts},
        "unknown_inputs": dict(samples.strangers),
        "limits": dict(tally.limits),
        "lost": dict(tally.lost),
        "sensor_faults": [
            {"t": round(now / NANOSECONDS, 6), "input": name, "error": what} for now, name, what in tally.doubts
        ],
        "faults": [f"{fault['place']}: {fault['rule']}: {fault['error']}" for fault in tally.faults],
        "remarks": remarks,
        "written": [str(path) for path in (args.midi, args.log, args.sound) if path],
    }


@contextlib.contextmanager
def _open(name: str) -> Iterator[BinaryIO]:
    if name == "-":
        yield sys.stdin.buffer
    else:
        with Path(name).open("rb") as file:
            yield file


def _with_progress(trace: Trace, file: BinaryIO) -> Iterator[Stamped]:
    """The samples, with a bar on the terminal while a long file is read."""
    size = os.fstat(file.fileno()).st_size if sys.stderr.isatty() and file.seekable() else 0
    if size < LONG:
        yield from trace
        return
    from rich.console import Console  # seldom needed, and slow to load
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("playing", total=size)
        for count, stamped in enumerate(trace):
            if count % 1000 == 0:
                progress.update(task, completed=trace.bytes_read)
            yield stamped


class _SomebodyNamedError(Exception):
    """A mark seems to say who somebody is; its text is for whoever plays the trace."""


class _NamesNobody:
    """Lets no mark into a log that seems to say who somebody is."""

    def __init__(self, then: Observe, trace: str) -> None:
        self._then, self._trace = then, trace

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """An engine's ``observe``."""
        if event == "mark" and (like := pseudonym.in_text(fields["text"])) is not None:
            raise _SomebodyNamedError(
                f"{self._trace}: the mark at {now / NANOSECONDS:.1f} s seems to hold {like}. Is it? It would stay in"
                " the log, and nothing has been written. Take it out of the trace; or, if it is none, add"
                " --names-nobody."
            )
        self._then(now, event, fields)


def _plainly(said: dict[str, Any]) -> list[str]:
    """Say in a few lines what was heard and played."""
    lines = [f"{said['trace']}: {said['seconds']:.1f} s, {said['samples']} samples"]
    lines += [f"heard   {source:16} {_count(n, 'press', 'presses')}" for source, n in said["presses"].items()]
    if not said["presses"]:
        lines.append("heard   nothing")
    lines += [f"played  {part:16} {_count(n, 'note')}" for part, n in said["notes"].items()]
    lines += [f"lost    {name:16} {_count(n, 'time')}" for name, n in said["lost"].items()]
    lines += [
        f"fault   {fault['input']:16} at {fault['t']:.1f} s: {fault['error']}"
        for fault in said["sensor_faults"][:MOST_FAULTS]
    ]
    if (more := len(said["sensor_faults"]) - MOST_FAULTS) > 0:
        lines.append(f"fault   and {more} more; --log has all of them")
    lines += [f"limit   {limit:16} {_count(n, 'note')} not played or cut short" for limit, n in said["limits"].items()]
    if said["unknown_inputs"]:
        named = ", ".join(f"{name} ({_count(n, 'sample')})" for name, n in said["unknown_inputs"].items())
        lines.append(f"not in the profile, so not heard: {named}")
    lines += said["remarks"]
    lines += [f"written {path}" for path in said["written"]]
    return lines


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
