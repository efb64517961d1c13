"""Sixteen children play, and one of them changes again and again: what the other fifteen notice of it.

    python -m tests.benchmarks.swaps --seconds 60
    python -m tests.benchmarks.swaps --seconds 60 --song      each swap brings a new song of 5,000 notes, too

One router with sixteen seats over JACK; in fifteen a switch is held and an arpeggio of sixteenths goes on at 120 a
minute. Stretches with swaps at the sixteenth seat (two a second, one in four refused, every other one to a profile
whose output is another port) and without take turns, so that both meet the same load of the machine. Each note's place
on its grid is known; how late it is, is taken from the session logs, which hold the time at which it was played. The
aim: with swaps no more than 1 ms later than without, at the 99.9th percentile.
"""

from __future__ import annotations

import argparse
import io
import itertools
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import mido
from rich.console import Console
from rich.table import Table

from router.bedside.control_client import ask

SEATS = 16
STEP = 0.125
"""Seconds from one sixteenth to the next, at 120 a minute."""
STRETCH = 5.0
"""Seconds in which it is swapped, or not."""
EVERY = 0.5
"""Seconds between two swaps."""
EVERY_SONG = 1.5
"""The same where each brings a song: it is read in between."""
SERVER = "router-benchmark-swaps"

CONFIGURATION = """
configuration: 1
folders: {{profiles: {folder}/profiles, state: {folder}/state, records: {folder}/records, runtime: {folder}/run}}
chime: no
room: {{limits: {{notes_at_once: 128, velocity_sum: 16256}}}}
seats:
"""
PROFILE = """
profile: 1
child: {child}
music: {{key: D, scale: minor pentatonic, tempo: 120 bpm}}
inputs:
  pad: {{type: switch, device: {{serial: "{line}"}}, debounce: 0 ms}}
parts:
  run:
    input: pad
    rules:
      - latch: {{}}
      - note: {{degree: 1, octave: 4}}
      - chord: {{kind: open fifth}}
      - arpeggio: {{order: up, rate: 1/16}}
    output: {{port: synth, channel: 1}}
limits: {{note_length: 10 min}}
outputs:
  synth: {{midi: "{port}"}}
"""


SONG = """
songs: {big: {file: big.mid}}
"""
BAND = """
  tune: {input: pad, rules: [song: {play: big, press: note}], output: {port: synth, channel: 2}}
  band: {rules: [song: {play: big, part: others, waits_for: tune}], output: {port: synth, channel: 3}}
"""


def big_song(number: int) -> bytes:
    """A MIDI file of five parts with a thousand notes each, another one for each number."""
    file, written = mido.MidiFile(), io.BytesIO()
    for part in range(5):
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=f"Part {part}")])
        for each in range(1000):
            pitch = 40 + (each * (part + 1) + number) % 40
            track += [
                mido.Message("note_on", note=pitch, channel=part),
                mido.Message("note_off", note=pitch, time=240, channel=part),
            ]
        file.tracks.append(track)
    file.save(file=written)
    return written.getvalue()


def write(folder: Path, child: str, line: str, port: str, *, broken: bool = False, song: bytes = b"") -> None:
    """A profile, put into its seat's folder as editors do it; with a song if there is one."""
    text = PROFILE.format(child=child, line=line, port=port)
    if song:
        text = text.replace("limits:", f"{BAND.strip(chr(10))}\nlimits:") + SONG
        (folder / ".big").write_bytes(song)
        (folder / ".big").rename(folder / "big.mid")
    written = folder / f".{child}"
    written.write_text(text.replace("arpeggio", "arpegio") if broken else text, encoding="utf-8")
    written.rename(folder / f"{child}.yaml")


def notes(folder: Path, child: str) -> list[float]:
    """The times of a child's notes, in seconds of its session."""
    (log,) = (folder / "records" / child).glob("*.jsonl")
    entries = map(json.loads, log.read_text(encoding="utf-8").splitlines())
    return [entry["t"] for entry in entries if entry.get("event") == "note_on"]


def late(times: Sequence[float]) -> list[tuple[float, float]]:
    """Each note's time, and how much later on its grid it was than half of them are, in seconds."""
    off = [(when, (when - times[0] + STEP / 2) % STEP - STEP / 2) for when in times]
    usual = statistics.median(each for _, each in off)  # a wake-up is always a little late: what counts is what differs
    return [(when, each - usual) for when, each in off]


def run(seconds: float, folder: Path, *, song: bool = False) -> tuple[list[float], list[float], int]:
    """Milliseconds late with swaps and without, and how many swaps there were."""
    every = EVERY_SONG if song else EVERY
    songs = [big_song(number) for number in range(20)] if song else [b""]
    environment = {**os.environ, "JACK_DEFAULT_SERVER": SERVER, "STATE_DIRECTORY": str(folder)}
    lines = [os.openpty() for _ in range(SEATS)]
    names = [f"child{number}" for number in range(SEATS)]
    text = CONFIGURATION.format(folder=folder)
    for name, (_, line) in zip(names, lines, strict=True):
        (folder / "profiles" / name).mkdir(parents=True)
        write(folder / "profiles" / name, name, os.ttyname(line), "nobody:*")
        text += f"  {name}: {{profile: {name}}}\n"
    (folder / "router.yaml").write_text(text, encoding="utf-8")
    jack = subprocess.Popen(
        ["jackd", "-n", SERVER, "-d", "dummy", "-r", "48000", "-p", "1024"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    time.sleep(2)
    router = subprocess.Popen(
        [sys.executable, "-m", "router", "run", "--config", str(folder / "router.yaml")],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=(folder / "said").open("wb"),
    )
    try:
        assert router.stdout is not None
        assert router.stdout.readline() == b"ready\n", (folder / "said").read_text()
        time.sleep(0.5)
        for master, _ in lines[:-1]:
            os.write(master, b"1\n0\n")
            time.sleep(0.013)  # so that not all play at once
        time.sleep(1)
        begun, up = time.monotonic(), ask(folder / "run" / "control", {"do": "status"}, 30)["status"]["seats"]
        offset = {name: begun - up[name]["playing"] for name in names}
        stretches, swaps = [], 0
        numbers = itertools.count(1)
        while time.monotonic() < begun + seconds:
            for swapping in (False, True):
                began = time.monotonic()
                while time.monotonic() < began + STRETCH:
                    if swapping:
                        number = next(numbers)
                        port = "nobody:*" if number % 2 else "somebody:*"
                        line = os.ttyname(lines[-1][1])
                        where, new = folder / "profiles" / names[-1], songs[number % len(songs)]
                        write(where, names[-1], line, port, broken=number % 4 == 0, song=new)
                        swaps += 1
                    time.sleep(every)
                stretches.append((began, time.monotonic(), swapping))
    finally:
        router.terminate()
        router.wait(30)
        jack.terminate()
        jack.wait(30)
        for pair in lines:
            for descriptor in pair:
                os.close(descriptor)
    with_swaps, without = [], []
    for name in names[:-1]:
        for when, off in late(notes(folder, name)):
            at = when + offset[name]
            for began, ended, swapping in stretches:
                if began <= at < ended:
                    (with_swaps if swapping else without).append(off * 1000)
    return with_swaps, without, swaps


def main(argv: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--song", action="store_true", help="each swap brings a new song of 5,000 notes")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        with_swaps, without, swaps = run(args.seconds, Path(folder), song=args.song)
    table = Table(
        title=(
            f"{SEATS - 1} seats, {len(with_swaps) + len(without)} notes, {swaps} swaps at another: late by, in "
            "milliseconds"
        )
    )
    for name in ("", "notes", "median", "99 %", "99.9 %", "most"):
        table.add_column(name)
    figures = {}
    for name, values in (("with swaps", sorted(with_swaps)), ("without", sorted(without))):
        figures[name] = [values[int(share * len(values))] for share in (0.5, 0.99, 0.999)] + [values[-1]]
        table.add_row(name, str(len(values)), *(f"{figure:.3f}" for figure in figures[name]))
    differences = [one - other for one, other in zip(*figures.values(), strict=True)]
    table.add_row("difference", "", *(f"{each:.3f}" for each in differences))
    Console(width=120).print(table)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
