"""The checks of a rule over a long session, in another key, and told of other music."""

from __future__ import annotations

import gc
import itertools
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from random import Random
from types import FunctionType, ModuleType
from typing import Any

from router.core.contract import Kind
from router.core.events import Event, NoteOff, NoteOn, Press, Release
from router.core.music import SCALES, Chord, Music, TimeSignature
from router.core.units import NANOSECONDS
from router.testing.bench import (
    Bench,
    RuleUnderTest,
    timeline_of,
    timelines,
)
from router.testing.checks import LATENESS, QUIET, rests
from router.testing.virtual_time import MILLISECOND

SEGMENTS, EFFORTS = 14, 200
"""How often, and with how many steps each, a long session is played, with ``QUIET`` between."""

GROWTH = 8192
"""Bytes that what a rule keeps may grow by in the second half of a long session, in which 700 efforts begin and end."""


def prove_lasting(trial: RuleUnderTest) -> None:
    """A session of more than 1,000 efforts.

    No end is ever missing, nothing raises at last, and no memory is kept of each.
    """
    for kind in (kind for kind in Kind if kind in trial.rule.takes):
        bench = Bench(trial, keeps=False)
        held = deadlines = 0
        for segment in range(SEGMENTS):
            begin, voices = bench.now, 10_000 * segment
            for now, event in timeline_of(kind, Random(segment), EFFORTS):  # noqa: S311 - as in timelines
                bench.give(_moved(event, voices), begin + now)
            bench.go_on(bench.now + QUIET)
            rests(bench, trial, f"after {(segment + 1) * EFFORTS} efforts and ends")
            if segment == SEGMENTS // 2 - 1:
                held, deadlines = _footprint(bench), bench.deadlines
        grown = _footprint(bench) - held
        if grown > GROWTH:
            raise bench.fault(
                f"it keeps more and more: {grown} bytes in {SEGMENTS * EFFORTS // 2} events, though all efforts have"
                " ended"
            )
        if bench.deadlines > deadlines + SEGMENTS:
            raise bench.fault(f"it sets deadlines and never takes them back: {bench.deadlines} are waiting")
        bench.let_go(bench.now)
        if bench.on or bench.waiting:
            raise bench.left_on("let go after a long session, it holds a voice or waits for something")


def _moved(event: Event, voices: int) -> Event:
    return replace(event, voice=event.voice + voices) if isinstance(event, (Press, Release, NoteOn, NoteOff)) else event


def _footprint(bench: Bench) -> int:
    """Bytes of all that a rule can reach and the router has not given to it: its own, its class's and its module's."""
    rule = bench.rule
    module = sys.modules[type(rule).__module__]
    seen = {id(bench), id(rule.context), id(rule.context.alarm)}
    waiting: list[Any] = [vars(rule)] if hasattr(rule, "__dict__") else [rule]
    waiting += [dict(vars(kind)) for kind in vars(module).values() if _of(kind, module)]
    waiting += [dict(vars(type(rule)))]
    waiting += [value for name, value in vars(module).items() if not name.startswith("__") and not _of(value, module)]
    size = 0
    while waiting:
        thing = waiting.pop()
        if id(thing) in seen or isinstance(thing, (ModuleType, type)):
            continue
        seen.add(id(thing))
        if isinstance(thing, FunctionType):  # what it closes over, not all that its module knows
            waiting += [thing.__closure__, thing.__defaults__, thing.__kwdefaults__, thing.__dict__]
            continue
        size += sys.getsizeof(thing, 0)
        waiting += gc.get_referents(thing)
    return size


def _of(thing: object, module: ModuleType) -> bool:
    return isinstance(thing, type) and thing.__module__ == module.__name__


def prove_another_key(trial: RuleUnderTest) -> None:
    """Check held notes that go on in another key (``NoteOn.instead``): they end as ever, and are no effort."""
    if Kind.NOTES not in trial.rule.takes:
        return
    for repeated, (first, then) in itertools.product(_repeated(trial), _MOVES):
        bench = Bench(trial, repeated=repeated)
        now = _ODD
        for pitch in first:
            bench.give(NoteOn(1, pitch), now)
        now += QUIET
        bench.go_on(now)
        begins, held = bench.begins, bool(bench.on)
        bench.go_on(now + 4 * NANOSECONDS)
        now = bench.now
        goes_on = bench.begins > begins  # by itself, as an arpeggio does
        moves: list[Event] = [*(NoteOn(2, pitch, instead=1) for pitch in then), NoteOff(1)]
        for event in moves:
            _takes_over(bench, bench.give(event, now), "", repeats=trial.rule.repeats)
        if held and not bench.on and not trial.rule.repeats:
            raise bench.fault("what was held goes on in another key (NoteOn.instead), and it lets it end", voice=2)
        bench.out.clear()
        begins = bench.begins
        bench.go_on(now + QUIET)
        later = [event for _, event in bench.out]
        if trial.rule.repeats:
            if goes_on and bench.begins == begins:
                raise bench.fault(
                    "what is repeated goes on in another key (NoteOn.instead), and it falls silent", voice=2
                )
            plays = _plays(trial, then)
            if stale := next((one for one in later if isinstance(one, NoteOn) and one.pitch not in plays), None):
                raise bench.fault("what is repeated goes on in another key, and it still plays the old one", of=stale)
        else:
            _takes_over(bench, later, " later on", repeats=False)
        bench.give(NoteOff(2), bench.now)
        bench.go_on(bench.now + QUIET)
        rests(bench, trial, "what was held having gone on in another key")
    _moves_oddly(trial)


def _takes_over(bench: Bench, given: Iterable[Event], when: str, *, repeats: bool) -> None:
    for event in given:
        if not isinstance(event, NoteOn) or (repeats and event.instead is None and when):
            continue
        if event.instead is None:
            raise bench.fault(
                "what was held goes on in another key (NoteOn.instead), and it strikes a note as if the child had "
                f"made an effort{when}: {event}",
                of=event,
            )
        if event.instead not in bench.begun:
            raise bench.fault(f"{event} goes on instead of a voice that the rule never began", of=event)


def _repeated(trial: RuleUnderTest) -> Sequence[bool]:
    """Values of ``Context.repeated`` to try: ``NoteOn.instead`` needs a later rule that repeats, or this one."""
    return (True, False) if trial.rule.repeats else (True,)


def _plays(trial: RuleUnderTest, pitches: Sequence[int]) -> set[int]:
    """The pitches that a rule plays while these are held."""
    bench = Bench(trial)
    for pitch in pitches:
        bench.give(NoteOn(1, pitch), _ODD)
    bench.go_on(2 * QUIET)
    return {event.pitch for _, event in bench.out if isinstance(event, NoteOn)}


_ODD = 1_234_567_891
"""When the first effort begins: a time that is not 0 and on no grid."""

_MOVES: Sequence[tuple[Sequence[int], Sequence[int]]] = (((60,), (62,)), ((60, 64, 67), (62, 65, 69)))
"""Notes that are held, and others in another key."""


def _moves_oddly(trial: RuleUnderTest) -> None:
    """Releases of unknown voices, of ended ones, twice, and of several that overlap.

    Nothing raises or stays.
    """
    ways: Sequence[Sequence[Event]] = (
        (NoteOn(1, 60, instead=99), NoteOff(99), NoteOff(1)),
        (NoteOn(1, 60), NoteOff(1), NoteOn(2, 62, instead=1), NoteOff(1), NoteOff(2)),
        (NoteOn(1, 60), NoteOn(2, 62, instead=1), NoteOff(1), NoteOn(3, 64, instead=2), NoteOff(2), NoteOff(3)),
        (NoteOn(1, 60), NoteOn(2, 62, instead=1), NoteOn(2, 62, instead=1), NoteOff(1), NoteOff(1), NoteOff(2)),
        (
            *(NoteOn(1, 60), NoteOn(2, 64), NoteOn(3, 62, instead=1), NoteOff(1), NoteOn(4, 65, instead=2), NoteOff(2)),
            *(NoteOff(4), NoteOff(3)),
        ),
    )
    for repeated, apart, events in itertools.product(_repeated(trial), (0, 40 * MILLISECOND, 3 * NANOSECONDS), ways):
        bench = Bench(trial, repeated=repeated)
        for place, event in enumerate(events):
            bench.give(event, _ODD + place * apart)
        bench.go_on(bench.now + QUIET)
        rests(bench, trial, "some of it having gone on in another key")


def prove_letting_go(trial: RuleUnderTest) -> None:
    """Let go at any moment: what is on belongs to efforts that go on, nothing begins later, no deadline is left."""
    for timeline, late in itertools.product(timelines(trial.rule.takes, count=8, of_each=3), LATENESS):
        ends = [now for now, _ in timeline[1:]] + [timeline[-1][0] + 60 * MILLISECOND]
        for moment, halfway in itertools.product(range(len(timeline) + 1), (False, True)):
            bench = Bench(trial)
            for now, event in timeline[:moment]:
                bench.give(event, now, late)
            if moment and halfway:
                bench.go_on((bench.now + ends[moment - 1]) // 2, late)
            bench.let_go(bench.now)
            left = [voice for voice in bench.on if voice not in bench.given]
            if left:
                raise bench.left_on(
                    f"let go after {moment} events, voices {left} stay on though nobody holds them", left
                )
            if bench.waiting:
                raise bench.fault(f"let go after {moment} events, a deadline is still set")
            for voice in list(bench.given):
                notes = Kind.NOTES in trial.rule.takes
                bench.give(NoteOff(voice) if notes else Release("bench", voice), bench.now)
            bench.go_on(bench.now + QUIET)
            if bench.sounding or bench.on:
                raise bench.left_on(
                    f"let go after {moment} events and all efforts ended, {bench.sounding} notes are on"
                )


ROOM = (
    Music(2, tempo=Fraction(93), origin=3 * MILLISECOND),
    Music(9, SCALES["minor"], Fraction(300), TimeSignature(3, 4), -70 * MILLISECOND),
    Music(9, SCALES["minor"], Fraction(20), TimeSignature(5, 4), 12_345_678, Chord("Dm", 2, (0, 3, 7))),
)
"""Other keys, tempos, bars and chords, in turn."""


def prove_another_music(trial: RuleUnderTest) -> None:
    """Another key, tempo or chord at any moment: nothing begins without a cause, and all ends as without it."""
    bench = Bench(trial)
    bench.play_in(ROOM[0], MILLISECOND)
    bench.go_on(QUIET)
    if bench.out:
        raise bench.fault(
            f"told of another beat and chord, it gives {bench.out[0][1]} before anything has happened",
            of=bench.out[0][1],
        )
    ways = itertools.product(timelines(trial.rule.takes), LATENESS, range(len(ROOM)), (False, True))
    for timeline, late, first, repeated in ways:
        bench = Bench(trial, repeated=repeated)
        for place, (now, event) in enumerate(timeline):
            bench.give(event, now, late)
            if place % 3 == first:
                bench.play_in(ROOM[place % len(ROOM)], bench.now + first * MILLISECOND)
        bench.go_on(bench.now + QUIET)
        if len(bench.on) > trial.rule.sustains or (bench.sounding and not bench.on):
            raise bench.left_on(
                f"told of another beat and chord, {bench.sounding or len(bench.on)} are still on at the end"
            )
        bench.let_go(bench.now)
        if bench.on or bench.waiting:
            raise bench.left_on(
                "told of another beat and chord, and then let go, it holds a voice or waits for something"
            )
