"""``router watch``: pictures of every size, and the command in a real terminal, fed by real conditioning
of simulated children.
"""

from __future__ import annotations

import fcntl
import io
import json
import os
import re
import signal
import struct
import subprocess
import sys
import termios
import time

import pytest
from rich.console import Console

from router.cli import main, watch
from router.cli.screen import ASCII, BLOCKS, Screen
from router.cli.simulated import simulated
from router.core.units import NANOSECONDS
from router.files import profile
from router.offline import simulate
from router.records.trace import TraceWriter
from router.system import clock
from tests.shared.places import ROOT
from tests.shared.serving import serving
from tests.shared.watched import FRAME, Seat


@pytest.fixture
def path(tmp_path):
    return tmp_path / "control"


class Playing:
    """Seats at which simulated children play from the moment at which the first frame is asked for."""

    def __init__(self, **seats):
        self.seats = {name: Seat(child) for name, child in seats.items()}
        self._start = None
        self._samples = {name: self._all(seat) for name, seat in self.seats.items()}
        self._next = {name: next(samples) for name, samples in self._samples.items()}

    @staticmethod
    def _all(seat):
        until = 600 * NANOSECONDS
        return simulate.together(*(simulated(seat.profile, name, until) for name in seat.profile.types))

    def frame(self, now):
        self._start = self._start or now
        frames = {}
        for name, seat in self.seats.items():
            while self._next[name][0] <= now - self._start:
                when, sample = self._next[name]
                seat.hear(sample, when)
                self._next[name] = next(self._samples[name])
            frames[name] = seat.frame(now - self._start)
        return frames

    def answer(self, request, reply):
        seats = {
            name: {"child": seat.profile.child, "inputs": {each: {} for each in seat.profile.types}}
            for name, seat in self.seats.items()
        }
        reply({"ok": True, "status": {"seats": seats}, "asked": request})


def frames(seconds, **seats):
    """So many seconds of frames, as fast as they can be made."""
    playing = Playing(**seats)
    return [
        {"frame": at / NANOSECONDS, "seats": playing.frame(1 + at)} for at in range(0, seconds * NANOSECONDS, FRAME)
    ]


def drawn(all_frames, size, signs=BLOCKS, away=""):
    history = watch.LastSeconds()
    for frame in all_frames:
        history.add(frame)
    return [line.plain for line in watch.whole_screen(all_frames[-1], history, signs, size, away)]


# --- pictures ---------------------------------------------------------------------------------------------------

SEATS = [{"bed": "lark"}, {"bed": "pipit"}, {"bed": "wren"}, {"bed": "lark", "chair": "pipit", "floor": "wren"}]


@pytest.fixture(scope="module", params=SEATS, ids=lambda seats: "-".join(seats.values()))
def played(request):
    return frames(6, **request.param)


@pytest.mark.parametrize("size", [(79, 24), (39, 12), (19, 5), (9, 2), (300, 100)])
@pytest.mark.parametrize("signs", [BLOCKS, ASCII], ids=["blocks", "ascii"])
def test_a_picture_fits_and_needs_no_colour_and_no_letters_that_are_not_there(played, size, signs):
    lines = drawn(played, size, signs)
    assert len(lines) == size[1]
    assert max(map(len, lines)) <= size[0]
    if signs is ASCII:
        "\n".join(lines).encode("ascii")


def test_a_pressure_is_drawn_with_its_thresholds_its_rest_level_and_its_presses():
    lines = drawn(frames(8, bed="lark"), (79, 24), ASCII)
    assert lines[0].strip() == "bed: lark"
    assert lines[1].startswith(" cheek      ")
    assert lines[1].count("|") == 3  # off, on, full
    for word in ("on", "full"):
        assert word in lines[2]
    labels = {line.split()[-1] for line in lines[3:-2] if line.split()}
    assert {"full", "on", "rest"} <= labels
    presses = next(line for line in lines if line.startswith(" presses"))
    assert presses.count("o") >= 2
    assert re.search(r"o=+", presses)
    assert any("#" in line for line in lines[3:12])
    assert lines[-1].startswith(" cheek.above")


def test_a_pointer_is_drawn_in_its_zones_with_those_that_played():
    lines = drawn(frames(12, bed="pipit"), (79, 24), ASCII)
    grid = [line for line in lines if line.count("|") >= 5 or "+--" in line]
    assert len(grid) >= 5
    assert sum(line.count("X") for line in grid) == 1
    presses = next(line for line in lines if line.startswith(" presses"))
    assert re.search(r"[1-8]=+", presses)


def test_a_switch_is_drawn_with_its_presses():
    lines = drawn(frames(8, bed="wren"), (39, 12), ASCII)
    assert re.fullmatch(r" finger     [#.]{10,} (pressed|up)", lines[1])
    assert re.search(r"=+\.+o=+", lines[2])


def test_on_a_low_terminal_what_matters_most_stays_and_what_is_left_out_is_said():
    played = frames(4, bed="lark", chair="pipit", floor="wren")
    lines = drawn(played, (79, 4), ASCII)
    assert lines[1].startswith(" cheek")
    assert "2 more: router watch INPUT" in lines[-1]


def test_the_trace_stands_still_on_the_time_line():
    played = frames(8, bed="lark")

    def presses(count):
        return next(line for line in drawn(played[:count], (79, 24), ASCII) if line.startswith(" presses"))[12:]

    before, after = presses(150), presses(175)  # a second is ten columns
    assert "o" in before[20:40]
    assert after[10:30] == before[20:40]


def test_another_child_is_said_and_begins_anew():
    first, second = frames(3, bed="lark"), frames(3, bed="wren")
    history = watch.LastSeconds()
    for frame in [*first, second[0]]:
        history.add(frame)
    lines = [line.plain for line in watch.whole_screen(second[0], history, ASCII, (79, 24), "")]
    assert lines[0].strip() == "bed: wren"
    assert lines[-1].startswith(" wren plays now")
    assert "o" not in next(line for line in lines if line.startswith(" presses"))[12:]


def test_what_is_missing_and_what_is_not_there():
    (frame,) = frames(1, bed="lark")[-1:]
    frame["seats"]["bed"]["inputs"]["cheek"]["there"] = False
    assert "missing" in drawn([frame], (39, 12))[1]
    frame["seats"]["bed"]["inputs"].clear()
    assert drawn([frame], (39, 12))[1] == " nothing called that here"


SIDE = {"on": 1.0, "off": 0.6, "full": 5.0}


def sipping(value, pressed=(), presses=0):
    """A frame of an input with two sides, the upper one with a firmer press."""
    heard = {
        "type": "pressure", "there": True, "now": value, "heard": 0.0, "pressed": list(pressed), "presses": presses,
        "low": value, "high": value, "unit": "cmH2O", "rest": 10.0, "above": {**SIDE, "firm": 3.0}, "below": SIDE,
    }  # fmt: skip
    return {"child": "wren", "inputs": {"tube": heard}, "events": [], "missed": 0}


def test_both_sides_of_a_pressure_and_its_firmer_press():
    values = [10.0, 13.5, 10.0, 6.0, 10.0]
    played = [
        {
            "frame": i / 10,
            "seats": {"bed": sipping(value, ["tube.above"] * (value > 11) + ["tube.below"] * (value < 9))},
        }
        for i, value in enumerate(values)
    ]
    lines = drawn(played[:4], (79, 24), ASCII)
    above, below = lines[1], lines[3]
    assert above.endswith(" cmH2O above")
    assert above.count("|") == 4
    assert "#" not in above
    assert below.count("|") == 3
    assert 3 * len("#") < below.count("#")
    assert "-4.00 cmH2O below" in below
    assert "firm" in lines[2]
    trace = {line.split()[-1]: line for line in lines[5:-2] if line.split()}
    assert {"full", "firm", "on", "rest"} <= set(trace)
    column = lines[5].index(" full") - 1  # now
    drawn_now = [y for y, line in enumerate(lines[5:16]) if line[column : column + 1] == "#"]
    rest = next(y for y, line in enumerate(lines[5:16]) if line.endswith(" rest"))
    assert drawn_now
    assert min(drawn_now) > rest  # below it
    before = [y for y, line in enumerate(lines[5:16]) if line[column - 2] == "#"]
    assert max(before) < rest


@pytest.mark.parametrize(("columns", "rows"), [(16, 16), (1, 1), (2, 8), (16, 1)])
@pytest.mark.parametrize("size", [(79, 24), (39, 12), (20, 4)])
def test_any_grid_fits(columns, rows, size):
    heard = {
        "type": "pointer", "there": True, "now": [0.99, 0.01], "heard": 0.0, "pressed": ["head"], "presses": 1,
        "place": [0.99, 0.01], "columns": columns, "rows": rows, "resting": [1], "zone": columns,
    }  # fmt: skip
    seat = {"child": "wren", "inputs": {"head": heard}, "events": [], "missed": 0}
    lines = drawn([{"frame": 1.0, "seats": {"bed": seat}}], size, ASCII)
    assert len(lines) == size[1]
    assert max(map(len, lines)) <= size[0]
    if size[0] > 12 + columns:
        assert sum(line.count("X") for line in lines) == 1
    if columns > 1 and size == (79, 24):
        assert "plays zone" in lines[1]
        assert any("." in line for line in lines[2:4])  # the zone where the head may rest


@pytest.mark.parametrize(
    ("event", "fields", "says"),
    [
        ("press", {"input": "cheek.above", "strength": 0.434}, "cheek.above pressed, strength 0.43"),
        ("press", {"input": "head", "strength": 0.5, "zone": 3}, "head pressed, strength 0.50, zone 3"),
        ("release", {"input": "pad"}, "pad let go"),
        ("reject", {"input": "pad", "by": "accept"}, "pad: not counted (accept)"),
        ("fault", {"input": "cheek", "error": "frozen"}, "cheek: frozen"),
        ("fault", {"part": "tune", "rule": "chord", "place": "wren.yaml:3", "error": "no \x1b"}, "tune: no \ufffd"),
        ("mark", {"text": "smiled"}, "marked: smiled"),
        ("lost", {"input": "pad"}, "pad has gone"),
        ("found", {"input": "pad"}, "pad is there"),
        ("limit", {"part": "tune"}, "limit tune"),
    ],
)
def test_what_happened_in_words(event, fields, says):
    assert watch._in_words({"ago": 0.0, "event": event, "fields": fields}) == says


class AtOnce(Screen):
    """Draws in the thread of whoever shows."""

    show = Screen.draw


def test_only_what_has_changed_is_sent():
    page = io.StringIO()
    console = Console(file=page, width=80, height=24, force_terminal=True, color_system=None, legacy_windows=False)
    view = watch.Pictures(AtOnce(console), ASCII)
    first, *_, before, last = frames(3, bed="wren")
    view.frame(first)
    whole = len(page.getvalue())
    assert page.getvalue().count("\x1b[2J") == 1
    sizes = []
    for frame in (before, last, last):
        page.seek(0)
        page.truncate()
        view.frame(frame)
        sizes.append(len(page.getvalue()))
    assert sizes[0] < whole
    assert sizes[2] == 0


# --- the command ------------------------------------------------------------------------------------------------


def resize(program, columns, rows):
    fcntl.ioctl(program.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))


def shown_lines(shown):
    """Every piece that was written: its row, and its letters."""
    for row, text in re.findall(
        r"\x1b\[(\d+);1H\x1b\[0?K((?:(?!\x1b\[\d+;1H)[^\r\n])*)", shown.decode(errors="replace")
    ):
        yield int(row), re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", text)


@pytest.fixture
def watching(path, in_terminal, monkeypatch):
    """Starts the command in a terminal."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("PYTHONUTF8", "1")
    for name in ("COLUMNS", "LINES", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
        os.unsetenv(name)  # the readline library, which pytest loads, has put them where Python does not see them

    def start(*arguments):
        return in_terminal(sys.executable, "-m", "router", "watch", "--socket", str(path), *arguments)

    return start


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 12)])
def test_in_a_terminal_until_q(path, watching, columns, rows):
    playing = Playing(bed="lark")
    with serving(path, playing.answer, frame=playing.frame):
        program = watching()
        resize(program, columns, rows)
        program.wait_for(b"bed: lark")
        program.wait_for(b"pressed, strength")
        program.wait_for(b"let go")
        before = len(program.shown)
        program.type(b"q")
        program.wait_for(b"\x1b[?1049l\x1b[?25h")
        assert program.process.wait(30) == 0
    assert b"\x1b[?1049h" in program.shown[:before]
    assert b"Traceback" not in program.shown
    pieces = list(shown_lines(program.shown[program.shown.rindex(b"\x1b[2J") : before]))
    assert len(pieces) > rows
    assert max(row for row, _ in pieces) <= rows
    assert max(len(text) for _, text in pieces) < columns


@pytest.mark.parametrize("end", [b"\x03", "SIGTERM"])
def test_ctrl_c_and_sigterm_give_the_terminal_back(path, watching, end):
    playing = Playing(bed="wren")
    with serving(path, playing.answer, frame=playing.frame):
        program = watching()
        before = termios.tcgetattr(program.master)
        program.wait_for(b"bed: wren")
        assert not termios.tcgetattr(program.master)[3] & termios.ECHO
        if end == "SIGTERM":
            program.process.send_signal(signal.SIGTERM)
        else:
            program.type(end)
        program.wait_for(b"\x1b[?1049l")
        assert program.process.wait(30) == 0
        assert termios.tcgetattr(program.master)[3] == before[3] or before[3] & termios.ECHO == 0
        assert b"Traceback" not in program.shown


def test_it_goes_on_when_the_router_is_started_anew(path, watching):
    playing = Playing(bed="wren")
    with serving(path, playing.answer, frame=playing.frame):
        program = watching()
        program.wait_for(b"bed: wren")
    program.wait_for(b"no news: ")
    playing = Playing(bed="lark")
    with serving(path, playing.answer, frame=playing.frame):
        program.wait_for(b"lark plays now")
        program.wait_for(b"cheek.above pressed")
        program.type(b"q")
        assert program.process.wait(30) == 0


def test_a_terminal_that_knows_only_ascii_and_no_colour(path, watching, monkeypatch):
    monkeypatch.setenv("PYTHONUTF8", "0")
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    monkeypatch.setenv("NO_COLOR", "1")
    playing = Playing(bed="pipit")
    with serving(path, playing.answer, frame=playing.frame):
        program = watching("head")
        program.wait_for(b"head pressed")
        program.type(b"q")
        assert program.process.wait(30) == 0
    program.shown.decode("ascii")
    assert b"+--" in program.shown
    assert not re.search(rb"\x1b\[[0-9;]*3[0-7][;m]", program.shown)


def test_a_dumb_terminal_gets_lines(path, watching, monkeypatch):
    monkeypatch.setenv("TERM", "dumb")
    playing = Playing(bed="wren")
    with serving(path, playing.answer, frame=playing.frame):
        program = watching()
        program.wait_for(b"bed wren: finger")
        program.type(b"\x03")
        assert program.process.wait(30) == 0
    assert b"\x1b" not in program.shown


def piped(path, *arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "router", "watch", "--socket", str(path), *arguments],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_line_a_second_where_there_is_no_terminal(path):
    playing = Playing(bed="lark", chair="wren")
    with serving(path, playing.answer, frame=playing.frame), piped(path) as program:
        lines = [program.stdout.readline() for _ in range(4)]
        program.terminate()
        assert program.wait(30) == 0
    for line in lines:
        assert re.match(
            r"\d\d:\d\d:\d\d bed lark: cheek \S+ inH2O \(\S+ to \S+\)( \d press(es)?)?; chair wren: finger ", line
        )
    assert any("press;" in line or "presses;" in line for line in lines)


def test_plain_lines_go_on_when_the_router_is_started_anew(path):
    playing = Playing(bed="wren")
    with piped(path, "--plain") if not path.exists() else None as first:  # nobody is there yet
        assert first.wait(30) == 1
        assert "no router is running" in first.stderr.read()
    with serving(path, playing.answer, frame=playing.frame):
        program = piped(path, "--plain")
        assert "bed wren" in program.stdout.readline()
    with program:
        while "no news: " not in (line := program.stdout.readline()):
            assert line
        playing = Playing(bed="wren")
        with serving(path, playing.answer, frame=playing.frame):
            assert "bed wren" in program.stdout.readline()
            program.terminate()
            assert program.wait(30) == 0


def test_frames_for_a_program_and_only_of_what_was_asked_for(path):
    playing = Playing(bed="lark", chair="wren")
    with serving(path, playing.answer, frame=playing.frame), piped(path, "--json", "cheek", "--seat", "bed") as program:
        frame = json.loads(program.stdout.readline())
        program.terminate()
        assert program.wait(30) == 0
    assert [*frame["seats"]] == ["bed"]
    assert [*frame["seats"]["bed"]["inputs"]] == ["cheek"]


def test_it_ends_when_nobody_reads_any_more(path):
    playing = Playing(bed="wren")
    with serving(path, playing.answer, frame=playing.frame), piped(path, "--json") as program:
        program.stdout.readline()
        program.stdout.close()
        assert program.wait(30) == 0
        assert program.stderr.read() == ""


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["cheeck"], 'there is no input called "cheeck". Did you mean "cheek"? There is "cheek".'),
        (["cheek", "--seat", "bad"], 'there is no seat called "bad". Did you mean "bed"? There is "bed".'),
    ],
)
def test_what_is_not_there_to_watch(path, capsys, arguments, says):
    playing = Playing(bed="lark")
    with serving(path, playing.answer, frame=playing.frame):
        assert main(["watch", *arguments, "--socket", str(path)]) == 1
    assert capsys.readouterr().err == says + "\n"


# --- recordings -------------------------------------------------------------------------------------------------


@pytest.fixture
def recording(tmp_path):
    """Three seconds of lark's simulated child."""
    loaded, path = profile.load(profile.find("lark")), tmp_path / "lark.jsonl"
    with path.open("w", encoding="utf-8") as file:
        writer = TraceWriter(file)
        for when, sample in simulated(loaded, "cheek", 3 * NANOSECONDS):
            writer.write(when, sample)
    return path


def test_a_recording_is_shown_as_the_router_would_have_shown_it():
    loaded = profile.load(profile.find("lark"))
    recorded = [*watch.frames(loaded, simulated(loaded, "cheek", 10 * NANOSECONDS))]
    assert [frame["frame"] for frame in recorded] == [pytest.approx(n / 25) for n in range(1, len(recorded) + 1)]
    assert len(recorded) in (249, 250)
    inputs = [frame["seats"]["recording"]["inputs"]["cheek"] for frame in recorded]
    live = Seat("lark").frames(10)[-1]["inputs"]["cheek"]
    assert inputs[-1]["presses"] == live["presses"] > 2
    assert {key: inputs[-1][key] for key in ("unit", "above")} == {key: live[key] for key in ("unit", "above")}
    assert inputs[-1]["rest"] == pytest.approx(live["rest"], abs=0.05)
    assert any("cheek.above" in shown["pressed"] for shown in inputs)
    other = next(watch.frames(loaded, simulated(loaded, "cheek", NANOSECONDS), "pad"))
    assert other["seats"]["recording"]["inputs"] == {}


def test_a_recording_in_a_terminal_stays_until_q(recording, watching):
    program = watching("cheek", "--trace", str(recording), "--profile", "lark")
    program.wait_for(b"recording: lark")
    program.wait_for(b"cheek.above pressed")
    program.wait_for(b"that was all")
    program.type(b"q")
    program.wait_for(b"\x1b[?1049l")
    assert program.process.wait(30) == 0
    assert b"Traceback" not in program.shown


def test_a_recording_for_a_program_ends_by_itself(path, recording):
    with piped(path, "--json", "--trace", str(recording), "--profile", "lark") as program:
        shown = [json.loads(line) for line in program.stdout]
        assert program.wait(30) == 0
        assert program.stderr.read() == ""
    assert len(shown) in (74, 75)
    assert shown[-1]["seats"]["recording"]["child"] == "lark"


def test_a_recording_that_cannot_be_shown(tmp_path, recording, capsys):
    words = ["watch", "--profile", "lark", "--trace"]
    assert main([*words, str(tmp_path / "none.jsonl")]) == 1
    assert capsys.readouterr().err == f"{tmp_path}/none.jsonl: no such file or directory\n"
    assert main(["watch", "cheeck", *words[1:], str(recording)]) == 1
    assert 'Did you mean "cheek"?' in capsys.readouterr().err
    recording.write_text('{"trace": 1}\nnot a line\n')
    assert main([*words, str(recording)]) == 1
    assert capsys.readouterr().err.startswith(f"{recording}:2:1: ")
    assert main([*words[:3]]) == 2
    assert main([*words, str(recording), "--seat", "bed"]) == 2
    assert capsys.readouterr().err.count("--trace and --profile go together") == 2


def test_25_frames_a_second_are_drawn_with_time_to_spare():
    """Counted in the processor's time, so that a busy machine does not matter."""
    page = io.StringIO()
    console = Console(file=page, width=80, height=24, force_terminal=True, legacy_windows=False)
    view = watch.Pictures(AtOnce(console), BLOCKS)
    played = frames(4, bed="pipit", chair="lark")
    begun = clock.processor_time()
    for frame in played:
        view.frame(frame)
    a_frame = (clock.processor_time() - begun) / len(played)
    time.sleep(0)
    assert a_frame < FRAME
