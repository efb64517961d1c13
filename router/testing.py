"""Proof for rules, and virtual time for tests.

    from router.testing import check_rule
    check_rule(MyRule)

raises ``RuleFault`` with the check's name and what the rule did, or returns: then the rule keeps its contract (see
``router.rules.base``). Nothing here waits: time is a number, and a rule is woken at its deadlines, or late on purpose.
"""

from __future__ import annotations

import ast
import inspect
import itertools
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from random import Random
from types import FrameType
from typing import Any

from router.engine import Engine, Plan, RulePlan
from router.events import Control, Event, Level, Message, NoteOff, NoteOn, Press, Release, Route, Sample
from router.ledger import Ledger, Limits
from router.music import SCALES, Chord, Music
from router.rules.base import METHODS, Context, Kind, Rule, check_all
from router.timers import Alarm, Timers
from router.units import NANOSECONDS

MILLISECOND = NANOSECONDS // 1000
STARTED = 86_399_987_654_321
"""When virtual time begins, in nanoseconds: nearly a day after the clock's zero, and on no round figure."""

# --- an engine on virtual time ----------------------------------------------------------------------------------


class Memory:
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

    Times are counted from the start, in the log and in what was played too. The engine's own clock reads ``started`` then, as that of
    a PC that has run for a day: what takes a time of day for a time since the start is wrong on it, and would not be on a clock at 0.
    """

    started = STARTED

    def __init__(self, plan: Plan) -> None:
        self.log = Memory()
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


class RuleFault(AssertionError):  # noqa: N818 - the word that the log has for it
    """A rule breaks its contract; ``check`` names the check that found it."""

    def __init__(self, rule: type[Rule], check_name: str, message: str) -> None:
        super().__init__(f'rule "{getattr(rule, "name", rule.__name__)}", {check_name}: {message}')
        self.check = check_name


Settings = Mapping[str, Any]


@dataclass(frozen=True)
class Trial:
    """A rule with one set of settings, as a profile would write them, and the check that is running."""

    rule: type[Rule]
    written: Settings
    check: str

    def fault(self, message: str) -> RuleFault:
        with_settings = f" (with {dict(self.written)})" if self.written else ""
        return RuleFault(self.rule, self.check, message + with_settings)


def convert(rule: type[Rule], written: Settings) -> dict[str, Any]:
    """Settings as a profile writes them, completed with the defaults and converted, as a rule gets them.

    Raises:
        QuantityError: a text that is no such quantity.
    """
    from router.profile.quantities import read  # noqa: PLC0415 - only the proof of a rule needs what reads profiles

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
    settings = convert(rule, written or {})
    return RulePlan(rule.name, lambda context: rule(settings, context), place)


def examples(rule: type[Rule]) -> list[dict[str, Any]]:
    """The settings that the rule's manual gives it in its example (``Example::`` and an indented block of YAML).

    Raises:
        ValueError: there is no example, it is no YAML, or the rule is not in it.
    """
    import yaml  # noqa: PLC0415 - only the proof of a rule reads YAML

    from router.profile.manual import example  # noqa: PLC0415 - as in convert

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


def trials(rule: type[Rule], check_name: str) -> Iterator[Trial]:
    """The rule as in its examples, without any settings if it needs none, and with each choice that a setting offers."""
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
            yield Trial(rule, written, check_name)


class Bench:
    """One rule alone on virtual time; what it gives is checked, kept with its time, and played into a ledger without limits."""

    ROUTE = Route("bench", 1)
    WIDE = Limits(
        velocity=127, volume=127, notes_at_once=10**6, note_length=10**18, notes_per_second=10**6, shortest_note=0
    )

    def __init__(self, trial: Trial, *, repeated: bool = False) -> None:
        self._trial = trial
        self._timers = Timers()
        self._ledger = Ledger(self.WIDE, Timers(), Memory())
        self._voices = itertools.count(1_000_000)  # far from those of the causes
        self.made: set[int] = set()
        self.given: dict[int, None] = {}  # voices of causes that have begun and not ended
        self.known: set[int] = set()
        self.on: dict[int, None] = {}  # voices that the rule has begun and not ended
        self.out: list[tuple[int, Event]] = []
        self.now = 0
        self.steps: list[int] | None = None  # a list: of the interpreter, for each call of the rule
        self._context = Context(Music(), self._new_voice, Alarm(self._timers, 0))
        self._context.repeated = repeated
        self.rule = self._try("being made", trial.rule, convert(trial.rule, trial.written), self._context)

    def give(self, event: Event, now: int, late: int = 0) -> list[Event]:
        """Go on to ``now`` and hand the event to the rule; what it gives, with what it gives when woken at once."""
        self.go_on(now, late)
        if isinstance(event, (Press, NoteOn)):
            self.given[event.voice] = None
            self.known.add(event.voice)
        elif isinstance(event, (Release, NoteOff)):
            self.given.pop(event.voice, None)
        before = len(self.out)
        self._keep(self._call(f"given {event}", METHODS[type(event)], event, now))
        self.go_on(now, late)
        return [event for _, event in self.out[before:]]

    def go_on(self, until: int, late: int = 0) -> None:
        """Wake the rule at its deadlines up to ``until``, each time ``late`` nanoseconds after the deadline."""
        for _ in range(100_000):
            deadline = self._timers.next()
            if deadline is None or deadline > until:
                self.now = max(self.now, until)
                return
            self.now = min(max(self.now, deadline + late), max(until, self.now))
            key = self._timers.pop(self.now)
            assert isinstance(key, tuple)  # noqa: S101 - Alarm makes them so
            self._keep(self._call("woken", "wake", self.now, key[1]))
        raise self._trial.fault("it asks to be woken again and again without end")

    def play_in(self, music: Music, now: int) -> None:
        """Go on to ``now`` and tell the rule of another beat, key and chord."""
        self.go_on(now)
        self._context.music = music
        self._keep(self._call("told of another beat", "beat_changed", now))
        self._keep(self._call("told of another chord", "music_changed", now))
        self.go_on(now)

    def let_go(self, now: int) -> None:
        """Tell the rule to let go."""
        self._keep(self._call("letting go", "let_go", now))

    @property
    def waiting(self) -> bool:
        """Whether a deadline is set."""
        return self._timers.next() is not None

    @property
    def sounding(self) -> int:
        """How many notes are on in the ledger."""
        return len(self._ledger.sounding)

    def _new_voice(self) -> int:
        voice = next(self._voices)
        self.made.add(voice)
        return voice

    def _call(self, when: str, method: str, *arguments: Any) -> list[Event]:
        def call() -> list[Event]:
            return list(check_all(getattr(self.rule, method)(*arguments)))

        events: list[Event] = []
        if self.steps is None:
            events = self._try(when, call)
        else:
            self.steps.append(_steps(lambda: events.extend(self._try(when, call))))
        return events

    def _try(self, when: str, call: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return call(*arguments)
        except Exception as error:
            raise self._trial.fault(f"{when}, it raises {type(error).__name__}: {error}") from error

    def _keep(self, events: list[Event]) -> None:
        for event in events:
            self.out.append((self.now, event))
            if isinstance(event, NoteOn):
                self._ledger.note_on("bench", self.ROUTE, event, self.now)
            elif isinstance(event, NoteOff):
                self._ledger.note_off("bench", event.voice, self.now)
            if isinstance(event, (Press, NoteOn)):
                self.on[event.voice] = None
            elif isinstance(event, (Release, NoteOff)):
                self.on.pop(event.voice, None)


Timeline = list[tuple[int, Event]]


def play_rule(
    rule: type[Rule], written: Settings, timeline: Iterable[tuple[float, Event]]
) -> list[tuple[float, Event]]:
    """What a rule gives for these events, within a second after the last; times in milliseconds, settings as in a profile.

    Raises:
        RuleFault: it raises, or gives what is no event.
    """
    bench = Bench(Trial(rule, written, "played"))
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
    """What might come to a rule of this kind: efforts short, long and overlapping, each ended at last. Always the same."""
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


def _settings(trial: Trial) -> None:
    """What it says of itself is right: name, kinds, methods, manual; settings closed and described, defaults allowed."""
    from router.profile.declared import fault  # noqa: PLC0415 - as in convert

    if wrong := fault(trial.rule):
        raise trial.fault(wrong)


def _example(trial: Trial) -> None:
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
        *("router.events", "router.midi", "router.music", "router.timers", "router.units", "router.rules.base"),
    }
)
"""What a rule may import: arithmetic and the core beneath it; nothing that reads a clock, waits, or does I/O."""

FORBIDDEN_CALLS = frozenset({"open", "input", "print", "exec", "eval", "compile", "__import__", "breakpoint"})


def _imports(trial: Trial) -> None:
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


def _idle(trial: Trial) -> None:
    """Nothing is given before its cause: not without any event, and never a voice that nobody began."""
    bench = Bench(trial)
    bench.go_on(QUIET)
    if bench.out:
        raise trial.fault(f"it gives {bench.out[0][1]} before anything has happened")
    for timeline in timelines(trial.rule.takes):
        bench = Bench(trial)
        for now, event in timeline:
            for given in bench.give(event, now):
                if isinstance(given, (Press, NoteOn)) and given.voice not in bench.known | bench.made:
                    raise trial.fault(
                        f"{given} has a voice that nobody began; a new one comes from context.new_voice()"
                    )


def _ends(trial: Trial) -> None:
    """When every effort has ended, so has every note; a rule that sustains may keep those of the last effort."""
    for timeline, late in itertools.product(timelines(trial.rule.takes), LATENESS):
        bench = Bench(trial)
        for now, event in timeline:
            bench.give(event, now, late)
        bench.go_on(bench.now + QUIET)
        if len(bench.on) > trial.rule.sustains or (bench.sounding and not bench.on):
            raise trial.fault(
                f"all efforts have ended and {bench.sounding or len(bench.on)} are still on, "
                f"woken {late // MILLISECOND} ms late"
            )


def _lets_go(trial: Trial) -> None:
    """Let go at any moment: all that is on belongs to efforts that go on, nothing begins after it, no deadline is left."""
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
                raise trial.fault(f"let go after {moment} events, voices {left} stay on though nobody holds them")
            if bench.waiting:
                raise trial.fault(f"let go after {moment} events, a deadline is still set")
            for voice in list(bench.given):
                notes = Kind.NOTES in trial.rule.takes
                bench.give(NoteOff(voice) if notes else Release("bench", voice), bench.now)
            bench.go_on(bench.now + QUIET)
            if bench.sounding or bench.on:
                raise trial.fault(f"let go after {moment} events and all efforts ended, {bench.sounding} notes are on")


ROOM = (
    Music(2, tempo=Fraction(93), origin=3 * MILLISECOND),
    Music(9, SCALES["minor"], Fraction(300), 3, -70 * MILLISECOND),
    Music(9, SCALES["minor"], Fraction(20), 5, 12_345_678, Chord("Dm", 2, (0, 3, 7))),
)
"""Other keys, tempos, bars and chords, in turn."""


def _changes(trial: Trial) -> None:
    """Another key, tempo or chord at any moment: nothing begins without a cause, and all ends as without it."""
    bench = Bench(trial)
    bench.play_in(ROOM[0], MILLISECOND)
    bench.go_on(QUIET)
    if bench.out:
        raise trial.fault(f"told of another beat and chord, it gives {bench.out[0][1]} before anything has happened")
    ways = itertools.product(timelines(trial.rule.takes), LATENESS, range(len(ROOM)), (False, True))
    for timeline, late, first, repeated in ways:
        bench = Bench(trial, repeated=repeated)
        for place, (now, event) in enumerate(timeline):
            bench.give(event, now, late)
            if place % 3 == first:
                bench.play_in(ROOM[place % len(ROOM)], bench.now + first * MILLISECOND)
        bench.go_on(bench.now + QUIET)
        if len(bench.on) > trial.rule.sustains or (bench.sounding and not bench.on):
            raise trial.fault(
                f"told of another beat and chord, {bench.sounding or len(bench.on)} are still on at the end"
            )
        bench.let_go(bench.now)
        if bench.on or bench.waiting:
            raise trial.fault(
                "told of another beat and chord, and then let go, it holds a voice or waits for something"
            )


def _repeats(trial: Trial) -> None:
    """The same timeline gives the same events, alone and with another instance of the rule at work between its events."""
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
            raise trial.fault(f"the same timeline does not give the same events: {first}")


def _passes(trial: Trial) -> None:
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
        given = Bench(trial).give(event, MILLISECOND)
        if given != [event]:
            raise trial.fault(f"{event} should pass unchanged; it gives {given}")


def _twice(trial: Trial) -> Iterator[Bench]:
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


def _robust(trial: Trial) -> None:
    """Double presses, stray releases and a lost device do not raise."""
    for _ in _twice(trial):
        pass


def _doubles(trial: Trial) -> None:
    """After them nothing is left on."""
    for bench in _twice(trial):
        if bench.on or bench.sounding:
            raise trial.fault(f"voices {list(bench.on)} stay on")


STEPS = 20_000
"""Steps of the interpreter that one event may take at most: far below a millisecond on a small PC."""


MOST_STEPS = 100 * STEPS
"""After so many a call is taken to be without end."""


def _work(trial: Trial) -> None:
    """An event takes few steps, and not more the longer the rule plays. Steps are counted, not timed, in Python code only."""
    for timeline in timelines(trial.rule.takes, count=600):
        bench = Bench(trial)
        steps: list[int] = []
        bench.steps = steps
        for now, event in timeline:
            bench.give(event, now)
        if max(steps) > STEPS:
            raise trial.fault(f"one event takes {max(steps)} steps of the interpreter; {STEPS} are allowed")
        half = len(steps) // 2
        early, late = sum(steps[:half]) / half, sum(steps[half:]) / (len(steps) - half)
        if late > 1.25 * early + 50:
            raise trial.fault(f"it takes more and more: {early:.0f} steps an event at first, {late:.0f} later on")


class _TooManySteps(BaseException):
    """Ends a rule that is lost in itself; nothing that the rule catches."""


def _endless(trial: Trial) -> None:
    """Every call comes back. What else is wrong is the other checks' business; they could wait for ever."""
    for timeline in timelines(trial.rule.takes, count=20):
        bench = Bench(trial)
        bench.steps = []
        try:
            for now, event in timeline:
                bench.give(event, now)
            bench.let_go(bench.now)
        except _TooManySteps:
            raise trial.fault(f"a call does not come back within {MOST_STEPS} steps of the interpreter") from None
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


_OF_THE_FILE: Mapping[str, Callable[[Trial], None]] = {"settings": _settings, "example": _example, "imports": _imports}
_AT_WORK: Mapping[str, Callable[[Trial], None]] = {
    "coming back": _endless,
    "cause": _idle,
    "passing": _passes,
    "robustness": _robust,
    "ends": _ends,
    "letting go": _lets_go,
    "another music": _changes,
    "double presses": _doubles,
    "repeatability": _repeats,
}


def check_rule(rule: type[Rule]) -> None:
    """Prove that a rule keeps its contract, with the settings of its example and every choice that they offer.

    Raises:
        RuleFault: it does not; the message says which check found what.
    """
    for name, prove in _OF_THE_FILE.items():
        prove(Trial(rule, {}, name))
    for name, prove in _AT_WORK.items():
        for trial in trials(rule, name):
            prove(trial)
    for shown in examples(rule):  # counting steps is slow, and what there is to do hardly hangs on one setting
        _work(Trial(rule, shown, "work"))
