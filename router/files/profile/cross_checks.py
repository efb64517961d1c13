"""Checks of meaning: every line may be right, and the profile still not play what it says.

An input that no part uses, a rule that gets nothing it can work with, thresholds the wrong way round: nothing here
stops the program, and each would be a child's effort that nobody hears.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from router.core.contract import Kind, Rule
from router.core.engine import ring
from router.core.midi import CHANNEL_MODE, DRUM_CHANNEL
from router.core.units import nearest
from router.devices.line_pattern import LinePattern, PatternRefused
from router.files.diagnostics import Place, Report, either, quoted
from router.files.plugins import installed
from router.files.profile.pieces import PRESSES, InputPiece, PartPiece, RulePiece
from router.files.source import Entries, Items, Text

OFF_SHARE = 0.6
"""Where an effort ends when a profile does not say: this share of where it begins. Our choice."""
_OF_PITCHES = ("scale_lock", "chord", "transpose", "range", "drone")
"""Rules that make no sense where each note is another drum."""


def check(
    inputs: Mapping[str, InputPiece],
    outputs: Mapping[str, tuple[Mapping[str, Any], Place]],
    parts: Sequence[PartPiece],
    music: Entries,
    report: Report,
) -> None:
    """Everything that only shows when the pieces are seen together."""
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
    same_output_twice(outputs, report)
    chords = music.values.get("progression")
    progression = chords if isinstance(chords, Entries) else None
    used = _centres(inputs, report) | _progression(progression, inputs, report)
    for part in parts:
        known = _sources(part, inputs, report)
        used |= {source.split(".")[0] for source in part.names} | known.meant
        if known.kinds is not None and part.rules is not None:
            _chain(part, known.kinds, report)
        _port(part, outputs, report)
        _drums(part, report)
        _weights(part, report)
        _latches(part, inputs, report)
        _answers(part, inputs, report)
        _moved_twice(part, report)
        if progression is None and not _follows_harmony(music):
            _follows(part, report)
    _unused(inputs, used, parts, report)
    _two_sounds(parts, report)
    _programs(parts, report)


# --- inputs -----------------------------------------------------------------------------------------------------


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
                report.add(texts[key].place, f'"{key}" must be above 0, not {quoted(texts[key].text)}', sign)
                return
        if off is not None and off >= on:
            report.add(
                texts["off"].place,
                f'"off" ({texts["off"].text}) must be below "on" ({texts["on"].text})',
                f'An effort begins at "on" and is over below "off". Try off: {_share(texts["on"].text, OFF_SHARE)}',
            )
        if full <= on:
            report.add(
                texts["full"].place,
                f'"full" ({texts["full"].text}) must be above "on" ({texts["on"].text})',
                f'"on" is the gentlest effort that counts, "full" the strongest that is asked for. '
                f"Try full: {_share(texts['on'].text, 4)}",
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
    """A switch must be able to count before it is taken to be stuck."""
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
    """Zones that never play must be there, and not be all of them."""
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


def _centres(inputs: Mapping[str, InputPiece], report: Report) -> set[str]:
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
            message, hint, _ = _no_source(name, inputs, others)
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
    """How a pressure sensor's numbers become pressures must be said once, and be possible."""
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
    """A pointer's axes are of one kind, and only relative ones have a step."""
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
    """Return which part of this profile an input hears.

    There must be such a part, and parts must not hear one another in a ring.
    """
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


# --- outputs ----------------------------------------------------------------------------------------------------


def same_output_twice(outputs: Mapping[str, tuple[Mapping[str, Any], Place]], report: Report) -> None:
    """Two outputs that lead to the same port."""
    seen: dict[str, tuple[str, Place]] = {}
    for name, (values, place) in outputs.items():
        if "midi" not in values:
            continue
        first, where = seen.setdefault(str(values["midi"]).casefold(), (name, place))
        if first != name:
            report.add(
                place,
                f'"{first}" (line {where.line}) and "{name}" are the same MIDI port',
                f'A note that both play would be cut short by the first to end. Let the parts use "port: {first}".',
            )


def _port(part: PartPiece, outputs: Mapping[str, Any], report: Report) -> None:
    port = part.output.values.get("port")
    if not isinstance(port, Text) or port.empty or port.text in outputs or not outputs:
        return
    near = nearest(port.text, list(outputs))
    hint = f'Did you mean "{near}"?  ' if near else ""
    report.missing(
        port.place,
        f"there is no output called {quoted(port.text)}",
        f"{hint}The outputs of this profile: {', '.join(outputs)}.",
    )


def _drums(part: PartPiece, report: Report) -> None:
    if part.route.get("channel") != DRUM_CHANNEL:
        for step in part.steps:
            if step.rule.name == "drum" and part.route:
                report.add(
                    step.place,
                    f"drum plays on channel {DRUM_CHANNEL} only: on others its notes are not drums",
                    f'Write "channel: {DRUM_CHANNEL}" under output.',
                )
        return
    for step in part.steps:
        if step.rule.name in _OF_PITCHES:
            report.add(
                step.place,
                f"{step.rule.name} cannot be used on channel {DRUM_CHANNEL}, where each note is another drum",
                "Leave this rule out, or choose another channel.",
            )


def _two_sounds(parts: Sequence[PartPiece], report: Report) -> None:
    seen: dict[tuple[str, int], PartPiece] = {}
    for part in parts:
        if "program" not in part.route:
            continue
        first = seen.setdefault((part.route["port"], part.route["channel"]), part)
        if first.route["program"] != part.route["program"]:
            report.add(
                part.output.keys["program"].place,
                f'"{first.name}" (line {first.place.line}) has another sound on the same channel',
                f"A channel has one sound at a time. Give one of the two parts another channel, not "
                f"{part.route['channel']}.",
            )


def _programs(parts: Sequence[PartPiece], report: Report) -> None:
    """A rule that changes the sound of a channel changes it for whoever else plays there."""
    for part in parts:
        where = (part.route.get("port"), part.route.get("channel"))
        other = next(
            (
                p
                for p in parts
                if p is not part and part.route and where == (p.route.get("port"), p.route.get("channel"))
            ),
            None,
        )
        for step in part.steps:
            if step.rule.name == "program" and other is not None:
                report.add(
                    step.place,
                    f'this would change the sound of "{other.name}" (line {other.place.line}) too: both play on channel'
                    f" {where[1]}",
                    "Give one of the two parts another channel.",
                )


# --- music ------------------------------------------------------------------------------------------------------

_GOES_ON = 'For example "every: 2 bars", "advance: pad" (an input) or "follow: keys" (a MIDI input).'


def _progression(node: Entries | None, inputs: Mapping[str, InputPiece], report: Report) -> set[str]:
    """Check that a progression has chords and one thing that advances them; return the inputs used for that."""
    if node is None:
        return set()
    ways = [name for name in ("every", "advance", "follow") if name in node.values]
    if not ways:
        report.missing(node.place, "nothing goes on to the next chord of this progression", _GOES_ON)
    elif len(ways) > 1:
        message = f'a progression goes on by "{ways[0]}" or by "{ways[1]}", not by both'
        report.add(node.keys[ways[1]].place, message, "Keep one of the two.")
    if "chords" not in node.values and "follow" not in node.values:
        report.missing(node.place, "this progression has no chords", 'For example "chords: [C, Am, F, G]".')
    every = {source: kind for heard in inputs.values() for source, kind in heard.sources().items()}
    listening = {name for name, heard in inputs.items() if heard.type == "listen"}
    presses = {source for source, kind in every.items() if kind & PRESSES and source.split(".")[0] not in listening}
    keyboards = {name for name, heard in inputs.items() if heard.type == "midi"}
    used: set[str] = set()
    for way, right in (("advance", presses), ("follow", keyboards)):
        text = node.values.get(way)
        if not isinstance(text, Text) or text.empty:
            continue
        name = text.text.strip()
        head = name.split(".")[0]
        used |= {head} if name in right else set(inputs)  # what it should be is told here
        if name in right or (head in inputs and not inputs[head].sources()):
            continue
        if name not in every:
            message, hint, _ = _no_source(
                name, inputs, {source: kind for source, kind in every.items() if source in right} or every
            )
            if way == "follow" and name == "room":
                hint = 'To follow the room, write "follow: room" under music itself, beside the progression.'
            report.missing(text.place, message, hint)
        elif head in listening:
            message = (
                f"{quoted(name)} is played by others, and no chord may change by that: two could change each other's"
                " for ever"
            )
            report.add(text.place, message, f"Name {either(sorted(right))}." if right else _GOES_ON)
        elif way == "follow":
            hint = f"Name {either(sorted(keyboards))}." if keyboards else "Add an input of type midi for it."
            report.add(text.place, f"only a MIDI input can be followed, and {quoted(name)} is none", hint)
        else:
            report.add(
                text.place,
                f"{quoted(name)} gives no presses, and a press is what goes on",
                f"Name {either(sorted(presses))}.",
            )
    return used


def _follows_harmony(music: Entries) -> bool:
    """Tell whether the chords may come from the room; also true if ``follow`` cannot be read."""
    node = music.values.get("follow")
    return node is not None and not (isinstance(node, Text) and node.text.strip() == "tempo")


def _follows(part: PartPiece, report: Report) -> None:
    """Report rules that follow the chord; to be called if there are no chords."""
    for step in part.steps:
        follows = step.settings.get("follow") is True or (
            step.rule.name == "scale_lock" and step.settings.get("to") == "chord"
        )
        if follows:
            report.missing(
                step.place,
                f'"{step.rule.name}" follows the chords of the music, and there are none',
                'Write them under music, for example "progression: {chords: [C, Am, F, G], every: 2 bars}". '
                'Or "follow: room" there, for those of the room.',
            )


def _heard_in(part: PartPiece, inputs: Mapping[str, InputPiece], *types: str) -> list[str]:
    """The inputs of a part that are of these types."""
    heads = dict.fromkeys(source.partition(".")[0] for source in part.names)
    return [name for name in heads if name in inputs and inputs[name].type in types]


def _latches(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> None:
    """Check that a latch that others switch on ends by itself, as nobody here can switch it off."""
    heard = _heard_in(part, inputs, "listen")
    for step in part.steps:
        if step.rule.name == "latch" and heard and step.settings and "longest" not in step.settings:
            report.missing(
                step.place,
                f'"{heard[0]}" is played by others: what it has switched on must end by itself',
                'Write for example "latch: {longest: 30 s}".',
            )


def _answers(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> None:
    """An answer needs something that it answers, and an effort that plays it."""
    for place, step in enumerate(part.steps):
        if step.rule.name != "answer" or "hears" not in step.settings or part.sources is None:
            continue
        name = step.settings["hears"].strip()
        heard = [name for name in _heard_in(part, inputs, "listen", "midi") if name in part.names]
        hint = f"It takes {either(heard)}." if heard else 'For example an input "call: {type: listen, seat: anybody}".'
        if name not in heard:
            report.missing(
                step.place,
                f'"answer" cannot hear {quoted(name)}: it takes an input of this part that is of type listen or midi',
                hint,
            )
        elif all(source.partition(".")[0] == name for source in part.names):
            report.missing(
                step.place,
                f'nothing plays the answer: all that this part hears is "{name}"',
                f'Let it have the child\'s input too, for example "input: [pad, {name}]".',
            )
        elif place:
            report.add(step.place, '"answer" must be the first rule of its part', "Move it to the top.")


def _moved_twice(part: PartPiece, report: Report) -> None:
    """Two rules that move one thing by one movement would pull it to and fro."""
    moved: dict[Any, RulePiece] = {}
    for step in part.steps:
        what = step.settings.get("controller", step.settings.get("message")) if step.rule.name == "control" else None
        if what is None:
            continue
        first = moved.setdefault(what, step)
        if first is not step:
            report.add(
                step.place,
                f'this moves what the "control" in line {first.place.line} moves already',
                "Give one of the two another controller, or leave it out.",
            )


def _weights(part: PartPiece, report: Report) -> None:
    """A weight too many belongs to nothing."""
    for step in part.steps:
        row = next((step.settings[name] for name in ("degrees", "notes", "chords") if name in step.settings), ())
        weights = step.settings.get("weights", ())
        if step.rule.name == "random" and len(weights) > len(row):
            report.add(
                step.place,
                f"there are {len(weights)} weights for {len(row)} to choose from",
                "Write one weight for each, or fewer: the others count 1.",
            )
        elif weights and not any([*weights, *[1] * (len(row) - len(weights))]):
            report.add(
                step.place, "all weights are 0, so there is nothing to choose", "Give at least one a weight above 0."
            )


# --- parts ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Known:
    """Kinds of events from each source of a part (None if one is unknown), and the inputs that were probably meant."""

    kinds: dict[str, Kind] | None
    meant: set[str]


def _sources(part: PartPiece, inputs: Mapping[str, InputPiece], report: Report) -> _Known:
    if part.sources is None or not inputs:  # that there are none is told already
        return _Known(None, set())
    every = {source: kind for heard in inputs.values() for source, kind in heard.sources().items()}
    kinds: dict[str, Kind] | None = {}
    meant: set[str] = set()
    for text in part.sources:
        name = text.text.strip()
        if kinds is not None and name in kinds:
            report.add(text.place, f"{quoted(name)} stands here twice", "It would play each note twice. Keep one.")
        elif name in every:
            if kinds is not None:
                kinds[name] = every[name]
        else:
            kinds = None
            head = name.split(".")[0]
            if head in inputs and not inputs[head].type:
                continue  # what is wrong with that input is told there
            if head in inputs and not inputs[head].sources():
                continue  # a pressure input without thresholds: told there too
            message, hint, near = _no_source(name, inputs, every)
            meant |= {near.split(".")[0]} if near else set()
            report.missing(text.place, message, hint)
    return _Known(kinds, meant)


def _no_source(name: str, inputs: Mapping[str, InputPiece], every: Mapping[str, Kind]) -> tuple[str, str, str | None]:
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


def _unused(inputs: Mapping[str, InputPiece], used: set[str], parts: Sequence[PartPiece], report: Report) -> None:
    if any(part.sources is None for part in parts):
        return  # a part whose input is missing is told already, and it may be this one
    for name, heard in inputs.items():
        if name in used or not heard.type:
            continue
        source = next(iter(heard.sources()), name)
        report.missing(
            heard.place, f'no part uses the input "{name}"', f'Let a part say "input: {source}", or take the input out.'
        )


def _chain(part: PartPiece, kinds: Mapping[str, Kind], report: Report) -> None:
    """Each rule must get something it can work with, and at the end there must be something that sounds."""
    flow = _all(kinds.values())
    done: list[RulePiece] = []
    starved = False
    for step in part.steps:
        if not step.rule.takes & flow:
            starved = True
            report.missing(step.place, *_starved(step, part, kinds, done))
            flow |= step.rule.takes  # as if it were right, so that one mistake is told once
        flow = _after(step.rule, flow)
        done.append(step)
    if not flow & (Kind.NOTES | Kind.CONTROLS):
        names = [
            f'"{name}"' for name, rule in installed().imported.items() if rule.takes & flow and rule.gives & Kind.NOTES
        ]
        hint = (
            f"Add a rule that plays notes: {either(names)}." if names else "Add a rule that uses it, such as control."
        )
        report.missing(part.rules_place, f'the part "{part.name}" makes no sound: none of its rules plays a note', hint)
        return
    for text in () if starved else part.sources or ():
        alone = kinds[text.text.strip()]
        for step in part.steps:
            if step.rule.takes & alone:
                alone = _after(step.rule, alone)
        if not alone & (Kind.NOTES | Kind.CONTROLS):
            report.missing(
                text.place,
                f"none of this part's rules makes anything of {quoted(text.text)}",
                "Take it out here, or add a rule for it.",
            )


def _all(kinds: Iterable[Kind]) -> Kind:
    flow = Kind(0)
    for kind in kinds:
        flow |= kind
    return flow


def _after(rule: type[Rule], flow: Kind) -> Kind:
    """The kinds of events after a rule."""
    if not rule.gives:
        return flow
    taken = rule.takes | PRESSES if rule.takes & PRESSES else rule.takes
    return (flow & ~taken) | rule.gives


def _starved(step: RulePiece, part: PartPiece, kinds: Mapping[str, Kind], done: Sequence[RulePiece]) -> tuple[str, str]:
    """The message and hint for a rule that gets nothing it can work with."""
    rule = step.rule
    name = rule.name
    if rule.takes & Kind.NOTES:
        makers = [later for later in part.steps if later.rule.gives & Kind.NOTES and later not in done]
        if makers:
            first = makers[0]
            return (
                f'"{name}" needs notes, and the rule that plays them comes after it',
                f'Move "{first.rule.name}" (line {first.place.line}) above "{name}".',
            )
        flow = _all(kinds.values())
        names = [
            f'"{other}"'
            for other, maker in installed().imported.items()
            if maker.gives & Kind.NOTES and maker.takes & flow
        ]
        hint = f"Put a rule that plays notes above it: {either(names)}." if names else _other_source(kinds)
        return f'"{name}" needs notes, and no rule above it plays any', hint
    if rule.takes & PRESSES and (maker := _maker(done)) is not None:
        message = f'"{name}" needs presses, and "{maker.rule.name}" (line {maker.place.line}) has made notes of them'
        if not rule.gives:
            return message, f'Move "{name}" above "{maker.rule.name}".'
        return message, "Leave one of the two out, or give each a part of its own."
    if rule.takes & Kind.ZONES:
        return f'"{name}" needs the zones of a pointer, and {_sources_of(kinds)} has none', _pointers(name)
    if rule.takes & Kind.LEVELS:
        return (
            f'"{name}" follows how hard or how far, and {_sources_of(kinds)} only says pressed or not',
            (
                "Sources for it: a side of a pressure input (cheek.above), x or y of a pointer (head.x), keys.cc1 of a"
                " MIDI input."
            ),
        )
    return f'"{name}" needs presses, and {_sources_of(kinds)} gives none', _other_source(kinds)


def _maker(done: Sequence[RulePiece]) -> RulePiece | None:
    return next((step for step in done if step.rule.gives & Kind.NOTES), None)


def _sources_of(kinds: Mapping[str, Kind]) -> str:
    return either(f'"{name}"' for name in kinds)


def _pointers(name: str) -> str:
    return f'"{name}" works with a pointer input. For one movement, "sequence" plays a list of notes press by press.'


def _other_source(kinds: Mapping[str, Kind]) -> str:
    heads = dict.fromkeys(name.split(".")[0] for name in kinds)
    return f"Listen to its presses instead: {either(heads)}."
