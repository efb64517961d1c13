"""Whose turn it is, in memory that outlives the process: what a killed one left, and bytes of anybody."""

from __future__ import annotations

import random
import subprocess
import sys

import pytest

from router.core.engine import RulePlan
from router.live.budget import Budget
from router.live.turn import RULE, SEAT, SIZE, OthersRule, Playing, Turn, left_behind, parsed

BED, WINDOW = Playing("bed", "wren.yaml", "ab" * 32), Playing("window", "lark.yaml", "cd" * 32)


def filled(path):
    turn = Turn(path)
    for playing in (BED, WINDOW):
        turn.plays(playing.seat, playing.file, playing.digest)
    return turn


def test_what_a_process_was_at_when_it_was_killed_is_there_for_the_next(tmp_path):
    path = tmp_path / "turn"
    code = (
        "import os, sys; from pathlib import Path; from router.live.turn import RULE, SEAT, Turn\n"
        "turn = Turn(Path(sys.argv[1]))\n"
        "turn.plays('bed', 'wren.yaml', 'ab' * 32); turn.plays('window', 'lark.yaml', 'cd' * 32)\n"
        "rule = turn.rule('shadow', '/etc/router/rules/shadow.py')\n"
        "turn.memory[SEAT], turn.memory[RULE] = turn.seat('window'), rule\n"
        "os.abort()"
    )
    subprocess.run([sys.executable, "-c", code, str(path)], check=False, stderr=subprocess.DEVNULL)
    found = left_behind(path)
    assert found.playing == (BED, WINDOW)
    assert found.seat == WINDOW
    assert found.rule == OthersRule("shadow", "/etc/router/rules/shadow.py")
    again = Turn(path)  # the next router begins with nobody
    assert left_behind(path).seat is None
    again.close()


def test_nobody_is_blamed_between_turns_and_after_an_ordinary_end(tmp_path):
    path = tmp_path / "turn"
    turn = filled(path)
    assert (left_behind(path).seat, left_behind(path).rule) == (None, None)
    turn.memory[SEAT] = turn.seat("bed")
    assert left_behind(path).seat == BED
    turn.close()
    assert left_behind(path).seat is None
    assert left_behind(path).playing == (BED, WINDOW)


def test_another_profile_at_a_seat_is_known_before_it_plays(tmp_path):
    turn = filled(tmp_path / "turn")
    number = turn.seat("bed")
    turn.plays("bed", "finch.yaml", "ef" * 32)
    assert turn.seat("bed") == number
    turn.memory[SEAT] = number
    assert left_behind(tmp_path / "turn").seat == Playing("bed", "finch.yaml", "ef" * 32)


def test_a_rule_of_others_is_marked_while_it_is_at_work_and_no_longer(tmp_path):
    turn = Turn(tmp_path / "turn")
    seen = []

    class Rule:
        repeats = False

        def press(self, _event, _now):
            seen.append(left_behind(tmp_path / "turn").rule)
            raise ValueError("in the midst")

    budget = Budget(turn=turn)
    plan = budget._held(RulePlan("shadow", lambda _context: Rule(), origin="/etc/router/rules/shadow.py"), "bed")
    rule = plan.make(None)
    with pytest.raises(ValueError, match="midst"):
        rule.press(None, 0)
    assert seen == [OthersRule("shadow", "/etc/router/rules/shadow.py")]
    assert turn.memory[RULE] == 0


def test_a_rule_that_is_left_out_is_not_even_made():
    budget = Budget(left_out={("shadow", "somebody"): "it has ended the router"})
    plan = budget._held(RulePlan("shadow", lambda _context: pytest.fail("it was made"), origin="somebody"), "bed")
    with pytest.raises(RuntimeError, match="ended the router"):
        plan.make(None)


def test_any_bytes_say_somebody_or_nobody_and_raise_nothing(tmp_path):
    turn = filled(tmp_path / "turn")
    turn.memory[SEAT] = 2
    whole = bytes(turn.memory)
    assert parsed(whole).seat == WINDOW
    chance = random.Random(7)
    for length in (0, 5, 63, 64, 100, SIZE - 1):
        parsed(whole[:length])
    for _ in range(500):
        damaged = bytearray(whole)
        for _ in range(chance.randint(1, 8)):
            damaged[chance.randrange(400)] = chance.randrange(256)
        parsed(bytes(damaged))
    assert left_behind(tmp_path / "missing").playing == ()


def test_more_seats_and_rules_than_a_table_holds_are_nobody(tmp_path):
    turn = Turn(tmp_path / "turn")
    numbers = [turn.seat(f"seat{number}") for number in range(300)]
    assert numbers[:3] == [1, 2, 3]
    assert set(numbers[255:]) == {0}
    assert [turn.rule(f"rule{number}", "x" * 200) for number in range(300)][255:] == [0] * 45
    left_behind(tmp_path / "turn")
