"""From a profile's tree to a plan for the engine."""

from __future__ import annotations

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
from router.profile import schema
from router.profile.diagnostics import Report
from router.profile.model import Profile
from router.profile.source import Entries, Items, Node, Text
from router.profile.validate import settings
from router.rules import RULES
from router.rules.base import Kind
from router.units import PRESSURE


def build(tree: Node, path: Path, report: Report) -> Profile | None:
    """The profile that a tree describes, or None; every mistake goes to ``report``."""
    top = settings(tree, schema.PROFILE, tree.place, report)
    if top is None or not isinstance(tree, Entries):
        return None
    wanted = _levels(tree.values["parts"])
    types: dict[str, str] = {}
    devices: dict[str, Device] = {}
    inputs: dict[str, MakeConditioner] = {}
    for name, node in _entries(tree.values["inputs"]):
        kind = _text(node, "type")
        values = settings(node, schema.INPUTS[kind], node.place, report)
        assert isinstance(node, Entries)
        device = node.values["device"]
        word = next(word for word in schema.DEVICES[kind] if word in device.values)
        found = settings(device, schema.DEVICES[kind][word], device.place, report)
        if values is None or found is None:
            continue
        types[name] = kind
        devices[name] = _device(kind, word, found)
        inputs[name] = _conditioner(name, kind, values, wanted)
    outputs: dict[str, OutputDevice] = {}
    for name, node in _entries(tree.values["outputs"]):
        assert isinstance(node, Entries)
        word = next(word for word in schema.OUTPUTS if word in node.values)
        found = settings(node, schema.OUTPUTS[word], node.place, report)
        if found is not None:
            outputs[name] = _output(word, found)
    parts = [_part(name, node, path, report) for name, node in _entries(tree.values["parts"])]
    if len(report):
        return None
    music = top["music"]
    plan = Plan(
        Music(music["key"], music["scale"], music["tempo"]),
        Limits(**top["limits"]),
        inputs,
        tuple(part for part in parts if part),
    )
    return Profile(path, top["child"], top.get("about", ""), plan, types, devices, outputs)


def _entries(node: Node) -> list[tuple[str, Node]]:
    return list(node.values.items()) if isinstance(node, Entries) else []


def _text(node: Node, name: str) -> str:
    value = node.values[name] if isinstance(node, Entries) else node
    assert isinstance(value, Text)
    return value.text


def _sources(part: Node) -> tuple[str, ...]:
    assert isinstance(part, Entries)
    node = part.values["input"]
    return (
        tuple(item.text for item in node.items if isinstance(item, Text))
        if isinstance(node, Items)
        else (_text(part, "input"),)
    )


def _levels(parts: Node) -> frozenset[str]:
    """The sources whose continuous level some part listens to."""
    wanted: set[str] = set()
    for _, part in _entries(parts):
        assert isinstance(part, Entries)
        rules = part.values["rules"]
        assert isinstance(rules, Items)
        for entry in rules.items:
            name = next(iter(entry.values)) if isinstance(entry, Entries) else ""
            if name in RULES and Kind.LEVELS in RULES[name].takes:
                wanted.update(_sources(part))
    return frozenset(wanted)


def _part(name: str, node: Node, path: Path, report: Report) -> PartPlan | None:
    assert isinstance(node, Entries)
    rules = []
    values = node.values["rules"]
    assert isinstance(values, Items)
    for entry in values.items:
        assert isinstance(entry, Entries)
        rule, inner = next(iter(entry.values.items()))
        found = settings(inner, RULES[rule].settings, inner.place, report)
        if found is None:
            return None
        make = partial(RULES[rule], MappingProxyType(found))
        rules.append(RulePlan(rule, make, f"{path.name}:{entry.keys[rule].place.line}"))
    route = settings(node.values["output"], schema.ROUTE, node.place, report)
    if route is None:
        return None
    return PartPlan(name, _sources(node), tuple(rules), Route(route["port"], route["channel"]), route.get("program"))


def _device(kind: str, word: str, found: dict[str, Any]) -> Device:
    if word == "terminal":
        return TerminalKey(found["terminal"])
    if word == "midi":
        return MidiInDevice(found["midi"])
    if word == "evdev" and kind == "switch":
        return EvdevSwitch(found["evdev"], found["key"], found["grab"])
    if word == "evdev":
        return EvdevPointer(found["evdev"], found["x"], found["y"], found["grab"])
    scale = found.get("scale", 1.0)
    return SerialDevice(
        found["serial"],
        found["baud"],
        found.get("line", ANY_NUMBER),
        float(scale * PRESSURE[found["unit"]].__float__()) if "unit" in found else 1.0,
        float(found.get("offset", 0.0)),
    )


def _output(word: str, found: dict[str, Any]) -> OutputDevice:
    if word == "midi":
        return MidiPort(found["midi"])
    name = found["instrument"]
    return Instrument(None if name == "default" else name, float(found["gain"]))


def _conditioner(name: str, kind: str, values: dict[str, Any], wanted: frozenset[str]) -> MakeConditioner:
    levels = frozenset(source for source in wanted if source.startswith(name + "."))
    if kind == "switch":
        return partial(SwitchConditioner, name, SwitchSettings(values["debounce"], values["accept"]))
    if kind == "pressure":
        strength, track = values["strength"], values["zero"]["track"]
        return partial(
            PressureConditioner,
            name,
            PressureSettings(
                _side(values.get("above")),
                _side(values.get("below")),
                None if track is False else track,
                strength["from"] == "peak",
                strength["over"],
                levels,
            ),
        )
    if kind == "pointer":
        smooth = values["smooth"]
        cutoff, beta = (smooth["min_cutoff"], float(smooth["beta"])) if smooth else (None, 0.0)
        return partial(PointerConditioner, name, PointerSettings(Grid(**values["grid"]), cutoff, beta, levels))
    return partial(
        MidiConditioner, name, MidiSettings(values.get("channel"), values["lowest"], values["highest"], levels)
    )


def _side(values: dict[str, Any] | None) -> Side | None:
    return None if values is None else Side(values["on"], values.get("off", 0.6 * values["on"]), values["full"])
