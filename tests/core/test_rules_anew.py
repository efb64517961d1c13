"""A rule that has let go is as new: nothing of what was played before is heard in what is played after."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import fields, replace

import pytest

from router.core.events import Control, Event, Press, Release
from router.core.midi import EXPRESSION
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, Bench, RuleUnderTest, Timeline, timelines, trials

SOON = 100 * MILLISECOND
"""Later than what belongs to one chord, and sooner than what waits for a beat."""

FRESH = 1000
"""Above the voices of what was played before: a voice never comes again."""


def played(bench: Bench, timeline: Timeline, start: int) -> list[tuple[int, Event]]:
    """Play a timeline that begins at ``start``; return what is given, with its voices numbered as they come."""
    before = len(bench.out)
    for now, event in timeline:
        fresh = {"voice": FRESH + event.voice} if hasattr(event, "voice") else {}
        bench.give(replace(event, **fresh), start + now)
    bench.go_on(start + timeline[-1][0] + 20 * NANOSECONDS)
    return [*_numbered(_heard(bench.out[before:]))]


def _heard(found: Iterable[tuple[int, Event]]) -> Iterable[tuple[int, Event]]:
    """Without controllers that say what the synth knows already: expression is full where nobody has said otherwise."""
    stands = {EXPRESSION: 127}
    for now, event in found:
        if not isinstance(event, Control) or stands.get(event.controller) != event.value:
            yield now, event
        if isinstance(event, Control):
            stands[event.controller] = event.value


def _numbered(found: Iterable[tuple[int, Event]]) -> Iterable[tuple[int, Event]]:
    numbers: dict[int, int] = {}
    for now, event in found:
        names = [each.name for each in fields(event) if each.name in ("voice", "instead")]
        voices = {name: getattr(event, name) for name in names}
        given = {name: numbers.setdefault(voice, len(numbers)) for name, voice in voices.items() if voice is not None}
        yield now, replace(event, **given)


def _of_others(event: Event, trial: RuleUnderTest) -> Event:
    """Let two of three gestures come from others, with a pitch, if the rule hears others."""
    hears = trial.written.get("hears")
    if hears is None or not isinstance(event, Press | Release) or event.voice % 3 == 0:
        return event
    return replace(event, source=hears, **({"pitch": 50 + event.voice} if isinstance(event, Press) else {}))


@pytest.mark.parametrize("name", [name for name in RULES if name != "song"])  # she goes on in it where she was
def test_what_has_let_go_plays_as_if_nothing_had_been_played(name):
    compared = 0
    for trial in itertools.islice(trials(RULES[name], "as new"), 5):
        timeline = [(now, _of_others(event, trial)) for now, event in next(timelines(RULES[name].takes, 24))]
        for place in range(1, len(timeline), 9):
            bench = Bench(trial)
            for now, event in timeline[:place]:
                bench.give(event, now)
            bench.let_go(bench.now)
            assert not bench.waiting
            start = bench.now + SOON - timeline[0][0]
            again = played(bench, timeline, start)
            assert again == played(Bench(trial), timeline, start), f"{trial.written}, {place} events"
            compared += len(again)
    assert compared
