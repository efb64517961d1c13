"""Proof for rules, and virtual time for tests.

    from router.testing import check_rule
    check_rule(MyRule)

raises ``RuleFault`` with the check's name and what the rule did, when, with which event, voice and pitch; or returns:
then the rule keeps its contract (see ``router.core.contract``). Time is a number here, and a rule is woken at its
deadlines, or late on purpose. The rule plays in a process of its own, which is ended if a call does not come back; so
it may do anything.
"""

from __future__ import annotations

from router.testing.bench import (
    Bench,
    RuleFault,
    RuleUnderTest,
    Timeline,
    convert,
    examples,
    plan_rule,
    play_rule,
    timelines,
    trials,
)
from router.testing.proof import check_rule
from router.testing.virtual_time import MILLISECOND, STARTED, Observed, VirtualTime

__all__ = [
    "MILLISECOND",
    "STARTED",
    "Bench",
    "Observed",
    "RuleFault",
    "RuleUnderTest",
    "Timeline",
    "VirtualTime",
    "check_rule",
    "convert",
    "examples",
    "plan_rule",
    "play_rule",
    "timelines",
    "trials",
]
