"""The status of the daemon: the document that ``router status --json`` prints.

Times are in seconds and say how long ago, so that no clock that is set meanwhile makes them wrong; lateness is in
milliseconds. Nothing in here names anybody: a child is its pseudonym.
"""

from __future__ import annotations

import math
from typing import TypedDict

from router.core.engine import TEMPO
from router.core.events import MidiSample, PointerSample, PressureSample, Sample, SwitchSample
from router.core.music import SCALES, spelt
from router.core.units import PRESSURE
from router.room.room import KEY, SCALE, Room

Value = bool | float | list[float] | list[int]
"""The last reading of an input: a switch's contact, a pressure in the profile's unit, a pointer's [x, y] from 0 to 1, a
MIDI message's bytes."""


class InputStatus(TypedDict):
    """An input of a profile."""

    type: str  # switch, pressure, pointer, midi or listen
    device: str  # what it listens to: what was opened, or else what is looked for
    there: bool
    why: str  # why it is missing, or what is wrong with what it says; empty if all is well
    value: Value | None  # None until something was heard
    unit: str  # of a pressure: how the profile writes it; empty for the others
    heard: float | None  # seconds ago


class OutputStatus(TypedDict):
    """An output of a profile, or a MIDI port of the room."""

    device: str
    there: bool
    why: str  # as for an input


class SoundingNote(TypedDict):
    """A note that sounds: ``channel`` 1 to 16, ``note`` 0 to 127 (60 is middle C), ``name`` as the key spells it."""

    output: str
    channel: int
    note: int
    name: str


class LatenessStatus(TypedDict):
    """How late the deadlines of the music were met, in milliseconds.

    Half of them are within ``p50``, 99 of 100 within ``p99``.
    """

    count: int
    p50: float
    p99: float
    most: float


class Dropped(TypedDict):
    """The number of losses since the daemon began, because something could not keep up."""

    log_lines: int
    samples: int
    messages: int


class ProfileRefusal(TypedDict):
    """The last profile that was not taken, and the whole of what ``router check`` says of it."""

    child: str
    file: str
    ago: float  # seconds
    message: str


class SeatStatus(TypedDict):
    """A seat: what it plays, hears and sounds."""

    child: str
    playing: float  # seconds since it began
    file: str
    because: str  # why this one: chosen by whom or what, or what it was fallen back to for
    children: list[str]  # whose profiles are in the seat's folder
    ignored: dict[str, str]  # files there that are not taken for profiles, and why
    inputs: dict[str, InputStatus]
    outputs: dict[str, OutputStatus]
    sounding: list[SoundingNote]
    presses: dict[str, int]  # since this profile plays, by source ("pad", "cheek.above")
    lateness: LatenessStatus
    dropped: Dropped
    refused: ProfileRefusal | None
    warnings: list[str]
    level: float  # how loud beside the others, 0 to 1
    channels: list[int]  # 1 to 16, on which its parts play now
    follows: list[str]  # of the room: "tempo", "harmony"


class RoomStatus(TypedDict):
    """The music that the seats which follow the room share. None, or empty: each profile has its own."""

    tempo: float | None  # quarters a minute
    time_signature: str  # "6/8"
    tempo_from: str  # configuration, taps, clock, or "clock lost": then it goes on as it was
    key: str  # "D"
    scale: str  # "major"
    chord: str  # "Bm7"
    turn: str  # whose it is; empty if nobody takes turns, or if it is everybody's
    hold: bool  # whether the keyboard's pedal keeps chord and key as they are
    sounding: int  # notes, over all seats
    inputs: dict[str, OutputStatus]  # "keyboard", "clock"
    outputs: dict[str, OutputStatus]  # the same: where the keyboard's own notes sound, and who is given our clock


class Status(TypedDict):
    """The whole: version, ``up`` (seconds since the daemon was ready), and ``warnings``, which hold for all seats."""

    router: str
    pid: int
    up: float
    seats: dict[str, SeatStatus]
    room: RoomStatus
    warnings: list[str]


def status_of_room(room: Room, inputs: dict[str, OutputStatus], outputs: dict[str, OutputStatus]) -> RoomStatus:
    """Return the status of a room; ``inputs`` and ``outputs`` are its ports."""
    says, music, led = room.plan.says, room.beat.music, room.lead.led if room.lead is not None else None
    tempo_from = room.beat.source or ("configuration" if TEMPO in says else "")
    tonic = music.tonic if KEY in says else None
    scale = music.scale if SCALE in says else None
    if led is not None and led.tonic is not None:
        tonic, scale = led.tonic, led.scale
    return {
        "tempo": round(float(music.tempo), 2) if tempo_from else None,
        "time_signature": str(music.time_signature),
        "tempo_from": tempo_from,
        "key": "" if tonic is None else spelt(tonic, scale or music.scale)[tonic],
        "scale": next((name for name, shape in SCALES.items() if shape == scale), ""),
        "chord": room.chord.name if room.chord is not None else "",
        "turn": room.turns.whose or "",
        "hold": room.lead is not None and room.lead.holding,
        "sounding": room.balance.notes,
        "inputs": inputs,
        "outputs": outputs,
    }


def value_of(sample: Sample | None, unit: str) -> Value | None:
    """The reading in a sample, as it stands in the document; None if there is none. ``unit`` is that of a pressure."""
    match sample:
        case SwitchSample():
            return sample.pressed
        case PressureSample():
            return round(sample.pascal / float(PRESSURE[unit]), 4) if math.isfinite(sample.pascal) else None
        case PointerSample():
            return [round(sample.x, 4), round(sample.y, 4)]
        case MidiSample():
            return list(sample.data)
    return None


def value_in_words(type_: str, value: Value | None, unit: str) -> str:
    """Return a reading as people read it."""
    match type_, value:
        case _, None:
            return "-"
        case "switch", pressed:
            return "pressed" if pressed else "up"
        case "pointer", [x, y]:
            return f"{x:.0%} across, {y:.0%} down"
        case "midi" | "listen", [*numbers]:
            return " ".join(map(str, numbers))
        case _, number:
            return f"{number:g} {unit}"


class Lateness:
    """How late deadlines were met, in constant room.

    It counts in steps of an eighth, so that a figure is up to 12.5 % too high.
    """

    def __init__(self) -> None:
        self._counts = [0] * 512
        self._most = 0

    def add(self, late: int) -> None:
        """Count a deadline that was met ``late`` nanoseconds after its time; an early one counts as 0."""
        late = max(0, late)
        self._counts[_step(late)] += 1
        self._most = max(self._most, late)

    def status(self) -> LatenessStatus:
        """The figures so far; all are 0 if there are none."""
        count = sum(self._counts)
        return {
            "count": count,
            "p50": self._within(count, 0.5),
            "p99": self._within(count, 0.99),
            "most": _milliseconds(self._most),
        }

    def _within(self, count: int, share: float) -> float:
        left = share * count
        for step, here in enumerate(self._counts):
            left -= here
            if here and left <= 0:
                return _milliseconds(min(self._most, _highest(step)))
        return 0.0


def _step(late: int) -> int:
    """Steps of 1 ns up to 16 ns, then eight to each doubling."""
    doublings = max(0, late.bit_length() - 4)
    return min(511, 8 * doublings + (late >> doublings))


def _highest(step: int) -> int:
    """The most that falls into a step."""
    doublings = max(0, step // 8 - 1)
    return ((step - 8 * doublings + 1) << doublings) - 1


def _milliseconds(nanoseconds: int) -> float:
    return round(nanoseconds / 1e6, 3)
