"""The contract of a rule: one step of a part.

A rule takes events and gives events. The engine calls it with one event and the time; what it returns goes on to
the next rule, and at the end to the ledger. A rule that has nothing to say about an event passes it on, which is
what every method here does unless a rule writes its own.

A rule never stops a note by pitch. Each note carries a *voice* and ends by that voice: the voice of the
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
from router.core.song import Song
from router.core.timers import Alarm

Events = Iterable[Event]


class Kind(Flag):
    """The kinds of event that flow between two rules, for ``takes`` and ``gives``."""

    GESTURES = auto()  # Press and Release
    ZONES = auto()  # Press with a zone, from a pointer
    LEVELS = auto()  # Level
    NOTES = auto()  # NoteOn and NoteOff
    CONTROLS = auto()  # Control, ChannelPressure, Bend


class Context:
    """All that a rule may know of the world around it."""

    __slots__ = ("alarm", "music", "new_voice", "part", "repeated", "shared", "volume")

    def __init__(
        self,
        music: Music,
        new_voice: Callable[[], int],
        alarm: Alarm,
        shared: dict[str, Any] | None = None,
        *,
        volume: int = 127,
        part: str = "",
    ) -> None:
        self.part = part  # the name of the rule's part in the profile
        self.music = music  # replaced when key, scale or tempo change: read it when you need it
        self.new_voice = new_voice
        self.alarm = alarm
        # Shared by all rules of an engine: rules of a group meet here. A rule may change what begins with its own name.
        self.shared = {} if shared is None else shared
        self.volume = volume  # the most that volume and expression may be set to
        self.repeated = False  # whether a later rule repeats held notes: see ``Rule.repeats``


class Rule:
    """A step of a part. Subclass it, set the class variables that have no default, and write the methods you need."""

    name: ClassVar[str]
    """The word that stands in a profile."""
    takes: ClassVar[Kind]
    """Kinds of event of which at least one must reach the rule for it to be of use."""
    gives: ClassVar[Kind] = Kind(0)
    """Kinds of event that it makes of those it takes; Kind(0) means the same kinds."""
    sustains: ClassVar[int] = 0
    """How many voices it may keep on purpose after the efforts behind them have ended, until another effort or
    ``let_go``. It may strike them again meanwhile, as a loop does. True counts as 1."""
    repeats: ClassVar[bool] = False
    """True if the rule itself repeats the notes that are held, as an arpeggio does. Notes held by the rules before it
    go on in another key when the key changes; all other notes stay as they are until their voice ends."""
    counts_bars: ClassVar[bool] = False
    """True if bars are counted from the effort that begins the rule: the first bar begins with a press that may reach
    it, just before, unless one such rule is ``playing`` or the room counts the bars."""
    playing = False
    """For a rule that ``counts_bars``: True while it plays and has not ended."""
    song: Song | None = None
    """The song that it plays, if any, for the record."""
    settings: ClassVar[Mapping[str, Any]]
    """A closed JSON Schema of an object in which every property has a description. Besides JSON Schema's own words
    a property may say ``"quantity": KIND`` (the kinds of ``router.files.quantities``: time, percent, pitch, ...): the
    profile then holds a text such as "120 ms" and the rule gets the number, in SI (times in nanoseconds). A
    ``default`` is written as a profile would write it."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        """``settings`` are checked, converted, completed with their defaults, and cannot be changed (``frozen``)."""
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

    def started(self, now: int) -> Events:
        """The seat begins to play at ``now``, the beginning of a bar. Only a rule that ``counts_bars`` is told."""
        return ()

    def wake(self, now: int, tag: Hashable) -> Events:
        """A deadline set with ``self.context.alarm.at`` has come. ``now`` may be later than asked for."""
        return ()

    def music_changed(self, now: int) -> Events:
        """Key, scale or current chord (``self.context.music``) change at ``now``; notes that sound may stay.

        Held notes that a later rule repeats go on in the new one: see ``Held``.
        """
        return ()

    def beat_changed(self, now: int) -> Events:
        """Tempo, beats of a bar or their places (``self.context.music``) change at ``now``; nothing is due before.

        A rule that keeps a ``Grid`` changes to a new one here and sets its deadlines again.
        """
        return ()

    def cut(self, voice: int, now: int) -> Events:
        """A limit has ended or refused this voice's notes, so none is on, though their cause goes on.

        A rule that keeps a voice going by itself (a latch) ends it here, so that the next press begins a new one.
        """
        return ()

    def let_go(self, now: int) -> Events:
        """End every voice this rule began, cancel every deadline, and forget the rest; the device may be gone.

        A place in a song may be kept: when the device is back she goes on there.
        """
        return ()


def frozen(settings: Any) -> Any:
    """Return settings that cannot be changed at any depth: every seat that plays the profile shares them."""
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
"""The method of a rule for each type of event; events of other types pass every rule."""


def check(event: object) -> None:
    """Refuse what a rule may not give, so that the fault is found at the rule that made it.

    Raises:
        ValueError: it is no event, or an event with a value that is no number or outside its range.
    """
    possible = _POSSIBLE.get(type(event))
    if possible is None or not possible(event):
        raise ValueError(f"a rule cannot give {event!r}")


# A function for each kind of event takes half as long as one ``match`` over all kinds, and every event that a rule
# gives is checked.


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
    """Check and return all events that a rule gives; never a part of them, which might begin notes that never end.

    Raises:
        ValueError: ``check`` refuses one of them, or there are more than ``MOST``.
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
    """A held cause: the voice of its notes, the functions that make them, and the notes made last."""

    voice: int
    makes: list[Callable[[], list[NoteOn]]] = field(default_factory=list)
    notes: list[NoteOn] = field(default_factory=list)


class Held:
    """Held notes by their cause, which are made again in another key and then replace the old ones.

    Only where a later rule repeats them (``Context.repeated``); elsewhere nothing is kept, and sounding notes stay.
    """

    def __init__(self, context: Context) -> None:
        self._context = context
        self._held: dict[int, _Holding] = {}

    def begin(self, cause: int, make: Callable[[], list[NoteOn]], instead: int | None = None) -> list[NoteOn]:
        """Begin notes of a cause; ``make`` returns them in the current music, with the cause as their voice.

        ``instead``: the cause that this one replaces.
        """
        notes = make()
        if not self._context.repeated:
            return notes
        holding = self._held.setdefault(cause, _Holding(cause))
        holding.makes.append(make)
        holding.notes += notes
        return [replace(note, voice=holding.voice, instead=self._voice(instead)) for note in notes]

    def end(self, cause: int) -> NoteOff:
        """End a cause and its notes."""
        holding = self._held.pop(cause, None)
        return NoteOff(cause if holding is None else holding.voice)

    def pass_on(self, off: NoteOff) -> NoteOff:
        """End a cause in a rule that takes notes: pass its end on, naming the voice that the cause has here."""
        holding = self._held.pop(off.voice, None)
        return off if holding is None else NoteOff(holding.voice)

    def anew(self) -> list[Event]:
        """Make the held notes again; where they have changed, begin the new ones before the old end, without a rest."""
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
        """Forget all, and end each voice that is not its cause's own: no other rule would."""
        held, self._held = self._held, {}
        return [NoteOff(holding.voice) for cause, holding in held.items() if holding.voice != cause]

    def _voice(self, cause: int | None) -> Any:
        holding = None if cause is None else self._held.get(cause)
        return cause if holding is None else holding.voice


class Moves(Rule):
    """A rule that moves each note to the pitch that ``moved`` returns; a repeated note goes on in another key."""

    takes = Kind.NOTES

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._held = Held(context)

    def moved(self, pitch: int) -> int:
        """The pitch, 0 to 127, to which a note of this pitch moves in the current music."""
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

    Notes made with ``self.held.begin`` go on in another key if a later rule repeats them.
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
    "description": "a step of the scale, 1 is the tonic; beyond the end of the scale steps go on upwards",
}
DEGREES: Mapping[str, Any] = {
    "type": "array",
    "minItems": 1,
    "items": DEGREE,
    "description": "steps of the scale, 1 is the tonic; beyond the end of the scale they go on upwards",
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
"""Exactly one of these settings is needed."""
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


SWING: Mapping[str, Any] = {
    "quantity": "swing ratio",
    "least": "1:1",
    "most": "3:1",
    "default": "1:1",
    "description": "how long the first of two steps is beside the second: 1:1 is straight, 2:1 a triplet feel",
}


def gate(settings: Mapping[str, Any]) -> Fraction:
    """The share of a step that the setting ``gate`` asks for, at least 1/100."""
    return max(Fraction(settings["gate"]).limit_denominator(1000), Fraction(1, 100))


SEED: Mapping[str, Any] = {
    "type": "integer",
    "minimum": 0,
    "maximum": 999999,
    "default": 1,
    "description": "the random seed: the same number gives the same choices again",
}


class Row:
    """A list of notes or chords from the settings in ``ROW``."""

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        self._context = context
        self._notes: list[int] | None = settings.get("notes")
        self._degrees: list[int] = settings.get("degrees", [])
        self._chords: list[Chord | int] | None = settings.get("chords")
        self._octave: int = settings["octave"]

    def __len__(self) -> int:
        return len(self._notes or self._chords or self._degrees)

    def play(self, index: int, press: Press) -> list[NoteOn]:
        """The notes of the entry at ``index``, for this press; after its end the list begins again."""
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
    """Events that a rule gives later, each at its time; events of the same time in the order in which they were put in.

    This uses the alarm's deadline without a tag: the rule's ``wake`` returns what ``due`` returns.
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
        """Take the events whose time has come, ``MOST`` at most; the rest are due at once afterwards."""
        events: list[Event] = []
        while self._heap and self._heap[0][0] <= now and len(events) < MOST:
            events.append(heapq.heappop(self._heap)[2])
        if self._heap:
            self._alarm.at(self._heap[0][0])
        return events

    def begins(self) -> dict[int, int]:
        """The time at which the first note of each voice is still to begin, by voice."""
        first: dict[int, int] = {}
        for when, _, event in sorted(self._heap):
            if isinstance(event, NoteOn):
                first.setdefault(event.voice, when)
        return first

    def move(self, to: Callable[[int, Event], int]) -> None:
        """Move each event to the time that ``to`` returns for it; events of one voice must keep their order."""
        self._heap = [(to(when, event), order, event) for when, order, event in self._heap]
        heapq.heapify(self._heap)
        if self._heap:
            self._alarm.at(self._heap[0][0])

    def waits(self, voice: int) -> bool:
        """Tell whether an event of a voice is still to come."""
        return any(getattr(event, "voice", None) == voice for _, _, event in self._heap)

    def drop(self, voice: int) -> None:
        """Forget the events of a voice."""
        self._heap = [entry for entry in self._heap if getattr(entry[2], "voice", None) != voice]
        heapq.heapify(self._heap)
        if not self._heap:
            self._alarm.cancel()

    def clear(self) -> None:
        """Forget them all."""
        self._heap.clear()
        self._alarm.cancel()
