"""From a configuration's tree to a Configuration. Nothing is built unless everything is right."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from router.core.ledger import Limits
from router.devices.descriptions import MidiInDevice
from router.files.configuration import cross_checks, room, schema
from router.files.configuration.model import Button, Configuration, Folders, Keeping, ProgramChange, SeatPlan
from router.files.diagnostics import START, Report
from router.files.profile import pieces
from router.files.profile.build import device, names_nobody, output
from router.files.profile.cross_checks import same_output_twice
from router.files.profile.pieces import InputPiece, Sort, Values
from router.files.profile.validate import settings
from router.files.source import Entries, Node, Text

_SEAT = Sort("a seat", tuple(schema.SEAT["properties"]), "{profile: wren}", bare=True)
_BUTTON = Sort("a button", ("device", "does"), '{device: {evdev: "*Keypad*", key: KEY_ESC}, does: panic}')


def build(tree: Node, path: Path, report: Report) -> Configuration | None:
    """The configuration that a tree describes, or None if anything is wrong; every mistake goes to ``report``."""
    if not isinstance(tree, Entries):
        report.add(tree.place, "this is not a configuration", schema.FORM.begin)
        return None
    top = settings(tree, schema.CONFIGURATION, START, report)
    seats, buttons = _seats(tree, report), _buttons(tree, report)
    if top is not None and not top["names_nobody"]:
        for group in ("seats", "buttons"):  # a button's name is what it marks
            names_nobody(pieces.group(tree, group, schema.CONFIGURATION), report)
    outputs = pieces.outputs(pieces.group(tree, "outputs", schema.CONFIGURATION), report)
    same_output_twice(outputs, report)
    keyboard_to = room.keyboard_output(tree, report)
    cross_checks.check(tree, seats, buttons, report)
    room.check(tree, seats, buttons, report)
    if top is None or len(report):
        return None
    folders = {name: Path(folder) for name, folder in top["folders"].items()}
    change, records, limits = top.get("program_change"), top["records"], tree.values.get("limits")
    plans = tuple(_seat_plan(name, values, folders["profiles"], len(seats)) for name, (values, _) in seats.items())
    return Configuration(
        path,
        Folders(**folders),
        plans,
        {name: output(values) for name, (values, _) in outputs.items()},
        top["chime"],
        tuple(_button(button) for button in buttons.values()),
        ProgramChange(MidiInDevice(change["midi"]), change.get("channel")) if change else None,
        top["control"].get("group"),
        Keeping(records["keep"] or None, records["sessions"] or None, records["notes"]),
        None if limits is None else Limits(**top["limits"]),
        room.room_plan(top["room"], plans),
        room.ports(top["room"], keyboard_to),
    )


def _seats(tree: Entries, report: Report) -> dict[str, tuple[Values, Entries]]:
    """The seats, by name: settings (none if they could not be read) and how they are written; one if none is."""
    things = pieces.group(tree, "seats", schema.CONFIGURATION)
    if not things.values:
        things = Entries(START, {"bed": Text(START, "bed")}, {"bed": Entries(START)})
    return {
        name: (settings(entries, schema.SEAT, things.keys[name].place, report) or {}, entries)
        for name, entries in pieces.named(things, _SEAT, report).items()
    }


def _seat_plan(name: str, values: Values, profiles: Path, count: int) -> SeatPlan:
    folder = Path(values["folder"]) if "folder" in values else profiles if count == 1 else profiles / name
    return SeatPlan(
        name,
        folder,
        values.get("profile"),
        values["follow"],
        tuple(values.get("list", ())),
        tuple(values.get("channels", ())),
        {given: pattern.strip() for given, pattern in values.get("devices", {}).items()},
        values["level"],
        values.get("fader"),
    )


def _buttons(tree: Entries, report: Report) -> dict[str, InputPiece]:
    """The buttons, by name, each read as a switch that is listened to."""
    things = pieces.group(tree, "buttons", schema.CONFIGURATION)
    heard = {}
    for name, entries in pieces.named(things, _BUTTON, report).items():
        place = things.keys[name].place
        values: Mapping[str, object] | None = settings(entries, schema.BUTTON, place, report)
        word, found = pieces.device_of(entries, schema.BUTTON_DEVICES, "a button's device", report)
        heard[name] = InputPiece(name, "switch", place, entries, values or {}, word, found or {})
    return heard


def _button(heard: InputPiece) -> Button:
    values = heard.values
    return Button(heard.name, device(heard), values["hold"], values["does"], values.get("seat"))
