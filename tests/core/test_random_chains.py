"""A hundred of the random chains; the large count is a command: see random_chains.py."""

from __future__ import annotations

from router.core.rules import RULES
from tests import random_chains


def test_random_chains_leave_nothing_on():
    before = len(random_chains.SOUNDED)
    random_chains.run(100)
    played = random_chains.SOUNDED[before:]
    assert len(played) >= 100
    assert sum(count > 0 for count in played) > 50, "most sessions are heard"


def test_a_rule_that_never_ends_its_notes_is_found(monkeypatch):
    """The proof itself: a rule that ends nothing does not pass."""
    monkeypatch.setattr(RULES["note"], "release", lambda *_: [])
    try:
        random_chains.run(1000, shrink=False)  # it ends with the first that is found, of some dozen
    except* AssertionError as failures:
        found = failures
    assert "goes on" in str(found.exceptions) or "on after" in str(found.exceptions)
