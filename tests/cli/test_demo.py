"""``router demo``: to its end without hardware, the same files each time, and a screen that fits 80 by 24."""

from __future__ import annotations

import contextlib
import errno
import io
import itertools
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
import wave
from fcntl import ioctl
from pathlib import Path

import numpy as np
import pretty_midi
import pytest
from rich.console import Console

from router.cli import demo, demo_together, main, stage
from router.cli.meters import Roll, meter
from router.cli.screen import ASCII, BLOCKS, signs_for
from router.core.events import PointerSample, PressureSample
from router.core.music import SCALES, Music
from router.core.units import NANOSECONDS
from router.devices.outputs.base import OutputError
from router.devices.outputs.midi_file import MidiFile
from router.files import profile
from tests.shared.places import ROOT


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """One demo as it is for whoever pipes it away: its folder and what it said."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, run(folder, "--seconds", "10").stdout


def run(folder: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "router", "demo", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        check=True,
        capture_output=True,
        text=True,
    )


def test_each_child_is_introduced_heard_and_played(finished):
    _folder, said = finished
    places = [said.index(word) for word in ("Wren is seven", "Lark is three", "Pipit is twelve", "Next:")]
    assert places == sorted(places)
    assert re.search(
        r"^   1\.00 s  heard   finger pressed\n   1\.00 s  played  tune D4, velocity 76$", said, re.MULTILINE
    )
    assert re.search(r"heard   cheek\.above pressed, strength 0\.\d\d$", said, re.MULTILINE)
    assert re.search(r"heard   head pressed, zone \d$", said, re.MULTILINE)
    assert len(re.findall(r"^\d+ efforts heard, \d+ notes played\.$", said, re.MULTILINE)) == 3
    for hint in ("router run starling", "router new", "router check", "profiles/README.md", "Not a medical device"):
        assert hint in said
    assert all(len(line) < 80 for line in said.splitlines())
    assert "\x1b" not in said


def test_what_the_therapist_can_open_afterwards(finished):
    folder, said = finished
    assert "MIDI   demo-output/demo.mid\nsound  demo-output/demo.wav\n" in said
    read = pretty_midi.PrettyMIDI(str(folder / "demo-output/demo.mid"))
    assert [(each.name, each.program) for each in read.instruments] == [
        ("wren: tune", 12),
        ("lark: tune", 73),
        ("pipit: bells", 11),
    ]
    spans = [(each.notes[0].start, each.notes[-1].end) for each in read.instruments]
    assert all(earlier[1] < later[0] for earlier, later in itertools.pairwise(spans))  # one after another
    assert sum(len(each.notes) for each in read.instruments) == said.count("  played  ")
    keys = [pretty_midi.key_number_to_key_name(change.key_number) for change in read.key_signature_changes]
    assert keys == ["D Major", "G Major", "C Major"]  # of each child's profile
    assert read.get_tempo_changes()[1] == pytest.approx([84, 76, 72], rel=1e-5)
    assert [(metre.numerator, metre.denominator) for metre in read.time_signature_changes] == [(4, 4)]
    with wave.open(str(folder / "demo-output/demo.wav")) as sound:
        samples = np.frombuffer(sound.readframes(sound.getnframes()), dtype="<i2").astype(int)
        assert sound.getnframes() / sound.getframerate() >= 30
    assert 500 < np.abs(samples).max() <= 32_000
    for begin, end in spans:  # each child can be heard
        assert np.abs(samples[int(begin * 96_000) : int(end * 96_000)]).max() > 300


def test_the_same_demo_twice_is_the_same_bytes(finished, tmp_path):
    folder, said = finished
    assert run(tmp_path, "--seconds", "10", PYTHONHASHSEED="4711").stdout == said
    for name in ("demo.mid", "demo.wav"):
        assert (tmp_path / "demo-output" / name).read_bytes() == (folder / "demo-output" / name).read_bytes()


def test_every_effort_of_the_simulated_children_is_heard(finished):
    """As many presses as efforts: the summaries say both."""
    _folder, said = finished
    for heard, played in re.findall(r"^(\d+) efforts heard, (\d+) notes played\.$", said, re.MULTILINE):
        assert int(heard) == int(played) >= 4


def test_without_fluidsynth_there_is_still_a_midi_file(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "fluidsynth", None)
    assert main(["demo", "--seconds", "5", "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "No sound file: FluidSynth" in said
    assert "sudo apt install libfluidsynth3" in said
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["demo.mid"]


def test_a_folder_that_cannot_be_made_is_said(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["demo", "--seconds", "5", "--out", str(tmp_path / "file" / "out")]) == 1
    out, err = capsys.readouterr()
    assert re.fullmatch(r"router demo: .*file/out: not a directory\n", err)
    assert out == ""


@pytest.mark.parametrize("seconds", ["0", "4", "601", "ten", "1e3", "-5"])
def test_a_wrong_number_of_seconds_is_wrong_usage(seconds, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["demo", "--seconds", seconds])
    assert ended.value.code == 2
    assert "5 to 600" in capsys.readouterr().err or seconds == "-5"


def heeding_ctrl_c():
    """In the child, before it is the demo: whoever started the tests
    in the background had it ignore Ctrl-C, or hold it back.
    """
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, [signal.SIGINT])


def on_a_terminal(folder: Path, *arguments: str, stop_after: bytes | None = None) -> tuple[bytes, int]:
    """Run it on a real pseudo-terminal of 80 by 24; interrupt it once ``stop_after`` was shown."""
    master, slave = pty.openpty()
    ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "router", "demo", *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "PYTHONUTF8": "1", "COLUMNS": "80", "LINES": "24"},
        stdin=slave,
        stdout=slave,
        stderr=slave,
        preexec_fn=heeding_ctrl_c,  # noqa: PLW1509 - it starts no thread and takes no lock
    )  # fmt: skip
    os.close(slave)
    shown = b""
    while select.select([master], [], [], 60)[0]:
        try:
            piece = os.read(master, 65_536)
        except OSError:  # the other end has closed
            break
        if not piece:
            break
        shown += piece
        if stop_after is not None and stop_after in shown:
            process.send_signal(signal.SIGINT)
            stop_after = None
    os.close(master)
    # Not Popen.wait, which says 0 of a process that somebody else has waited for.
    process.returncode = os.waitstatus_to_exitcode(os.waitpid(process.pid, 0)[1])
    return shown, process.returncode


def test_on_a_terminal_it_is_shown_as_it_happens(tmp_path):
    began = time.monotonic()
    shown, status = on_a_terminal(tmp_path, "--seconds", "5")
    assert status == 0
    assert time.monotonic() - began > 15  # real time: three children, five seconds each
    text = shown.decode()
    for word in ("child 1 of 3", "child 3 of 3", "pressed", "above", "plays zone", "━", "◆", "Next:"):
        assert word in text
    assert text.rstrip().endswith("ear.")
    assert (tmp_path / "demo-output/demo.wav").exists()


def test_ctrl_c_gives_the_terminal_back_and_leaves_nothing_half_written(tmp_path):
    shown, status = on_a_terminal(tmp_path, "--seconds", "60", stop_after=b"child 1 of 3")
    assert status == 130, shown[-2000:]
    assert b"Traceback" not in shown
    assert shown.count(b"\x1b[?25h") >= 1  # the cursor is shown again
    assert list((tmp_path / "demo-output").iterdir()) == []


def test_ctrl_c_that_something_swallows_ends_it_all_the_same():
    with contextlib.ExitStack() as stack:
        pace = stage.Pace(stage.Interrupt(stack), waits=True)
        pace.begin()
        with contextlib.suppress(KeyboardInterrupt):  # as a destructor does
            signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            pace.until(60 * NANOSECONDS, lambda _now: None)
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.parametrize("arguments", [["--seconds", "5"], ["--seconds", "5", "--together"]], ids=["alone", "together"])
@pytest.mark.parametrize("place", ["write", "write and fail", "afterwards"])
def test_ctrl_c_while_the_files_are_written_and_after_counts_too(arguments, place, tmp_path, monkeypatch, capsys):
    """Wherever it comes, and whatever swallows it there."""
    monkeypatch.chdir(tmp_path)

    def swallowed(*_, **__):
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        if place == "write and fail":
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(stage, "ready", lambda _device: (_ for _ in ()).throw(OutputError("no sound, for speed")))
    monkeypatch.setattr(*((MidiFile, "close") if place != "afterwards" else (demo, "say")), swallowed)
    assert main(["demo", *arguments]) == 130
    assert capsys.readouterr().err == ""  # nothing went wrong
    if place != "afterwards":
        assert list((tmp_path / "demo-output").iterdir()) == []
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_ctrl_c_that_is_ignored_stays_ignored():
    """As in the background of a script."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with contextlib.ExitStack() as stack:
            interrupt = stage.Interrupt(stack)
            signal.raise_signal(signal.SIGINT)
            interrupt.look()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_together_on_a_terminal_it_is_shown_as_it_happens(tmp_path):
    began = time.monotonic()
    shown, status = on_a_terminal(tmp_path, "--seconds", "5", "--together")
    assert status == 0
    assert time.monotonic() - began > 5
    text = shown.decode()
    for word in ("the keyboard leads: chord G", "key D major", "wren harp", "lark strings", "━", "◆", "Next:"):
        assert word in text
    assert text.rstrip().endswith("ear.")
    assert (tmp_path / "demo-output/demo-together.svg").exists()


def test_together_ctrl_c_leaves_nothing_half_written(tmp_path):
    shown, status = on_a_terminal(tmp_path, "--seconds", "60", "--together", stop_after=b"the keyboard leads")
    assert status == 130, shown[-2000:]
    assert b"Traceback" not in shown
    assert shown.count(b"\x1b[?25h") >= 1
    assert list((tmp_path / "demo-output").iterdir()) == []


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_together_every_picture_fits_80_by_24_and_is_readable_without_colour(encoding):
    page = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=page, width=80, height=24, force_terminal=True, no_color=True, legacy_windows=False)
    screen = demo_together.TogetherScreen(console, demo_together.profiles_of_the_children(), 60)
    for i, note in enumerate(range(60, 80)):
        screen.event("wren", i * NANOSECONDS // 4, "note_on", {"part": "harp", "note": note})
    screen.event("", 0, "chord", {"name": "F#m7b5/A"})
    screen.event("pipit", 0, "press", {"input": "head", "zone": 8})
    lines = [line.plain for line in screen.lines(NANOSECONDS, 79)]
    assert len(lines) < 24
    assert max(map(len, lines)) <= 79
    "\n".join(lines).encode(encoding)


@pytest.mark.parametrize("act", demo.ACTS, ids=lambda act: act.child)
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_every_picture_fits_80_by_24_and_is_readable_without_colour(act, encoding):
    page = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=page, width=80, height=24, force_terminal=True, no_color=True, legacy_windows=False)
    screen = demo.DemoScreen(console, act, "child 1 of 3", profile.load(profile.find(act.child)), 20)
    for i, note in enumerate(range(60, 80)):  # more notes than there are lines
        part = next(iter(screen._roll._colours)).partition(" ")[2]
        screen.event(act.child, i * NANOSECONDS // 4, "note_on", {"part": part, "note": note})
    lines = [line.plain for line in screen.lines(5 * NANOSECONDS, 79)]
    assert len(lines) < 24
    assert max(map(len, lines)) <= 79
    "\n".join(lines).encode(encoding)


def test_a_pressure_meter_shows_its_thresholds_and_how_far_the_push_is():
    loaded = profile.load(profile.find("lark"))
    shown = meter("cheek", loaded.plan.inputs["cheek"], ASCII)
    for i in range(100):
        shown.sample(PressureSample("cheek", 40.0), i * NANOSECONDS // 100)
    bar, labels = (line.plain for line in shown.lines())
    assert "#" not in bar
    assert bar.count("|") == 3  # off, on, full
    assert [labels[bar.index("|", bar.index("|") + 1) :][:2]] == ["on"]
    shown.sample(PressureSample("cheek", 40.0 + 747.27), NANOSECONDS)  # 3 inH2O: full
    bar = shown.lines()[0].plain
    assert bar.rindex("#") == bar.rindex("|") - 1
    assert "747 Pa above" in bar


def test_a_pointer_meter_shows_where_the_pointer_is_and_which_zone_plays():
    loaded = profile.load(profile.find("pipit"))
    shown = meter("head", loaded.plan.inputs["head"], ASCII)
    shown.sample(PointerSample("head", 0.99, 0.99), 0)
    lines = [line.plain for line in shown.lines()]
    assert [line.count("X") for line in lines] == [0, 0, 0, 0, 0, 1, 0]
    assert lines[5].rstrip().endswith("X|")
    shown.press("head", 8)
    lines = [line.plain for line in shown.lines()]
    assert lines[4].rstrip().endswith("|##########|")
    assert "plays zone 8" in lines[0]


def test_a_roll_stands_still_on_the_time_line_and_scrolls_out():
    roll = Roll(["tune"], ASCII, 4)
    roll.note_on("tune", 60, 0)
    roll.note_off("tune", 60, NANOSECONDS)
    first = roll.lines(2 * NANOSECONDS)[0].plain
    assert first.startswith("         C4 ")
    assert re.search(r"o=+ +\|$", first)
    moved = roll.lines(4 * NANOSECONDS)[0].plain
    assert moved.count("o") == 1
    assert moved.count("=") == first.count("=")
    assert moved.index("o") < first.index("o")
    assert "o" not in roll.lines(20 * NANOSECONDS)[0].plain


def test_what_is_shown_and_said_is_spelt_in_the_key():
    names = Music(4, SCALES["major"]).names
    roll = Roll(["tune"], ASCII, 4, names)
    roll.note_on("tune", 68, 0)
    assert roll.lines(NANOSECONDS)[0].plain.startswith("        G#4 ")
    note = {"part": "tune", "note": 63, "velocity": 80}
    assert stage.event_in_words("note_on", note, {}, names) == "played  tune D#4, velocity 80"
    assert stage.event_in_words("note_off", note, {}, names) == "ended   tune D#4"


def test_a_terminal_without_these_letters_gets_plain_ones():
    assert signs_for("utf-8") is BLOCKS
    assert signs_for("ascii") is ASCII
    assert signs_for("latin-1") is ASCII
    assert signs_for(None) is ASCII
    assert signs_for("no such encoding") is ASCII
