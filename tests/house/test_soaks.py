"""A small share of each soak, as the command that anyone can run."""

import subprocess
import sys

import pytest

from tests.shared.places import ROOT

SHARES = {
    "soak_swaps": ("--count", "12"),
    "soak_unplug": ("--count", "20"),
    "soak_garbage": ("--bytes", "100000"),
    "soak_day": ("--hours", "0.5"),
}


@pytest.mark.parametrize("soak", SHARES)
def test_a_share_of_the_soak(soak):
    done = subprocess.run(
        [sys.executable, "-m", f"tests.{soak}", *SHARES[soak]],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    assert ", commit " in done.stdout
