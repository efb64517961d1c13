"""Proof for rules, and virtual time for tests.

    from router.testing import check_rule
    check_rule(MyRule)

raises ``RuleFault`` with the check's name and what the rule did, when, with which event, voice and pitch; or returns:
then the rule keeps its contract (see ``router.core.contract``). Time is a number here, and a rule is woken at its
deadlines, or late on purpose. The rule plays in a process of its own, which is ended if a call does not come back; so
it may do anything.
"""

from __future__ import annotations

import ast
import contextlib
import gc
import importlib
import inspect
import itertools
import json
import mmap
import os
import select
import signal
import struct
import sys
import traceback
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from io import FileIO
from pathlib import Path
from random import Random
from types import FrameType, FunctionType, ModuleType
from typing import Any, NoReturn

from router.core.contract import METHODS, Context, Kind, Rule, check_all, frozen
from router.core.engine import Engine, Plan, RulePlan
from router.core.events import Control, Event, Level, Message, NoteOff, NoteOn, Press, Release, Route, Sample
from router.core.ledger import Ledger, Limits
from router.core.music import SCALES, Chord, Music, TimeSignature
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.system import clock

MILLISECOND = NANOSECONDS // 1000
STARTED = 86_399_987_654_321
"""When virtual time begins, in nanoseconds: nearly a day after the clock's zero, and on no round figure."""

# --- an engine on virtual time ----------------------------------------------------------------------------------


class Observed:
    """An ``observe`` that keeps what it is told: ``(time, event, fields)``."""

    def __init__(self) -> None:
        self.lines: list[tuple[int, str, dict[str, Any]]] = []

    def __call__(self, now: int, event: str, fields: dict[str, Any]) -> None:
        self.lines.append((now, event, fields))

    def named(self, *events: str) -> list[tuple[int, str, dict[str, Any]]]:
        """The lines of these events only."""
        return [line for line in self.lines if line[1] in events]


class VirtualTime:
    """An engine on virtual time: woken at each of its deadlines exactly, and all it plays is kept with its time.

    Times are counted from the start, in the log and in what was played too. The engine's own clock reads ``started``
    then, as that of a PC that has run for a day: what takes a time of day for a time since the start is wrong on it,
    and would not be on a clock at 0.
    """

    started = STARTED

    def __init__(self, plan: Plan) -> None:
        self.log = Observed()
        self.engine = Engine(plan, lambda now, event, fields: self.log(now - self.started, event, fields))
        self.now = 0
        self.played: list[tuple[int, Message]] = []
        self._keep(self.engine.start(self.started))

    def give(self, now: int, sample: Sample) -> None:
        """Go on to ``now`` and hand over a sample."""
        self.go_on(now)
        self._keep(self.engine.handle(sample, self.started + now))

    def give_late(self, now: int, sample: Sample) -> None:
        """Hand over a sample with every deadline since the last call still unserved: the loop was held up."""
        self.now = now
        self._keep(self.engine.handle(sample, self.started + now))

    def go_on(self, until: int) -> None:
        """Wake the engine at each deadline up to ``until``."""
        while (deadline := self.engine.next_deadline()) is not None and deadline <= self.started + until:
            self.now = max(self.now, deadline - self.started)
            self._keep(self.engine.wake(self.started + self.now))
        self.now = until

    def wake_late(self, now: int) -> None:
        """Wake the engine once, however many deadlines have gone by."""
        self.now = now
        self._keep(self.engine.wake(self.started + now))

    def follow(self, music: Music, now: int) -> None:
        """Go on to ``now`` and play on in this music; what is due at ``now`` is played in it, as in a room."""
        self.go_on(now - 1)
        self.now = now
        self._keep(self.engine.follow(replace(music, origin=self.started + music.origin), self.started + now))

    def stop(self) -> None:
        """Stop the engine now."""
        self._keep(self.engine.stop(self.started + self.now))

    def _keep(self, messages: Iterable[Message]) -> None:
        self.played += [(self.now, message) for message in messages]


# --- what a rule is tried with ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Where a rule was when it broke its contract: what it was given or told last, when, and the note in question.

    ``time``: virtual nanoseconds. ``voice`` and ``pitch``: None where no voice, or no single pitch, is in question.
    """

    time: int = 0
    event: str = ""
    voice: int | None = None
    pitch: int | None = None

    def __str__(self) -> str:
        words = [f"at {self.time / MILLISECOND:.3f} ms"]
        words += [self.event] if self.event else []
        words += [f"voice {self.voice}"] if self.voice is not None else []
        words += [f"pitch {self.pitch}"] if self.pitch is not None else []
        return ", ".join(words)


class RuleFault(AssertionError):  # noqa: N818 - the word that the log has for it
    """A rule breaks its contract; ``check`` names the check that found it, ``moment`` says when and with what."""

    def __init__(self, rule: type[Rule], check_name: str, message: str, moment: Circumstances | None = None) -> None:
        at = "" if moment is None else f" [{moment}]"
        super().__init__(f'rule "{getattr(rule, "name", rule.__name__)}", {check_name}: {message}{at}')
        self.check, self.message, self.moment = check_name, message, moment


Settings = Mapping[str, Any]


@dataclass(frozen=True)
class RuleUnderTest:
    """A rule with one set of settings, as a profile would write them, and the check that is running."""

    rule: type[Rule]
    written: Settings
    check: str

    def fault(self, message: str, moment: Circumstances | None = None) -> RuleFault:
        with_settings = f" (with {dict(self.written)})" if self.written else ""
        return RuleFault(self.rule, self.check, message + with_settings, moment)


def convert(rule: type[Rule], written: Settings) -> dict[str, Any]:
    """Settings as a profile writes them, completed with the defaults and converted, as a rule gets them.

    Raises:
        QuantityError: a text that is no such quantity.
    """
    from router.files.quantities import read  # noqa: PLC0415 - only the proof of a rule needs what reads profiles

    def value(schema: Mapping[str, Any], text: Any) -> Any:
        if "quantity" in schema:
            return read(schema["quantity"], str(text))
        if "quantity" in schema.get("items", {}):
            return [value(schema["items"], item) for item in text]
        return text

    properties = rule.settings["properties"]
    defaults = {name: schema["default"] for name, schema in properties.items() if "default" in schema}
    return {name: value(properties[name], text) for name, text in {**defaults, **written}.items()}


def plan_rule(rule: type[Rule], written: Settings | None = None, place: str = "") -> RulePlan:
    """A rule with its settings as a profile writes them, ready for a part."""
    settings = frozen(convert(rule, written or {}))
    return RulePlan(rule.name, lambda context: rule(settings, context), place)


def examples(rule: type[Rule]) -> list[dict[str, Any]]:
    """The settings that the rule's manual gives it in its example (``Example::`` and an indented block of YAML).

    Raises:
        ValueError: there is no example, it is no YAML, or the rule is not in it.
    """
    import yaml  # noqa: PLC0415 - only the proof of a rule reads YAML

    from router.files.manual import example  # noqa: PLC0415 - as in convert

    shown = example(rule)
    if not shown:
        raise ValueError('the manual has no "Example::"')
    try:
        listed = yaml.safe_load(shown)["rules"]
        found = [dict(entry[rule.name] or {}) for entry in listed if rule.name in entry]
    except (yaml.YAMLError, TypeError, KeyError) as error:
        raise ValueError(f'the example is no profile text with "rules": {error}') from error
    if not found:
        raise ValueError("the rule is not in its own example")
    return found


def trials(rule: type[Rule], check_name: str) -> Iterator[RuleUnderTest]:
    """The rule as in its examples, with no settings if it needs none, and with each choice that a setting offers."""
    import jsonschema  # noqa: PLC0415 - only the proof of a rule needs it

    valid = jsonschema.Draft202012Validator(dict(rule.settings)).is_valid
    shown: list[Settings] = [*examples(rule)]
    choices = [
        {**shown[0], name: choice}
        for name, schema in rule.settings["properties"].items()
        for choice in [*schema.get("enum", ()), *(schema[end] for end in ("minimum", "maximum") if end in schema)]
    ]
    tried: list[Settings] = []
    for written in [*shown, {}, *choices]:
        if written not in tried and valid(written):
            tried.append(written)
            yield RuleUnderTest(rule, written, check_name)


class _Shared(dict[str, Any]):
    """The rules' ``shared``, in which a rule may change only what begins with its own name."""

    def __init__(self, name: str) -> None:
        super().__init__({"turn": True, STRANGER: 1})
        self._name = name

    def __setitem__(self, key: str, value: Any) -> None:
        self._mine(key)
        super().__setitem__(key, value)

    def __delitem__(self, key: str) -> None:
        self._mine(key)
        super().__delitem__(key)

    def setdefault(self, key: str, default: Any = None) -> Any:
        if key not in self:
            self[key] = default
        return self[key]

    def pop(self, key: str, *default: Any) -> Any:
        self._mine(key)
        return super().pop(key, *default)

    def update(self, *others: Any, **more: Any) -> None:
        for key, value in dict(*others, **more).items():
            self[key] = value

    def popitem(self) -> Any:
        raise self._refused("takes away whatever comes")

    def clear(self) -> None:
        raise self._refused("takes away everything")

    def __ior__(self, other: Any) -> Any:  # type: ignore[misc]
        self.update(other)
        return self

    def _mine(self, key: object) -> None:
        if not (isinstance(key, str) and key.startswith(self._name)):
            raise self._refused(f"changes {key!r}")

    def _refused(self, does: str) -> TypeError:
        return TypeError(f'it {does} in context.shared, where only what begins with "{self._name}" is its own')


STRANGER = "what another rule keeps"

WOKEN = "woken"


class Bench:
    """A rule alone on virtual time; its events are checked, kept with times, and played into an unlimited ledger.

    Times are counted from the start, as in ``VirtualTime``; the clock that the rule sees reads ``STARTED`` then.
    """

    ROUTE = Route("bench", 1)
    WIDE = Limits(
        velocity=127, volume=127, notes_at_once=10**6, note_length=10**18, notes_per_second=10**6, shortest_note=0
    )

    def __init__(self, trial: RuleUnderTest, *, repeated: bool = False, keeps: bool = True) -> None:
        """``repeated``: as before a rule that repeats.

        ``keeps``: what is given; else nothing grows here the longer it plays.
        """
        self._trial, self._keeps = trial, keeps
        self._timers = Timers()
        self._ledger = Ledger(self.WIDE, Timers(), lambda _now, _event, _fields: None)
        self._voices = itertools.count(1_000_000)  # far from those of the causes
        self.made: set[int] = set()
        self.given: dict[int, None] = {}  # voices of causes that have begun and not ended
        self.known: set[int] = set()
        self.on: dict[int, tuple[int, Event]] = {}  # voices that the rule has begun and not ended: when, and with what
        self.begun: set[int] = set()  # every voice that it ever began
        self.out: list[tuple[int, Event]] = []
        self.begins = 0  # how many it has begun
        self.now = 0
        self._last: tuple[str, Event | None] = ("", None)  # what it was told
        self.steps: list[int] | None = None  # a list: of the interpreter, for each call of the rule
        self._shared = _Shared(trial.rule.name)
        self._music = Music(origin=STARTED)
        self._context = Context(self._music, self._new_voice, Alarm(self._timers, 0), self._shared)
        self._context.repeated = repeated
        self._last = ("being made", None)
        self.rule = self._try(trial.rule, frozen(convert(trial.rule, trial.written)), self._context)

    def give(self, event: Event, now: int, late: int = 0) -> list[Event]:
        """Go on to ``now`` and hand the event to the rule; what it gives, with what it gives when woken at once."""
        self.go_on(now, late)
        if isinstance(event, (Press, NoteOn)):
            self.given[event.voice] = None
            if self._keeps:
                self.known.add(event.voice)
        elif isinstance(event, (Release, NoteOff)):
            self.given.pop(event.voice, None)
        before = len(self.out)
        self._last = ("given", event)
        self._keep(self._call(METHODS[type(event)], event, STARTED + now))
        self.go_on(now, late)
        return [event for _, event in self.out[before:]]

    def go_on(self, until: int, late: int = 0) -> None:
        """Wake the rule at its deadlines up to ``until``, each time ``late`` nanoseconds after the deadline."""
        for _ in range(30_000):
            deadline = self._timers.next()
            if deadline is None or deadline - STARTED > until:
                self.now = max(self.now, until)
                return
            self.now = min(max(self.now, deadline - STARTED + late), max(until, self.now))
            key = self._timers.pop(STARTED + self.now)
            assert isinstance(key, tuple)  # noqa: S101 - Alarm makes them so
            self._last = (WOKEN, None)
            self._keep(self._call("wake", STARTED + self.now, key[1]))
        raise self.fault("it asks to be woken again and again without end")

    def play_in(self, music: Music, now: int) -> None:
        """Go on to ``now`` and tell the rule of another beat, key and chord."""
        self.go_on(now)
        self._context.music = self._music = replace(music, origin=STARTED + music.origin)
        self._last = ("told of another beat", None)
        self._keep(self._call("beat_changed", STARTED + now))
        self._last = ("told of another chord", None)
        self._keep(self._call("music_changed", STARTED + now))
        self.go_on(now)

    def let_go(self, now: int) -> None:
        """Tell the rule to let go."""
        self._last = ("letting go", None)
        self._keep(self._call("let_go", STARTED + now))

    @property
    def waiting(self) -> bool:
        """Tell whether a deadline is set."""
        return self._timers.next() is not None

    @property
    def deadlines(self) -> int:
        """The number of deadlines that are set."""
        return len(self._timers)

    @property
    def sounding(self) -> int:
        """How many notes are on in the ledger."""
        return len(self._ledger.sounding)

    def moment(self, *, of: Event | None = None, voice: int | None = None, time: int | None = None) -> Circumstances:
        """Now, with what the rule was told last; ``of`` or ``voice``: what it gave, or holds, that is wrong."""
        words, event = self._last
        if of is None:
            of = self.on[voice][1] if voice in self.on else event
        if voice is None:
            voice = getattr(of, "voice", None)
        said = words if event is None else f"{words} {event}"
        return Circumstances(self.now if time is None else time, said, voice, getattr(of, "pitch", None))

    def fault(self, message: str, *, of: Event | None = None, voice: int | None = None) -> RuleFault:
        """A fault of now."""
        return self._trial.fault(message, self.moment(of=of, voice=voice))

    def left_on(self, message: str, voices: Iterable[int] | None = None) -> RuleFault:
        """A fault of voices that are on and should not be: which, since when, and with what they began."""
        voices = list(self.on) if voices is None else list(voices)
        shown = [
            f"voice {voice}, begun at {self.on[voice][0] / MILLISECOND:.3f} ms with {self.on[voice][1]}"
            for voice in voices[:3]
        ]
        more = f" and {len(voices) - 3} more" if len(voices) > 3 else ""
        first = self.on.get(voices[0]) if voices else None
        return self._trial.fault(
            f"{message}{': ' if shown else ''}{'; '.join(shown)}{more}",
            self.moment(voice=voices[0] if voices else None, of=None if first is None else first[1]),
        )

    def _new_voice(self) -> int:
        voice = next(self._voices)
        if self._keeps:
            self.made.add(voice)
        return voice

    def _call(self, method: str, *arguments: Any) -> list[Event]:
        def call() -> list[Event]:
            return list(check_all(getattr(self.rule, method)(*arguments)))

        _note(self.now, self._last)
        events: list[Event] = []
        if self.steps is None:
            events = self._try(call)
        else:
            self.steps.append(_steps(lambda: events.extend(self._try(call))))
        if self._context.shared is not self._shared or self._context.music is not self._music:
            raise self.fault("it puts something of its own in place of context.shared or context.music")
        return events

    def _try(self, call: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return call(*arguments)
        except (_TooManySteps, KeyboardInterrupt):
            raise
        except BaseException as error:
            words = "when it was let go" if self._last[0] == "letting go" else self._last[0]
            raise self.fault(f"{words}, it raises {type(error).__name__}: {error}") from error

    def _keep(self, events: list[Event]) -> None:
        for event in events:
            if self._keeps:
                self.out.append((self.now, event))
            if isinstance(event, NoteOn):
                self._ledger.note_on("bench", self.ROUTE, event, STARTED + self.now)
            elif isinstance(event, NoteOff):
                self._ledger.note_off("bench", event.voice, STARTED + self.now)
            if isinstance(event, (Press, NoteOn)):
                self.begins += 1
                self.on.setdefault(event.voice, (self.now, event))
                if self._keeps:
                    self.begun.add(event.voice)
            elif isinstance(event, (Release, NoteOff)):
                self.on.pop(event.voice, None)


Timeline = list[tuple[int, Event]]


def play_rule(
    rule: type[Rule], written: Settings, timeline: Iterable[tuple[float, Event]]
) -> list[tuple[float, Event]]:
    """Return what a rule gives until a second after the last event; times in milliseconds, settings as in a profile.

    Raises:
        RuleFault: it raises, or gives what is no event.
    """
    bench = Bench(RuleUnderTest(rule, written, "played"))
    for when, event in timeline:
        bench.give(event, round(when * MILLISECOND))
    bench.go_on(bench.now + NANOSECONDS)
    return [(now / MILLISECOND, event) for now, event in bench.out]


_BEGINNINGS: Mapping[Kind, Callable[[Random, int], list[Event]]] = {
    Kind.GESTURES: lambda random, voice: [Press("bench", voice, random.random(), pitch=random.choice((None, 40, 84)))],
    Kind.ZONES: lambda random, voice: [Press("bench", voice, random.random(), zone=random.randrange(40))],
    Kind.NOTES: lambda random, voice: [
        NoteOn(voice, pitch, random.randint(1, 127), random.random())
        for pitch in random.sample(range(128), random.choice((1, 1, 3)))
    ],
}
_KINDS: Mapping[type, Kind] = {
    Press: Kind.GESTURES | Kind.ZONES,
    Release: Kind.GESTURES | Kind.ZONES,
    Level: Kind.LEVELS,
    NoteOn: Kind.NOTES,
    NoteOff: Kind.NOTES,
    Control: Kind.CONTROLS,
}


def timelines(takes: Kind, count: int = 60, of_each: int = 1) -> Iterator[Timeline]:
    """Make events for a rule of this kind: efforts short, long and overlapping, all ended. Always the same."""
    for kind, number in itertools.product((kind for kind in Kind if kind in takes), range(of_each)):
        yield list(_timeline(kind, Random(number), count))  # noqa: S311 - a fixed row of numbers, no secret


def _timeline(kind: Kind, random: Random, count: int) -> Iterator[tuple[int, Event]]:
    now, voices, held = 0, itertools.count(1), list[int]()
    for step in range(count + 4):
        now += random.choice((0, 1, 20, 120, 120, 700, 2500)) * MILLISECOND
        if kind is Kind.LEVELS:
            yield now, Level("bench", 0.0 if step >= count else random.choice((0.0, random.random(), 1.0)))
        elif kind is Kind.CONTROLS:
            yield now, Control(random.randrange(120), random.randrange(128))
        elif held and (step >= count or len(held) == 3 or random.random() < 0.4):
            voice = held.pop(random.randrange(len(held)))
            yield now, NoteOff(voice) if kind is Kind.NOTES else Release("bench", voice)
        elif step < count:
            held.append(next(voices))
            for event in _BEGINNINGS[kind](random, held[-1]):
                yield now, event


# --- the checks -------------------------------------------------------------------------------------------------

QUIET = 120 * NANOSECONDS
"""After the last effort a rule has this long to come to rest."""

LATENESS = (0, 7 * MILLISECOND, 900 * MILLISECOND)
"""How late the rule is woken, in turn."""


def _settings(trial: RuleUnderTest) -> None:
    """Check the declaration: name, kinds, methods, manual; settings closed and described, defaults allowed."""
    from router.files.declared import fault  # noqa: PLC0415 - as in convert

    if wrong := fault(trial.rule):
        raise trial.fault(wrong)


def _example(trial: RuleUnderTest) -> None:
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
"""Modules that a rule may import: arithmetic and the router's own door for rules; nothing that reads a clock, waits, or does
I/O."""

FORBIDDEN_CALLS = frozenset({"open", "input", "print", "exec", "eval", "compile", "__import__", "breakpoint"})


def _imports(trial: RuleUnderTest) -> None:
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


def _idle(trial: RuleUnderTest) -> None:
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


def _ends(trial: RuleUnderTest) -> None:
    """When every effort has ended, so has every note, and none begins any more.

    A rule that sustains may keep its voices.
    """
    for timeline, late in itertools.product(timelines(trial.rule.takes), LATENESS):
        bench = Bench(trial)
        for now, event in timeline:
            bench.give(event, now, late)
        bench.go_on(bench.now + QUIET)
        _rests(bench, trial, f"woken {late // MILLISECOND} ms late")


def _rests(bench: Bench, trial: RuleUnderTest, how: str) -> None:
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


SEGMENTS, EFFORTS = 14, 200
"""How often, and with how many steps each, a long session is played, with ``QUIET`` between."""

GROWTH = 8192
"""Bytes that what a rule keeps may grow by in the second half of a long session, in which 700 efforts begin and end."""


def _lasts(trial: RuleUnderTest) -> None:
    """A session of more than 1,000 efforts.

    No end is ever missing, nothing raises at last, and no memory is kept of each.
    """
    for kind in (kind for kind in Kind if kind in trial.rule.takes):
        bench = Bench(trial, keeps=False)
        held = deadlines = 0
        for segment in range(SEGMENTS):
            begin, voices = bench.now, 10_000 * segment
            for now, event in _timeline(kind, Random(segment), EFFORTS):  # noqa: S311 - as in timelines
                bench.give(_moved(event, voices), begin + now)
            bench.go_on(bench.now + QUIET)
            _rests(bench, trial, f"after {(segment + 1) * EFFORTS} efforts and ends")
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


def _instead(trial: RuleUnderTest) -> None:
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
        _rests(bench, trial, "what was held having gone on in another key")
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
        _rests(bench, trial, "some of it having gone on in another key")


def _lets_go(trial: RuleUnderTest) -> None:
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


def _changes(trial: RuleUnderTest) -> None:
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


def _repeats(trial: RuleUnderTest) -> None:
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


def _passes(trial: RuleUnderTest) -> None:
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
        if trial.rule.takes & _KINDS[type(event)]:
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


def _robust(trial: RuleUnderTest) -> None:
    """Double presses, stray releases and a lost device do not raise."""
    for _ in _twice(trial):
        pass


def _doubles(trial: RuleUnderTest) -> None:
    """After them nothing is left on."""
    for bench in _twice(trial):
        if bench.on or bench.sounding:
            raise bench.left_on(f"voices {list(bench.on)} stay on")


STEPS = 20_000
"""Steps of the interpreter that one event may take at most: far below a millisecond on a small PC."""


MOST_STEPS = 10 * STEPS
"""After so many a call is taken to be without end."""


def _work(trial: RuleUnderTest) -> None:
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


class _TooManySteps(BaseException):
    """Ends a rule that is lost in itself; nothing that the rule catches."""


def _endless(trial: RuleUnderTest) -> None:
    """Every call comes back. What else is wrong is the other checks' business; they could wait for ever."""
    for timeline in timelines(trial.rule.takes, count=20):
        bench = Bench(trial)
        bench.steps = []
        try:
            for now, event in timeline:
                bench.give(event, now)
            bench.let_go(bench.now)
        except _TooManySteps:
            raise bench.fault(f"a call does not come back within {MOST_STEPS} steps of the interpreter") from None
        except RuleFault:
            continue


def _steps(call: Callable[[], object]) -> int:
    """How many instructions of the interpreter a call takes.

    Raises:
        _TooManySteps: more than ``MOST_STEPS``.
    """
    count = 0

    def trace(frame: FrameType, event: str, _: object) -> Any:
        nonlocal count
        frame.f_trace_opcodes = True
        count += event in ("opcode", "line")  # from Python 3.12 on there are no opcodes where lines are left out
        if count > MOST_STEPS:
            raise _TooManySteps
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        call()
    finally:
        sys.settrace(before)
    return count


_OF_THE_FILE: Mapping[str, Callable[[RuleUnderTest], None]] = {
    "settings": _settings,
    "example": _example,
    "imports": _imports,
}
_AT_WORK: Mapping[str, Callable[[RuleUnderTest], None]] = {
    "coming back": _endless,
    "cause": _idle,
    "passing": _passes,
    "robustness": _robust,
    "ends": _ends,
    "another key": _instead,
    "letting go": _lets_go,
    "another music": _changes,
    "double presses": _doubles,
    "repeatability": _repeats,
}


WITHIN = 300.0
"""Seconds that a whole proof may take. Those of the router's own rules take one or two, the longest twenty."""


def check_rule(rule: type[Rule], within: float = WITHIN) -> None:
    """Prove that a rule keeps its contract, with the settings of its example and every choice that they offer.

    ``within``: seconds after which the proof is given up; each call of the rule may take ``STUCK`` seconds of them. On
    Linux the rule plays in a process of its own, so whatever it does, this comes back and the caller's process is as
    before.

    Raises:
        RuleFault: it does not; the message says which check found what, with which event, voice, pitch and time.
    """
    if hasattr(os, "fork"):
        _prove_elsewhere(rule, within)
    else:
        _prove(rule)


def _prove(rule: type[Rule]) -> None:
    for name, prove in _OF_THE_FILE.items():
        _begin(name, {})
        prove(RuleUnderTest(rule, {}, name))
    for name, prove in _AT_WORK.items():
        for trial in trials(rule, name):
            _begin(name, trial.written)
            prove(trial)
    for name, prove in _LONG.items():
        for shown in examples(rule):  # they take long, and what there is to do hardly hangs on one setting
            _begin(name, shown)
            prove(RuleUnderTest(rule, shown, name))


_LONG: Mapping[str, Callable[[RuleUnderTest], None]] = {"lasting": _lasts, "work": _work}


# --- in a process of its own ------------------------------------------------------------------------------------

STUCK = 10.0
"""Seconds that one call may take: far beyond ``MOST_STEPS``, so that only what cannot be counted comes so far."""

_WHERE = struct.Struct("<qqqiii")
_TYPES: Mapping[type, int] = {kind: place for place, kind in enumerate(METHODS)}
_place: mmap.mmap | None = None
"""Where the proving process is, for whoever waits for it: the number of the call, its time, voice and pitch, the kind
of event, the check's length and settings; then the text of both."""
_calls = itertools.count(1)


def _note(now: int, last: tuple[str, Event | None]) -> None:
    """Say what is called next: plain stores into shared memory, as whoever is stuck can say nothing more."""
    if _place is None:
        return
    event = last[1]
    kind = _TYPES.get(type(event), len(METHODS))
    voice, pitch = getattr(event, "voice", -1), getattr(event, "pitch", None)
    _WHERE.pack_into(_place, 0, next(_calls), now, voice, -1 if pitch is None else pitch, kind, 0)


def _begin(check_name: str, written: Settings) -> None:
    """Say which check begins, with what."""
    if _place is not None:
        text = json.dumps([check_name, dict(written)], default=str).encode()[: len(_place) - _WHERE.size - 1]
        _place[_WHERE.size :] = text.ljust(len(_place) - _WHERE.size, b" ")
        _WHERE.pack_into(_place, 0, next(_calls), 0, -1, -1, len(METHODS), 0)


def _prove_elsewhere(rule: type[Rule], within: float) -> None:
    global _place  # noqa: PLW0603 - the child is another process and has its own
    for needed in ("jsonschema", "yaml", "router.files.declared", "router.files.manual"):
        importlib.import_module(needed)  # once here, and not in each child, whose clock runs
    reading, writing = os.pipe()
    with mmap.mmap(-1, mmap.PAGESIZE) as place, open(reading, "rb", buffering=0) as word:  # noqa: PTH123 - a descriptor
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of threads: the child uses none of what they may hold
            child = os.fork()
        if not child:
            _place = place
            _child(rule, writing)
        os.close(writing)
        try:
            said, why = _wait(word, place, within)
        finally:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
        if said == b"proven":
            return
        _raise(rule, said, why, place)


def _child(rule: type[Rule], writing: int) -> NoReturn:
    """Prove it, say the result through the pipe, and end without a word from anybody else."""
    said: dict[str, Any] | None = None
    try:
        _bound()
        _prove(rule)
    except RuleFault as fault:
        cause = "" if fault.__cause__ is None else "".join(traceback.format_exception(fault.__cause__))
        moment = None if fault.moment is None else asdict(fault.moment)
        said = {"check": fault.check, "message": fault.message, "moment": moment, "cause": cause}
    except BaseException:  # noqa: BLE001 - whatever it is, it is told to whoever waits
        said = {"error": traceback.format_exc()}
    finally:
        text = b"proven" if said is None else json.dumps(said, default=str).encode()
        while text:
            text = text[os.write(writing, text) :]
        os._exit(0)


def _bound() -> None:
    """A rule that takes all memory meets the end of its own."""
    import resource  # noqa: PLC0415 - not on every system

    with contextlib.suppress(OSError, ValueError):
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[5])
        most = pages * mmap.PAGESIZE + MEMORY
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))


MEMORY = 512 * 1024 * 1024
"""Bytes that a rule may take beside what the process has when the proof begins."""


def _wait(word: FileIO, place: mmap.mmap, within: float) -> tuple[bytes, str]:
    """Wait for what the child process says; return it, and the reason for waiting no longer."""
    said, calls = b"", -1
    began = since = clock.now()
    while True:
        if select.select([word], [], [], 0.05)[0]:
            piece = word.read(65536)
            if not piece:
                return said, "it ends the whole program"
            said += piece
        now, at = clock.now(), _WHERE.unpack_from(place)[0]
        if at != calls:
            calls, since = at, now
        if now - since > STUCK * NANOSECONDS:
            return b"", f"a call does not come back within {STUCK:g} s"
        if now - began > within * NANOSECONDS:
            return b"", f"the proof is not done within {within:g} s"


def _raise(rule: type[Rule], said: bytes, why: str, place: mmap.mmap) -> NoReturn:
    try:
        told = json.loads(said)
    except ValueError:
        _, now, voice, pitch, kind, _ = _WHERE.unpack_from(place)
        check_name, written = json.loads(place[_WHERE.size :].split(b"\0")[0] or b'["settings", {}]')
        word = f"given {list(METHODS)[kind].__name__}" if kind < len(METHODS) else "woken or told"
        moment = Circumstances(now, word, voice if voice >= 0 else None, pitch if pitch >= 0 else None)
        raise RuleUnderTest(rule, written, check_name).fault(why, moment) from None
    if "error" in told:
        raise RuntimeError(f"the proof itself failed:\n{told['error']}")
    at = None if told["moment"] is None else Circumstances(**told["moment"])
    fault = RuleFault(rule, told["check"], told["message"], at)
    if told["cause"]:
        fault.add_note(told["cause"])
    raise fault
