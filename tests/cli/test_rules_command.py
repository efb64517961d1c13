"""``router rules NAME``: the example of each rule is played for ten seconds and drawn."""

from __future__ import annotations

import io
import json
import sys

import pytest

from router.cli import main
from router.cli.screen import ASCII, BLOCKS
from router.cli.trial import COLUMNS, SECONDS, UNTIL, ExampleRoll, piano_roll, trial
from router.core.rules import RULES


@pytest.mark.parametrize("name", RULES)
def test_the_example_of_each_rule_is_heard(name):
    played = trial(RULES[name])
    assert played is not None
    assert played.faults == []
    assert played.heard
    assert played.played or played.moved
    for _, begin, end in [*played.played, *played.heard]:
        assert 0 <= begin <= end <= UNTIL
    assert played.as_json() == trial(RULES[name]).as_json()


@pytest.mark.parametrize("signs", [BLOCKS, ASCII])
@pytest.mark.parametrize("name", RULES)
def test_the_picture_fits_a_small_terminal(name, signs):
    lines = list(piano_roll(trial(RULES[name]), signs))
    assert all(len(line) <= 80 for line in lines), lines
    assert signs is BLOCKS or all(line.isascii() for line in lines)
    assert lines[-1].split() == [*(str(second) for second in range(SECONDS + 1)), "s"]


def cells(line: str) -> str:
    return line[15:].removesuffix("│")


def test_the_picture_shows_when_each_note_begins_and_how_long_it_is_held():
    played = ExampleRoll(
        heard=[("pad", 0, 1_000_000_000)],
        played=[(60, 0, 1_000_000_000), (67, 500_000_000, 600_000_000), (60, 9_000_000_000, UNTIL)],
        moved={"breath": [(0, 0.0), (5_000_000_000, 1.0)]},
    )
    high, low, breath, rule, pad, _ = piano_roll(played, BLOCKS)
    assert high.split()[0] == "G4"
    assert cells(high) == "   ●" + " " * 56
    assert low.split()[0] == "C4"
    assert cells(low) == "●━━━━━" + " " * 48 + "●━━━━━"
    assert cells(breath) == "▁" * 30 + "█" * 30
    assert cells(rule) == "─" * COLUMNS * SECONDS
    assert cells(pad) == "●━━━━━" + " " * 54


@pytest.mark.parametrize("name", RULES)
def test_explained_to_a_terminal_that_knows_only_ascii(name, monkeypatch):
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii", errors="strict")
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["rules", name]) == 0
    out.flush()
    said = out.buffer.getvalue().decode("ascii")
    assert " -> " in said.splitlines()[0]
    assert "\\u" not in said
    assert all(len(line) <= 80 for line in said.splitlines() if not line.startswith("    - "))


def test_for_a_program(capsys):
    assert main(["rules", "control", "--json"]) == 0
    (rule,) = json.loads(capsys.readouterr().out)
    assert rule["origin"] == ""
    assert rule["trial"]["seconds"] == 10
    assert all(0 <= step["share"] <= 1 and 0 <= step["t"] <= 10 for step in rule["trial"]["moved"]["breath"])


def test_the_list_says_what_each_takes_and_gives(capsys):
    assert main(["rules"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (note,) = (line for line in lines if line.startswith("note "))
    assert note.split()[1:4] in (["presses", "→", "notes"], ["presses", "->", "notes"])


def test_drums_are_shown_by_name():
    played = ExampleRoll()
    played(0, "note_on", {"note": 39, "channel": 10})
    played(500_000_000, "note_off", {"note": 39})
    line, *_ = piano_roll(played, BLOCKS)
    assert line.split()[:2] == ["hand", "clap"]
