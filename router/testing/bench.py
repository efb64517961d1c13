"""A rule alone on virtual time: what it is tried with, and what it gives."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from random import Random
from typing import Any

from router.core.contract import METHODS, Context, Kind, Rule, check_all, frozen
from router.core.engine import RulePlan
from router.core.events import Control, Event, Level, NoteOff, NoteOn, Press, Release, Route
from router.core.ledger import Ledger, Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.testing.calls import TooManySteps, count_steps, note_call
from router.testing.virtual_time import MILLISECOND, STARTED


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


class RuleFault(AssertionError):  # the word that the log has for it
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
    from router.songs.example import EXAMPLE  # noqa: PLC0415 - as above

    def value(schema: Mapping[str, Any], text: Any) -> Any:
        if schema.get("song") and isinstance(text, str):
            return EXAMPLE
        if "quantity" in schema:
            return read(schema["quantity"], str(text))
        if schema.get("items", {}).keys() & {"quantity", "song"}:
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

    def __ior__(self, other: Any) -> Any:  # type: ignore[misc]  # dict's own has overloads
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
            assert isinstance(key, tuple)  # Alarm makes them so
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
        """The number of notes that are on in the ledger."""
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

        note_call(self.now, self._last)
        events: list[Event] = []
        if self.steps is None:
            events = self._try(call)
        else:
            self.steps.append(count_steps(lambda: events.extend(self._try(call))))
        if self._context.shared is not self._shared or self._context.music is not self._music:
            raise self.fault("it puts something of its own in place of context.shared or context.music")
        return events

    def _try(self, call: Callable[..., Any], *arguments: Any) -> Any:
        try:
            return call(*arguments)
        except (TooManySteps, KeyboardInterrupt):
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
KINDS: Mapping[type, Kind] = {
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
        yield list(timeline_of(kind, Random(number), count))  # noqa: S311 - a fixed list of numbers, no secret


def timeline_of(kind: Kind, random: Random, count: int) -> Iterator[tuple[int, Event]]:
    """Make ``count`` steps of events of one kind, and end all of them."""
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
