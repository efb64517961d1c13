"""A few tunes by our reader and by music21; more of them with ``python -m tests.abc_beside``."""

from __future__ import annotations

from tests import abc_beside


def test_a_few_tunes_agree_with_music21():
    found = dict(abc_beside.compared(12, seed=2))
    assert len(found) == 12
    assert sum(not why for why in found.values()) >= 6, found
    assert [name for name, why in found.items() if why == "other"] == []


def test_a_difference_is_found_and_its_reason_told():
    tune = "X:1\nM:4/4\nL:1/4\nK:C\n"
    assert abc_beside.compare(f"{tune}CDEF|GABc|") == ""
    assert abc_beside.compare(f"{tune}=FFF2|^FF=FF|") == "accidental"
    assert abc_beside.compare(f"{tune}CDhF|").startswith("refused")
    assert abc_beside.ours(f"{tune}C2D2|")[0][1] == (2 * 960, 2 * 960, 62)
