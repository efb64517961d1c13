"""A twentieth of the fuzz; all of it is ``python -m tests.fuzz_songs --count 10000``."""

from __future__ import annotations

from tests.fuzz_songs import fuzz


def test_no_file_makes_a_traceback_and_what_is_read_is_whole():
    became, worst = fuzz(500, seed=0)
    assert became["midi read"] > 20, became
    assert became["xml read"] > 20, became
    assert became["mxl read"] > 5, became
    assert became["abc read"] > 5, became
    assert became["abc refused"] > 20, became
    assert sum(became[f"{form} refused"] for form in ("midi", "xml", "mxl")) > 100, became
    assert worst < 5
