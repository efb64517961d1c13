"""The straight line: a sample in, MIDI messages out.

    handle(sample, now)   conditioning -> each part that listens -> its rules in order -> ledger -> messages
    wake(now)             the same from a deadline that has come
    next_deadline()       when to call wake

One engine is one child's profile at one seat. It does no I/O and reads no clock; ``now`` is monotonic nanoseconds
and never goes back. What happened is told to ``observe``, with the words of the log.

A fault in a rule is caught here and nowhere else: the part's voices are released, the fault is told once with the
rule's place in the profile, and that rule is passed over from then on; everything else plays on.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from types import MappingProxyType
from typing import Any

from router.core.balance import Share
from router.core.conditioning.base import Conditioner
from router.core.contract import METHODS, Context, Rule, check_all
from router.core.events import (
    Bend,
    ChannelPressure,
    Control,
    Drifted,
    Event,
    Found,
    Gesture,
    Lost,
    Mark,
    Message,
    MidiSample,
    NearMiss,
    NoteOff,
    NoteOn,
    Press,
    Program,
    Rejected,
    Release,
    Route,
    Sample,
    SensorFault,
)
from router.core.harmony import Harmony, Progression
from router.core.ledger import Ledger, Limits, Observe, Voice, Wire
from router.core.midi import NOTE_OFF, NOTE_ON, PROGRAM_CHANGE
from router.core.music import Chord, Music, Span, TimeSignature
from router.core.playing.transport import stage_of
from router.core.song import Song
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS

MakeConditioner = Callable[[Callable[[], int], Alarm], Conditioner]
MakeRule = Callable[[Context], Rule]

# Written once: a union written where it is used is made again each time, which took a sixth of an event's time.
_FOR_THE_RECORD = (Rejected, SensorFault, NearMiss, Drifted)
_CHANGES = (Control, ChannelPressure, Bend)

WAKES_A_PASS = 10_000
"""Wakings in one pass after which a rule that always asks to be woken at once is stopped; far above any real chain."""


@dataclass(frozen=True, slots=True)
class RulePlan:
    """A rule of a part: its name, how to make it, its place ("wren.yaml:31"), and its origin if not the router."""

    name: str
    make: MakeRule
    place: str = ""
    origin: str = ""
    keeps: frozenset[str] = frozenset()
    """Inputs that it only remembers: it plays nothing because of them."""
    told: frozenset[str] = frozenset()
    """Sources whose gestures come straight to it, past the rules before it: a button that is for it alone."""


@dataclass(frozen=True, slots=True)
class PartPlan:
    """A part as the profile describes it; ``program`` is sent when the engine starts, 0 to 127 as on the wire."""

    name: str
    sources: tuple[str, ...]
    rules: tuple[RulePlan, ...]
    route: Route
    program: int | None = None


TEMPO, HARMONY = "tempo", "harmony"
"""The parts of the room's music that a profile may follow: tempo and beats; key, scale and chord."""


@dataclass(frozen=True, slots=True)
class Listens:
    """The notes that an input without a device hears: those of a seat ("": this one), of all its parts or of one."""

    seat: str = ""
    part: str | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """All that an engine is made from; two engines made from one plan behave alike.

    ``follows``: ``TEMPO`` and ``HARMONY`` if they come from the room, not the profile. ``listens``: by input.
    """

    music: Music
    limits: Limits
    inputs: dict[str, MakeConditioner]
    parts: tuple[PartPlan, ...]
    progression: Progression = field(default_factory=Progression)
    follows: frozenset[str] = frozenset()
    listens: Mapping[str, Listens] = field(default_factory=dict)

    @property
    def own(self) -> frozenset[str]:
        """The parts that sound only because of this seat's devices; others may play because of what they hear."""
        return frozenset(part.name for part in self.parts if self._heard_by(part) <= _kept(part))

    @property
    def ring(self) -> tuple[str, ...]:
        """Parts that hear one another in a ring, the first again at the end; empty if there are none."""
        hears = {part.name: self._heard_parts(part) for part in self.parts}
        return ring(hears)

    def _heard_by(self, part: PartPlan) -> set[str]:
        return {source.partition(".")[0] for source in part.sources} & self.listens.keys()

    def _heard_parts(self, part: PartPlan) -> list[str]:
        heard = [self.listens[name] for name in sorted(self._heard_by(part))]
        return [listens.part for listens in heard if listens.part is not None and not listens.seat]


def ring(hears: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Return the first ring among names of which each hears others, with the first again at the end.

    The list is empty if there is none.
    """
    done: set[str] = set()
    for start in hears:
        path: dict[str, None] = {}
        waiting = [(start, False)]
        while waiting:
            name, leaving = waiting.pop()
            if leaving:
                del path[name]
                done.add(name)
            elif name in path:
                names = list(path)
                return (*names[names.index(name) :], name)
            elif name not in done:
                path[name] = None
                waiting.append((name, True))
                waiting += [(heard, False) for heard in hears.get(name, ())]
    return ()


def _kept(part: PartPlan) -> frozenset[str]:
    return part.rules[0].keeps if part.rules else frozenset()


_Note = tuple[Conditioner, MidiSample]
"""A note of a part, begun or ended, for an input that hears it."""


class _Ended:
    """Voices whose notes made room or were refused; their rules are told after the present event.

    Those rules may be at work on that event. Like ``_Overhearing`` this knows nothing of the engine: a reference cycle
    would stay in memory, as the garbage collector does not run while it plays.
    """

    def __init__(self, alarm: Alarm) -> None:
        self.alarm = alarm
        self.voices: list[Voice] = []

    def add(self, voice: Voice, now: int) -> None:
        """Add a voice, to be told of after the present event."""
        self.voices.append(voice)
        self.alarm.at(now)

    def clear(self) -> None:
        """Forget the voices; their rules need not be told."""
        self.voices.clear()
        self.alarm.cancel()


class _Overhearing:
    """Passes on all that the ledger tells, and gives its notes to the inputs that hear a part, after the present event.

    A note's end goes to the inputs that were told of its beginning: if parts share a channel, another part may have
    ended it.
    """

    def __init__(self, observe: Observe, alarm: Alarm) -> None:
        self.ears: dict[str, list[Conditioner]] = {}  # inputs that hear a part of this engine, by part
        self.notes: deque[_Note] = deque()
        self._observe, self._alarm = observe, alarm
        self._told_on: dict[Wire, list[Conditioner]] = {}  # the inputs told of a note that is on

    def tell(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """Pass an event on to ``Observe``, and keep a note for the inputs that hear its part."""
        self._observe(now, event, fields)
        if event not in ("note_on", "note_off"):
            return
        wire = (fields["output"], fields["channel"], fields["note"])
        if event == "note_on":
            status, ears = NOTE_ON, self.ears.get(fields["part"], [])
            if ears:
                self._told_on[wire] = ears
        else:
            status, ears = NOTE_OFF, self._told_on.pop(wire, [])
        data = (status | fields["channel"] - 1, fields["note"], fields["velocity"])
        self.notes.extend((conditioner, MidiSample(conditioner.name, data)) for conditioner in ears)
        if ears:
            self._alarm.at(now)

    def clear(self) -> None:
        """Forget the notes; no input need be told."""
        self._told_on.clear()
        self.notes.clear()
        self._alarm.cancel()


@dataclass(slots=True)
class _Step:
    """A rule at work, with its methods looked up by the type of event."""

    plan: RulePlan
    rule: Rule
    handlers: dict[type, Callable[[Any, int], Iterable[Event]]]
    working: bool = True


@dataclass(slots=True)
class _Part:
    plan: PartPlan
    context_of: list[Context]
    steps: list[_Step] = field(default_factory=list)


_Owner = _Ended | _Overhearing | Conditioner | Harmony | tuple[_Part, int]


class Engine:
    """A child's profile at work at a seat: samples in, MIDI messages out."""

    def __init__(self, plan: Plan, observe: Observe | None = None, share: Share | None = None) -> None:
        self._plan = plan
        self._observe = observe = observe or _nobody
        self._timers = Timers()
        if rings := plan.ring:
            raise ValueError(f"parts hear one another in a ring: {' > '.join(rings)}")
        hears = any(not listens.seat for listens in plan.listens.values())
        self._ended = _Ended(Alarm(self._timers, 0))
        self._overhearing = _Overhearing(observe, Alarm(self._timers, 1))
        told = self._overhearing.tell if hears else observe
        self._ledger = Ledger(plan.limits, self._timers, told, share, self._ended.add)
        self._new_voice = itertools.count(1).__next__
        self._shared: dict[str, Any] = {}  # between rules that agree on it
        self._owners: list[_Owner] = [self._ended, self._overhearing]  # owners of deadlines, by number
        self._inputs: dict[str, Conditioner] = {}
        self._hearers: dict[str, list[Conditioner]] = {}  # inputs that hear of others' presses, by source
        self._parts: list[_Part] = []
        self._unmade: list[tuple[_Part, int, Exception]] = []  # rules that could not be made: told at the start
        self._listeners: dict[str, list[_Part]] = {}  # by source
        self._straight: dict[str, list[tuple[_Part, int]]] = {}  # rules that a source comes straight to
        for name, make in plan.inputs.items():
            conditioner = make(self._new_voice, Alarm(self._timers, len(self._owners)))
            self._owners.append(conditioner)
            self._inputs[name] = conditioner
            for source in conditioner.hears:
                self._hearers.setdefault(source, []).append(conditioner)
        for name, listens in plan.listens.items():
            if listens.part is not None and not listens.seat and name in self._inputs:
                self._overhearing.ears.setdefault(listens.part, []).append(self._inputs[name])
        plays = any(plan.progression.advance in part.sources for part in plan.parts)
        song = plan.progression.song
        stage = None if song is None else stage_of(self._shared, song)
        self._harmony = Harmony(plan.progression, Alarm(self._timers, len(self._owners)), plays=plays, stage=stage)
        self._owners.append(self._harmony)
        self._bands: list[tuple[_Part, int]] = []  # rules that count bars: the part of each, and its index there
        self._begin_bars: set[str] = set()  # the sources whose presses may begin one of them
        self._in_a_room = False  # whether the room counts the bars
        self._room_chord: Chord | None = None  # takes precedence over the progression's
        self._music = self._told_music = self._with_chord(plan.music)
        for part_plan in plan.parts:
            self._add_part(part_plan)

    # --- the surface ----------------------------------------------------------------------------------------

    def start(self, now: int) -> list[Message]:
        """Messages that prepare the outputs: each part's program. The first bar begins now."""
        self._observe(now, "start", {})
        music = replace(self._music, origin=now)
        self._in_a_room = False
        self._harmony.start(music)
        self._play_in(music)
        self._tell_music(now)
        out = self.programs()
        for plan in self._plan.parts:
            if plan.program is not None:
                self._observe(now, "program", {"part": plan.name, **_told(plan.route), "program": plan.program})
        for part in self._parts:
            for step in part.steps:
                song = getattr(step.rule, "song", None)  # a stand-in of another's rule has none
                if isinstance(song, Song):
                    self._observe(now, "song", {"part": part.plan.name, **_told_song(song)})
        unmade, self._unmade = self._unmade, []
        for part, index, error in unmade:
            self._fault(part, index, error, now, out)
        for part, index in self._bands:
            self._from_rule(part, index, lambda rule: rule.started(now), now, out)
        return out

    def programs(self) -> list[Message]:
        """The program changes and channel volumes of all parts, for the start and for an output that has come back."""
        programs = [
            Message(part.plan.route.output, (PROGRAM_CHANGE | part.plan.route.channel - 1, program))
            for part in self._parts
            if (program := self._ledger.program_of(part.plan.route, part.plan.program)) is not None
        ]
        return programs + self._ledger.volumes()

    def handle(self, sample: Sample, now: int) -> list[Message]:
        """Take a sample at ``now``; deadlines due before come first, and those that it sets for now come after it."""
        out: list[Message] = []
        self._wake_due(now, out)
        if isinstance(sample, Mark):
            self._observe(now, "mark", {"text": sample.text})
            return out
        conditioner = self._inputs.get(sample.input)
        if conditioner is None:
            return out
        if isinstance(sample, Lost):
            self._lost(conditioner, now, out)
        elif isinstance(sample, Found):
            self._observe(now, "found", {"input": sample.input})
        else:
            self._gestures(conditioner.handle(sample, now), now, out)
        self._wake_due(now, out)
        return out

    def wake(self, now: int) -> list[Message]:
        """Do what is due at ``now``, earliest first."""
        out: list[Message] = []
        self._wake_due(now, out)
        return out

    def next_deadline(self) -> int | None:
        """The time at which ``wake`` is next wanted, in monotonic nanoseconds, or None."""
        return self._timers.next()

    def stop(self, now: int) -> list[Message]:
        """Release everything and silence every channel in use. The engine can be used again afterwards."""
        out: list[Message] = []
        self._ended.clear()
        for part in self._parts:
            self._let_go(part, now, out)
        for conditioner in self._inputs.values():
            for gesture in conditioner.lost(now):
                self._tell_gesture(gesture, now)
        self._harmony.stop()
        self._play_in(self._music)
        out += self._ledger.all_off(now)
        self._overhearing.clear()
        self._observe(now, "stop", {})
        return out

    def follow(self, music: Music, now: int) -> list[Message]:
        """Take the room's music from ``now`` on: key, scale, tempo, beats and origin, and its chord if it has one.

        Rules that keep to the beat go on in the new one; notes that sound end when their voice ends. Deadlines before
        ``now`` are played in the old music, those at ``now`` in the new one. A chord of the room takes precedence over
        the profile's own progression. All this holds until the next call; ``start`` begins with a bar of its own. If
        the plan follows only the room's harmony, the beat stays its own.
        """
        out: list[Message] = []
        self._wake_due(now - 1, out)
        self._in_a_room = TEMPO in self._plan.follows
        before, self._room_chord = self._music, music.chord
        if self._plan.follows == {HARMONY}:
            music = replace(music, tempo=before.tempo, time_signature=before.time_signature, origin=before.origin)
        beat = _beat(music) != _beat(before)
        if beat:
            self._harmony.beat_changed(music, now)
        self._play_in(music)
        if _noted(music, self._told_music):
            self._tell_music(now)
        if beat:
            self._tell_rules(lambda rule: rule.beat_changed(now), now, out)
        if _stands(self._music) != _stands(before):
            self._tell_chord(now, out)
        elif self._music.notes != before.notes:
            self._tell_rules(lambda rule: rule.music_changed(now), now, out)
        self._wake_due(now, out)
        return out

    def turn(self, mine: bool, now: int) -> None:
        """Say whether it is this seat's turn from now on, for the rule ``turns``. Before the first call it is."""
        self._shared["turn"] = mine
        self._observe(now, "turn", {"mine": mine})

    def give_way(self, now: int) -> list[Message]:
        """End the oldest note, as the limits of the room ask (``router.core.balance``); ``wake`` tells the rules.

        Do not call this while the engine is at work on something else: these messages would overtake the others.
        """
        return self._ledger.give_way(now)

    def set_level(self, level: float, now: int) -> list[Message]:
        """Set how loud this seat is, 0 to 1: the share of its usual volume (controller 7) that each channel has.

        At 0 all goes on unheard. While the level has always been 1 nothing is sent: the volume is the output's own.
        """
        out: list[Message] = []
        self._wake_due(now, out)
        return out + self._ledger.set_level(level, now)

    def share_routes(self, routes: Collection[Route], now: int) -> list[Message]:
        """Say on which channels other seats play as well, until the next call (``router.live.channels.shared``).

        Stopping silences no such channel as a whole, and the level goes into the velocity of each note there. Nothing
        happens if the channels are the same as before.
        """
        routes, out = frozenset(routes), list[Message]()
        if routes == self._ledger.shared:
            return out
        self._wake_due(now, out)
        return out + self._ledger.share_routes(routes)

    @property
    def inputs(self) -> Mapping[str, Conditioner]:
        """The conditioner of each input, to be looked at and not to be called."""
        return MappingProxyType(self._inputs)

    @property
    def music(self) -> Music:
        """The current music."""
        return self._music

    @property
    def sounding(self) -> tuple[tuple[str, int, int], ...]:
        """Every note that is on (output, channel, note), oldest first."""
        return self._ledger.sounding

    def _play_in(self, music: Music) -> None:
        """Give all rules this music with its current chord."""
        self._music = self._with_chord(music)
        for part in self._parts:
            for context in part.context_of:
                context.music = self._music

    def _with_chord(self, music: Music) -> Music:
        """This music with its current chord and the next one: the room's, or else the progression's own."""
        if self._room_chord is not None:
            return replace(music, chord=self._room_chord)
        return replace(music, chord=self._harmony.chord(music), coming=self._harmony.coming(music))

    def _tell_music(self, now: int) -> None:
        """Tell tempo, metre, key and chord, and how long the current bar has lasted, in seconds."""
        music = self._told_music = self._music
        bar = (now - music.origin) % round(music.lasts(Span(bars=Fraction(1))))
        self._observe(
            now,
            "music",
            {
                "tempo": round(float(music.tempo), 3),
                "time_signature": str(music.time_signature),
                "tonic": music.tonic,
                "scale": list(music.scale),
                "chord": music.chord.name if music.chord else "",
                "bar": round(bar / NANOSECONDS, 6),
            },
        )

    def _next_chord(self, now: int, out: list[Message]) -> None:
        """Take the progression's next chord, unless the room has set one."""
        if self._room_chord is None:
            self._play_in(self._music)
            self._tell_chord(now, out)

    def _tell_chord(self, now: int, out: list[Message]) -> None:
        """Tell every rule that the chord has changed, and pass on what it gives."""
        self._observe(now, "chord", {"chord": self._music.chord.name if self._music.chord else ""})
        self._tell_rules(lambda rule: rule.music_changed(now), now, out)

    def _tell_rules(self, call: Callable[[Rule], Iterable[Event]], now: int, out: list[Message]) -> None:
        for part in self._parts:
            for index in range(len(part.steps)):
                self._from_rule(part, index, call, now, out)

    # --- from here on, one event at a time ------------------------------------------------------------------

    def _add_part(self, plan: PartPlan) -> None:
        part = _Part(plan, [])
        for index, rule_plan in enumerate(plan.rules):
            alarm, volume = Alarm(self._timers, len(self._owners)), self._plan.limits.volume
            context = Context(
                self._music,
                self._new_voice,
                alarm,
                self._shared,
                volume=volume,
                part=plan.name,
            )
            self._owners.append((part, index))
            try:
                rule = rule_plan.make(context)
            except Exception as error:  # noqa: BLE001 - as while it plays: it costs this rule only
                rule = Rule({}, context)
                self._unmade.append((part, index, error))
            # A rule is not called for events whose method it does not override.
            handlers = {
                event: getattr(rule, method)
                for event, method in METHODS.items()
                if getattr(type(rule), method, None) is not getattr(Rule, method)
            }
            part.context_of.append(context)
            part.steps.append(_Step(rule_plan, rule, handlers))
            if rule.counts_bars:
                self._bands.append((part, index))
                self._begin_bars.update(plan.sources)
            for source in rule_plan.told:
                self._straight.setdefault(source, []).append((part, index))
            if rule.repeats:
                for before in part.context_of[:-1]:
                    before.repeated = True
        self._parts.append(part)
        self._ledger.use(plan.route)
        for source in plan.sources:
            self._listeners.setdefault(source, []).append(part)

    def _wake_due(self, now: int, out: list[Message]) -> None:
        for _ in range(WAKES_A_PASS):
            key = self._timers.pop(now)
            if key is None:
                return
            self._wake_one(key, now, out)
        # An owner always asks to be woken at once, so it is waiting now. Rules after it may wait too, because of what
        # it gives; owners are numbered in the order of the rules, so the first one is at fault.
        line = list(iter(lambda: self._timers.pop(now), None))
        for key in line:
            self._timers.set(key, now)
        owners = sorted(key[0] for key in line if isinstance(key, tuple) and isinstance(key[0], int))
        rule = next((owner for owner in map(self._owners.__getitem__, owners) if isinstance(owner, tuple)), None)
        if rule is not None:
            self._fault(*rule, RuntimeError("asks to be woken at once without end"), now, out)

    def _wake_one(self, key: Hashable, now: int, out: list[Message]) -> None:
        assert isinstance(key, tuple)  # keys are (owner, tag) or the ledger's (output, channel, note)
        if len(key) == 3:
            holders = self._ledger.holders(key)
            out += self._ledger.expire(key, now)
            for name, voice in holders:
                self._cut(name, voice, now, out)
            return
        index, tag = key
        owner = self._owners[index]
        if isinstance(owner, Conditioner):
            self._gestures(owner.wake(now, tag), now, out)
            return
        if isinstance(owner, _Ended):
            voices, owner.voices = owner.voices, []
            for name, voice in voices:
                if not self._ledger.holds((name, voice)):  # of a chord there may be notes left
                    self._cut(name, voice, now, out)
            return
        if isinstance(owner, _Overhearing):
            while owner.notes:
                conditioner, sample = owner.notes.popleft()
                self._gestures(conditioner.handle(sample, now), now, out)
            return
        if isinstance(owner, Harmony):
            if owner.wake(now, tag):
                self._next_chord(now, out)
            return
        part, step = owner
        self._from_rule(part, step, lambda rule: rule.wake(now, tag), now, out)

    def _count_bars(self, now: int, out: list[Message]) -> None:
        """Begin the first bar, and the chords that go on by time, if nobody counts bars yet."""
        if self._in_a_room or any(self._plays(*rule) for rule in self._bands):
            return
        before = self._music
        music = replace(before, origin=now)
        self._harmony.begin_bar(music)
        self._play_in(music)
        self._tell_music(now)
        self._tell_rules(lambda rule: rule.beat_changed(now), now, out)
        if _stands(self._music) != _stands(before):
            self._tell_chord(now, out)

    @staticmethod
    def _plays(part: _Part, index: int) -> bool:
        """Tell whether a rule that counts bars plays; one that has failed, or fails to say, does not."""
        step = part.steps[index]
        try:
            return step.working and step.rule.playing is True
        except Exception:  # noqa: BLE001 - a rule of others may fail in anything, and it is the next call that tells
            return False

    def _cut(self, name: str, voice: int, now: int, out: list[Message]) -> None:
        """Tell a part's rules that a limit has left a voice without a note."""
        part = next(part for part in self._parts if part.plan.name == name)
        for index in range(len(part.steps)):
            self._from_rule(part, index, lambda rule: rule.cut(voice, now), now, out)

    def _gestures(self, gestures: Iterable[Gesture], now: int, out: list[Message]) -> None:
        for gesture in gestures:
            self._tell_gesture(gesture, now)
            if isinstance(gesture, _FOR_THE_RECORD):
                continue
            if gesture.source in self._begin_bars and isinstance(gesture, Press):
                self._count_bars(now, out)
            if self._harmony.hear(gesture, now):
                self._next_chord(now, out)
            for part in self._listeners.get(gesture.source, ()):
                self._through(part, 0, [gesture], now, out)
            for part, index in self._straight.get(gesture.source, ()):
                self._through(part, index, [gesture], now, out)
            if isinstance(gesture, Press):
                for hearer in self._hearers.get(gesture.source, ()):
                    self._gestures(hearer.pressed(gesture, now), now, out)

    def _tell_gesture(self, gesture: Gesture, now: int) -> None:
        if self._plan.listens and gesture.source.partition(".")[0] in self._plan.listens:
            if isinstance(gesture, Press):  # of others, and no effort of this child
                self._observe(now, "heard", {"input": gesture.source})
        elif isinstance(gesture, Press):
            fields: dict[str, Any] = {"input": gesture.source, "strength": round(gesture.strength, 4)}
            if gesture.zone is not None:
                fields["zone"] = gesture.zone + 1
            if gesture.pitch is not None:
                fields["pitch"] = gesture.pitch
            self._observe(now, "press", fields)
        elif isinstance(gesture, Release):
            self._observe(now, "release", {"input": gesture.source})
        elif isinstance(gesture, Rejected):
            self._observe(now, "reject", {"input": gesture.source, "by": gesture.by})
        elif isinstance(gesture, SensorFault):
            self._observe(now, "fault", {"input": gesture.source, "error": gesture.what})
        elif isinstance(gesture, NearMiss):
            self._observe(now, "near", {"input": gesture.source, "reach": round(gesture.reach, 3)})
        elif isinstance(gesture, Drifted):
            self._observe(now, "drift", {"input": gesture.source, "what": gesture.what, **dict(gesture.figures)})

    def _through(self, part: _Part, first: int, events: Sequence[Event], now: int, out: list[Message]) -> None:
        """Pass events through the rules of a part from the one at ``first`` on, and into the ledger."""
        for index in range(first, len(part.steps)):
            handlers = part.steps[index].handlers  # none once it is switched off
            try:
                if len(events) == 1:  # nearly always
                    handler = handlers.get(type(events[0]))
                    if handler is not None:
                        events = check_all(handler(events[0], now))
                else:
                    given: list[Event] = []
                    for event in events:
                        handler = handlers.get(type(event))
                        given += (event,) if handler is None else check_all(handler(event, now))
                    events = given
            except Exception as error:  # noqa: BLE001 - the one place where a rule's fault is caught
                self._fault(part, index, error, now, out)
                # The effort goes on to the rules that still work as if this one were not there: what it gave
                # for the events before this one would have nobody to end it.
                continue
            if not events:
                return
        for event in events:
            self._sound(part, event, now, out)

    def _from_rule(
        self, part: _Part, index: int, call: Callable[[Rule], Iterable[Event]], now: int, out: list[Message]
    ) -> None:
        """Pass what a rule gives by itself (woken, told of a change, letting go) through the rules after it."""
        step = part.steps[index]
        if not step.working:
            return
        try:
            events = check_all(call(step.rule))
        except Exception as error:  # noqa: BLE001 - the one place where a rule's fault is caught
            self._fault(part, index, error, now, out)
            return
        self._through(part, index + 1, events, now, out)

    def _sound(self, part: _Part, event: Event, now: int, out: list[Message]) -> None:
        plan = part.plan
        if isinstance(event, NoteOn):
            out += self._ledger.note_on(plan.name, plan.route, event, now)
        elif isinstance(event, NoteOff):
            out += self._ledger.note_off(plan.name, event.voice, now)
        elif isinstance(event, _CHANGES):
            out += self._ledger.change(plan.name, plan.route, event, now)
        elif isinstance(event, Program):
            out += self._ledger.program(plan.name, plan.route, event, now)

    def _let_go(self, part: _Part, now: int, out: list[Message], first: int = 0) -> None:
        """End what a part sounds; its rules from the one at ``first`` on forget what they hold."""
        for index in range(first, len(part.steps)):
            self._from_rule(part, index, lambda rule: rule.let_go(now), now, out)
        out += self._ledger.release_part(part.plan.name, now)

    def _lost(self, conditioner: Conditioner, now: int, out: list[Message]) -> None:
        self._observe(now, "lost", {"input": conditioner.name})
        self._gestures(conditioner.lost(now), now, out)
        self._harmony.lost(conditioner.name)
        prefix = conditioner.name + "."
        for part in self._parts:
            if any(source == conditioner.name or source.startswith(prefix) for source in part.plan.sources):
                self._let_go(part, now, out)

    def _fault(self, part: _Part, index: int, error: Exception, now: int, out: list[Message]) -> None:
        step = part.steps[index]
        step.working = False
        step.handlers = {}
        fields = {
            "part": part.plan.name,
            "rule": step.plan.name,
            "place": step.plan.place,
            "error": f"{type(error).__name__}: {error}",
        }
        if step.plan.origin:
            fields["origin"] = step.plan.origin
        self._observe(now, "fault", fields)
        # The rules before it still hold their voices and will end them; those after it may hold what it cannot end.
        self._let_go(part, now, out, first=index + 1)
        out += self._ledger.rest(part.plan.name, now)  # it may have left a pedal down or the sound turned off


def _beat(music: Music) -> tuple[Fraction, TimeSignature, int]:
    """The values that the grids of the rules depend on."""
    return music.tempo, music.time_signature, music.origin


NOTED_TEMPO, NOTED_PLACE = Fraction(1, 50), NANOSECONDS // 50
"""A change of tempo, and a shift of the beat in nanoseconds, from which on the record is told. Our choice: a clock that
is followed moves a little with every tick."""


def _noted(music: Music, told: Music) -> bool:
    """Tell whether the music differs from what the record was told last by more than a followed clock's jitter."""
    if (music.tonic, music.scale, music.time_signature) != (told.tonic, told.scale, told.time_signature):
        return True
    if abs(music.tempo - told.tempo) > told.tempo * NOTED_TEMPO:
        return True
    beat = music.lasts(Span(whole=music.time_signature.beat / 4))
    away = (music.origin - told.origin) % beat
    return min(away, beat - away) > NOTED_PLACE


def _told_song(song: Song) -> dict[str, Any]:
    """Return a song's music for the record, without its name; ``begins``: quarter notes into a bar."""
    first = song.tune.notes[0].at if song.tune.notes else song.bars[0]
    return {
        "tempo": round(float(song.tempo(first)), 3),
        "time_signature": str(song.metres[0].signature),
        "tonic": song.tonic,
        "scale": list(song.scale),
        "begins": round(float(_into_bar(song, first)), 3),
    }


def _into_bar(song: Song, at: Fraction) -> Fraction:
    """How far into its bar a moment is; a first bar that is short is the end of one."""
    bar = song.bar(at)
    short = song.metres[0].signature.quarters - (song.bars[1] - song.bars[0]) if bar == 0 else Fraction(0)
    return at - song.bars[bar] + max(Fraction(0), short)


def _told(route: Route) -> dict[str, Any]:
    return {"output": route.output, "channel": route.channel}


def _stands(music: Music) -> Chord:
    """The current chord; if there is none, the triad on the tonic."""
    return music.chord or music.chord_on(1)


def _nobody(now: int, event: str, fields: dict[str, Any]) -> None:
    """Ignore an event, as there is no observer."""
