"""``router status``, ``use``, ``panic``, ``mark`` and ``level``:
asked over a real socket, answered by a server of the tests.
"""

from __future__ import annotations

import grp
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from router.cli import main
from router.records.recorder import BASELINE, PLAYING, RECORD, RECORD_OFF
from router.report.session import CUE
from tests.shared.places import ROOT
from tests.shared.serving import serving

REFUSED = """\
lark.yaml:14:5: a chord rule has no setting called "note"
   14 |     note: [C4, E4, G4]
      |     ^^^^
Did you mean "notes"?  A chord rule takes: notes (needed), spread, velocity."""

BED = {
    "child": "wren",
    "playing": 754.0,
    "file": "/var/lib/router/profiles/wren.yaml",
    "because": '"wren" was asked for',
    "children": ["finch", "lark", "wren"],
    "ignored": {"nuthatch.yaml.txt": "its name ends in .txt; rename it to nuthatch.yaml"},
    "inputs": {
        "cheek": {
            "type": "pressure",
            "device": "pressure sensor at usb-1",
            "there": True,
            "why": "",
            "value": 0.42,
            "unit": "inH2O",
            "heard": 0.01,
        },
        "pad": {
            "type": "switch",
            "device": '"*Switch*"',
            "there": False,
            "why": 'no kernel input device is called "*Switch*"; there are:\n    evdev: "Keyboard"',
            "value": None,
            "unit": "",
            "heard": 4000.0,
        },
        "head": {
            "type": "pointer",
            "device": "a tablet \x1b[2J",
            "there": True,
            "why": "",
            "value": [0.25, 0.5],
            "unit": "",
            "heard": None,
        },
        "keys": {
            "type": "midi",
            "device": "Keyboard",
            "there": True,
            "why": "",
            "value": [192, 5],
            "unit": "",
            "heard": 30.0,
        },
    },
    "outputs": {
        "synth": {"device": "FLUID Synth", "there": True, "why": ""},
        "lamp": {"device": "Lamp", "there": False, "why": "no MIDI output is called that"},
    },
    "sounding": [
        {"output": "synth", "channel": 1, "note": 62, "name": "D4"},
        {"output": "synth", "channel": 2, "note": 69, "name": "A4"},
    ],
    "presses": {"cheek.above": 30, "cheek.above.firm": 4, "pad": 1},
    "lateness": {"count": 1204, "p50": 0.087, "p99": 0.185, "most": 1.2},
    "dropped": {"log_lines": 3, "samples": 0, "messages": 2},
    "refused": {"child": "lark", "file": "/var/lib/router/profiles/lark.yaml", "ago": 130.0, "message": REFUSED},
    "warnings": ["the disk is full: nothing is recorded"],
    "level": 0.8,
    "channels": [1, 2],
    "follows": ["tempo", "harmony"],
}
QUIET = {
    **BED,
    "child": "finch",
    "inputs": {},
    "outputs": {},
    "sounding": [],
    "presses": {},
    "lateness": {"count": 0, "p50": 0.0, "p99": 0.0, "most": 0.0},
    "dropped": {"log_lines": 0, "samples": 0, "messages": 0},
    "refused": None,
    "warnings": [],
    "level": 1.0,
    "channels": [3],
    "follows": [],
}
EMPTY_ROOM = {
    "tempo": None,
    "time_signature": "4/4",
    "tempo_from": "",
    "key": "",
    "scale": "",
    "chord": "",
    "turn": "",
    "hold": False,
    "sounding": 2,
    "inputs": {},
    "outputs": {},
}
ROOM = {
    "tempo": 95.5,
    "time_signature": "3/4",
    "tempo_from": "clock lost",
    "key": "D",
    "scale": "major",
    "chord": "Bm7",
    "turn": "chair",
    "hold": True,
    "sounding": 2,
    "inputs": {
        "keyboard": {"device": 'the MIDI port "Keys"', "there": True, "why": ""},
        "clock": {"device": '"*Drum*"', "there": False, "why": 'no MIDI port is called "*Drum*"'},
    },
    "outputs": {"keyboard": {"device": "FLUID Synth", "there": True, "why": ""}},
}
STATUS = {
    "router": "1.2",
    "pid": 812,
    "up": 11_520.0,
    "seats": {"bed": BED},
    "room": EMPTY_ROOM,
    "warnings": ["no real-time priority"],
}

SHOWN = """\
router 1.2
 running   for 3 h, as process 812
 warning   no real-time priority

bed: wren
 playing   for 13 min: "wren" was asked for
 file      /var/lib/router/profiles/wren.yaml
 ignored   nuthatch.yaml.txt: its name ends in .txt; rename it to nuthatch.yaml
 level     80 %
 follows   the room's tempo and harmony
 input     cheek  there    0.42 inH2O            just now    34 presses
           pressure sensor at usb-1
 input     pad    missing  -                     67 min ago  1 press
           no kernel input device is called "*Switch*"; there are: evdev: "Keyboard"
 input     head   there    25% across, 50% down  never       0 presses
           a tablet \ufffd[2J
 input     keys   there    192 5                 30 s ago    0 presses
           Keyboard
 output    synth  there
           FLUID Synth
 output    lamp   missing
           no MIDI output is called that
 sounding  D4 (synth, channel 1), A4 (synth, channel 2)
 lateness  half within 0.087 ms, 99 % within 0.185 ms, most 1.2 ms, of 1204 deadlines
 dropped   3 log lines, 2 messages
 warning   the disk is full: nothing is recorded
 refused   lark, 2 min ago: /var/lib/router/profiles/lark.yaml
           lark.yaml:14:5: a chord rule has no setting called "note"
              14 |     note: [C4, E4, G4]
                 |     ^^^^
           Did you mean "notes"?  A chord rule takes: notes (needed), spread, velocity.
"""

QUIET_SHOWN = """\
chair: finch
 playing   for 13 min: "wren" was asked for
 file      /var/lib/router/profiles/wren.yaml
 ignored   nuthatch.yaml.txt: its name ends in .txt; rename it to nuthatch.yaml
 channels  3
 sounding  nothing
 dropped   nothing
"""

ROOM_SHOWN = """\
the room
 tempo     95.5 a minute, in 3/4, from the clock, which is lost
 key       D major
 chord     Bm7
 hold      chord and key stay: the hold pedal is down
 turn      chair
 sounding  2 notes in all
 hears     keyboard  there
           the MIDI port "Keys"
 hears     clock     missing
           no MIDI port is called "*Drum*"
 plays     keyboard  there
           FLUID Synth

bed: wren
"""


@pytest.fixture
def path(tmp_path):
    return tmp_path / "control"


def answering(answers):
    """An ``answer`` that knows what to say to each thing that can be done, and what it was asked."""
    asked = []

    def answer(request, reply):
        asked.append(request)
        reply(answers[request["do"]])

    return answer, asked


# --- status -----------------------------------------------------------------------------------------------------


def test_status_for_people_and_for_programs(path, capsys):
    answer, _ = answering({"status": {"ok": True, "status": STATUS}})
    with serving(path, answer):
        assert main(["status", "--socket", str(path)]) == 0
        assert capsys.readouterr().out == SHOWN
        assert main(["status", "--socket", str(path), "--json"]) == 0
        assert json.loads(capsys.readouterr().out) == STATUS


def test_a_seat_where_nothing_happened_and_two_seats(path, capsys):
    answer, _ = answering({"status": {"ok": True, "status": {**STATUS, "seats": {"bed": BED, "chair": QUIET}}}})
    with serving(path, answer):
        assert main(["status", "--socket", str(path)]) == 0
    said = capsys.readouterr().out
    assert said[said.index("chair: finch") :] == QUIET_SHOWN


def test_status_says_what_is_shared(path, capsys):
    answer, _ = answering(
        {"status": {"ok": True, "status": {**STATUS, "seats": {"bed": BED, "chair": QUIET}, "room": ROOM}}}
    )
    with serving(path, answer):
        assert main(["status", "--socket", str(path)]) == 0
        said = capsys.readouterr().out
        assert ROOM_SHOWN in said
        assert main(["status", "--socket", str(path), "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["room"] == ROOM


@pytest.mark.parametrize(
    ("room", "shown"),
    [
        ({"tempo": 96.0, "tempo_from": "taps"}, "tempo     96 a minute, in 4/4, from taps\n"),
        ({"tempo": 96.0, "tempo_from": "configuration"}, "from the configuration\n"),
        ({"tempo": 96.0, "tempo_from": "clock"}, "from the clock\n"),
        ({"scale": "minor"}, "the room\n scale     minor\n"),
        ({"key": "Eb"}, "the room\n key       Eb\n"),
    ],
)
def test_status_says_what_a_room_says_and_nothing_else(path, capsys, room, shown):
    answer, _ = answering({"status": {"ok": True, "status": {**STATUS, "room": {**EMPTY_ROOM, **room}}}})
    with serving(path, answer):
        assert main(["status", "--socket", str(path)]) == 0
    said = capsys.readouterr().out
    assert shown in said
    assert "in all" not in said  # of one seat its own line says it


@pytest.mark.parametrize("columns", [40, 80, 200])
def test_status_on_a_terminal(path, in_terminal, columns, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("TERM", "xterm-256color")
    answer, _ = answering({"status": {"ok": True, "status": STATUS}})
    with serving(path, answer):
        program = in_terminal(sys.executable, "-m", "router", "status", "--socket", str(path))
        program.wait_for(b"velocity.")
        assert program.process.wait(30) == 0
    shown = program.shown.decode()
    assert "\x1b[2J" not in shown
    assert "\x1b[33m" in shown  # what is wrong stands out
    assert "Traceback" not in shown


# --- use --------------------------------------------------------------------------------------------------------


def test_use(path, capsys):
    answer, asked = answering({"use": {"ok": True, "child": "wren", "file": "/x/wren.yaml"}})
    with serving(path, answer):
        assert main(["use", "wren", "--socket", str(path)]) == 0
        assert capsys.readouterr().out == "wren plays now\n"
        assert main(["use", "wren", "--seat", "bed", "--json", "--socket", str(path)]) == 0
        assert json.loads(capsys.readouterr().out) == {"ok": True, "child": "wren", "file": "/x/wren.yaml"}
    assert asked == [{"do": "use", "child": "wren"}, {"do": "use", "child": "wren", "seat": "bed"}]


def test_a_refusal_is_told_whole(path, capsys):
    answer, _ = answering({"use": {"ok": False, "problem": REFUSED}})
    with serving(path, answer):
        assert main(["use", "lark", "--socket", str(path)]) == 1
        out, err = capsys.readouterr()
        assert out == ""
        assert err == REFUSED + "\n"
        assert main(["use", "lark", "--socket", str(path), "--json"]) == 1
        out, err = capsys.readouterr()
        assert json.loads(out) == {"ok": False, "problem": REFUSED}
        assert err == ""


def test_what_is_no_child_is_not_asked_for(path, capsys):
    answer, asked = answering({})
    with serving(path, answer):
        assert main(["use", "Wren.yaml", "--socket", str(path)]) == 1
    assert 'Did you mean "wren"' in capsys.readouterr().err
    assert asked == []


def test_use_without_a_child_lists_those_that_are_there(path, capsys):
    answer, _ = answering({"status": {"ok": True, "status": {**STATUS, "seats": {"bed": BED, "chair": QUIET}}}})
    with serving(path, answer):
        assert main(["use", "--socket", str(path)]) == 0
        listed = "bed:\nfinch\nlark\nwren  (plays)\nchair:\nfinch  (plays)\nlark\nwren\n"
        assert capsys.readouterr().out == listed
        assert main(["use", "--seat", "bed", "--socket", str(path)]) == 0
        assert capsys.readouterr().out == "finch\nlark\nwren  (plays)\n"
        assert main(["use", "--seat", "bad", "--socket", str(path)]) == 1
        assert (
            capsys.readouterr().err
            == 'there is no seat called "bad". Did you mean "bed"? There is "bed" and "chair".\n'
        )
        assert main(["use", "--json", "--seat", "bed", "--socket", str(path)]) == 0
        assert json.loads(capsys.readouterr().out) == {"bed": {"plays": "wren", "children": ["finch", "lark", "wren"]}}


@pytest.mark.parametrize(
    ("words", "completed"),
    [
        ("use ''", ["finch", "lark", "wren"]),
        ("use l", ["lark"]),
        ("sta", ["status"]),
        ("mark x", []),
        ("lev", ["level"]),
        ("level 70 --seat ''", ["bed", "chair"]),
        ("use wren --seat c", ["chair"]),
    ],
)
def test_bash_completes_commands_and_children(path, tmp_path, words, completed):
    program = tmp_path / "router"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m router "$@"\n')
    program.chmod(0o755)
    answer, _ = answering({"status": {"ok": True, "status": {**STATUS, "seats": {"bed": BED, "chair": QUIET}}}})
    script = f"""
        source {ROOT}/systemd/router.completion
        COMP_WORDS=(router {words}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); _router; printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    environment = {"PATH": f"{tmp_path}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT), "ROUTER_SOCKET": str(path)}
    with serving(path, answer):
        done = subprocess.run(
            ["bash", "-c", script], env={**os.environ, **environment}, capture_output=True, text=True, check=True
        )
    assert sorted({*done.stdout.split()}) == completed
    assert done.stderr == ""


# --- panic, mark ------------------------------------------------------------------------------------------------


def test_panic(path, capsys):
    answer, asked = answering({"panic": {"ok": True}})
    with serving(path, answer):
        assert main(["panic", "--socket", str(path)]) == 0
        assert capsys.readouterr().out == "every note is off\n"
        assert main(["panic", "--socket", str(path), "--json"]) == 0
        assert json.loads(capsys.readouterr().out) == {"ok": True}
    assert asked == [{"do": "panic"}] * 2


def test_panic_that_nobody_hears_says_what_else_silences(path, capsys):
    assert main(["panic", "--socket", str(path)]) == 1
    assert capsys.readouterr().err.endswith("If anything still sounds: sudo systemctl restart router\n")


def test_the_words_with_a_meaning_are_told_by_the_help(capsys):
    with pytest.raises(SystemExit, match="0"):
        main(["mark", "--help"])
    said = capsys.readouterr().out
    told = dict(re.findall(r"(?m)^  (\S+(?: \S+)*)   +(\S.*)$", said))
    assert {BASELINE, PLAYING, CUE, RECORD, RECORD_OFF, "goal NAME SCORE"} <= set(told)
    assert "no sound" in told[BASELINE]
    assert max(map(len, said.splitlines())) <= 80


@pytest.mark.parametrize(
    ("words", "scores"),
    [
        (["goal reach -1"], True),
        (["goal", "reach", "-1"], True),
        (["Goal reach +2"], True),
        (["goal reach 3"], False),
        (["goal reach"], False),
        (["Goal: reach 1"], False),
        (["smiled"], True),
    ],
)
def test_a_goal_that_is_not_scored_is_said(path, capsys, words, scores):
    answer, _ = answering({"mark": {"ok": True}})
    with serving(path, answer):
        assert main(["mark", *words, "--socket", str(path)]) == 0
    assert ("scores no goal" in capsys.readouterr().err) is not scores


def test_mark(path, capsys):
    answer, asked = answering({"mark": {"ok": True}})
    with serving(path, answer):
        assert main(["mark", "smiled", "twice", "--socket", str(path), "--seat", "bed"]) == 0
        assert capsys.readouterr().out == "marked: smiled twice\n"
        assert main(["mark", "x" * 201, "--socket", str(path)]) == 1
        assert "a remark of one line, at most 200 characters" in capsys.readouterr().err
    assert asked == [{"do": "mark", "text": "smiled twice", "seat": "bed"}]


# --- level ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["70", "70%", "70 %", "70.0"])
def test_level(path, capsys, written):
    answer, asked = answering({"level": {"ok": True}})
    with serving(path, answer):
        assert main(["level", written, "--socket", str(path)]) == 0
        assert capsys.readouterr().out == "at 70 % now\n"
        assert main(["level", written, "--seat", "window", "--socket", str(path)]) == 0
        assert capsys.readouterr().out == "window is at 70 % now\n"
        assert main(["level", written, "--json", "--socket", str(path)]) == 0
        assert json.loads(capsys.readouterr().out) == {"ok": True}
    assert asked == [{"do": "level", "level": 0.7, **seat} for seat in ({}, {"seat": "window"}, {})]


@pytest.mark.parametrize("written", ["0", "100", "12.5"])
def test_levels_from_silent_to_as_the_profile_is(path, written):
    answer, asked = answering({"level": {"ok": True}})
    with serving(path, answer):
        assert main(["level", written, "--socket", str(path)]) == 0
    assert asked == [{"do": "level", "level": float(written) / 100}]


@pytest.mark.parametrize("written", ["101", "-1", "loud", "nan", "1e1", "0,7", ""])
def test_what_is_no_level_is_wrong_usage(path, capsys, written):
    answer, asked = answering({"level": {"ok": True}})
    with serving(path, answer), pytest.raises(SystemExit, match="2"):
        main(["level", written, "--socket", str(path)])
    assert "Traceback" not in capsys.readouterr().err
    assert asked == []


def test_a_level_of_several_seats_without_saying_which(path, capsys):
    problem = "there are several seats: bed, window; say which with --seat"
    answer, _ = answering({"level": {"ok": False, "problem": problem}})
    with serving(path, answer):
        assert main(["level", "70", "--socket", str(path)]) == 1
    assert capsys.readouterr() == ("", f"{problem}\n")


def test_level_without_a_number_says_how_loud_each_is(path, capsys):
    answer, _ = answering({"status": {"ok": True, "status": {**STATUS, "seats": {"bed": BED, "chair": QUIET}}}})
    with serving(path, answer):
        assert main(["level", "--socket", str(path)]) == 0
        assert capsys.readouterr().out == "bed: 80 %\nchair: 100 %\n"
        assert main(["level", "--seat", "chair", "--json", "--socket", str(path)]) == 0
        assert json.loads(capsys.readouterr().out) == {"chair": 1.0}
        assert main(["level", "--seat", "chiar", "--socket", str(path)]) == 1
        assert 'Did you mean "chair"?' in capsys.readouterr().err


# --- nobody there, or not for us --------------------------------------------------------------------------------

COMMANDS = [["status"], ["use", "wren"], ["use"], ["panic"], ["mark", "smiled"], ["level", "70"], ["level"]]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_no_daemon(path, capsys, monkeypatch, command):
    monkeypatch.setenv("ROUTER_SOCKET", str(path))
    assert main(command) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"no router is running: nobody listens at {path}\nStart it: sudo systemctl start router\n")
    assert main([*command, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["ok"] is False


def test_the_socket_of_a_dead_daemon(path, capsys):
    with serving(path):
        os.link(path, path.with_name("left"))
    assert main(["status", "--socket", str(path.with_name("left"))]) == 1
    assert "no router is running" in capsys.readouterr().err


NOBODY = """
import os, sys
from router.cli import main, status
from router.bedside import control
if os.geteuid() == 0:  # whom nothing is forbidden
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
sys.exit(main(["status", "--socket", sys.argv[1]]))
"""


@pytest.fixture
def for_all():
    """A folder that everybody may enter; pytest's own are closed to others again whenever another pytest begins."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


@pytest.mark.parametrize("closed", ["the socket", "its folder"])
def test_whoever_may_not_is_told_how_to_become_one_who_may(for_all, closed):
    folder = for_all / "run"
    folder.mkdir()
    group = grp.getgrgid(os.getgid()).gr_name
    with serving(folder / "control", group=group):
        if closed == "the socket":
            (folder / "control").chmod(0o060)  # as an owner is no member of the group
            folder.chmod(0o755)
        else:
            folder.chmod(0o050)
        asked = subprocess.run(
            [sys.executable, "-c", NOBODY, str(folder / "control")],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=False,
        )
        folder.chmod(0o700)
    assert asked.returncode == 1
    assert f"it is for members of the group {group}" in asked.stderr
    assert re.search(rf"sudo adduser \w+ {group}\n", asked.stderr)
    assert "Traceback" not in asked.stderr


@pytest.mark.parametrize("command", ["status", "use", "panic", "mark", "level"])
def test_help_has_an_example(command, capsys):
    with pytest.raises(SystemExit) as done:
        main([command, "--help"])
    assert done.value.code == 0
    said = capsys.readouterr().out
    assert f"Example:\n  router {command}" in said
    assert "--socket" in said
    assert "--json" in said
