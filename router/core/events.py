"""The events of the straight line: samples, gestures, notes, MIDI messages.

    device -> input (samples) -> conditioning (gestures) -> rules (gestures, notes) -> ledger -> output (messages)

Every event is frozen: a rule that wants another note makes another note. No event carries a time; the time is
an argument beside it, in nanoseconds of one monotonic clock, so that an event means the same live, in a test
on virtual time and over a trace faster than life.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

# --- samples: what a device said, in physical units -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SwitchSample:
    """The contact of a switch, as it is now."""

    input: str
    pressed: bool


@dataclass(frozen=True, slots=True)
class PressureSample:
    """A gauge pressure in pascals: above the surroundings is positive, suction is negative."""

    input: str
    pascal: float


@dataclass(frozen=True, slots=True)
class PointerSample:
    """A place: ``x`` from the left, ``y`` from the top, both 0 to 1."""

    input: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class MidiSample:
    """A complete MIDI message as bytes (status first, no running status)."""

    input: str
    data: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Lost:
    """The device of this input has gone; what it held is released."""

    input: str


@dataclass(frozen=True, slots=True)
class Found:
    """The device of this input is there (again)."""

    input: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A remark on the time line, for the person who reads the record."""

    text: str


Sample = SwitchSample | PressureSample | PointerSample | MidiSample | Lost | Found | Mark

# --- gestures: what the child did -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Press:
    """The start of a deliberate effort.

    ``source`` is the gesture's full name (``pad``, ``cheek.above``); ``voice`` names this one press, and every
    note it causes is stopped by that name; ``strength`` runs from 0 (barely) to 1 (a full effort);
    ``zone`` counts a pointer's zones from 0, row by row from the top left; ``pitch`` is set by a MIDI key only.
    """

    source: str
    voice: int
    strength: float = 0.5
    zone: int | None = None
    pitch: int | None = None


@dataclass(frozen=True, slots=True)
class Release:
    """The end of the effort that ``Press`` with the same ``voice`` began."""

    source: str
    voice: int


@dataclass(frozen=True, slots=True)
class Level:
    """A continuous level of a source, 0 at rest to 1."""

    source: str
    value: float


@dataclass(frozen=True, slots=True)
class Rejected:
    """A press that a filter did not let count; ``by`` names the filter's setting.

    For the record: rules never see it.
    """

    source: str
    by: str


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A device sends values that make no sense, and what it held is released. For the record: rules never see it."""

    source: str
    what: str


@dataclass(frozen=True, slots=True)
class NearMiss:
    """A rise that did not count; ``reach`` is its largest part of the threshold, below 1.

    For the record: rules never see it.
    """

    source: str
    reach: float


@dataclass(frozen=True, slots=True)
class Drifted:
    """The thresholds no longer fit, or have followed the child. For the record: rules never see it.

    ``figures`` are by name, in pascals or counts.
    """

    source: str
    what: str
    figures: tuple[tuple[str, float], ...] = ()


Gesture = Press | Release | Level | Rejected | SensorFault | NearMiss | Drifted

# --- notes: what shall sound ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NoteOn:
    """A note of a voice begins. One voice may hold several notes (a chord).

    ``pitch`` is a MIDI note number, 60 is middle C; ``velocity`` is 1 to 127; ``strength`` is that of the press
    behind it, for later rules. ``instead`` is set when a held note goes on in another key: it names the voice that this
    one replaces, and that ends next. Nobody has made an effort; a rule that repeats the note does so from its next
    step.
    """

    voice: int
    pitch: int
    velocity: int = 80
    strength: float = 0.5
    instead: int | None = None

    def at(self, pitch: int) -> NoteOn:
        """Return this note at another pitch, three times as fast as ``dataclasses.replace``, as rules do it often."""
        return self if pitch == self.pitch else NoteOn(self.voice, pitch, self.velocity, self.strength, self.instead)

    def with_velocity(self, velocity: int) -> NoteOn:
        """Return this note with another velocity."""
        return NoteOn(self.voice, self.pitch, velocity, self.strength, self.instead)


@dataclass(frozen=True, slots=True)
class NoteOff:
    """Every note of this voice ends. Notes are stopped by their cause, never by pitch."""

    voice: int


@dataclass(frozen=True, slots=True)
class Control:
    """A controller takes a value: ``controller`` 0 to 119, ``value`` 0 to 127."""

    controller: int
    value: int


@dataclass(frozen=True, slots=True)
class ChannelPressure:
    """The pressure of a whole channel: ``value`` 0 to 127."""

    value: int


@dataclass(frozen=True, slots=True)
class Bend:
    """The pitch of a whole channel is bent: ``value`` 0 to 16383, 8192 is unbent."""

    value: int


@dataclass(frozen=True, slots=True)
class Program:
    """The part takes another sound: ``program`` 0 to 127, as on the wire."""

    program: int


Change = Control | ChannelPressure | Bend
"""Changes of a whole channel, which return to rest when it is silenced."""
Event = Press | Release | Level | NoteOn | NoteOff | Change | Program

# --- messages: what leaves on the wire --------------------------------------------------------------------------


class Message(NamedTuple):
    """A MIDI message for one output: the output's name in the profile, and the bytes."""

    output: str
    data: tuple[int, ...]


class Route(NamedTuple):
    """Where a part's notes go: an output's name and a MIDI channel, 1 to 16."""

    output: str
    channel: int
