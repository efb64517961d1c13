"""From a profile's tree to a plan for the engine, telling on the way what is wrong.

Each piece (an input, a rule, an output) is first asked what it is, and then held against the schema of just that
kind, so that a mistake is told by the line it is in. Nothing is built unless everything is right.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from router.conditioning.midi import MidiConditioner, MidiSettings
from router.conditioning.pointer import Grid, PointerConditioner, PointerSettings
from router.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.conditioning.switch import SwitchConditioner, SwitchSettings
from router.devices import (
    ANY_NUMBER,
    Device,
    EvdevPointer,
    EvdevSwitch,
    Instrument,
    MidiInDevice,
    MidiPort,
    OutputDevice,
    SerialDevice,
    TerminalKey,
)
from router.engine import MakeConditioner, PartPlan, Plan, RulePlan
from router.events import Route
from router.ledger import Limits
from router.music import Music
from router.profile import meaning, schema
from router.profile.diagnostics import Place, Report, either, listed, quoted
from router.profile.meaning import Heard, Played, Step
from router.profile.model import Profile
from router.profile.source import Entries, Items, Node, Text
from router.profile.validate import settings, unknown
from router.rules import RULES
from router.rules.base import Kind
from router.units import PRESSURE, nearest

Values = dict[str, Any]


def build(tree: Node, path: Path, report: Report) -> Profile | None:
    """The profile that a tree describes, or None if anything is wrong; every mistake goes to ``report``."""
    if not isinstance(tree, Entries):
        report.add(tree.place, "this is not a profile", 'A profile is made of names and values, such as "child: wren".')
        return None
    top = settings(tree, schema.PROFILE, Place(1, 1), report)
    inputs = _inputs(_group(tree, "inputs"), report)
    outputs = _outputs(_group(tree, "outputs"), report)
    parts = _parts(_group(tree, "parts"), report)
    meaning.check(inputs, outputs, parts, report)
    if top is None or len(report):
        return None
    levels = frozenset(
        source for part in parts for source in part.names if any(Kind.LEVELS in step.rule.takes for step in part.steps)
    )
    plan = Plan(
        Music(tonic=top["music"]["key"], scale=top["music"]["scale"], tempo=top["music"]["tempo"]),
        Limits(**top["limits"]),
        {name: _conditioner(name, heard, levels) for name, heard in inputs.items()},
        tuple(_part_plan(part, path) for part in parts),
    )
    return Profile(
        path,
        top["child"],
        _on_one_line(top.get("about", "")),
        plan,
        {name: heard.type for name, heard in inputs.items()},
        {name: _device(heard) for name, heard in inputs.items()},
        {name: _output(values) for name, (values, _) in outputs.items()},
    )


# --- reading the pieces -----------------------------------------------------------------------------------------


def _group(tree: Entries, name: str) -> Entries:
    """The named things under one of the profile's headings, even if the heading is misspelt (which is told elsewhere)."""
    slips = [key for key in tree.values if key not in schema.PROFILE["properties"] and nearest(key, [name])]
    group = tree.values.get(name, tree.values[slips[0]] if slips else None)
    return group if isinstance(group, Entries) else Entries(tree.place)


def _named(key: Text, value: Node, what: str, example: str, report: Report) -> Entries | None:
    """A thing with a name of the profile's own, or None if it is nothing of the kind."""
    name = key.text
    homes = schema.HOMES.get(name, ())
    if isinstance(value, Entries):
        if schema.respell(name, schema.NAME) or not schema.fits(name, schema.NAME):
            near = schema.respell(name, schema.NAME)
            hint = f'Did you mean "{near}"?  ' if near else ""
            report.add(
                key.place, f"{quoted(name)} cannot be the name of {what}", f"{hint}Use {schema.NAME['spelling']}."
            )
        return value
    if homes:
        hint = f"It is a setting of {either(homes[:3])}: begin it further right, under what it belongs to."
        report.add(key.place, f"{quoted(name)} stands where the name of {what} is expected", hint)
    elif isinstance(value, Text) and value.empty:
        report.missing(
            key.place, f"nothing is written for {what} {quoted(name)}", f"For example {quoted(name)}: {example}"
        )
    else:
        report.add(
            key.place, f"{what} needs settings, and {quoted(name)} has none", f'For example "{name}: {example}".'
        )
    return None


def _inputs(group: Entries, report: Report) -> dict[str, Heard]:
    heard = {}
    for name, node in group.values.items():
        key = group.keys[name]
        entries = _named(key, node, "an input", "{type: switch, device: {terminal: space}}", report)
        kind = _type(entries, key, report) if entries is not None else None
        if entries is None or kind is None:
            heard[name] = Heard(name, "", key.place, Entries(key.place))
            continue
        values = settings(entries, schema.INPUTS[kind], key.place, report)
        word, device = _device_settings(entries, kind, report)
        heard[name] = Heard(name, kind, key.place, entries, values or {}, word, device or {})
    return heard


def _type(entries: Entries, key: Text, report: Report) -> str | None:
    """The type of an input; a misspelt one is told, and the rest checked as what was probably meant."""
    node = entries.values.get("type")
    types = list(schema.INPUTS)
    if node is None:
        slips = [name for name in entries.values if nearest(name, ["type", "device"]) == "type"]
        if slips:
            report.add(
                entries.keys[slips[0]].place,
                f"an input has no setting called {quoted(slips[0])}",
                'Did you mean "type"?',
            )
        else:
            guess = next((kind for kind in types if set(entries.values) & _TELLTALES[kind]), "switch")
            report.missing(
                key.place, 'an input needs "type"', f'For example "type: {guess}".  The types: {", ".join(types)}.'
            )
        return None
    if isinstance(node, Text) and node.text.strip() in types:
        return node.text.strip()
    if isinstance(node, Text) and not node.empty:
        near = nearest(node.text.strip(), types)
        report.add(
            node.place,
            f"there is no type of input called {quoted(node.text)}",
            (f'Did you mean "{near}"?  ' if near else "") + f"The types: {', '.join(types)}.",
        )
        return None
    report.missing(entries.keys["type"].place, 'nothing is written after "type"', f"The types: {', '.join(types)}.")
    return None


_TELLTALES: Mapping[str, set[str]] = {
    "pressure": {"zero", "above", "below", "strength"},
    "pointer": {"smooth", "grid"},
    "midi": {"channel", "lowest", "highest"},
    "switch": {"debounce", "accept"},
}
"""Settings that only one type of input has."""


def _device_settings(entries: Entries, kind: str, report: Report) -> tuple[str, Values | None]:
    """Which kind of device an input listens to, and its settings."""
    node = entries.values.get("device")
    if not isinstance(node, Entries) or node.place == entries.place:
        if isinstance(node, Text) and node.empty:
            _no_device(entries.keys["device"].place, kind, report)
        return "", None
    words = schema.DEVICES[kind]
    word = _word(node, words, entries.keys["device"].place, report, f"{schema.article(kind)} {kind} input's device")
    if word is None:
        return "", None
    found = settings(node, words[word], entries.keys["device"].place, report)
    if found is not None and "line" in found:
        line = node.values["line"]
        why = meaning.line_pattern(found["line"])
        if why:
            report.add(line.place, *why)
    return word, found


def _no_device(place: Place, kind: str, report: Report) -> None:
    report.missing(place, 'nothing is written after "device"', f"It takes {listed(schema.DEVICES[kind], 'or')}.")


def _word(node: Entries, kinds: Mapping[str, Any], at: Place, report: Report, called: str) -> str | None:
    """The one word of a group that says what kind of thing it is."""
    every = {word for words in schema.DEVICES.values() for word in words} | set(schema.OUTPUTS)
    found = [name for name in node.values if name in kinds]
    if len(found) == 1:
        return found[0]
    if found:
        report.add(node.keys[found[1]].place, f"{called} cannot be {listed(found)} at once", "Keep one of them.")
        return None
    takes = f"It takes {listed(kinds, 'or')}."
    foreign = [name for name in node.values if name in every]
    if foreign:
        report.add(node.keys[foreign[0]].place, f"{called} cannot be {quoted(foreign[0])}", takes)
        return None
    for name in node.values:
        near = nearest(name, list(kinds))
        if near:
            report.add(
                node.keys[name].place,
                f"{called} has no setting called {quoted(name)}",
                f'Did you mean "{near}"?  {takes}',
            )
            return None
    report.missing(at, f"{called} is not named", takes)
    return None


def _outputs(group: Entries, report: Report) -> dict[str, tuple[Values, Place]]:
    outputs: dict[str, tuple[Values, Place]] = {}
    for name, node in group.values.items():
        key = group.keys[name]
        outputs[name] = ({}, key.place)
        entries = _named(key, node, "an output", '{midi: "*"}', report)
        if entries is None:
            continue
        word = _word(entries, schema.OUTPUTS, key.place, report, "an output")
        values = settings(entries, schema.OUTPUTS[word], key.place, report) if word else None
        outputs[name] = (values or {}, key.place)
    return outputs


def _parts(group: Entries, report: Report) -> list[Played]:
    parts = []
    for name, node in group.values.items():
        key = group.keys[name]
        entries = _named(key, node, "a part", "{input: pad, rules: [note: {}], output: {port: synth}}", report)
        if entries is None:
            continue
        values = settings(entries, schema.PART, key.place, report)
        steps = _rules(entries, report)
        output = entries.values.get("output")
        port = output.values.get("port") if isinstance(output, Entries) else None
        route = (values or {}).get("output") or {}
        parts.append(
            Played(
                name,
                key.place,
                entries.keys["input"].place if "input" in entries.keys else key.place,
                _sources(entries, report),
                entries.keys["rules"].place if "rules" in entries.keys else key.place,
                steps,
                route,
                port.place if isinstance(port, Text) else key.place,
                output if isinstance(output, Entries) else Entries(key.place),
            )
        )
    return parts


def _sources(part: Entries, report: Report) -> list[Text] | None:
    """What a part listens to, as it is written; None if that cannot be read."""
    node = part.values.get("input")
    if node is None:
        return None
    place = part.keys["input"].place
    if isinstance(node, Text) and not node.empty:
        return [node]
    if isinstance(node, Items) and node.items:
        texts = [item for item in node.items if isinstance(item, Text) and not item.empty]
        if len(texts) == len(node.items):
            return texts
    if isinstance(node, Entries):
        report.add(
            place, '"input" is a name or a list of names', 'For example "input: pad" or "input: [pad, cheek.above]".'
        )
    else:
        report.missing(place, '"input" is empty: nothing plays this part', 'For example "input: pad".')
    return None


# --- rules ------------------------------------------------------------------------------------------------------


def _rules(part: Entries, report: Report) -> list[Step] | None:
    """The rules of a part in order; None if it cannot be said which they are."""
    node = part.values.get("rules")
    if node is None:
        return None
    place = part.keys["rules"].place
    if (isinstance(node, Text) and node.empty) or (isinstance(node, Items) and not node.items):
        report.missing(
            place, "this part has no rules, so it plays nothing", f"Each rule has a line of its own, such as {_RULE}."
        )
        return None
    if isinstance(node, Entries):
        key = next(iter(node.keys.values()), None)
        if key is not None:
            report.add(
                key.place, "each rule begins with a dash and a space", f"Did you mean {_dashed(key.text, node)}?"
            )
        return None
    if isinstance(node, Text):
        report.add(node.place, "rules are a list, each with a dash", f"Did you mean {_dashed(node.text)}?")
        return None
    steps = [_rule(entry, report) for entry in node.items]
    known = [step for step in steps if step is not None]
    return known if len(known) == len(steps) else None


_RULE = '"- note: {degree: 1}"'


def _dashed(text: str, group: Entries | None = None) -> str:
    name = text.strip().lstrip("-\u2010\u2011\u2012\u2013\u2014 ").rstrip(":")
    value = group.values.get(text) if group is not None else None
    inside = "{...}" if isinstance(value, Entries) and value.values else "{}"
    return f'"- {name}: {inside}"' if name in RULES else _RULE


def _rule(entry: Node, report: Report) -> Step | None:
    if isinstance(entry, Text):
        name = entry.text.strip()
        near = name if name in RULES else nearest(name.split(" ")[0].rstrip(":"), list(RULES))
        if entry.empty:
            report.missing(entry.place, "nothing is written after this dash", f"A rule is written {_RULE}.")
        elif near:
            report.add(entry.place, "a rule needs a colon after its name", f'Did you mean "- {near}: {{}}"?')
        else:
            report.add(entry.place, f"there is no rule called {quoted(name)}", _all_rules())
        return None
    if isinstance(entry, Items):
        report.add(entry.place, "there is a dash or a bracket too many", f"A rule is written {_RULE}.")
        return None
    names = list(entry.values)
    if not names:
        report.missing(entry.place, "nothing is written here", f"A rule is written {_RULE}.")
        return None
    name = names[0]
    rule = RULES.get(name)
    if rule is None:
        near = nearest(name, list(RULES))
        hint = f'Did you mean "{near}"?  ' if near else ""
        report.add(entry.keys[name].place, f"there is no rule called {quoted(name)}", hint + _all_rules())
    for other in names[1:]:
        _second_rule(name, other, entry, report)
    if rule is None:
        return None
    key = entry.keys[name]
    called = f"{schema.article(name)} {name} rule"
    value = entry.values[name]
    if len(names) > 1 and isinstance(value, Text) and value.empty:  # its settings stand beside it: told above
        return Step(rule, key.place, {})
    return Step(rule, key.place, settings(value, rule.settings, key.place, report, called) or {})


def _second_rule(name: str, other: str, entry: Entries, report: Report) -> None:
    place = entry.keys[other].place
    rule = RULES.get(name)
    if rule is not None and other in rule.settings["properties"]:
        report.add(
            place,
            f'"{other}" is a setting of "{name}" and must be indented below it',
            f'Begin it two spaces further right, or write "- {name}: {{{other}: ...}}".',
        )
    elif other in RULES or nearest(other, list(RULES)):
        report.add(
            place,
            "two rules stand in one entry of the list",
            f'Begin this one with a dash of its own: "- {other}: ...".',
        )
    elif rule is not None:
        near = nearest(other, rule.settings["properties"])
        report.add(place, *unknown(other, near, f"{schema.article(name)} {name} rule", rule.settings))


def _all_rules() -> str:
    return f"The rules: {', '.join(RULES)}."


def _on_one_line(text: str) -> str:
    """A remark as it may be printed or logged."""
    return " ".join(re.sub("[\x00-\x1f\x7f-\x9f\ud800-\udfff]", " ", text).split())


# --- building ---------------------------------------------------------------------------------------------------


def _part_plan(part: Played, path: Path) -> PartPlan:
    rules = tuple(
        RulePlan(step.rule.name, partial(step.rule, MappingProxyType(step.settings)), f"{path.name}:{step.place.line}")
        for step in part.steps
    )
    route = part.route
    return PartPlan(part.name, part.names, rules, Route(route["port"], route["channel"]), route.get("program"))


def _device(heard: Heard) -> Device:
    found = heard.device
    if heard.word == "terminal":
        return TerminalKey(found["terminal"])
    if heard.word == "midi":
        return MidiInDevice(found["midi"])
    if heard.word == "evdev" and heard.type == "switch":
        return EvdevSwitch(found["evdev"], found["key"], found["grab"])
    if heard.word == "evdev":
        return EvdevPointer(found["evdev"], found["x"], found["y"], found["grab"])
    scale, offset = 1.0, 0.0
    if heard.type == "pressure":
        scale, offset = float(found["scale"]) * float(PRESSURE[found["unit"]]), float(found["offset"])
    return SerialDevice(found["serial"], found["baud"], found.get("line", ANY_NUMBER), scale, offset)


def _output(values: Values) -> OutputDevice:
    if "midi" in values:
        return MidiPort(values["midi"])
    name = values["instrument"]
    return Instrument(None if name == "default" else name, float(values["gain"]))


def _conditioner(name: str, heard: Heard, wanted: frozenset[str]) -> MakeConditioner:
    values = heard.values
    levels = frozenset(source for source in wanted if source.startswith(f"{name}."))
    if heard.type == "switch":
        return partial(SwitchConditioner, name, SwitchSettings(values["debounce"], values["accept"]))
    if heard.type == "pressure":
        strength, track = values["strength"], values["zero"]["track"]
        pressure = PressureSettings(
            above=_side(values.get("above")),
            below=_side(values.get("below")),
            track=None if track is False else track,
            from_peak=strength["from"] == "peak",
            over=strength["over"],
            levels=levels,
        )
        return partial(PressureConditioner, name, pressure)
    if heard.type == "pointer":
        smooth = values["smooth"]
        cutoff, beta = (smooth["min_cutoff"], float(smooth["beta"])) if smooth else (None, 0.0)
        return partial(PointerConditioner, name, PointerSettings(Grid(**values["grid"]), cutoff, beta, levels))
    midi = MidiSettings(values.get("channel"), values["lowest"], values["highest"], levels)
    return partial(MidiConditioner, name, midi)


def _side(values: Values | None) -> Side | None:
    if values is None:
        return None
    return Side(values["on"], values.get("off", meaning.OFF_SHARE * values["on"]), values["full"])
