"""Every kind of fault, through every command that reads what happened: each tells it, and none falls over it.

The kinds: each fault that a conditioner can tell of its sensor (frozen, at its end, no number, rest taken from an
effort, stuck, tracking lost), a rule that failed, lines that the recorder missed, and damage on the disk.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from router.cli import main, watch
from router.cli.demo import DemoLines
from router.cli.trial import ExampleRoll
from router.core.rules.note import NoteRule
from router.files import profile
from router.records.session_log import header, log_line
from router.records.trace import Trace

SOURCES = """\
profile: 1
child: merlin
inputs:
  pad: {type: switch, device: {evdev: "*Switch*", key: BTN_0}, longest: 5 s}
  cheek:
    type: pressure
    device: {serial: "*pressure*", unit: Pa, range: {lowest: -1000, highest: 1000}}
    above: {on: 120 Pa, full: 700 Pa}
    longest: 5 s
  head: {type: pointer, device: {evdev: "*"}, grid: {columns: 2, rows: 1, dwell: 100 ms}, jump: 40 %, lost_after: 1 s}
parts:
  tune: {input: pad, rules: [note: {}], output: {port: synth, channel: 1}}
  bells: {input: cheek.above, rules: [note: {}], output: {port: synth, channel: 2}}
  chimes: {input: head, rules: [zones: {degrees: [1, 3]}], output: {port: synth, channel: 3}}
outputs: {synth: {instrument: default}}
"""

Recorded = Iterator[dict[str, object]]


def _pressure(values: list[float]) -> Recorded:
    yield from ({"t": 0.01 * i, "input": "cheek", "pascal": value} for i, value in enumerate(values))


def _noise(count: int) -> list[float]:
    return [((i * 37) % 11) - 5.0 for i in range(count)]


EFFORT = ({"t": 0, "input": "pad", "pressed": True}, {"t": 0, "input": "pad", "pressed": False})
"""At the beginning of every trace, so that there is a session to report."""


def stuck() -> Recorded:
    yield {"t": 1, "input": "pad", "pressed": True}
    yield {"t": 9, "mark": "end"}


def frozen() -> Recorded:
    yield from _pressure([*_noise(400), *[3.25] * 3000])


def saturated() -> Recorded:
    yield from _pressure([*_noise(400), *[1000.0 + i % 2 for i in range(500)]])


def too_long() -> Recorded:
    yield from _pressure([*_noise(400), *[400.0 + value for value in _noise(2500)]])


def jumps() -> Recorded:
    for i in range(300):
        yield {"t": 0.01 * i, "input": "head", "x": 0.2 if i < 50 else 0.9 if i % 2 else 0.7, "y": 0.5}


def silent() -> Recorded:
    for i in range(50):
        yield {"t": 0.01 * i, "input": "head", "x": 0.2, "y": 0.5}
    yield {"t": 5, "mark": "end"}


KINDS = {  # the trace, who tells it, and a word of what is told
    stuck: ("pad", "stuck"),
    frozen: ("cheek", "frozen"),
    saturated: ("cheek", "saturated"),
    too_long: ("cheek", "longer than the longest effort"),
    jumps: ("head", "tracking lost: it jumps"),
    silent: ("head", "tracking lost: it sends nothing"),
}


@pytest.fixture(params=KINDS, ids=lambda kind: kind.__name__)
def fault(request, tmp_path, monkeypatch):
    """A folder with a profile and the trace of one kind of fault: the input, and a word of what is told."""
    monkeypatch.chdir(tmp_path)
    Path("merlin.yaml").write_text(SOURCES)
    Path("t.jsonl").write_text("\n".join(['{"trace": 1}', *map(json.dumps, (*EFFORT, *request.param()))]) + "\n")
    return KINDS[request.param]


PLAYED = ("t.jsonl", "--profile", "merlin.yaml")


def test_play_prints_it_and_goes_on(fault, capsys):
    name, word = fault
    assert main(["play", *PLAYED, "--log", "log.jsonl"]) == 0  # the router has done right, and the rest has played
    printed, wrong = capsys.readouterr()
    assert wrong == ""
    line, *_ = [line for line in printed.splitlines() if line.startswith("fault ") and word in line]
    assert line.split()[1:3] == [name, "at"]
    assert main(["play", *PLAYED, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [(one["input"], word in one["error"]) for one in told["sensor_faults"]][:1] == [(name, True)]
    assert told["faults"] == []
    logged, *_ = [e for e in map(json.loads, Path("log.jsonl").read_text().splitlines()) if e["event"] == "fault"]
    assert (logged["t"], logged["input"], logged["error"]) == tuple(
        told["sensor_faults"][0][k] for k in ("t", "input", "error")
    )


@pytest.mark.usefixtures("fault")
def test_report_reads_a_log_with_it(capsys):
    assert main(["play", *PLAYED, "--log", "log.jsonl"]) == 0
    capsys.readouterr()
    for form in ("--csv", "--json"):
        assert main(["report", "log.jsonl", form]) == 0, form
    assert "Traceback" not in capsys.readouterr().err


def test_watch_tells_it(fault):
    name, word = fault
    loaded = profile.load("merlin.yaml")
    with Path("t.jsonl").open("rb") as file:
        frames = [*watch.frames(loaded, Trace(file, "t.jsonl", loaded.types, print))]
    told = [
        event["fields"]
        for frame in frames
        for event in frame["seats"]["recording"]["events"]
        if event["event"] == "fault" and 0 <= event["ago"] <= 0.04  # in the first frame after it
    ]
    assert [(one["input"], word in one["error"]) for one in told][:1] == [(name, True)]


@pytest.mark.usefixtures("fault")
def test_demo_and_trial_pass_over_it():
    """What draws a simulated child draws one whose sensor fails."""
    assert main(["play", *PLAYED, "--log", "log.jsonl"]) == 0
    events = [json.loads(line) for line in Path("log.jsonl").read_text().splitlines()]
    lines, trial = DemoLines(profile.load(Path("merlin.yaml"))), ExampleRoll()
    for event in events:
        fields = {name: value for name, value in event.items() if name not in ("t", "event")}
        for taker in (partial(lines.event, "merlin"), trial):
            taker(int(event["t"] * 1e9), event["event"], fields)
    assert len(trial.faults) >= 1


class BrokenError(Exception):
    """A rule has a mistake."""


@pytest.fixture
def broken(tmp_path, monkeypatch):
    """The note rule of ``merlin`` fails at its first press."""

    def press(*_: object) -> None:
        raise BrokenError

    monkeypatch.chdir(tmp_path)
    Path("merlin.yaml").write_text(SOURCES)
    Path("t.jsonl").write_text("\n".join(['{"trace": 1}', *map(json.dumps, EFFORT)]) + "\n")
    monkeypatch.setattr(NoteRule, "press", press)


@pytest.mark.usefixtures("broken")
def test_a_rule_that_failed_is_told_with_its_line(capsys):
    assert main(["play", *PLAYED, "--log", "log.jsonl"]) == 1
    assert capsys.readouterr().err.startswith("a rule failed and was switched off: merlin.yaml:12: note: BrokenError")
    assert main(["play", *PLAYED, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (len(told["faults"]), told["sensor_faults"]) == (1, [])
    assert main(["report", "log.jsonl"]) == 0
    assert main(["watch", "--json", "--trace", "t.jsonl", "--profile", "merlin.yaml"]) == 0
    assert main(["rules", "note"]) == 1
    assert "the rule failed and was switched off: BrokenError" in capsys.readouterr().err


def test_missing_and_damaged_lines_are_told_by_report(tmp_path, capsys):
    log = tmp_path / "wren.jsonl"
    events = [
        (0, "start", header("wren")),
        (1, "press", {"input": "pad", "strength": 0.5}),
        (2, "release", {"input": "pad"}),
        (3, "fault", {"error": "7 lines are missing", "missing": 7}),
        (4, "press", {"input": "pad", "strength": 0.5}),
        (5, "release", {"input": "pad"}),
        (6, "stop", {}),
    ]
    lines = [log_line(*event) for event in events]
    log.write_text("".join([*lines[:4], "this is no line\n", *lines[4:]]))
    assert main(["report", str(log)]) == 0
    told = "".join(capsys.readouterr())
    assert "7 lines are missing" in told
    assert "1 line" in told or "damaged" in told
