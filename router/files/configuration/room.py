"""The room's part of a configuration: read, checked for meaning, and made into a plan.

Two seats on one channel, a clock that would follow itself, a pedal that holds the chord whenever notes are to ring on:
each of them plays, and nobody at the bed would know why it plays like that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from router.core.balance import RoomLimits
from router.core.engine import TEMPO
from router.core.harmony import Progression
from router.core.midi import DRUM_CHANNEL, SUSTAIN
from router.core.music import Music
from router.devices.descriptions import MidiInDevice, MidiPort
from router.devices.names import may_mean_one
from router.files.configuration import schema
from router.files.configuration.model import Ports, SeatPlan
from router.files.diagnostics import Place, Report, quoted
from router.files.profile import pieces
from router.files.profile.build import output, timed
from router.files.profile.pieces import InputPiece, Values
from router.files.profile.schema import NAME, fits, respell
from router.files.profile.validate import settings
from router.files.source import Entries, Items, Text
from router.room.lead import Leading
from router.room.room import ANYBODY, KEY, SCALE, RoomPlan
from router.room.thru import ThruLimits
from router.room.turns import TurnPlan

Seats = Mapping[str, tuple[Values, Entries]]

TAP = "tap"
"""The action of a button that taps the tempo."""


# --- what is made of it -----------------------------------------------------------------------------------------


def room_plan(values: Values, seats: Iterable[SeatPlan]) -> RoomPlan:
    """The room that its checked settings and those of the seats describe."""
    music, keyboard = values["music"], values.get("keyboard")
    chords = music.get("progression", {})
    names = {"tempo": TEMPO, "key": KEY, "scale": SCALE}
    says = {said for name, said in names.items() if name in music}
    symbols, lasts = timed(chords)
    if any(isinstance(chord, int) for chord in symbols):
        says |= {KEY, SCALE}  # a step is one of the room's scale, so all who follow are in it
    fields = {"key": "tonic", "scale": "scale", "tempo": "tempo", "time_signature": "time_signature"}
    return RoomPlan(
        Music(**{field: music[name] for name, field in fields.items() if name in music}),
        frozenset(says),
        Progression(symbols, chords.get("every"), lasts),
        _leading(keyboard) if keyboard else None,
        TurnPlan(**values["turns"]),
        RoomLimits(**values["limits"]),
        {seat.fader: seat.name for seat in seats if seat.fader is not None},
        {seat.name: seat.level for seat in seats if seat.level != 1},
    )


def _leading(keyboard: Values) -> Leading | None:
    leads = keyboard["leads"]
    if leads == "no":
        return None
    return Leading(leads != "key", leads != "chords", keyboard.get("channel"), keyboard.get("hold"))


def ports(values: Values, keyboard_to: Values) -> Ports:
    """The room's ports; ``keyboard_to``: the settings of the keyboard's output, as far as there is one."""
    keyboard, clock = values.get("keyboard"), values["clock"]
    return Ports(
        MidiInDevice(keyboard["midi"]) if keyboard else None,
        output(keyboard_to) if keyboard_to else None,
        keyboard.get("channel") if keyboard else None,
        MidiInDevice(clock["from"], clock=True) if "from" in clock else None,
        MidiPort(clock["to"]) if "to" in clock else None,
        ThruLimits(keyboard["note_length"], keyboard["notes_at_once"], keyboard["velocity"])
        if keyboard
        else ThruLimits(),
    )


def keyboard_output(tree: Entries, report: Report) -> Values:
    """The settings of the keyboard's output; none if there is none, or if it could not be read."""
    keyboard = _group(_room(tree), "keyboard")
    node = keyboard.values.get("output")
    if not isinstance(node, Entries):
        return {}
    return pieces.output_of(node, keyboard.keys["output"].place, "the keyboard's output", report) or {}


# --- what is wrong with it --------------------------------------------------------------------------------------


def check(tree: Entries, seats: Seats, buttons: Mapping[str, InputPiece], report: Report) -> None:
    """Report the mistakes about playing together that only show when the pieces are seen together."""
    room = _room(tree)
    _names(pieces.group(tree, "seats", schema.CONFIGURATION), report)
    _channels(seats, _group(room, "keyboard"), report)
    for _, entries in seats.values():
        _devices(entries, report)
    faders = dict(_faders(seats, room, report))
    _keyboard(room, faders, report)
    _clock(_group(room, "clock"), report)
    _taps(buttons, report)
    tapped = any(_does(button) == TAP for button in buttons.values())
    _tempo(room, tapped, report)
    _limits(tree, _group(room, "limits"), len(seats), report)
    _turns(_group(room, "turns"), report)


def _room(tree: Entries) -> Entries:
    return pieces.group(tree, "room", schema.CONFIGURATION)


def _group(room: Entries, name: str) -> Entries:
    return pieces.group(room, name, schema.ROOM)


def _value(node: Entries, name: str, report: Report) -> Any:
    """Return one setting of a group; None if it is not there, or wrong, which is told where the group is read."""
    return report.kept(node.values.get(name))


def _names(seats: Entries, report: Report) -> None:
    if (key := seats.keys.get(ANYBODY)) is not None:
        hint = (
            'An input that listens to "anybody" hears every other seat. Call this one by its place, such as "window".'
        )
        report.add(key.place, f'a seat cannot be called "{ANYBODY}"', hint)


def _channels(seats: Seats, keyboard: Entries, report: Report) -> None:
    taken: dict[int, tuple[str, Place]] = {}
    keys = _value(keyboard, "channel", report) if "output" in keyboard.values else None
    for name, (_, entries) in seats.items():
        node, channels = entries.values.get("channels"), _value(entries, "channels", report)
        for item, channel in zip(node.items, channels or (), strict=False) if isinstance(node, Items) else ():
            if channel == DRUM_CHANNEL:
                hint = "The drums of every profile stay on it in any case. Take it out of this list."
                report.add(item.place, f"channel {DRUM_CHANNEL} is that of the drums", hint)
                continue
            owner, place = taken.setdefault(channel, (name, item.place))
            if channel == keys:
                message = f"channel {channel} is that of the keyboard (line {keyboard.values['channel'].place.line})"
                hint = "A child's profile would change the sound of what is played there. Give the seat other channels."
                report.add(item.place, message, hint)
            elif owner != name:
                message = f'channel {channel} is one of the seat "{owner}" (line {place.line}) already'
                hint = (
                    "What two play on one channel of a synth cuts each other's notes short. Give each channels of its"
                    " own."
                )
                report.add(item.place, message, hint)
            elif place is not item.place:
                report.add(item.place, f"channel {channel} stands in this list twice", "Take one of them out.")


def _devices(entries: Entries, report: Report) -> None:
    """Check a seat's ``devices``: each name is one that an input can have, and each device is named."""
    node = entries.values.get("devices")
    if not isinstance(node, Entries):
        return
    every = {
        "title": '"devices"',
        "type": "object",
        "additionalProperties": False,
        "properties": dict.fromkeys(node.values, schema.DEVICE_NAME),
    }
    settings(node, every, entries.keys["devices"].place, report)
    for name, key in node.keys.items():
        if not fits(name, NAME):
            near = respell(name, NAME)
            hint = f'Did you mean "{near}"?  ' if near else ""
            hint += f"The names of inputs are {NAME['spelling']}."
            report.add(key.place, f"no input can be called {quoted(name)}", hint)


def _faders(seats: Seats, room: Entries, report: Report) -> Iterator[tuple[int, str]]:
    """The controllers that set a seat's level, each with its seat."""
    taken: dict[int, tuple[str, Place]] = {}
    for name, (_, entries) in seats.items():
        node, fader = entries.values.get("fader"), _value(entries, "fader", report)
        if not isinstance(node, Text) or fader is None:
            continue
        owner, place = taken.setdefault(fader, (name, node.place))
        if owner != name:
            message = f'{quoted(node.text)} is the fader of the seat "{owner}" (line {place.line}) already'
            report.add(node.place, message, "Give each seat a fader of its own.")
        elif fader == SUSTAIN:
            report.add(
                node.place, _SUSTAINS, "Each time it comes up the seat would fall silent. Take another controller."
            )
        yield fader, owner
        if "keyboard" not in room.values:
            hint = 'Write it under room, for example "keyboard: {midi: "*Keys*", leads: no}".'
            report.missing(node.place, "a fader is one of the room's keyboard, and the room has none", hint)


_SUSTAINS = f"controller {SUSTAIN} is the sustain pedal"


def _keyboard(room: Entries, faders: Mapping[int, str], report: Report) -> None:
    if "keyboard" not in room.values:
        return
    entries = _group(room, "keyboard")
    channel, pedal = entries.values.get("channel"), entries.values.get("hold")
    leads = _value(entries, "leads", report)
    if isinstance(channel, Text) and _value(entries, "channel", report) == DRUM_CHANNEL:
        hint = "Drums have neither chords nor a key. Leave it out for every other channel."
        report.add(channel.place, f"channel {DRUM_CHANNEL} is that of the drums, so nothing would lead", hint)
    hold = _value(entries, "hold", report)
    if isinstance(pedal, Text) and hold is not None:
        if hold == SUSTAIN:
            hint = "Chord and key would stand still whenever notes ring on. Take another, such as 67, the soft pedal."
            report.add(pedal.place, _SUSTAINS, hint)
        elif hold in faders:
            message = f'{quoted(pedal.text)} is the fader of the seat "{faders[hold]}" too'
            hint = "Each time the pedal moves, that seat would become loud or silent. Take another."
            report.add(pedal.place, message, hint)
        if leads == "no":
            report.add(entries.keys["hold"].place, "nothing leads here, so there is nothing to hold", _LEADS)
    if leads == "no" and "output" not in entries.values and not faders:
        message = "this keyboard does nothing: it does not lead, it sounds nowhere, and it has no fader"
        report.missing(room.keys["keyboard"].place, message, f'{_LEADS} Or an "output", or a "fader" at a seat.')


_LEADS = 'Write "leads: chords", key or both.'


def _clock(entries: Entries, report: Report) -> None:
    theirs, ours = (_value(entries, name, report) for name in ("from", "to"))
    if theirs is not None and ours is not None and may_mean_one(theirs, ours):
        hint = "Write more of both names, until no port can be meant by both."
        report.add(entries.values["to"].place, '"from" and "to" may be one port: its clock would follow itself', hint)


def _does(button: InputPiece) -> str:
    node = button.node.values.get("does")
    return node.text.strip() if isinstance(node, Text) else ""


def _taps(buttons: Mapping[str, InputPiece], report: Report) -> None:
    for button in buttons.values():
        if _does(button) == TAP and "seat" in button.node.values:
            place = button.node.keys["seat"].place
            report.add(place, "a tap is for the whole room, which has one tempo", 'Leave "seat" out.')


_NO_TEMPO = 'Write a "tempo". Or say what gives it: a "clock" that it comes from, or a button that does tap.'


def _tempo(room: Entries, tapped: bool, report: Report) -> None:
    """Report lengths and bars that are counted in the room's tempo if it has none."""
    music = _group(room, "music")
    if "tempo" in music.values or "from" in _group(room, "clock").values or tapped:
        return
    written = music.keys.get("time_signature")
    if written is not None:
        message = '"time_signature" is that of the room\'s tempo, and it has none'
        report.missing(written.place, message, _NO_TEMPO)
    chords = pieces.group(music, "progression", schema.ROOM_MUSIC)
    every, node = _value(chords, "every", report), chords.values.get("every")
    if every is not None and not every.nanoseconds and isinstance(node, Text):
        hint = f'{_NO_TEMPO} Or a length that needs none, such as "every: 4 s".'
        report.missing(node.place, f"{quoted(node.text)} is counted in the room's tempo, and it has none", hint)


def _limits(tree: Entries, entries: Entries, seats: int, report: Report) -> None:
    of_one, name = pieces.group(tree, "limits", schema.CONFIGURATION), "notes_at_once"
    one, node = of_one.values.get(name), entries.values.get(name)
    most, all_ = _value(of_one, name, report), _value(entries, name, report)
    if not isinstance(node, Text) or all_ is None:
        return
    if all_ < seats:
        hint = f"Else a child's only note may be taken away. Write {seats} or more."
        report.add(node.place, f"all together may sound {all_} notes here, and there are {seats} seats", hint)
    elif isinstance(one, Text) and most is not None and all_ < most:
        message = f"all together may sound {all_} notes here, and one child may sound {most} (line {one.place.line})"
        report.add(node.place, message, f"Write {most} or more here, or fewer there.")


def _turns(entries: Entries, report: Report) -> None:
    written = {name: _value(entries, name, report) for name in ("quiet", "longest_turn") if name in entries.values}
    if not written or None in written.values():
        return
    plan = TurnPlan(**written)
    if plan.longest_turn <= plan.quiet:
        place = entries.values["longest_turn" if "longest_turn" in written else "quiet"].place
        hint = "Else each turn is cut off before its end is heard. For example quiet: 2 s, longest_turn: 30 s."
        report.add(place, '"longest_turn" must be longer than "quiet"', hint)
