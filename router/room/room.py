"""The room on virtual time: what children who play together share. Like the engine it does no I/O and reads no clock.

    beat      tempo and bars: fixed, from taps, or from a MIDI clock (``beat.py``)
    harmony   key, scale and chord: as the room says, from its progression, or as the specialist's keyboard leads
              (``lead.py``); where neither is there, those of the song whose chords a seat follows
    turns     whose turn it is, among those who take turns (``turns.py``)
    listening what one seat plays reaches the inputs of others that listen to it
    balance   the limits over everybody, and how loud each seat is (``balance.py``)

A seat is a *member*: it is told the music that its profile follows, and plays on in it. What the room does not say
stays as the profile has it, and a profile that follows nothing is left alone. Where several things come at one time,
the room's come first.

Invariants:
  * a member's time never goes back, and nothing of it is late because of another's;
  * what a member plays only because it heard another is heard by nobody, so no two can keep each other going for ever.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from router.core.balance import Balance, RoomLimits
from router.core.engine import HARMONY, TEMPO, Plan
from router.core.events import MidiSample, Sample
from router.core.harmony import Harmony, Progression
from router.core.ledger import Observe, Wire
from router.core.midi import CONTROL_CHANGE, NOTE_OFF, NOTE_ON
from router.core.music import Chord, Music
from router.core.timers import Alarm, Timers, earliest
from router.room.beat import Beat
from router.room.lead import Lead, Leading
from router.room.turns import TurnPlan, Turns

KEY, SCALE = "key", "scale"
_HARMONY, _LEAD = 0, 1
"""The owners of the room's alarms."""


@dataclass(frozen=True, slots=True)
class RoomPlan:
    """The configuration of a room.

    ``says``: which of ``TEMPO`` (with the beats of a bar), ``KEY`` and ``SCALE`` stand there; the rest
    of ``music`` is only where a keyboard or taps begin from.
    ``faders``: the controllers of the keyboard that set a seat's level. ``levels``: what each seat begins with, 0 to 1;
    1 where none stands.
    """

    music: Music = field(default_factory=Music)
    says: frozenset[str] = frozenset()
    progression: Progression = field(default_factory=Progression)
    leading: Leading | None = None
    turns: TurnPlan = field(default_factory=TurnPlan)
    limits: RoomLimits = field(default_factory=RoomLimits)
    faders: Mapping[int, str] = field(default_factory=dict)
    levels: Mapping[str, float] = field(default_factory=dict)


class Member(Protocol):
    """A seat as the room knows it. Each call happens at once, and sends what comes of it."""

    @property
    def plan(self) -> Plan:
        """The plan that plays there now."""

    @property
    def chord(self) -> Chord | None:
        """The current chord there; None if it has none."""

    def follow(self, music: Music, now: int) -> None:
        """Play in this music from now on."""

    def hear(self, sample: Sample, now: int) -> None:
        """Take a note that another seat has played."""

    def turn(self, mine: bool, now: int) -> None:
        """Say whether it is this seat's turn from now on."""

    def level(self, level: float, now: int) -> None:
        """Set how loud the seat is, 0 to 1."""


_Ear = tuple[str, str]
"""A seat, and its input that hears another."""


@dataclass(slots=True)
class _KnownMember:
    """A member, with what was found out about its plan when it began."""

    member: Member
    told: Music | None = None  # the music that it was told last
    own: frozenset[str] = frozenset()  # the parts that its child plays: the others play what they hear
    on: dict[Wire, list[_Ear]] = field(default_factory=dict)  # its notes, and which inputs of whom were told


class Room:
    """All that the seats of a router share. ``observe`` is told each event, with the words of the log.

    ``on_change`` is called when something was done that may have changed ``deadline``.
    """

    def __init__(
        self, plan: RoomPlan, now: int, observe: Observe, on_change: Callable[[], None] = lambda: None
    ) -> None:
        self.plan = plan
        self._observe = observe
        self._on_change = on_change
        self._timers = Timers()
        self.beat = Beat(replace(plan.music, origin=now), observe)
        self.balance = Balance(plan.limits)
        self.turns = Turns(plan.turns)
        self.levels = dict(plan.levels)
        self._harmony = Harmony(plan.progression, Alarm(self._timers, _HARMONY))
        self._harmony.start(self.beat.music)
        self._lead = Lead(plan.leading, Alarm(self._timers, _LEAD)) if plan.leading is not None else None
        self._tempo_said = TEMPO in plan.says
        self._places: dict[str, _KnownMember] = {}
        self.listens = False
        """True if any seat listens to others or takes turns."""
        self._singer: str | None = None  # the seat whose song says the chords
        self._ears: dict[tuple[str, str], list[_Ear]] = {}  # by seat and part, as long as nobody comes or goes

    # --- members ----------------------------------------------------------------------------------------------

    def join(self, name: str, member: Member, now: int) -> None:
        """A seat begins with its plan, or with another one: it is told how things stand."""
        plan = member.plan
        self._forget(name, now)
        place = self._places[name] = _KnownMember(member, own=plan.own)
        sang = self._singer
        self._look_who_listens()
        level = self.levels.get(name, 1.0)
        if level != 1.0:
            member.level(level, now)
        self._tell(place, now)
        if name in (sang, self._singer):
            self._tell_all(now)
        takes = _takes_turns(plan)
        self._turned(self.turns.join(name, now) if takes else self.turns.leave(name, now), now)
        if takes:
            member.turn(self.turns.whose in (None, name), now)

    def _look_who_listens(self) -> None:
        self._ears.clear()
        plans = [place.member.plan for place in self._places.values()]
        says = self._lead is not None or self.plan.progression.chords
        sing = [name for name, place in self._places.items() if place.member.plan.progression.song is not None]
        self._singer = sing[0] if sing and not says else None
        self.listens = self._singer is not None or any(plan.listens or _takes_turns(plan) for plan in plans)

    def leave(self, name: str, now: int) -> None:
        """A seat plays no more."""
        self._forget(name, now)
        self._places.pop(name, None)
        self.balance.give_back(name)
        sang = self._singer == name
        self._look_who_listens()
        if sang:
            self._tell_all(now)
        self._turned(self.turns.leave(name, now), now)

    def heard(self, name: str, event: str, fields: Mapping[str, Any], now: int) -> None:
        """A member has played: what its engine observed.

        Others hear a note that its child played, and it may be a turn.
        """
        if event == CHORD_EVENT and name == self._singer:
            self._tell_all(now)
        if event not in (NOTE_ON_EVENT, NOTE_OFF_EVENT):
            return
        place = self._places.get(name)
        if place is None:
            return
        wire = (fields["output"], fields["channel"], fields["note"])
        if event == NOTE_OFF_EVENT:  # where parts share a channel, another may have ended it than the one that began it
            self._ends(name, place, wire, now)
        elif fields["part"] in place.own:
            ears = place.on[wire] = self._ears_for(name, fields["part"])
            self._turned(self.turns.played(name, True, now), now)
            self._say((NOTE_ON | fields["channel"] - 1, fields["note"], fields["velocity"]), ears, now)

    def _ears_for(self, name: str, part: str) -> list[_Ear]:
        """The inputs, with their seats, that hear a part of a seat."""
        ears = self._ears.get((name, part))
        if ears is None:
            ears = self._ears[name, part] = [
                (other, source)
                for other, listener in self._places.items()
                for source, wanted in listener.member.plan.listens.items()
                if other != name and wanted.seat in (name, ANYBODY) and wanted.part in (None, part)
            ]
        return ears

    def _ends(self, name: str, place: _KnownMember, wire: Wire, now: int) -> None:
        """A note of a seat has ended: whoever was told of its beginning is told."""
        ears = place.on.pop(wire, None)
        if ears is not None:
            self._turned(self.turns.played(name, False, now), now)
            self._say((NOTE_OFF | wire[1] - 1, wire[2], 0), ears, now)

    def _say(self, data: tuple[int, ...], ears: Iterable[_Ear], now: int) -> None:
        for other, source in ears:
            if (listener := self._places.get(other)) is not None:
                listener.member.hear(MidiSample(source, data), now)

    def _forget(self, name: str, now: int) -> None:
        """A seat goes, or plays another profile: what others heard of it ends, and what it heard it hears no more."""
        for other in self._places.values():
            for wire, ears in other.on.items():
                other.on[wire] = [ear for ear in ears if ear[0] != name]
        if (place := self._places.get(name)) is not None:
            for wire in list(place.on):
                self._ends(name, place, wire, now)

    # --- what leads -------------------------------------------------------------------------------------------

    @property
    def chord(self) -> Chord | None:
        """The room's current chord; None if it has none."""
        here = self._here
        return here.chord or self._harmony.chord(here)

    @property
    def _here(self) -> Music:
        """The room's own music, in the key that is played: a chord that is a step of the scale stands in it."""
        return self.beat.music if self._lead is None else self._lead.led.onto(self.beat.music)

    @property
    def lead(self) -> Lead | None:
        """The keyboard that leads, to be looked at; None if there is none."""
        return self._lead

    def music_for(self, plan: Plan) -> Music:
        """The music of a profile in this room: what it follows is the room's, the rest its own."""
        music = plan.music
        if TEMPO in plan.follows:
            here = self.beat.music
            music = replace(music, origin=here.origin)
            if self._tempo_said:
                music = replace(music, tempo=here.tempo, time_signature=here.time_signature)
        if HARMONY in plan.follows:
            if KEY in self.plan.says:
                music = replace(music, tonic=self.plan.music.tonic)
            if SCALE in self.plan.says:
                music = replace(music, scale=self.plan.music.scale)
            here = self._here
            music = replace(music, chord=self._harmony.chord(here), coming=self._harmony.coming(here))
            if self._lead is not None:
                music = self._lead.led.onto(music)
        return music

    def key(self, data: Sequence[int], now: int) -> None:
        """A message of the specialist's keyboard."""
        if len(data) == 3 and data[0] & 0xF0 == CONTROL_CHANGE and data[1] in self.plan.faders:
            self.set_level(self.plan.faders[data[1]], min(data[2], 127) / 127, now)
        if self._lead is not None:
            before = self.chord
            if self._lead.handle(data, now) is not None:
                self._led(before, now)
            self._on_change()

    def keyboard_lost(self, now: int) -> None:
        """The keyboard has gone: what it said stays."""
        if self._lead is not None:
            self._lead.lost(now)
            self._on_change()

    def clock(self, data: Sequence[int], now: int) -> None:
        """A message of the device whose clock is followed."""
        if self.beat.hear(data, now):
            self._moved(now)
        self._on_change()

    def tap(self, now: int) -> None:
        """Take a tap of a switch or a pedal."""
        if self.beat.tap(now):
            self._moved(now)
        self._on_change()

    def set_level(self, name: str, level: float, now: int) -> None:
        """Set how loud a seat is, 0 to 1; it may not have joined yet."""
        if self.levels.get(name, 1.0) == level:
            return
        self.levels[name] = level
        if (place := self._places.get(name)) is not None:
            place.member.level(level, now)

    # --- time -------------------------------------------------------------------------------------------------

    def deadline(self) -> int | None:
        """When ``wake`` is next wanted."""
        return earliest((self._timers.next(), self.beat.deadline(), self.turns.deadline()))

    def wake(self, now: int) -> None:
        """Do what is due, before the members do what is due at the same time."""
        due = self.beat.deadline()
        if due is not None and due <= now:
            self.beat.wake(now)
        while (at := self._timers.next()) is not None and at <= now:
            key = self._timers.pop(at)
            assert isinstance(key, tuple)  # an alarm's key is its owner and a tag
            before = self.chord
            if key[0] == _HARMONY:
                if self._harmony.wake(at, key[1]):
                    self._chord(before, at)
            elif self._lead is not None and self._lead.wake(at, key[1]) is not None:
                self._led(before, at)
        due = self.turns.deadline()
        if due is not None and due <= now:
            self._turned(self.turns.wake(now), now)

    # --- what is told -----------------------------------------------------------------------------------------

    def _moved(self, now: int) -> None:
        """Tell of a change of the beat."""
        self._tempo_said = True
        before = self.chord
        self._harmony.beat_changed(self.beat.music, now)
        self._observe(now, "beat", {"tempo": round(float(self.beat.music.tempo), 2)})
        self._chord(before, now)

    def _led(self, before: Chord | None, now: int) -> None:
        assert self._lead is not None  # it was it that led
        led = self._lead.led
        if led.tonic is not None:
            self._observe(now, "key", {"tonic": led.tonic, "scale": list(led.scale or ())})
        self._chord(before, now)

    def _chord(self, before: Chord | None, now: int) -> None:
        if (chord := self.chord) != before:
            self._observe(now, "chord", {"chord": chord.name if chord else ""})
        self._tell_all(now)

    def _tell_all(self, now: int) -> None:
        for place in self._places.values():
            self._tell(place, now)

    def _tell(self, place: _KnownMember, now: int) -> None:
        plan = place.member.plan
        if not plan.follows:
            return
        music = self._with_song(place, self.music_for(plan))
        if music != place.told:
            place.told = music
            place.member.follow(music, now)

    def _with_song(self, place: _KnownMember, music: Music) -> Music:
        """Return the music with the chords, and the key, of the song that another seat plays, if that says them."""
        singer = None if self._singer is None else self._places[self._singer]
        if singer is None or singer is place or HARMONY not in place.member.plan.follows:
            return music
        of_song = singer.member.plan.music
        tonic = music.tonic if KEY in self.plan.says else of_song.tonic
        scale = music.scale if SCALE in self.plan.says else of_song.scale
        return replace(music, tonic=tonic, scale=scale, chord=singer.member.chord)

    def _turned(self, changed: bool, now: int) -> None:
        if self.turns.taking:
            self._on_change()
        if not changed:
            return
        self._observe(now, "turn", {"seat": self.turns.whose or ""})
        for name in self.turns.taking:
            if (place := self._places.get(name)) is not None:
                place.member.turn(self.turns.whose in (None, name), now)


TURNS = "turns"
"""The rule that only lets its part play when it is the seat's turn."""
ANYBODY = "anybody"
"""The name of a seat for an input that listens to every other seat."""
NOTE_ON_EVENT, NOTE_OFF_EVENT, CHORD_EVENT = "note_on", "note_off", "chord"


def _takes_turns(plan: Plan) -> bool:
    return any(rule.name == TURNS for part in plan.parts for rule in part.rules)
