"""``router play``: the same engine over a trace, the same bytes each time, files that are whole or not there."""

from __future__ import annotations

import io
import json
import os
import random
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pretty_midi
import pytest

from router.cli import main
from router.core.units import NANOSECONDS
from router.offline import simulate
from router.records.trace import TraceWriter
from tests.shared.places import ROOT
from tests.shared.sine_bank import write_sine_bank

PROFILE = """\
profile: 1
child: merlin
music: {key: C, scale: major, tempo: 96 bpm}
inputs:
  pad: {type: switch, device: {terminal: space}}
  cheek:
    type: pressure
    device: {serial: "*pressure*", unit: Pa}
    above: {on: 120 Pa, full: 700 Pa}
  head:
    type: pointer
    device: {evdev: "*Pointer*"}
    grid: {columns: 3, rows: 1, dwell: 300 ms}
parts:
  drone:
    input: pad
    rules:
      - latch: {}
      - note: {degree: 1, octave: 3}
      - chord: {kind: triad}
      - arpeggio: {order: up, rate: 1/8}
    output: {port: synth, channel: 2, program: 88}
  tune:
    input: cheek.above
    rules:
      - sequence: {degrees: [1, 2, 3]}
      - velocity: {from: strength}
    output: {port: synth, channel: 1, program: flute}
  bells:
    input: head
    rules:
      - zones: {degrees: [1, 3, 5], octave: 5}
    output: {port: box, channel: 1, program: vibraphone}
outputs:
  synth: {midi: "*"}
  box: {instrument: default}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("ROUTER_SOUNDFONT", raising=False)
    (tmp_path / "merlin.yaml").write_text(PROFILE)
    seconds = 20 * NANOSECONDS
    rng = random.Random(7)
    with (tmp_path / "session.jsonl").open("w", encoding="utf-8") as file:
        writer = TraceWriter(file)
        for t, sample in simulate.together(
            simulate.switch("pad", [simulate.Effort(2 * NANOSECONDS, NANOSECONDS)], rng),
            simulate.pressure(
                "cheek", simulate.efforts(rng, seconds, every=2, length=0.5), seconds, rng, low=200, high=700
            ),
            simulate.pointer("head", [simulate.Visit(i * 3 * NANOSECONDS, i % 3 / 3 + 1 / 6, 0.5) for i in range(6)], seconds, rng),
            simulate.keyboard("keys", [(simulate.Effort(NANOSECONDS, NANOSECONDS), 60)]),
        ):  # fmt: skip
            writer.write(t, sample)
    return tmp_path


def a_trace(path: Path, *lines: str) -> Path:
    path.write_text("\n".join(['{"trace": 1}', *lines]) + "\n")
    return path


def play(*arguments: object) -> int:
    return main(["play", *map(str, arguments)])


def files_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_what_was_heard_and_played_is_said_and_written(folder, capsys):
    status = play(
        "session.jsonl", "--profile", "merlin.yaml", "--midi", "out.mid", "--log", "out.jsonl", "--sound", "out.wav"
    )
    said, wrong = capsys.readouterr()
    assert (status, wrong) == (0, "")
    events = [json.loads(line) for line in Path("out.jsonl").read_text().splitlines()]
    presses = [event for event in events if event["event"] == "press"]
    notes = [event for event in events if event["event"] == "note_on"]
    assert {event["input"] for event in presses} == {"pad", "cheek.above", "head"}
    assert f"heard   head             {sum(p['input'] == 'head' for p in presses)} presses" in said
    assert f"played  drone            {sum(n['part'] == 'drone' for n in notes)} notes" in said
    assert "not in the profile, so not heard: keys (2 samples)" in said
    assert "written out.mid\nwritten out.jsonl\nwritten out.wav\n" in said

    read = pretty_midi.PrettyMIDI("out.mid")
    in_file = sorted((note.start, note.pitch, note.velocity) for each in read.instruments for note in each.notes)
    logged = sorted((event["t"], event["note"], event["velocity"]) for event in notes)
    assert [note[1:] for note in in_file] == [note[1:] for note in logged]
    assert [note[0] for note in in_file] == pytest.approx([note[0] for note in logged], abs=0.001)
    assert [(each.name, each.program) for each in read.instruments] == [("drone", 88), ("tune", 73), ("bells", 11)]
    with wave.open("out.wav") as sound:
        samples = np.frombuffer(sound.readframes(sound.getnframes()), dtype="<i2").astype(int)
    assert 300 < np.abs(samples).max() <= 32_000
    assert files_in(folder) == {"session.jsonl", "merlin.yaml", "out.mid", "out.jsonl", "out.wav"}


@pytest.mark.usefixtures("folder")
def test_every_note_in_the_log_ends_and_no_time_goes_back():
    play("session.jsonl", "--profile", "merlin.yaml", "--log", "out.jsonl")
    on: set[tuple[str, int, int]] = set()
    last = 0.0
    for line in Path("out.jsonl").read_text().splitlines():
        event = json.loads(line)
        assert event["t"] >= last
        last = event["t"]
        if event["event"] in ("note_on", "note_off"):
            wire = (event["output"], event["channel"], event["note"])
            (on.add if event["event"] == "note_on" else on.remove)(wire)
    assert on == set()


@pytest.mark.usefixtures("folder")
def test_an_arpeggio_stands_on_its_beats_between_the_samples():
    """An eighth at 96 bpm is 312.5 ms; the trace has no sample at those times."""
    a_trace(Path("t.jsonl"), '{"t": 1, "input": "pad", "pressed": true}', '{"t": 6, "mark": "end"}')
    play("t.jsonl", "--profile", "merlin.yaml", "--log", "out.jsonl")
    times = [e["t"] for e in map(json.loads, Path("out.jsonl").read_text().splitlines()) if e["event"] == "note_on"]
    assert times[:5] == [1.0, 1.3125, 1.625, 1.9375, 2.25]
    assert times == pytest.approx([1 + 0.3125 * i for i in range(len(times))], abs=1e-6)


@pytest.mark.usefixtures("folder")
def test_after_the_last_sample_the_music_ends_by_itself_or_at_the_longest_note():
    a_trace(
        Path("t.jsonl"), '{"t": 1, "input": "pad", "pressed": true}', '{"t": 1.5, "input": "pad", "pressed": false}'
    )
    play("t.jsonl", "--profile", "merlin.yaml", "--log", "latched.jsonl")
    last = json.loads(Path("latched.jsonl").read_text().splitlines()[-1])
    assert (last["t"], last["event"]) == (11.5, "stop")  # the drone is latched: it goes on for the longest note, 10 s
    a_trace(Path("u.jsonl"), '{"t": 0, "input": "head", "x": 0.5, "y": 0.5}')
    play("u.jsonl", "--profile", "merlin.yaml", "--log", "held.jsonl")
    events = [json.loads(line) for line in Path("held.jsonl").read_text().splitlines()]
    assert [(event["t"], event["event"]) for event in events] == [
        (0.0, "start"),
        (0.0, "music"),
        *[(0.0, "program")] * 3,
        (0.3, "press"),
        (0.3, "note_on"),
        (10.0, "note_off"),
        (10.0, "release"),
        (10.0, "stop"),
    ]


def test_the_last_note_of_a_sound_file_may_ring_out(folder):
    write_sine_bank(folder / "sine.sf2")
    Path("merlin.yaml").write_text(PROFILE.replace("instrument: default", "instrument: sine.sf2"))
    a_trace(Path("t.jsonl"), '{"t": 0, "input": "head", "x": 0.1, "y": 0.5}', '{"t": 2, "input": "head", "lost": true}')
    assert play("t.jsonl", "--profile", "merlin.yaml", "--sound", "out.wav", "--midi", "out.mid") == 0
    with wave.open("out.wav") as sound:
        left = np.frombuffer(sound.readframes(sound.getnframes()), dtype="<i2")[::2].astype(int)
    assert np.abs(left[int(1.9 * 48_000) : 2 * 48_000]).max() > 500
    assert np.abs(left[int(2.005 * 48_000) : int(2.02 * 48_000)]).max() > 50
    cut = [message.number for each in pretty_midi.PrettyMIDI("out.mid").instruments for message in each.control_changes]
    assert 120 not in cut


def test_one_trace_gives_the_same_bytes_twice_whatever_the_hash_seed(folder):
    """Two processes with different PYTHONHASHSEED, each of the three files."""
    made = []
    for seed in ("1", "4711"):
        out = folder / seed
        out.mkdir()
        subprocess.run(
            [sys.executable, "-m", "router", "play", "session.jsonl", "--profile", "merlin.yaml", "--midi", f"{seed}/o.mid",
             "--log", f"{seed}/o.jsonl", "--sound", f"{seed}/o.wav"],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
            check=True,
            capture_output=True,
        )  # fmt: skip
        made.append([(out / name).read_bytes() for name in ("o.mid", "o.jsonl", "o.wav")])
    assert made[0] == made[1]
    assert (
        play("session.jsonl", "--profile", "merlin.yaml", "--midi", "o.mid", "--log", "o.jsonl", "--sound", "o.wav")
        == 0
    )
    assert [(folder / name).read_bytes() for name in ("o.mid", "o.jsonl", "o.wav")] == made[0]


@pytest.mark.usefixtures("folder")
def test_a_trace_from_standard_input_and_words_for_a_program(monkeypatch, capsys):
    class Stdin:
        buffer = io.BytesIO(Path("session.jsonl").read_bytes()[:-20])  # and cut off

    monkeypatch.setattr(sys, "stdin", Stdin)
    assert play("-", "--profile", "merlin.yaml", "--json") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["trace"] == "standard input"
    assert said["presses"]["pad"] == 1
    assert set(said["notes"]) == {"drone", "tune", "bells"}
    assert said["unknown_inputs"] == {"keys": 2}
    assert "cut off" in said["remarks"][0]


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["nowhere.jsonl", "--profile", "merlin.yaml"], 1, "router play: nowhere.jsonl: no such file"),
        ([".", "--profile", "merlin.yaml"], 1, "router play: .: is a directory"),
        (["session.jsonl", "--profile", "nowhere.yaml"], 1, "nowhere.yaml:1:1: "),
        (["session.jsonl", "--profile", "merlinn"], 1, "merlinn"),
        (["session.jsonl", "--profile", "merlin.yaml", "--midi", "no/where.mid"], 1, "router play: no/where.mid: no such file"),
        (["session.jsonl", "--profile", "merlin.yaml", "--midi", "."], 1, "router play: .: is a directory"),
        (["session.jsonl", "--profile", "merlin.yaml", "--log", "session.jsonl"], 2, "would overwrite the trace"),
        (["session.jsonl", "--profile", "merlin.yaml", "--midi", "./merlin.yaml"], 2, "would overwrite the profile"),
        (["session.jsonl", "--profile", "merlin.yaml", "--midi", "a", "--log", "a"], 2, "would overwrite --midi"),
        (["bad.jsonl", "--profile", "merlin.yaml", "--midi", "a.mid", "--log", "a.jsonl"], 1, 'bad.jsonl:2:21: "pad" is a switch'),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_and_leaves_nothing_behind(folder, capsys, arguments, status, words):
    a_trace(Path("bad.jsonl"), '{"t": 0.1, "input": "pad", "pascal": 3}')
    before = {path: path.read_bytes() for path in folder.iterdir()}
    assert play(*arguments) == status
    out, err = capsys.readouterr()
    assert words in err
    assert out == ""
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


def test_an_unwritable_folder_is_said_before_anything_is_played(folder, capsys):
    (folder / "file").write_text("not a folder")
    assert play("session.jsonl", "--profile", "merlin.yaml", "--midi", "file/out.mid") == 1
    assert "router play: file/out.mid: not a directory" in capsys.readouterr().err


def test_an_old_file_stays_whole_when_the_new_one_fails_or_is_interrupted(folder, monkeypatch):
    Path("out.mid").write_bytes(b"last week's music")
    broken = a_trace(Path("broken.jsonl"), '{"t": 0.1, "input": "pad", "pressed": true}', "nonsense", "")
    assert play(broken, "--profile", "merlin.yaml", "--midi", "out.mid", "--log", "out.jsonl") == 1
    assert Path("out.mid").read_bytes() == b"last week's music"

    def interrupted(*_arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr("router.cli.play.play", interrupted)
    assert play("session.jsonl", "--profile", "merlin.yaml", "--midi", "out.mid", "--log", "out.jsonl") == 130
    assert Path("out.mid").read_bytes() == b"last week's music"
    assert files_in(folder) == {"session.jsonl", "merlin.yaml", "broken.jsonl", "out.mid"}


def test_without_fluidsynth_the_sound_is_refused_before_a_long_trace_is_played(folder, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "fluidsynth", None)
    assert play("session.jsonl", "--profile", "merlin.yaml", "--midi", "out.mid", "--sound", "out.wav") == 1
    assert "sudo apt install libfluidsynth3" in capsys.readouterr().err
    assert files_in(folder) == {"session.jsonl", "merlin.yaml"}


@pytest.mark.usefixtures("folder")
def test_a_link_and_a_device_are_written_through():
    Path("real.mid").write_bytes(b"")
    Path("link.mid").symlink_to("real.mid")
    assert play("session.jsonl", "--profile", "merlin.yaml", "--midi", "link.mid", "--log", "/dev/null") == 0
    assert Path("link.mid").is_symlink()
    assert Path("real.mid").read_bytes().startswith(b"MThd")
    assert Path("/dev/null").is_char_device()


def test_nothing_of_linux_alone_is_needed(folder):
    """As on the therapist's own laptop: no MIDI ports, no kernel devices, no serial lines."""
    missing = ("rtmidi", "jack", "evdev", "serial", "fcntl", "termios", "pty", "tty")
    program = (
        f"import sys; sys.modules.update(dict.fromkeys({missing!r})); from router.cli import main; "
        "status = main(['play', 'session.jsonl', '--profile', 'merlin.yaml', '--midi', 'out.mid']); "
        "sys.exit(status or main(['demo', '--seconds', '5']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert {"out.mid", "demo-output"} <= files_in(folder)
