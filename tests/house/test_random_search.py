"""The test command depends on no chance, and what chance would find is looked for by a command of its own."""

import subprocess
import sys

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.shared.places import ROOT


def drawn() -> list[int]:
    seen = []

    @given(st.integers())
    def draw(number):
        seen.append(number)

    draw()
    return seen


def test_the_same_examples_are_drawn_each_time():
    assert drawn() == drawn()
    assert settings().derandomize
    try:
        settings.load_profile("random")
        assert drawn() != drawn(), "and others by the random search"
    finally:
        settings.load_profile("same")


def search(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.random_search", "--rounds", "1", *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)


def test_a_round_of_the_random_search():
    done = search("--seed", "7", "tests/core/test_timers.py", "tests/core/test_units.py")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("round 1, seed 7: ")


def test_a_round_in_which_nothing_was_drawn_is_no_success():
    done = search("--seed", "8", "tests/house/test_imports.py")
    assert done.returncode == 1
    assert "python -m tests.random_search --rounds 1 --seed 8" in done.stdout
