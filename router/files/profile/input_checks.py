"""Checks of meaning of the inputs: thresholds, zones, devices, and which input hears which."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from router.core.contract import Kind
from router.core.engine import ring
from router.core.midi import CHANNEL_MODE
from router.core.units import nearest
from router.devices.line_pattern import LinePattern, PatternRefused
from router.files.diagnostics import Place, Report, either, quoted
from router.files.profile.pieces import PRESSES, InputPiece, PartPiece
from router.files.source import Entries, Items, Text

OFF_SHARE = 0.6
"""Where an effort ends when a profile does not say: this share of where it begins. Our choice."""
FULL_SHARE = 4
"""A full effort, in gentlest ones, where a mistake needs an example. Our choice."""


def check(inputs: Mapping[str, InputPiece], parts: Sequence[PartPiece], report: Report) -> None:
    """Check each input by itself, and what they hear of one another."""
    for heard in inputs.values():
        _thresholds(heard, report)
        _keys(heard, report)
        _line(heard, report)
        _rest(heard, report)
        _measures(heard, report)
        _moves(heard, report)
        _held(heard, report)
    _same_device_twice(list(inputs.values()), report)
    _listening(inputs, parts, report)


def _thresholds(heard: InputPiece, report: Report) -> None:
    for name in ("above", "below"):
        node = heard.node.values.get(name)
        side = report.kept(node)  # whatever else is wrong with the input; what is wrong with it is told there
        if side is None or not isinstance(node, Entries):
            continue
        texts = {key: value for key, value in node.values.items() if isinstance(value, Text)}
        on, full = side["on"], side["full"]
        off, firm = side.get("off"), side.get("firm")
        for key, pressure in (("on", on), ("off", off), ("full", full), ("firm", firm)):
            if pressure is not None and pressure <= 0:
                sign = "Suction is written without a minus sign: below says which way." if name == "below" else ""
                if name == "above" and pressure < 0:
                    sign = "Suction stands under below, without a minus sign."
                report.add(texts[key].place, f'"{key}" must be above 0, not {quoted(texts[key].text)}', sign)
                return
        if off is not None and off >= on:
            report.add(
                texts["off"].place,
                f'"off" ({texts["off"].text}) must be below "on" ({texts["on"].text})',
                f'An effort begins at "on" and is over below "off". Try off: {_share(texts["on"].text, OFF_SHARE)}',
            )
        if full <= on:
            tries = [f"full: {_share(texts['on'].text, FULL_SHARE)}"]
            if off is None or off * FULL_SHARE < full:  # then it may be "on" that was meant to be another
                tries.append(f"on: {_share(texts['full'].text, 1 / FULL_SHARE)}")
            report.add(
                texts["full"].place,
                f'"full" ({texts["full"].text}) must be above "on" ({texts["on"].text})',
                f'"on" is the gentlest effort that counts, "full" the strongest that is asked for. Try {either(tries)}',
            )
        elif firm is not None and not on < firm <= full:
            report.add(
                texts["firm"].place,
                f'"firm" ({texts["firm"].text}) must be above "on" ({texts["on"].text}) and at most "full"',
                f"It is where a second, firmer press begins. Try firm: {_share(texts['on'].text, 2)}",
            )
        follow = side.get("follow")
        if follow is not None and not 0 < follow["lowest"] <= on <= follow["highest"]:
            low, high = (_share(texts["on"].text, share) for share in (0.5, 1.5))
            report.add(
                node.values["follow"].place,
                f'"on" ({texts["on"].text}) must lie between the bounds that it may follow in',
                f"It begins there. Try follow: {{lowest: {low}, highest: {high}}}",
            )


def _share(text: str, share: float) -> str:
    """A quantity times a number, in the unit it was written in."""
    found = re.match(r"\s*([0-9.]+)\s*(\S+)", text)
    return f"{round(float(found[1]) * share, 4):g} {found[2]}" if found else ""


def _keys(heard: InputPiece, report: Report) -> None:
    if heard.type != "midi" or not heard.values or heard.values["lowest"] <= heard.values["highest"]:
        return
    name = "highest" if "highest" in heard.node.values else "lowest"
    report.add(heard.node.values[name].place, '"lowest" is above "highest": no key would count', "Exchange the two.")


def _held(heard: InputPiece, report: Report) -> None:
    """Report a switch that is taken to be stuck before a press can count."""
    values = heard.values
    if heard.type != "switch" or not values or not values["longest"] or values["accept"] < values["longest"]:
        return
    accept, longest = (heard.node.values.get(name) for name in ("accept", "longest"))
    if isinstance(accept, Text) and isinstance(longest, Text):
        report.add(
            accept.place,
            f'"accept" ({accept.text}) is not shorter than "longest" ({longest.text}): no press would ever count',
            'After "longest" a switch is taken to be stuck. Make accept much shorter, such as 80 ms, or longest'
            " longer.",
        )


def _rest(heard: InputPiece, report: Report) -> None:
    """Report silent zones that the grid does not have, and a grid in which every zone is silent."""
    grid = heard.values.get("grid", {})
    node = heard.node.values.get("grid")
    listed_zones = node.values.get("rest") if isinstance(node, Entries) else None
    if "rest" not in grid or not isinstance(node, Entries) or not isinstance(listed_zones, Items):
        return
    zones = grid["columns"] * grid["rows"]
    for item, zone in zip(listed_zones.items, grid["rest"], strict=True):
        if zone > zones:
            hint = f"{grid['columns']} by {grid['rows']} are the zones 1 to {zones}, counted as one reads."
            report.add(item.place, f"this grid has no zone {zone}", hint)
    if set(grid["rest"]) >= set(range(1, zones + 1)):
        report.add(
            node.keys["rest"].place, "every zone of this grid rests, so it plays nothing", "Take one out of the list."
        )


def centres(inputs: Mapping[str, InputPiece], report: Report) -> set[str]:
    """The inputs that re-centre a pointer: each must have presses, and be another than the pointer itself."""
    every = {source: kind for heard in inputs.values() for source, kind in heard.sources().items()}
    used: set[str] = set()
    for heard in inputs.values():
        node = heard.node.values.get("recentre") if heard.type == "pointer" else None
        if heard.type == "pointer" and not heard.values:
            used |= set(inputs)  # what is wrong with it is told already, and it may be the line that names one of them
        if not isinstance(node, Text) or node.empty:
            continue
        name = node.text.strip()
        head = name.split(".")[0]
        others = {s: kind for s, kind in every.items() if kind & PRESSES and s.split(".")[0] != heard.name}
        used |= {head} if name in others else set(inputs)
        if head == heard.name:
            hint = f"Name the input whose press does it: {either(others)}." if others else _CENTRE
            report.add(node.place, f'"{heard.name}" cannot be centred by its own movement', hint)
        elif name in every and name not in others:
            report.add(node.place, f"{quoted(name)} gives no presses, and a press is what re-centres", _CENTRE)
        elif name not in every and not (head in inputs and not inputs[head].sources()):
            message, hint, _ = no_source(name, inputs, others)
            report.missing(node.place, message, hint)
    return used


_CENTRE = 'For example a key for the therapist: an input "centre: {type: switch, device: {terminal: c}}".'


def _line(heard: InputPiece, report: Report) -> None:
    node = heard.node.values.get("device")
    if "line" not in heard.device or not isinstance(node, Entries):
        return
    try:
        LinePattern(heard.device["line"])
    except PatternRefused as refused:
        report.add(_within(node.values["line"].place, refused.piece, report), refused.message, refused.hint)


def _within(place: Place, piece: str, report: Report) -> Place:
    """The place of a piece of a text, if it stands there as it is meant; else that of the whole text."""
    line = report.lines[place.line - 1] if 0 < place.line <= len(report.lines) else ""
    at = line.find(piece, place.column - 1) if piece else -1
    return Place(place.line, at + 1, len(piece)) if at >= 0 else place


def _measures(heard: InputPiece, report: Report) -> None:
    """Report a sensor whose numbers become pressures in no way, in two ways, or in an impossible way."""
    device, node = heard.device, heard.node.values.get("device")
    if heard.type != "pressure" or not device or not isinstance(node, Entries):
        return
    if heard.word == "midi":
        _one_message(heard, node, report)
    simple = [name for name in ("unit", "scale", "offset") if name in device]
    if "calibrate" in device:
        if simple:
            report.add(
                node.keys[simple[0]].place,
                f'"calibrate" and {quoted(simple[0])} cannot stand together',
                "Two measured points say everything. Keep them, or unit, scale and offset.",
            )
        first, second = device["calibrate"]
        at = node.keys["calibrate"].place
        if first["reads"] == second["reads"]:
            hint = "Read the sensor at no pressure, and again at another that you know."
            report.add(at, "the two points of the calibration have the same reading", hint)
        elif first["is"] == second["is"]:
            hint = "One point is usually 0 Pa, the other a pressure that you know."
            report.add(at, "the two points of the calibration are the same pressure", hint)
    elif "unit" not in device:
        hint = 'For example "unit: Pa". Or "calibrate" with two measured points.'
        report.missing(heard.device_place, 'a serial pressure sensor needs "unit" or "calibrate"', hint)
    elif device.get("scale") == 0:
        report.add(node.values["scale"].place, '"scale" is 0, so every pressure would be 0', "Leave it out for 1.")
    ends = device["range"]
    if "lowest" in ends and "highest" in ends and ends["lowest"] >= ends["highest"]:
        hint = "They are what the sensor itself says, before any calibration."
        report.add(node.keys["range"].place, '"lowest" must be below "highest"', hint)


def _one_message(heard: InputPiece, node: Entries, report: Report) -> None:
    device = heard.device
    kinds = [name for name in ("controller", "channel_pressure", "bend") if device.get(name) not in (None, False)]
    if not kinds:
        hint = 'For example "controller: breath", "channel_pressure: yes" or "bend: yes".'
        report.missing(heard.device_place, "nothing says which MIDI message follows the pressure", hint)
    elif len(kinds) > 1:
        report.add(
            node.keys[kinds[1]].place, f'"{kinds[0]}" and "{kinds[1]}" cannot stand together', "Keep one of them."
        )


def _moves(heard: InputPiece, report: Report) -> None:
    """Report a pointer whose axes are of two kinds or the same, and a step without effect."""
    device, node = heard.device, heard.node.values.get("device")
    if heard.type != "pointer" or not device or not isinstance(node, Entries):
        return
    relative = [name for name in ("x", "y") if device[name].startswith("REL_")]
    if len(relative) == 1:
        hint = "Both begin with REL_ for what moves like a mouse, or both with ABS_ for what knows its place."
        report.add(node.values[relative[0]].place, '"x" and "y" are axes of two kinds', hint)
    elif device["x"] == device["y"]:
        place = node.values["y" if "y" in node.values else "x"].place
        report.add(place, f'"x" and "y" are the same axis, {device["x"]}', "Give each a different one.")
    if "step" in device and not relative:
        hint = "An absolute axis runs from border to border. Write x: REL_X, y: REL_Y, or leave step out."
        report.add(node.keys["step"].place, '"step" is for relative axes only', hint)
    elif device.get("step") == 0:
        report.add(node.values["step"].place, '"step" is 0, so the pointer would not move', "For example 0.1 %.")


def _same_device_twice(inputs: Sequence[InputPiece], report: Report) -> None:
    seen: dict[tuple[Any, ...], InputPiece] = {}
    for heard in inputs:
        for key, what in hears(heard):
            first = seen.setdefault(key, heard)
            if first is not heard:
                report.add(
                    heard.device_place,
                    f'"{first.name}" (line {first.place.line}) and "{heard.name}" listen to {what}',
                    f'One input can play several parts: let each of them say "input: {first.name}".',
                )
                break


def hears(heard: InputPiece) -> Iterator[tuple[tuple[Any, ...], str]]:
    """Everything of a device that an input listens to, and how a message calls it."""
    device = heard.device
    if not device:
        return
    pattern = str(device[heard.word]).casefold()
    if heard.word == "terminal":
        yield ("terminal", pattern), f"the terminal key {quoted(device['terminal'])}"
    elif heard.word == "serial":
        yield ("serial", pattern, device.get("line")), "the same serial line and the same number in it"
    elif heard.word == "midi" and heard.type == "pressure":
        message = (device.get("controller"), device["channel_pressure"], device["bend"], device.get("channel"))
        yield ("midi", pattern, *message), "the same MIDI port and message"
    elif heard.word == "evdev":
        for name, what in (("key", "key"), ("axis", "axis"), ("x", "axis"), ("y", "axis")):
            if name in device:
                yield ("evdev", pattern, device[name]), f"the same device and {what} ({device[name]})"


def _listening(inputs: Mapping[str, InputPiece], parts: Sequence[PartPiece], report: Report) -> None:
    """Report inputs that hear a part which is not there, and parts that hear one another in a ring."""
    own = {
        name: node
        for name, heard in inputs.items()
        if heard.type == "listen"
        and "seat" not in heard.node.values
        and isinstance(node := heard.node.values.get("part"), Text)
    }
    names = [part.name for part in parts]
    heard_by: dict[str, list[str]] = {}
    for name, node in own.items():
        if node.empty or not names:
            continue
        if node.text.strip() not in names:
            near = nearest(node.text, names)
            hint = f'Did you mean "{near}"?  ' if near else ""
            report.missing(
                node.place,
                f"there is no part called {quoted(node.text)}",
                f"{hint}The parts of this profile: {', '.join(names)}. For a part of another seat, name the seat as"
                " well.",
            )
            continue
        for part in parts:
            if name in {source.partition(".")[0] for source in part.names}:
                heard_by.setdefault(part.name, []).append(node.text.strip())
    round_ = ring(heard_by)
    if not round_:
        return
    last = next(part for part in parts if part.name == round_[0])
    text = next(
        source
        for source in last.sources or ()
        if (name := source.text.strip().partition(".")[0]) in own and own[name].text.strip() == round_[1]
    )
    if len(round_) == 2:
        message = f'the part "{last.name}" hears itself, and would never stop'
    else:
        message = f"these parts hear one another in a ring, and would never stop: {' hears '.join(round_)}"
    report.add(text.place, message, "Let one of them hear something else.")


def no_source(name: str, inputs: Mapping[str, InputPiece], every: Mapping[str, Kind]) -> tuple[str, str, str | None]:
    """The message and hint for a source that does not exist, and the source that was probably meant."""
    head, _, tail = name.partition(".")
    heard = inputs.get(head)
    words = re.split(r"[\s,;+&]+|\band\b", name)
    if len(words) > 1 and all(word in every for word in words if word):
        listed = ", ".join(word for word in words if word)
        return f"there is no input called {quoted(name)}", f'Did you mean "input: [{listed}]"?', words[0]
    if heard is None:
        short = [source for source in every if ".cc" not in source]
        near = nearest(name, short) or nearest(head, list(inputs))
        hint = f'Did you mean "{near}"?  ' if near else ""
        return f"there is no input called {quoted(name)}", f"{hint}This profile has: {', '.join(short)}.", near
    sources = [source for source in heard.sources() if ".cc" not in source]
    if heard.type == "midi":
        sources.append(f"{head}.cc1 (any controller from 0 to {CHANNEL_MODE - 1})")
    if heard.type == "pressure" and not tail:
        message = f'"{head}" is a pressure input: a part plays from one side of rest'
    elif heard.type == "pressure" and tail in ("above", "below"):
        message = f'"{head}" has no thresholds called "{tail}"'
    else:
        message = f'"{head}" is {_a(heard.type)} input and has no {quoted(tail)}'
    return message, f"Write {either(sources)}." if sources else "", head


def _a(kind: str) -> str:
    return f"a {'MIDI' if kind == 'midi' else kind}"
