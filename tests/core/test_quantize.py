"""Quantize, where other rules begin notes in another key, and what it remembers."""

from random import Random

import pytest

from router.core.events import NoteOff, NoteOn
from router.core.rules.quantize import QuantizeRule
from router.testing import MILLISECOND, Bench, RuleUnderTest, play_rule

BEAT = {"to": "1/4", "longest_wait": "500 ms"}


def test_a_note_that_waits_is_forgotten_when_another_comes_instead_of_it():
    """The key changed while it waited: what comes in the new key has its place, and its own end never comes."""
    played = play_rule(QuantizeRule, BEAT, [(200, NoteOn(1, 60)), (300, NoteOn(2, 62, instead=1)), (900, NoteOff(2))])
    assert played == [(300, NoteOn(2, 62, instead=1)), (900, NoteOff(2))]


def test_only_what_the_other_comes_instead_of_is_forgotten():
    played = play_rule(
        QuantizeRule,
        BEAT,
        [(200, NoteOn(1, 60)), (210, NoteOn(3, 67)), (300, NoteOn(2, 62, instead=1)), (310, NoteOff(2))],
    )
    assert [event for _, event in played] == [NoteOn(2, 62, instead=1), NoteOff(2), NoteOn(3, 67)]


def test_what_came_instead_in_its_own_voice_ends_at_once_with_it():
    played = play_rule(QuantizeRule, BEAT, [(200, NoteOn(1, 60)), (300, NoteOn(1, 62, instead=1)), (400, NoteOff(1))])
    assert played == [(300, NoteOn(1, 62, instead=1)), (400, NoteOff(1))]


@pytest.mark.parametrize("most", ["500 ms", "0 ms", "50 ms"])
def test_what_has_ended_is_remembered_no_longer(most):
    """Random notes, some struck again in their voice, some in place of others:
    a day of them leaves nothing in memory.
    """
    chance, bench = Random(1), Bench(RuleUnderTest(QuantizeRule, {**BEAT, "longest_wait": most}, "remembers"))
    held: list[int] = []
    for voice in range(1, 400):
        now = bench.now + chance.randint(0, 300) * MILLISECOND
        match chance.choice(("on", "on", "again", "instead", "off")):
            case "again" if held:
                bench.give(NoteOn(chance.choice(held), 60), now)
            case "instead" if held:
                old = held.pop(chance.randrange(len(held)))
                bench.given.pop(old, None)
                bench.give(NoteOn(voice, 61, instead=old), now)
                held.append(voice)
            case "off" if held:
                bench.give(NoteOff(held.pop(0)), now)
            case _:
                bench.give(NoteOn(voice, 60), now)
                held.append(voice)
        while len(held) > 3:
            bench.give(NoteOff(held.pop(0)), bench.now)
    for voice in held:
        bench.give(NoteOff(voice), bench.now)
    bench.go_on(bench.now + 2000 * MILLISECOND)
    assert isinstance(bench.rule, QuantizeRule)
    assert bench.rule._voices == {}
    assert bench.rule._later.begins() == {}
