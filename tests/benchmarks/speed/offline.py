"""h. ``router play`` over an hour of three inputs: a switch, a pressure sensor (100 readings a second) and a head
pointer (60).

The hour is simulated, with bounce, breath, drift and tremor. Time is from the start of the process to its end, with the
MIDI file and the log written; what counts is the processor's, which is as good as the whole where nothing else runs.
The floor is reading the same trace, line by line, with ``json.loads``.
"""

from __future__ import annotations

import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from router.core.units import NANOSECONDS
from router.offline import simulate
from router.records.trace import TraceWriter

from .figures import Result, Target, middle

PROFILE = """profile: 1
child: wren
music: {key: D, scale: minor pentatonic, tempo: 96 bpm}
inputs:
  pad: {type: switch, device: {evdev: "*Switch*", key: BTN_0}, debounce: 30 ms, accept: 60 ms}
  cheek:
    type: pressure
    device: {serial: "*pressure*", unit: Pa}
    above: {on: 100 Pa, off: 60 Pa, full: 500 Pa}
  head: {type: pointer, device: {evdev: "*Pointer*", x: ABS_X, y: ABS_Y}, grid: {columns: 4, rows: 2}}
parts:
  tune:
    input: cheek.above
    rules: [sequence: {degrees: [1, 2, 3, 5, 4, 3, 2, 1]}, scale_lock: {}, velocity: {from: strength}, release: {when: released}]
    output: {port: synth, channel: 1}
  arpeggio:
    input: pad
    rules: [note: {degree: 1}, chord: {kind: triad}, arpeggio: {order: up, rate: 1/8}]
    output: {port: synth, channel: 2}
  places:
    input: head
    rules: [zones: {degrees: [1, 2, 3, 4, 5, 6, 7, 8]}, velocity: {fixed: 70}]
    output: {port: synth, channel: 3}
outputs:
  synth: {midi: "*"}
"""


def write_trace(path: Path, seconds: int) -> int:
    """Write a trace of so many seconds; return how many samples it has."""
    rng, until = random.Random("an hour"), seconds * NANOSECONDS
    taps = simulate.efforts(rng, until, every=6, length=2)
    pushes = simulate.efforts(rng, until, every=4, length=1, first=2)
    visits = [
        simulate.Visit(start * NANOSECONDS, rng.choice((0.12, 0.38, 0.62, 0.88)), rng.choice((0.25, 0.75)))
        for start in range(0, seconds, 4)
    ]
    samples = simulate.together(
        simulate.switch("pad", taps, rng),
        simulate.pressure("cheek", pushes, until, rng, low=150, high=600),
        simulate.pointer("head", visits, until, rng),
    )
    count = 0
    with path.open("w", encoding="utf-8") as file:
        writer = TraceWriter(file, about="three inputs")
        for count, (when, sample) in enumerate(samples, 1):  # noqa: B007 - the last is how many
            writer.write(when, sample)
    return count


def measure(quick: bool) -> Result:
    seconds, rounds = (300, 1) if quick else (3600, 3)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "wren.yaml").write_text(PROFILE, encoding="utf-8")
        trace = folder / "hour.jsonl"
        count = write_trace(trace, seconds)
        command = [sys.executable, "-m", "router", "play", str(trace), "--profile", str(folder / "wren.yaml"), "--json"]
        command += ["--midi", str(folder / "out.mid"), "--log", str(folder / "out.jsonl")]
        walls, works, floors = [], [], []
        said = {}
        for _ in range(rounds):
            before, began = _work(), time.monotonic()
            said = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)
            walls.append(time.monotonic() - began)
            works.append(_work() - before)
            began = time.monotonic()
            with trace.open(encoding="utf-8") as file:
                for line in file:
                    json.loads(line)
            floors.append(time.monotonic() - began)
    wall, work, floor = map(middle, (walls, works, floors))
    notes = sum(said["notes"].values())
    assert said["samples"] == count
    assert notes > seconds // 4, "hardly anything was played"
    result = Result(
        "h", f"h. Offline: {seconds} s of three inputs", ("seconds", "times faster than life", "µs a sample")
    )
    result.rows = {
        "router play": (wall, seconds / wall, 1e6 * wall / count),
        "its processor time": (work, seconds / work, 1e6 * work / count),
        "json.loads of each line": (floor, seconds / floor, 1e6 * floor / count),
    }
    result.targets = [
        Target("router play, by processor time", 300, seconds / work, "times faster than life", most=False)
    ]
    result.remarks = [f"{count:,} samples, {sum(said['presses'].values()):,} presses, {notes:,} notes; start included."]
    return result


def _work() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
