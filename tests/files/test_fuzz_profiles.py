"""A tenth of the fuzz; all of it is ``python -m tests.fuzz_profiles --count 10000``."""

from __future__ import annotations

from tests.fuzz_profiles import fuzz


def test_no_file_makes_a_traceback_and_what_passes_plays():
    became = fuzz(1000, seed=0)
    assert became["profile plays"] > 50, became
    assert became["profile refused"] > 400, became
    assert became["configuration fine"] > 10, became
    assert became["configuration refused"] > 50, became
    assert became["trace plays"] > 20, became
    assert became["trace refused"] > 50, became
