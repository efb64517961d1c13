"""From a hand on a sensor to the report: the service between a real serial line and a real MIDI port, its records,
and what is made of them.
"""

import json
import subprocess
import time

import pytest

from router.files import profile
from router.records.record_files import LOG, TRACE
from tests.shared.bedside import WREN, plays
from tests.shared.parts import ROUTER
from tests.shared.waiting import until

pytestmark = pytest.mark.usefixtures("jack_server")


@pytest.fixture
def bedside(bedside):
    bedside[0].start()
    return bedside


def report(*words):
    done = subprocess.run(
        [*ROUTER, "report", *map(str, words), "--json"], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def one(pc, ending):
    (path,) = (path for path in (pc.records / "wren").iterdir() if path.name.endswith(ending))
    return path


def press(sensor, listener, count=1):
    for _ in range(count):
        plays(listener, sensor, WREN)
        time.sleep(0.1)


def test_what_was_recorded_gives_the_same_report_when_it_is_played_again(bedside, tmp_path):
    pc, listener, sensor = bedside
    press(sensor, listener)  # before anything is recorded: the sensor is there
    pc.ask(do="mark", text="record")
    pc.ask(do="mark", text="playing")
    press(sensor, listener, 3)
    pc.ask(do="mark", text="cue")
    press(sensor, listener)
    pc.ask(do="mark", text="smiled <b>")
    assert pc.stop() == 0
    live = report("wren", "--config", pc.config)
    assert live["not_used"] == []
    trace = one(pc, TRACE)
    played = tmp_path / "played.jsonl"
    done = subprocess.run(
        [*ROUTER, "play", trace, "--profile", pc.profiles / "wren.yaml", "--log", played],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    again = report(played)
    (one_, other) = live["sessions"][0]["playing"], again["sessions"][0]["playing"]
    assert one_["presses"] == other["presses"] == 4
    assert (one_["cues"], one_["no_response"]) == (other["cues"], other["no_response"]) == (1, 0)
    for figure in ("hold", "between", "answer"):
        assert one_[figure]["count"] == other[figure]["count"]
        assert one_[figure]["median"] == pytest.approx(other[figure]["median"], abs=0.002), figure
    assert live["sessions"][0]["profile"] == again["sessions"][0]["profile"]


def test_what_was_logged_is_what_the_hand_did(bedside, tmp_path):
    """Without a recording: the log's own presses as a trace, played again, give the very same figures."""
    pc, listener, sensor = bedside
    press(sensor, listener, 3)
    pc.ask(do="mark", text="cue")
    press(sensor, listener)
    assert pc.stop() == 0
    lines = [json.loads(line) for line in one(pc, LOG).read_text(encoding="utf-8").splitlines()]
    trace = tmp_path / "made.jsonl"
    with trace.open("w") as file:
        file.write('{"trace": 1}\n')
        for line in lines:
            if line["event"] in ("press", "release"):
                file.write(json.dumps({"t": line["t"], "input": "pad", "pressed": line["event"] == "press"}) + "\n")
            elif line["event"] == "mark":
                file.write(json.dumps({"t": line["t"], "mark": line["text"]}) + "\n")
    played = tmp_path / "played.jsonl"
    play = [*ROUTER, "play", trace, "--profile", pc.profiles / "wren.yaml", "--log", played]
    subprocess.run(play, check=True, capture_output=True, timeout=120)
    live, again = report("wren", "--config", pc.config)["sessions"][0], report(played)["sessions"][0]
    for figure in ("presses", "hold", "between", "cues", "answer", "no_response", "longest"):
        assert live["playing"][figure] == again["playing"][figure], figure
    assert live["playing"]["presses"] == 4


def test_in_a_baseline_nothing_sounds_and_everything_is_counted(bedside):
    pc, listener, sensor = bedside
    press(sensor, listener)
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    pc.ask(do="mark", text="baseline")
    until(lambda: WREN not in listener.sounding())  # at once, though the hand still lies there
    sensor.pascal = 0.0
    listener.heard.clear()
    for number in range(2):
        time.sleep(0.2)
        sensor.pascal = 1.0
        until(lambda number=number: pc.seat_status()["presses"].get("pad") == 3 + number)
        sensor.pascal = 0.0
    time.sleep(0.2)
    assert not [data for data in listener.heard if data[0] & 0xF0 == 0x90 and data[2]]
    pc.ask(do="mark", text="playing")
    press(sensor, listener, 3)
    assert pc.stop() == 0
    (session,) = report("wren", "--config", pc.config)["sessions"]
    assert session["baseline"]["presses"] == 2
    assert session["playing"]["presses"] == 5


def test_the_records_are_private_and_name_nobody(bedside):
    pc, listener, sensor = bedside
    text = (pc.profiles / "wren.yaml").read_text()
    about = "child: wren\nabout: Ada Brook, room 12\nnames_nobody: yes"  # as if somebody had said so without looking
    (pc.profiles / "wren.yaml").write_text(text.replace("child: wren", about))
    pc.wait_for("swap")
    press(sensor, listener)
    assert pc.stop() == 0
    assert profile.load(pc.profiles / "wren.yaml").about == "Ada Brook, room 12"
    for path in pc.records.rglob("*"):
        assert path.stat().st_mode & 0o077 == 0, path
        if path.is_file():
            assert "Ada" not in path.read_text(encoding="utf-8")
    assert list(pc.records.rglob(f"*{LOG}"))
