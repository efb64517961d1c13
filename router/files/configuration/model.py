"""A checked configuration, as the daemon sees it. Folders are absolute paths, times in nanoseconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from router.core.ledger import Limits
from router.devices.descriptions import Device, MidiInDevice, MidiPort, OutputDevice
from router.room.room import RoomPlan
from router.room.thru import ThruLimits


@dataclass(frozen=True, slots=True)
class Folders:
    """``profiles`` is the therapists' own; ``runtime`` is emptied when the PC is switched off."""

    profiles: Path
    state: Path
    records: Path
    runtime: Path


@dataclass(frozen=True, slots=True)
class SeatPlan:
    """A place that one child plays from.

    ``profile``: the child whose profile plays before any was chosen; None: the safe default. ``follow``: "folder"
    (whatever is put into the folder last plays) or "file" (only changes of what plays count). ``list``: the children to
    step through, in order. ``channels``: its own, 1 to 16 without that of drums, in the order in which they are taken;
    none: those of the profile. ``devices``: by input, the name pattern that holds instead of the profile's. ``level``:
    how loud it is at first, 0 to 1. ``fader``: the controller of the room's keyboard that sets it.
    """

    name: str
    folder: Path
    profile: str | None
    follow: str
    list: tuple[str, ...]
    channels: tuple[int, ...] = ()
    devices: Mapping[str, str] = field(default_factory=dict)
    level: float = 1.0
    fader: int | None = None


@dataclass(frozen=True, slots=True)
class Ports:
    """The room's own MIDI ports; None where nothing stands.

    ``keyboard_to``: where the keyboard's own notes sound, on ``keyboard_channel``, 1 to 16, if it has one of its own.
    ``clock_from``: whose clock is followed; ``clock_to``: who gets ours.
    ``keyboard_limits``: of the notes that the keyboard sounds at its output.
    """

    keyboard: MidiInDevice | None = None
    keyboard_to: OutputDevice | None = None
    keyboard_channel: int | None = None
    clock_from: MidiInDevice | None = None
    clock_to: MidiPort | None = None
    keyboard_limits: ThruLimits = field(default_factory=ThruLimits)


@dataclass(frozen=True, slots=True)
class Button:
    """A switch of the room's, not a child's.

    ``does``: "panic", "next", "previous", "mark" or "tap"; ``seat`` None: at every one.
    """

    name: str
    device: Device
    hold: int
    does: str
    seat: str | None


@dataclass(frozen=True, slots=True)
class ProgramChange:
    """Program n of this MIDI port, from 0, chooses the child n of a seat's list; ``channel`` 1 to 16, None: any."""

    device: MidiInDevice
    channel: int | None


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long a session's records are kept, and of how many days with sessions of one child; None: no end.

    ``notes``: whether each note is in the session logs.
    """

    keep: int | None
    sessions: int | None
    notes: bool


@dataclass(frozen=True, slots=True)
class Configuration:
    """Everything about one PC. ``control_group`` None: nobody but root and the router's own user."""

    path: Path
    folders: Folders
    seats: tuple[SeatPlan, ...]
    outputs: dict[str, OutputDevice]
    chime: bool
    buttons: tuple[Button, ...]
    program_change: ProgramChange | None
    control_group: str | None
    records: Keeping
    limits: Limits | None
    room: RoomPlan = field(default_factory=RoomPlan)
    ports: Ports = field(default_factory=Ports)
