"""A few hundred of the random sessions; the large count is a command: see state_machine.py."""

from __future__ import annotations

from tests import state_machine


def test_random_sessions_against_the_model():
    state_machine.run(300)
