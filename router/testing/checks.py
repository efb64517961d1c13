"""The checks of a rule: its file, its ends, what it passes on, and what it costs."""

from __future__ import annotations

import ast
import inspect
import itertools
import sys
from collections.abc import Iterator

from router.core.events import Control, Event, Level, NoteOff, NoteOn, Press, Release
from router.core.units import NANOSECONDS
from router.testing.bench import (
    KINDS,
    Bench,
    RuleFault,
    RuleUnderTest,
    convert,
    examples,
    timelines,
)
from router.testing.calls import MOST_STEPS, TooManySteps
from router.testing.virtual_time import MILLISECOND

QUIET = 120 * NANOSECONDS
"""After the last effort a rule has this long to come to rest."""

LATENESS = (0, 7 * MILLISECOND, 900 * MILLISECOND)
"""How late the rule is woken, in turn."""


def prove_settings(trial: RuleUnderTest) -> None:
    """Check the declaration: name, kinds, methods, manual; settings closed and described, defaults allowed."""
    from router.files.declared import fault  # noqa: PLC0415 - as in convert

    if wrong := fault(trial.rule):
        raise trial.fault(wrong)


def prove_example(trial: RuleUnderTest) -> None:
    """The manual has an example, and it is valid."""
    import jsonschema  # noqa: PLC0415 - only the proof of a rule needs it

    try:
        for written in examples(trial.rule):
            jsonschema.Draft202012Validator(dict(trial.rule.settings)).validate(written)
            convert(trial.rule, written)
    except (ValueError, jsonschema.ValidationError) as error:
        raise trial.fault(f"the example is not valid: {getattr(error, 'message', error)}") from error


ALLOWED_IMPORTS = frozenset(
    {
        *("__future__", "abc", "bisect", "collections", "collections.abc", "dataclasses", "enum", "fractions"),
        *("functools", "heapq", "itertools", "math", "operator", "statistics", "types", "typing"),
        "router.rule",
    }
)
"""Modules that a rule may import: arithmetic and the router's own door for rules; nothing that reads a clock, waits, or
does I/O."""

FORBIDDEN_CALLS = frozenset({"open", "input", "print", "exec", "eval", "compile", "__import__", "breakpoint"})


def prove_imports(trial: RuleUnderTest) -> None:
    """The rule's file imports only what it may, and opens and prints nothing. A seeded ``random.Random`` is allowed."""
    for node in ast.walk(ast.parse(inspect.getsource(sys.modules[trial.rule.__module__]))):
        modules: list[str] = []
        if isinstance(node, ast.Import):
            modules = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and [alias.name for alias in node.names] != ["Random"]:
            modules = ["." * node.level + (node.module or "")]
        for module in modules:
            if module not in ALLOWED_IMPORTS:
                raise trial.fault(f"line {ast.unparse(node)!r}: a rule may not import {module}")
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
            raise trial.fault(f"line {node.lineno}: a rule may not call {node.func.id}()")


def prove_cause(trial: RuleUnderTest) -> None:
    """Nothing is given before its cause: not without any event, and never a voice that nobody began."""
    bench = Bench(trial)
    bench.go_on(QUIET)
    if bench.out:
        raise bench.fault(f"it gives {bench.out[0][1]} before anything has happened", of=bench.out[0][1])
    for timeline in timelines(trial.rule.takes):
        bench = Bench(trial)
        for now, event in timeline:
            for given in bench.give(event, now):
                if isinstance(given, (Press, NoteOn)) and given.voice not in bench.known | bench.made:
                    raise bench.fault(
                        f"{given} has a voice that nobody began; a new one comes from context.new_voice()", of=given
                    )


def prove_ends(trial: RuleUnderTest) -> None:
    """When every effort has ended, so has every note, and none begins any more.

    A rule that sustains may keep its voices.
    """
    for timeline, late in itertools.product(timelines(trial.rule.takes), LATENESS):
        bench = Bench(trial)
        for now, event in timeline:
            bench.give(event, now, late)
        bench.go_on(bench.now + QUIET)
        rests(bench, trial, f"woken {late // MILLISECOND} ms late")


def rests(bench: Bench, trial: RuleUnderTest, how: str) -> None:
    """After ``QUIET``: no more is on than may be, and nothing goes on beginning."""
    most = int(trial.rule.sustains)
    if len(bench.on) > most or (bench.sounding and not bench.on):
        raise bench.left_on(
            f"all efforts have ended and {bench.sounding or len(bench.on)} are still on, {how}; {most} may be"
        )
    if most:
        return
    begins = bench.begins
    for _ in range(int(QUIET // NANOSECONDS)):
        bench.go_on(bench.now + NANOSECONDS)
        if bench.begins > begins:
            began = next((event for _, event in reversed(bench.out) if isinstance(event, (Press, NoteOn))), None)
            raise bench.fault(
                f"all efforts ended {QUIET // NANOSECONDS} s ago and more, and it goes on to begin notes, {how}",
                of=began,
            )


def prove_repeatable(trial: RuleUnderTest) -> None:
    """Check that a timeline gives the same events, alone and with another instance at work between its events."""
    for timeline in timelines(trial.rule.takes):
        alone, one, other = Bench(trial), Bench(trial), Bench(trial)
        for now, event in timeline:
            alone.give(event, now)
        for now, event in timeline:
            one.give(event, now)
            other.give(event, now)
        if not alone.out == one.out == other.out:
            pairs = itertools.zip_longest(alone.out, one.out, other.out)
            first = next(row for row in pairs if not row[0] == row[1] == row[2])
            when, given = next(one for one in first if one is not None)
            raise trial.fault(
                f"the same timeline does not give the same events: {first}", alone.moment(of=given, time=when)
            )


def prove_passing(trial: RuleUnderTest) -> None:
    """Events of kinds that the rule does not take pass unchanged."""
    strangers: list[Event] = [
        Press("other", 901, 0.25),
        Level("other", 0.5),
        NoteOn(902, 61, 33),
        Control(1, 64),
        NoteOff(902),
        Release("other", 901),
    ]
    for event in strangers:
        if trial.rule.takes & KINDS[type(event)]:
            continue
        bench = Bench(trial)
        given = bench.give(event, MILLISECOND)
        if given != [event]:
            raise bench.fault(f"{event} should pass unchanged; it gives {given}", of=event)


def _twice(trial: RuleUnderTest) -> Iterator[Bench]:
    """Everything twice, ends of what never began, a device that is lost twice and then heard of again."""
    for timeline in timelines(trial.rule.takes):
        bench = Bench(trial)
        for now, event in timeline:
            bench.give(event, now)
            bench.give(event, now)
            if isinstance(event, (Press, NoteOn)):
                bench.give(NoteOff(999) if isinstance(event, NoteOn) else Release("bench", 999), now)
        bench.let_go(bench.now)
        bench.let_go(bench.now)
        for _, event in timeline[-4:]:
            bench.give(event, bench.now)
        bench.let_go(bench.now)
        yield bench


def prove_robust(trial: RuleUnderTest) -> None:
    """Double presses, stray releases and a lost device do not raise."""
    for _ in _twice(trial):
        pass


def prove_doubles(trial: RuleUnderTest) -> None:
    """After them nothing is left on."""
    for bench in _twice(trial):
        if bench.on or bench.sounding:
            raise bench.left_on(f"voices {list(bench.on)} stay on")


STEPS = 20_000
"""Steps of the interpreter that one event may take at most: far below a millisecond on a small PC."""


def prove_work(trial: RuleUnderTest) -> None:
    """An event takes few steps, and not more the longer the rule plays.

    Steps are counted, not timed, in Python code only.
    """
    for timeline in timelines(trial.rule.takes, count=600):
        bench = Bench(trial)
        steps: list[int] = []
        bench.steps = steps
        for now, event in timeline:
            bench.give(event, now)
            if max(steps) > STEPS:
                raise bench.fault(f"one event takes {max(steps)} steps of the interpreter; {STEPS} are allowed")
        half = len(steps) // 2
        early, late = sum(steps[:half]) / half, sum(steps[half:]) / (len(steps) - half)
        if late > 1.25 * early + 50:
            raise bench.fault(f"it takes more and more: {early:.0f} steps an event at first, {late:.0f} later on")


def prove_return(trial: RuleUnderTest) -> None:
    """Every call comes back. What else is wrong is the other checks' business; they could wait for ever."""
    for timeline in timelines(trial.rule.takes, count=20):
        bench = Bench(trial)
        bench.steps = []
        try:
            for now, event in timeline:
                bench.give(event, now)
            bench.let_go(bench.now)
        except TooManySteps:
            raise bench.fault(f"a call does not come back within {MOST_STEPS} steps of the interpreter") from None
        except RuleFault:
            continue
