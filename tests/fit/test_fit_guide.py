"""Guided measurement: the steps and their marks on virtual time, then the whole thing in a terminal
with a sensor on a pty.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import sys
import time

import pytest

from router import fit
from router.cli import main
from router.cli.screen import large
from router.cli.simulated import child
from router.core.events import Mark, PressureSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.files import profile
from router.fit.guide import BACK, MARK, ON, PAUSE, STEPS, Guide
from tests.shared.measured import session
from tests.simulated_sensor import Sensor

SECOND = NANOSECONDS


def marks(guide: Guide, now: float) -> list[tuple[float, str]]:
    return [(t / SECOND, sample.text) for t, sample in guide.recorded(round(now * SECOND)) if isinstance(sample, Mark)]


def say(guide: Guide, *said: tuple[float, str]) -> None:
    for t, word in said:
        guide.say(word, round(t * SECOND))


def test_what_nobody_asked_for_is_paused_and_a_rest_waits_for_it():
    """A cough in the rest and one among the efforts: neither is judged from a second before the key was pressed."""
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, MARK), (10, PAUSE), (11, PAUSE))
    assert guide.paused
    assert guide.seconds_left(round(14 * SECOND)) == 13  # 20, of which 7 counted
    guide.wake(60 * SECOND)
    assert guide.step.name == "rest"
    say(guide, (60, MARK))
    assert not guide.paused
    assert guide.deadline() == 73 * SECOND
    guide.wake(73 * SECOND)
    assert guide.step.name == "efforts"
    say(guide, (75, MARK), (78, MARK), (80.5, PAUSE), (90, MARK), (94, MARK), (97, ON))
    assert marks(guide, 98) == [
        *((0, "pause"), (2, "rest"), (9, "pause"), (60, "rest"), (73, "end"), (73, "pause")),
        *((78, "effort"), (79.5, "pause"), (90, "effort"), (94, "effort"), (97, "pause")),
    ]
    samples = [(t * SECOND, PressureSample("cheek", 1.0)) for t in range(98)]
    found = fit.record(sorted([*samples, *guide.recorded(98 * SECOND)], key=lambda each: each[0]), "cheek")
    assert found.seconds_of_rest == 20
    assert found.unjudged(85 * SECOND)
    assert not found.unjudged(92 * SECOND)


def test_a_step_in_which_only_a_pause_was_marked_is_one_stretch_of_efforts():
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, MARK), (12, ON), (15, MARK), (18, PAUSE))
    assert not guide.enough
    say(guide, (30, ON))
    assert marks(guide, 31)[-3:] == [(15, "effort"), (30, "end"), (30, "pause")]


def test_each_step_leaves_its_marks():
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, MARK))
    assert guide.step.name == "rest"
    assert guide.running
    assert guide.seconds_left(round(4.5 * SECOND)) == 18
    guide.wake(23 * SECOND)  # later than it was over
    assert guide.step.name == "efforts"
    say(guide, (25, MARK), (26, MARK), (29, MARK), (32, MARK), (35, ON))
    assert guide.step.name == "long"
    say(guide, (36, MARK), (40, MARK))
    assert guide.finished
    assert guide.enough
    assert marks(guide, 41) == [
        *((0, "pause"), (2, "rest"), (22, "end"), (22, "pause")),
        *((26, "effort"), (29, "effort"), (32, "effort"), (35, "pause")),
        *((36, "effort"), (40, "end"), (40, "pause")),
    ]


def test_after_ten_efforts_it_goes_on_by_itself():
    guide = Guide("switch", "wren", 0)
    say(guide, (1, ON), (2, MARK))
    guide.wake(22 * SECOND)
    say(guide, (23, MARK), *((24 + 2 * i, MARK) for i in range(10)))
    assert guide.marked == 10
    assert not guide.finished
    assert guide.deadline() == round(44.5 * SECOND)
    guide.wake(guide.deadline())
    assert guide.finished


def test_what_was_done_in_vain_is_taken_back_and_not_judged():
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, MARK), (9, BACK))  # a cough: rest once more
    assert (guide.step.name, guide.running) == ("rest", False)
    say(guide, (10, MARK))
    guide.wake(30 * SECOND)
    say(guide, (31, MARK), (33, MARK), (36, MARK), (38, BACK))
    say(guide, (40, MARK), (42, MARK), (45, MARK), (48, MARK), (50, ON))
    assert marks(guide, 51) == [
        *((0, "pause"), (1, "pause"), (10, "rest"), (30, "end"), (30, "pause")),
        *((32, "pause"), (42, "effort"), (45, "effort"), (48, "effort"), (50, "pause")),
    ]
    guide.sample(PressureSample("cheek", 1.0), 51 * SECOND)
    recording = fit.record(guide.recorded(51 * SECOND), "cheek")
    assert recording.rests == [(10 * SECOND, 30 * SECOND)]
    assert recording.unjudged(35 * SECOND)
    assert not recording.unjudged(43 * SECOND)


def test_back_from_a_step_that_waits_leads_to_the_one_before():
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, BACK))
    assert guide.step.name == "hear"
    say(guide, (3, BACK))
    assert guide.step.name == "hear"
    assert not guide.measured


def test_nobody_marks_an_effort_and_the_whole_step_is_a_stretch_of_them():
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, MARK))
    guide.wake(22 * SECOND)
    say(guide, (30, MARK), (50, ON), (51, ON))
    assert guide.finished
    assert [(t, word) for t, word in marks(guide, 51) if word in ("effort", "end") and t > 22] == [
        (30, "effort"),
        (50, "end"),
    ]


def test_a_rest_that_is_cut_short_is_whole_at_any_moment():
    guide = Guide("pressure", "lark", 0)
    say(guide, (1, MARK), (2, MARK))
    assert marks(guide, 7) == [(0, "pause"), (2, "rest"), (7, "end")]


def test_every_word_can_be_shown_large():
    for steps in STEPS.values():
        for step in steps:
            rows = large(f"{step.big} 0123456789", "#", 200)
            assert len(rows) == 5
            assert len({len(row) for row in rows}) == 1
            assert len(large(f"{step.big} 20", "#")[0]) < 78
            for sentence in (*step.before, *step.during):
                sentence.format(child="wren")


@pytest.mark.parametrize(
    ("name", "shipped"), [("cheek", "lark"), ("breath", "siskin"), ("head", "pipit"), ("finger", "wren")]
)
def test_the_simulated_child_does_what_is_asked_and_is_fitted(name, shipped):
    """The same code as ``--practise``, on virtual time: rest, then ten efforts, each marked when it is asked for."""
    loaded = profile.load(profile.find(shipped))
    guide = Guide(loaded.types[name], shipped, 0)
    last = 0
    for t, sample in child(loaded, name, lambda: guide.asked):
        guide.sample(sample, t)
        guide.wake(t)
        if not guide.running:
            guide.say(ON if guide.step.name == "long" else MARK, t)
        elif guide.step.name == "efforts" and guide.marked < 10 and t > last + 3.2 * SECOND:
            guide.say(MARK, t)
            last = t
        if guide.step.name == "rest":
            last = t
        if guide.finished:
            break
    make = loaded.plan.inputs[name]
    found = fit.fit(fit.record(guide.recorded(t), name), make(iter(range(99)).__next__, Alarm(Timers(), 0)))
    assert found.heard.efforts == 10
    assert found.heard.heard >= 9
    assert found.heard.false == found.heard.elsewhere == 0


# --- in a terminal ------------------------------------------------------------------------------------------------


@pytest.fixture
def sensor():
    made = Sensor(profile.load(profile.find("lark")), "cheek")
    made.start()
    yield made
    made.close()


@pytest.fixture
def lark(tmp_path, sensor):
    """The profile of a child whose sensor is on that pty."""
    text = (profile.shipped() / "lark.yaml").read_text()
    path = tmp_path / "lark.yaml"
    path.write_text(re.sub(r'serial: "[^"]*"', f'serial: "{sensor.path}"', text))
    return path


def router(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "router", *arguments]


def test_a_child_is_fitted_in_a_terminal_with_a_sensor_on_a_pty(tmp_path, lark, sensor, in_terminal):
    program = in_terminal(*router("fit", "cheek", "--profile", str(lark), "--report", str(tmp_path / "page.html")))
    program.wait_for(b"rest")
    program.type(b" ")
    program.wait_for(b"Ask for nothing. Breathing")
    program.type(b" ")
    program.wait_for(b"as gentle as lark likes")  # after twenty seconds
    program.type(b" ")
    program.wait_for(b"Fewer than ten are enough")
    for _ in range(6):
        sensor.asked += 1
        program.type(b" ")
        time.sleep(2.8)  # nobody reads what is shown meanwhile, as on a bad line: it must not hold up measuring
    program.wait_for(b"that is enough")
    program.type(b"\r")
    program.wait_for(b"held as long as lark likes")
    program.type(b"\r")
    program.wait_for(b"The recording is kept in")
    program.wait_for(b"6 of 6 efforts would have been heard")
    program.wait_for(b"Write this into")
    program.type(b"y\n")
    program.wait_for(b"lark.yaml.old")
    assert program.process.wait(30) == 0
    written = profile.load(lark)
    assert written.plan.inputs["cheek"](iter(range(9)).__next__, None).settings.above.on > 200
    assert "half an inch of water" in lark.read_text()  # what a person wrote beside it
    assert (tmp_path / "lark.yaml.old").exists()
    assert (tmp_path / "page.html").exists()
    assert (tmp_path / "page.png").read_bytes().startswith(b"\x89PNG")
    (kept,) = tmp_path.glob("lark-cheek-*.jsonl")
    assert kept.stat().st_mode & 0o777 == 0o600
    header = json.loads(kept.read_text().splitlines()[0])
    assert (header["child"], header["input"]) == ("lark", "cheek")
    # It can be repeated from the recording, and says the same.
    assert main(["fit", "cheek", "--profile", str(lark), "--trace", str(kept)]) == 0


def test_whoever_stops_keeps_what_was_measured(tmp_path, lark, in_terminal):
    program = in_terminal(*router("fit", "cheek", "--profile", str(lark), "--keep", str(tmp_path / "kept")))
    program.wait_for(b"cannot be kept")  # no such folder, said before anything is measured
    assert program.process.wait(30) == 1
    (tmp_path / "kept").mkdir()
    program = in_terminal(*router("fit", "cheek", "--profile", str(lark), "--keep", str(tmp_path / "kept")))
    program.wait_for(b"rest")
    program.type(b" ")
    program.wait_for(b"Ask for nothing. Breathing")
    program.type(b" ")
    program.wait_for(b"It ends by itself")
    time.sleep(1)
    program.type(b"q")
    program.wait_for(b"Stopped. What was measured is kept in")
    assert program.process.wait(30) == 130
    (kept,) = (tmp_path / "kept").iterdir()
    lines = [json.loads(line) for line in kept.read_text().splitlines()]
    assert [line["mark"] for line in lines if "mark" in line] == ["pause", "rest", "end"]
    assert sum("pascal" in line for line in lines) > 100


def test_nothing_is_kept_of_nothing(tmp_path, lark, in_terminal):
    program = in_terminal(*router("fit", "cheek", "--profile", str(lark)))
    program.wait_for(b"rest")
    program.type(b"\x03")
    program.wait_for(b"nothing is kept")
    assert program.process.wait(30) == 130
    assert not list(tmp_path.glob("*.jsonl"))


def test_a_device_that_another_program_holds_is_told(tmp_path, lark, sensor, in_terminal):
    import serial

    with serial.Serial(sensor.path, exclusive=True):
        program = in_terminal(*router("fit", "cheek", "--profile", str(lark)))
        program.wait_for(b"start.")
        said = b" ".join(program.shown.split())  # however its lines are wrapped
        assert b"another program uses it" in said
        assert b"systemctl stop router" in said
        assert program.process.wait(30) == 1
    assert not list(tmp_path.glob("*.jsonl"))


def test_a_second_switch_goes_on(lark, in_terminal):
    """A switch on a second pty stands in for the space bar."""
    master, slave = os.openpty()
    text = lark.read_text().replace(
        "\nparts:", f'\n  helper: {{type: switch, device: {{serial: "{os.ttyname(slave)}"}}}}\nparts:', 1
    )
    lark.write_text(text.replace("input: cheek.above", "input: [cheek.above, helper]", 1))
    assert profile.check(lark) == []
    program = in_terminal(*router("fit", "cheek", "--profile", str(lark), "--next", "helper"))
    program.wait_for(b"rest")
    os.write(master, b"0\n")
    time.sleep(1)  # what is pressed as we begin to listen may have been for long
    os.write(master, b"1\n0\n")
    program.wait_for(b"Ask for nothing. Breathing")
    program.type(b"q")
    assert program.process.wait(30) == 130
    os.close(master)
    os.close(slave)


def test_a_child_to_practise_on_needs_no_device(tmp_path, in_terminal):
    shutil.copy(profile.shipped() / "wren.yaml", tmp_path)
    program = in_terminal(*router("fit", "finger", "--profile", str(tmp_path / "wren.yaml"), "--practise"))
    program.wait_for(b"simulated child")
    program.type(b"q")
    assert program.process.wait(30) == 130


def test_what_is_no_childs_own_is_not_written(tmp_path, lark, capsys):
    recording = tmp_path / "session.jsonl"
    recording.write_text(session())
    before = (profile.shipped() / "lark.yaml").read_text()
    assert main(["fit", "cheek", "--profile", "lark", "--trace", str(recording), "--write"]) == 2
    assert "cp " in capsys.readouterr().err
    assert (profile.shipped() / "lark.yaml").read_text() == before
    assert main(["fit", "cheek", "--profile", str(lark), "--practise", "--write"]) == 2


def test_without_a_terminal_it_says_what_to_do(lark, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert main(["fit", "cheek", "--profile", str(lark)]) == 1
    assert "needs a terminal" in capsys.readouterr().err


# --- the page -----------------------------------------------------------------------------------------------------


def test_a_page_without_matplotlib_says_how_to_get_it(tmp_path, lark, capsys, monkeypatch):
    recording = tmp_path / "session.jsonl"
    recording.write_text(session())
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    arguments = ["fit", "cheek", "--profile", str(lark), "--trace", str(recording)]
    assert main([*arguments, "--report", str(tmp_path / "page.html")]) == 1
    assert "[report]" in capsys.readouterr().err
    assert not (tmp_path / "page.html").exists()


def test_a_page_holds_its_picture_and_no_other_file_or_script(tmp_path, lark, capsys):
    lark.write_text(lark.read_text().replace("child: lark", "child: l-ark"))
    recording = tmp_path / "session.jsonl"
    recording.write_text(session())
    page = tmp_path / "page.html"
    arguments = ["fit", "cheek", "--profile", str(lark), "--trace", str(recording), "--report", str(page)]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    text = page.read_text()
    on = re.search(r"above.on +(\S+ \S+)", said)[1]
    assert on.replace(" ", "\u00a0") in text
    assert "<svg" in text
    assert "l-ark" in text
    assert not re.search(r"<script|<link|src=|@import|url\(http", text)
    assert (tmp_path / "page.png").stat().st_size > 10_000
    before = text, (tmp_path / "page.png").read_bytes()
    assert main(arguments) == 0
    assert (page.read_text(), (tmp_path / "page.png").read_bytes()) == before  # the same recording, the same page
