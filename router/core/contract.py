"""The contract of a rule: one step of a part.

A rule takes events and gives events. The engine calls it with one event and the time; what it returns goes on to
the next rule, and at the end to the ledger. A rule that has nothing to say about an event passes it on, which is
what every method here does unless a rule writes its own.

A rule never stops a note by pitch. Whatever begins carries a *voice*, and ends by that voice: the voice of the
press behind it, or a new one from ``self.context.new_voice()``.

Invariants a rule keeps (``router.testing.check_rule`` proves them):
  * for each voice it begins, it gives the end when the cause has ended, or when ``let_go`` is called;
  * it looks at no clock and does no I/O: the time is the argument ``now``, in nanoseconds;
  * a second press of a voice, a release of a voice it does not know, and events it does not know do no harm.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Flag, auto
from fractions import Fraction
from types import MappingProxyType
from typing import Any, ClassVar, cast

from router.core.events import (
    Bend,
    ChannelPressure,
    Control,
    Event,
    Level,
    NoteOff,
    NoteOn,
    Press,
    Program,
    Release,
)
from router.core.midi import BEND_MOST, CHANNEL_MODE
from router.core.music import Chord, Music
from router.core.timers import Alarm

Events = Iterable[Event]


class Kind(Flag):
    """What flows between two rules; ``takes`` and ``gives`` are written in it."""

    GESTURES = auto()  # Press and Release
    ZONES = auto()  # Press with a zone, from a pointer
    LEVELS = auto()  # Level
    NOTES = auto()  # NoteOn and NoteOff
    CONTROLS = auto()  # Control, ChannelPressure, Bend


class Context:
    """What a rule may know of the world around it."""

    __slots__ = ("alarm", "music", "new_voice", "repeated", "shared", "volume")

    def __init__(
        self,
        music: Music,
        new_voice: Callable[[], int],
        alarm: Alarm,
        shared: dict[str, Any] | None = None,
        volume: int = 127,
    ) -> None:
        self.music = music  # replaced when key, scale or tempo change: read it when you need it
        self.new_voice = new_voice
        self.alarm = alarm
        # One for all rules of an engine: rules of a group meet here. A rule may change what begins with its own name.
        self.shared = {} if shared is None else shared
        self.volume = volume  # the most that volume and expression may be set to
        self.repeated = False  # whether a rule after this one repeats what is held: see ``Rule.repeats``


class Rule:
    """One step of a part. Subclass it, set the four class variables, and write the methods you need."""

    name: ClassVar[str]
    """The word that stands in a profile."""
    takes: ClassVar[Kind]
    """What must reach the rule for it to be of use; of several, one is enough."""
    gives: ClassVar[Kind] = Kind(0)
    """What it makes of what it takes; Kind(0) is "the same"."""
    sustains: ClassVar[int] = 0
    """How many voices it may keep on purpose after the efforts behind them have ended, until another effort or ``let_go``. It may
    strike them again meanwhile, as a loop does. True is one."""
    repeats: ClassVar[bool] = False
    """Whether it plays what is held again and again by itself, as an arpeggio does. In another key what is held before such a
    rule goes on in that key; elsewhere what sounds ends with its voice."""
    settings: ClassVar[Mapping[str, Any]]
    """A closed JSON Schema of an object in which every property has a description. Besides JSON Schema's own words
    a property may say ``"quantity": KIND`` (the kinds of ``router.files.quantities``: time, percent, pitch, ...): the
    profile then holds a text such as "120 ms" and the rule gets the number, in SI (times in nanoseconds). A
    ``default`` is written as a profile would write it."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        """``settings`` have been checked, converted and completed with their defaults, and cannot be changed (``frozen``)."""
        self.context = context

    # --- what comes in --------------------------------------------------------------------------------------

    def press(self, press: Press, now: int) -> Events:
        """A press reached this rule."""
        return (press,)

    def release(self, release: Release, now: int) -> Events:
        """The release of a press."""
        return (release,)

    def level(self, level: Level, now: int) -> Events:
        """A new level of a continuous source."""
        return (level,)

    def note_on(self, note: NoteOn, now: int) -> Events:
        """A note from a rule before this one."""
        return (note,)

    def note_off(self, off: NoteOff, now: int) -> Events:
        """The end of a voice's notes from a rule before this one."""
        return (off,)

    def control(self, control: Control, now: int) -> Events:
        """A controller's value from a rule before this one."""
        return (control,)

    def wake(self, now: int, tag: Hashable) -> Events:
        """A deadline set with ``self.context.alarm.at`` has come. ``now`` may be later than asked for."""
        return ()

    def music_changed(self, now: int) -> Events:
        """Key, scale, or the chord where the music stands (``self.context.music``) are others from now on; what sounds may stay.

        What is held and played again and again by a rule further on goes on in the new one: see ``Held``.
        """
        return ()

    def beat_changed(self, now: int) -> Events:
        """Tempo, beats of a bar or their places (``self.context.music``) are others from now on; nothing is due before ``now``.

        A rule that keeps a ``Grid`` moves on to another one here, and sets its deadlines anew.
        """
        return ()

    def cut(self, voice: int, now: int) -> Events:
        """A limit has ended this voice's notes or refused them, and none is on, though their cause goes on.

        A rule that keeps a voice going by itself (a latch) ends it, so that the next press begins anew.
        """
        return ()

    def let_go(self, now: int) -> Events:
        """End every voice this rule began, cancel every deadline, and be as new; the child's device may be gone."""
        return ()


def frozen(settings: Any) -> Any:
    """Settings that nobody can change, at any depth: one that did would change them for every seat that plays the profile."""
    if isinstance(settings, Mapping):
        return MappingProxyType({name: frozen(inner) for name, inner in settings.items()})
    return tuple(map(frozen, settings)) if type(settings) in (list, tuple) else settings


METHODS: Mapping[type, str] = {
    Press: "press",
    Release: "release",
    Level: "level",
    NoteOn: "note_on",
    NoteOff: "note_off",
    Control: "control",
}
"""Which method of a rule hears which event; the others pass every rule."""


def check(event: object) -> None:
    """Refuse what a rule may not give, so that the fault is found at the rule that made it.

    Raises:
        ValueError: something that is no event, or an event with a number that is none or outside its range.
    """
    possible = _POSSIBLE.get(type(event))
    if possible is None or not possible(event):
        raise ValueError(f"a rule cannot give {event!r}")


# One function for each kind of event: asking them takes half as long as one ``match`` over all kinds, and this is done for every
# event that any rule gives.


def _press(press: Press) -> bool:
    strength = press.strength
    right = isinstance(press.source, str) and isinstance(press.voice, int)
    return right and isinstance(strength, _NUMBER) and 0 <= strength <= 1


def _level(level: Level) -> bool:
    return isinstance(level.source, str) and isinstance(level.value, _NUMBER) and 0 <= level.value <= 1


def _note_on(note: NoteOn) -> bool:
    pitch, strength = note.pitch, note.strength
    return (
        type(pitch) is int  # and no bool: True is no pitch
        and 0 <= pitch <= 127
        and isinstance(strength, _NUMBER)
        and 0 <= strength <= 1
        and type(note.velocity) is int
        and 1 <= note.velocity <= 127
        and type(note.voice) is int
    )


def _control(control: Control) -> bool:
    controller = control.controller
    return isinstance(controller, int) and 0 <= controller < CHANNEL_MODE and _within(control.value, 127)


def _within(value: object, most: int) -> bool:
    return isinstance(value, int) and 0 <= value <= most


_NUMBER = (int, float)
_POSSIBLE: Mapping[type, Callable[[Any], bool]] = {
    Press: _press,
    Release: lambda release: isinstance(release.source, str) and isinstance(release.voice, int),
    Level: _level,
    NoteOn: _note_on,
    NoteOff: lambda off: isinstance(off.voice, int),
    Control: _control,
    ChannelPressure: lambda pressure: _within(pressure.value, 127),
    Program: lambda program: _within(program.program, 127),
    Bend: lambda bend: _within(bend.value, BEND_MOST),
}

MOST = 1000
"""Events that one call of a rule may give; far above any chord or any number of notes held."""


def check_all(events: Iterable[object]) -> Sequence[Event]:
    """All that a rule gives, or nothing: half of it might begin what is never ended.

    Raises:
        ValueError: one of them is refused by ``check``, or there is no end to them.
    """
    given = events if type(events) is tuple else list(itertools.islice(events, MOST + 1))
    if len(given) > MOST:
        raise ValueError(f"a rule cannot give more than {MOST} events at once")
    for event in given:
        possible = _POSSIBLE.get(type(event))
        if possible is None or not possible(event):
            check(event)
    return cast("Sequence[Event]", given)


@dataclass(slots=True)
class _Holding:
    """A cause that is held: the voice of its notes, how to make them, and what they were made last."""

    voice: int
    makes: list[Callable[[], list[NoteOn]]] = field(default_factory=list)
    notes: list[NoteOn] = field(default_factory=list)


class Held:
    """What is held, by its cause, so that it can go on in another key: it is made anew, and takes the place of the old.

    Only where a rule further on repeats it (``Context.repeated``); elsewhere nothing is kept, and what sounds stays as it is.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._held: dict[int, _Holding] = {}

    def begin(self, cause: int, make: Callable[[], list[NoteOn]], instead: int | None = None) -> list[NoteOn]:
        """Notes of a cause begin; ``make`` gives them in the music of the moment, with the cause as their voice.

        ``instead``: the cause whose place this one takes.
        """
        notes = make()
        if not self._context.repeated:
            return notes
        holding = self._held.setdefault(cause, _Holding(cause))
        holding.makes.append(make)
        holding.notes += notes
        return [replace(note, voice=holding.voice, instead=self._voice(instead)) for note in notes]

    def end(self, cause: int) -> NoteOff:
        """The cause has ended, and so do its notes."""
        holding = self._held.pop(cause, None)
        return NoteOff(cause if holding is None else holding.voice)

    def pass_on(self, off: NoteOff) -> NoteOff:
        """The same for a rule between notes and notes: the end as it came, or that of the voice that the cause has here."""
        holding = self._held.pop(off.voice, None)
        return off if holding is None else NoteOff(holding.voice)

    def anew(self) -> list[Event]:
        """All that is held, where it is now made of other notes: what follows it never rests between."""
        events: list[Event] = []
        for holding in self._held.values():
            notes = [note for make in holding.makes for note in make()]
            if notes == holding.notes:
                continue
            old, holding.voice, holding.notes = holding.voice, self._context.new_voice(), notes
            events += [replace(note, voice=holding.voice, instead=old) for note in notes]
            events.append(NoteOff(old))
        return events

    def clear(self) -> list[Event]:
        """Forget all, and end what has another voice than its cause: nobody else will."""
        held, self._held = self._held, {}
        return [NoteOff(holding.voice) for cause, holding in held.items() if holding.voice != cause]

    def _voice(self, cause: int | None) -> Any:
        holding = None if cause is None else self._held.get(cause)
        return cause if holding is None else holding.voice


class Moves(Rule):
    """A rule that gives each note another pitch, which ``moved`` says; where it is repeated it goes on in another key."""

    takes = Kind.NOTES

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._held = Held(context)

    def moved(self, pitch: int) -> int:
        """The pitch, 0 to 127, that a note of this one has in the music of the moment."""
        raise NotImplementedError

    def note_on(self, note: NoteOn, now: int) -> Events:
        return self._held.begin(note.voice, lambda: [note.at(self.moved(note.pitch))], note.instead)

    def note_off(self, off: NoteOff, now: int) -> Events:
        return (self._held.pass_on(off),)

    def music_changed(self, now: int) -> Events:
        return self._held.anew()

    def let_go(self, now: int) -> Events:
        return self._held.clear()


class Plays(Rule):
    """A rule that turns gestures into notes: the end of a press is the end of its voice.

    What it makes with ``self.held.begin`` goes on in another key where it is repeated.
    """

    takes = Kind.GESTURES
    gives = Kind.NOTES

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self.held = Held(context)

    def release(self, release: Release, now: int) -> Events:
        return (self.held.end(release.voice),)

    def music_changed(self, now: int) -> Events:
        return self.held.anew()

    def let_go(self, now: int) -> Events:
        return self.held.clear()


DEGREE: Mapping[str, Any] = {
    "type": "integer",
    "minimum": 1,
    "maximum": 50,
    "description": "a step of the scale, 1 is the key note; beyond the end of the scale steps go on upwards",
}
DEGREES: Mapping[str, Any] = {
    "type": "array",
    "minItems": 1,
    "items": DEGREE,
    "description": "steps of the scale, 1 is the key note; beyond the end of the scale they go on upwards",
}
NOTES: Mapping[str, Any] = {
    "type": "array",
    "minItems": 1,
    "items": {"quantity": "pitch"},
    "description": "notes by name or number instead of degrees; C4 or 60 is middle C",
}
OCTAVE: Mapping[str, Any] = {
    "type": "integer",
    "minimum": -1,
    "maximum": 9,
    "default": 4,
    "description": "the octave of degree 1; octave 4 begins at middle C",
}


CHORDS: Mapping[str, Any] = {
    "type": "array",
    "minItems": 1,
    "items": {"quantity": "chord"},
    "description": "chords instead of degrees, by symbol, or by the step of the key (1 to 7) on which a triad stands",
}
ROW: Mapping[str, Mapping[str, Any]] = {"degrees": DEGREES, "notes": NOTES, "chords": CHORDS, "octave": OCTAVE}
"""The settings of a ``Row``."""
ONE_ROW = [{"required": ["degrees"]}, {"required": ["notes"]}, {"required": ["chords"]}]
"""Exactly one of them is needed."""
GATE: Mapping[str, Any] = {
    "quantity": "percent",
    "default": "80 %",
    "description": "how much of a step its note sounds",
}
ON_THE_BEAT = "on the beat"
BEGIN: Mapping[str, Any] = {
    "enum": ["at once", ON_THE_BEAT],
    "default": "at once",
    "description": "at once with the effort, or on the grid of beats that all parts share",
}


def gate(settings: Mapping[str, Any]) -> Fraction:
    """The share of a step that the setting ``gate`` asks for; never so little that nothing is left."""
    return max(Fraction(settings["gate"]).limit_denominator(1000), Fraction(1, 100))


SEED: Mapping[str, Any] = {
    "type": "integer",
    "minimum": 0,
    "maximum": 999999,
    "default": 1,
    "description": "which of the rows of chances: the same number gives the same row again",
}


class Row:
    """A row of notes or chords from the settings in ``ROW``."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        self._context = context
        self._notes: list[int] | None = settings.get("notes")
        self._degrees: list[int] = settings.get("degrees", [])
        self._chords: list[Chord | int] | None = settings.get("chords")
        self._octave: int = settings["octave"]

    def __len__(self) -> int:
        return len(self._notes or self._chords or self._degrees)

    def play(self, index: int, press: Press) -> list[NoteOn]:
        """What stands at ``index``, as the notes of this press; beyond the end the row begins again."""
        return [NoteOn(press.voice, pitch, strength=press.strength) for pitch in self._pitches(index % len(self))]

    def _pitches(self, index: int) -> tuple[int, ...]:
        music = self._context.music
        if self._notes is not None:
            return (self._notes[index],)
        if self._chords is not None:
            chord = music.chord_on(self._chords[index])
            return chord.near(12 * (self._octave + 1) + chord.root)
        return (music.degree(self._degrees[index], self._octave),)


class Later:
    """Events that a rule gives later, each at its time; those of one time in the order in which they were put in.

    It uses the deadline without a tag: the rule's ``wake`` gives what ``due`` returns.
    """

    def __init__(self, alarm: Alarm) -> None:
        self._alarm = alarm
        self._heap: list[tuple[int, int, Event]] = []
        self._order = 0

    def put(self, when: int, event: Event) -> None:
        """Give this event at ``when``."""
        self._order += 1
        heapq.heappush(self._heap, (when, self._order, event))
        self._alarm.at(self._heap[0][0])

    def due(self, now: int) -> list[Event]:
        """The events whose time has come; of more than a rule may give at once the rest at once afterwards."""
        events: list[Event] = []
        while self._heap and self._heap[0][0] <= now and len(events) < MOST:
            events.append(heapq.heappop(self._heap)[2])
        if self._heap:
            self._alarm.at(self._heap[0][0])
        return events

    def begins(self) -> dict[int, int]:
        """When the first note of each voice is still to begin."""
        first: dict[int, int] = {}
        for when, _, event in sorted(self._heap):
            if isinstance(event, NoteOn):
                first.setdefault(event.voice, when)
        return first

    def move(self, to: Callable[[int, Event], int]) -> None:
        """Give each event at another time, which ``to`` says of its time; two of one voice must keep their order."""
        self._heap = [(to(when, event), order, event) for when, order, event in self._heap]
        heapq.heapify(self._heap)
        if self._heap:
            self._alarm.at(self._heap[0][0])

    def waits(self, voice: int) -> bool:
        """Whether anything of a voice is still to come."""
        return any(getattr(event, "voice", None) == voice for _, _, event in self._heap)

    def drop(self, voice: int) -> None:
        """Forget the notes of a voice."""
        self._heap = [entry for entry in self._heap if getattr(entry[2], "voice", None) != voice]
        heapq.heapify(self._heap)
        if not self._heap:
            self._alarm.cancel()

    def clear(self) -> None:
        """Forget them all."""
        self._heap.clear()
        self._alarm.cancel()
