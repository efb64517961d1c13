"""From a profile's tree to a plan for the engine. Nothing is built unless everything is right."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from router.core.accompaniment import BY_ITSELF
from router.core.conditioning.cycle import Cycle
from router.core.conditioning.listen import PHRASE, ListenConditioner, ListenSettings
from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import Kind, frozen
from router.core.engine import HARMONY, TEMPO, Listens, MakeConditioner, PartPlan, Plan, RulePlan
from router.core.events import Route
from router.core.harmony import Progression
from router.core.ledger import Limits
from router.core.midi import CHANNEL_PRESSURE, CONTROL_CHANGE, PITCH_BEND
from router.core.music import Chord, Music, Span, TimedChord
from router.core.rules.answer import AnswerRule
from router.core.rules.layers import LayersRule
from router.core.rules.sequence import SequenceRule, pause
from router.core.song import Song
from router.core.units import PRESSURE
from router.devices.descriptions import (
    ANY_NUMBER,
    Device,
    EvdevAxis,
    EvdevPointer,
    EvdevSwitch,
    Instrument,
    MidiInDevice,
    MidiPort,
    MidiPressure,
    OutputDevice,
    SerialDevice,
    TerminalKey,
)
from router.files import pseudonym
from router.files.diagnostics import START, Report, quoted
from router.files.plugins import installed
from router.files.profile import cross_checks, doubts, input_checks, pieces, schema, songs
from router.files.profile.model import Profile
from router.files.profile.pieces import InputPiece, PartPiece, RulePiece, Values
from router.files.profile.validate import settings
from router.files.source import Entries, Items, Node, Text, comments

FOLLOWS = {"room": frozenset({TEMPO, HARMONY}), "tempo": frozenset({TEMPO}), "harmony": frozenset({HARMONY})}
"""The words for what a profile follows, and what each stands for."""


def build(
    tree: Node, path: Path, report: Report, kept: Mapping[str, bytes] | None = None, example: Song | None = None
) -> Profile | None:
    """The profile that a tree describes, or None if anything is wrong; every mistake goes to ``report``.

    ``kept``: files of its songs that were kept with it, by name; the others stand beside ``path``.
    ``example``: the song of every name that no song has.
    """
    if not isinstance(tree, Entries):
        report.add(tree.place, "this is not a profile", 'A profile is made of names and values, such as "child: wren".')
        return None
    _import_rules(tree)
    top = settings(tree, schema.PROFILE, START, report)
    _pseudonym(tree, report)
    inputs = pieces.inputs(pieces.group(tree, "inputs"), report)
    outputs = pieces.outputs(pieces.group(tree, "outputs"), report)
    parts = pieces.parts(pieces.group(tree, "parts"), report)
    goals = pieces.goals(pieces.group(tree, "goals"), report)
    found = songs.read(pieces.group(tree, "songs"), path.parent, kept or {}, report)
    parts = songs.give(parts, replace(found, example=example), report)
    cross_checks.check(inputs, outputs, parts, pieces.group(tree, "music"), report)
    if top is None or len(report):
        return None
    doubts.check(inputs, parts, top["music"], top["limits"], report)
    used = frozenset(source for part in parts for source in part.names)
    used |= {heard.values["recentre"] for heard in inputs.values() if "recentre" in heard.values}
    progression = _progression(top["music"].get("progression", {}), parts, {**found.songs, **_examples(example)})
    music = _music(top["music"], progression.song, pieces.group(tree, "music"))
    used |= {source for source in (progression.advance, progression.follow) if source is not None}
    used |= {source for part in parts for step in part.steps for source in _told(step)}
    levels = frozenset(
        source for part in parts for source in part.names if any(Kind.LEVELS in step.rule.takes for step in part.steps)
    )
    plan = Plan(
        music,
        Limits(**top["limits"]),
        {name: _conditioner(name, heard, used, levels) for name, heard in inputs.items()},
        tuple(_part_plan(part, _everybody(parts, inputs), path) for part in parts),
        progression,
        FOLLOWS.get(top["music"].get("follow"), frozenset()),
        {
            name: Listens(heard.values.get("seat", ""), heard.values.get("part"))
            for name, heard in inputs.items()
            if heard.type == "listen"
        },
    )
    return Profile(
        path,
        top["child"],
        _on_one_line(top.get("about", "")),
        plan,
        {name: heard.type for name, heard in inputs.items()},
        {name: device(heard) for name, heard in inputs.items() if heard.type != "listen"},
        {name: output(values) for name, (values, _) in outputs.items()},
        {name: _unit(heard) for name, heard in inputs.items() if heard.type == "pressure"},
        goals,
        found.songs,
        found.files,
    )


def _pseudonym(tree: Entries, report: Report) -> None:
    """Report a pseudonym that says who the child is: every record goes by it."""
    child = tree.values.get("child")
    if isinstance(child, Text) and (like := pseudonym.wrong(child.text)) is not None:
        report.add(child.place, f'"child" looks like {like}: {quoted(child.text)}', pseudonym.HINT)
    if not report.kept(tree.values.get(pseudonym.TO_SAY_NO)):
        if isinstance(child, Text) and pseudonym.a_first_name(child.text):
            report.warn(child.place, f'"child" is a common first name: {quoted(child.text)}', pseudonym.FIRST_NAME)
        _remarks(tree, report)
        for place, remark in comments(report.lines):  # they stay in the file, and in no record
            if (like := pseudonym.in_text(remark)) is not None:
                report.warn(place, f"this remark seems to hold {like}", pseudonym.COMMENT)
        for group in ("goals", "songs", "inputs", "parts", "outputs"):
            names_nobody(pieces.group(tree, group), report)


def _remarks(node: Node, report: Report) -> None:
    """Report each remark for people (``about``), at any depth, that seems to say who the child is."""
    if isinstance(node, Entries):
        for name, inner in node.values.items():
            if name != "about":
                _remarks(inner, report)
            elif isinstance(inner, Text) and (like := pseudonym.in_text(inner.text)) is not None:
                report.add(inner.place, f"this remark seems to hold {like}", pseudonym.REMARK)


def names_nobody(things: Entries, report: Report) -> None:
    """Report names of seats, goals and the like that look like a person's: they stand in the record, too."""
    for name, written in things.keys.items():
        if (like := pseudonym.wrong(name)) is not None:
            report.add(written.place, f"the name {quoted(name)} looks like {like}", pseudonym.REMARK)


def _import_rules(node: Node) -> None:
    """Import the plug-in rules that the profile names: the message for a misplaced line depends on their settings."""
    if isinstance(node, Entries):
        for name, inner in node.values.items():
            if name == "rules" and isinstance(inner, Items):
                for word in (word for entry in inner.items if isinstance(entry, Entries) for word in entry.values):
                    installed().find(word)
            else:
                _import_rules(inner)


# --- building ---------------------------------------------------------------------------------------------------


def _on_one_line(text: str) -> str:
    """A remark as it may be printed or logged."""
    return " ".join(re.sub("[\x00-\x1f\x7f-\x9f\ud800-\udfff]", " ", text).split())


def _examples(example: Song | None) -> dict[str, Song]:
    return {} if example is None else {example.name: example}


def _music(values: Values, song: Song | None, written: Entries) -> Music:
    """The music; key and scale are those of the song whose chords are followed, where none are written."""
    tonic, scale = values["key"], values["scale"]
    if song is not None:
        tonic = tonic if "key" in written.values else song.tonic
        scale = scale if "scale" in written.values else song.scale
    return Music(tonic, scale, values["tempo"], values["time_signature"])


def _progression(values: Values, parts: Iterable[PartPiece], of: Mapping[str, Song]) -> Progression:
    sources = {name: values[name].strip() for name in ("advance", "follow") if name in values}
    tunes = [
        step.settings
        for part in parts
        if sources.get("advance") in part.names
        for step in part.steps
        if step.rule is SequenceRule
    ]
    pauses = [length for tune in tunes if (length := pause(tune)) is not None]
    restart_after = pauses[0] if pauses else None
    chords, lasts = timed(values)
    song = of.get(values["song"].strip()) if "song" in values else None
    return Progression(chords, values.get("every"), lasts, song=song, restart_after=restart_after, **sources)


def timed(values: Values) -> tuple[tuple[Chord | int, ...], tuple[Span, ...]]:
    """The chords of a progression, and how long each lasts; no lengths if all last as long as ``every``."""
    written: Sequence[TimedChord] = values.get("chords", ())
    lasts = [chord.lasts or values.get("every") for chord in written]
    own = any(chord.lasts for chord in written)
    return tuple(chord.chord for chord in written), tuple(span for span in lasts if own and span is not None)


def _everybody(parts: Iterable[PartPiece], inputs: Mapping[str, InputPiece]) -> tuple[str, ...]:
    """The sources of all parts, without those of other children: a band that has no input goes with each of them."""
    sources = dict.fromkeys(source for part in parts for source in part.names)
    return tuple(source for source in sources if inputs[source.partition(".")[0]].type != "listen")


def _part_plan(part: PartPiece, everybody: tuple[str, ...], path: Path) -> PartPlan:
    rules = tuple(
        RulePlan(
            step.rule.name,
            partial(step.rule, frozen(step.settings)),
            f"{path.name}:{step.place.line}",
            installed().origin(step.rule.name),
            frozenset({step.settings["hears"].strip()}) if step.rule is AnswerRule else frozenset(),
            _told(step),
        )
        for step in part.steps
    )
    route = part.route
    goes_along = any(step.rule.counts_bars and step.settings.get("starts") != BY_ITSELF for step in part.steps)
    sources = everybody if goes_along and not part.names else part.names
    return PartPlan(part.name, sources, rules, Route(route["port"], route["channel"]), route.get("program"))


def _told(step: RulePiece) -> frozenset[str]:
    """The sources that come straight to a rule."""
    return frozenset({step.settings["clear"].strip()} if step.rule is LayersRule and "clear" in step.settings else ())


def device(heard: InputPiece) -> Device:
    """Describe the device of an input."""
    found = heard.device
    if heard.word == "terminal":
        return TerminalKey(found["terminal"])
    if heard.type == "pressure":
        return _pressure_device(heard.word, found)
    if heard.word == "midi":
        return MidiInDevice(found["midi"])
    if heard.word == "evdev" and heard.type == "switch":
        return EvdevSwitch(found["evdev"], found["key"], found["grab"], found["each"])
    if heard.word == "evdev":
        return EvdevPointer(found["evdev"], found["x"], found["y"], found["grab"], found.get("step", 0.001))
    return SerialDevice(found["serial"], found["baud"], found.get("line", ANY_NUMBER))


def _pressure_device(word: str, found: Values) -> Device:
    scale, offset = _scale(found)
    if word == "serial":
        return SerialDevice(found["serial"], found["baud"], found.get("line", ANY_NUMBER), scale, offset)
    if word == "evdev":
        return EvdevAxis(found["evdev"], found["axis"], scale, offset, found["grab"])
    if "controller" in found:
        status, number = CONTROL_CHANGE, found["controller"]
    else:
        status, number = PITCH_BEND if found["bend"] else CHANNEL_PRESSURE, None
    return MidiPressure(found["midi"], status, number, found.get("channel"), scale, offset)


def _scale(found: Values) -> tuple[float, float]:
    """Scale and offset of a sensor: pascals = (reading - offset) * scale."""
    if "calibrate" in found:
        first, second = found["calibrate"]
        scale = (second["is"] - first["is"]) / (second["reads"] - first["reads"])
        return scale, first["reads"] - first["is"] / scale
    return float(found.get("scale", 1)) * float(PRESSURE[found["unit"]]), float(found.get("offset", 0))


def _ends(found: Values) -> tuple[float, float] | None:
    """The lowest and highest pressure that a sensor can say, in pascals; where it is not said, there is no end."""
    scale, offset = _scale(found)
    ends = found["range"]
    if not ends:
        return None
    low, high = (
        (ends[name] - offset) * scale if name in ends else none * scale
        for name, none in (("lowest", -math.inf), ("highest", math.inf))
    )
    return min(low, high), max(low, high)


def output(values: Values) -> OutputDevice:
    """Where an output leads."""
    if "midi" in values:
        return MidiPort(values["midi"], values["active_sensing"])
    name = values["instrument"]
    return Instrument(None if name == "default" else name, float(values["gain"]))


def _conditioner(name: str, heard: InputPiece, used: frozenset[str], wanted: frozenset[str]) -> MakeConditioner:
    """``used``: the sources that some part listens to; ``wanted``: those of which it wants the continuous level."""
    values = heard.values
    own, levels = (frozenset(s for s in sources if s.startswith(f"{name}.")) for sources in (used, wanted))
    if heard.type == "switch":
        times = {
            key: values[key] or 0 for key in ("debounce", "accept", "release", "lockout", "longest", "double", "long")
        }
        switch = SwitchSettings(
            **times,
            inverted=values["inverted"],
            exclusive=values["exclusive"],
            sources=own,
        )
        return partial(SwitchConditioner, name, switch)
    if heard.type == "pressure":
        strength, track = values["strength"], values["zero"]["track"]
        pressure = PressureSettings(
            above=_side(values.get("above")),
            below=_side(values.get("below")),
            track=None if track is False else track,
            from_peak=strength["from"] == "peak",
            over=strength["over"],
            levels=levels,
            ends=_ends(heard.device),
            rhythm=values["rhythm"],
            longest=values["longest"] or None,
            spikes=values["spikes"],
            accept=values["accept"],
            flat=values["zero"]["flat"] or 0,
            cycle=_cycle(values.get("cycle") or None),
        )
        return partial(PressureConditioner, name, pressure)
    if heard.type == "pointer":
        return partial(PointerConditioner, name, _pointer(values, levels))
    if heard.type == "listen":
        quiet = values["quiet"] if f"{name}.{PHRASE}" in used else None
        return partial(ListenConditioner, name, ListenSettings(quiet))
    midi = MidiSettings(values.get("channel"), values["lowest"], values["highest"], levels)
    return partial(MidiConditioner, name, midi)


def _pointer(values: Values, levels: frozenset[str]) -> PointerSettings:
    smooth, grid = values["smooth"], values["grid"]
    rest = frozenset(zone - 1 for zone in grid.get("rest", ()))
    return PointerSettings(
        grid=ZoneGrid(**{**grid, "rest": rest}),
        min_cutoff=smooth["min_cutoff"] if smooth else None,
        beta=float(smooth["beta"]) if smooth else 0.0,
        levels=levels,
        gain=float(values["gain"]),
        centred_by=values.get("recentre"),
        full_speed=values["strength"]["full_speed"] if "strength" in values else None,
        lost_after=values.get("lost_after") or None,
        jump=values.get("jump") or None,
    )


def _unit(heard: InputPiece) -> str:
    """The unit that a pressure's thresholds are written in: whoever wrote them thinks in it."""
    side = heard.node.values.get("above", heard.node.values.get("below"))
    on = side.values["on"] if isinstance(side, Entries) else None
    assert isinstance(on, Text)  # it has been read
    return re.sub(r"^[-+.\d\s]+", "", on.text).strip()


def _cycle(values: Values | None) -> Cycle | None:
    if values is None:
        return None
    shape = [values["height"] * float(percent) / 100 for percent in values["shape"]]
    middle = sum(shape) / len(shape)
    levels = tuple(level - middle for level in shape)
    return Cycle(values["period"], levels, values["irregular"], values["uneven"], values["wavers"])


def _side(values: Values | None) -> Side | None:
    if values is None:
        return None
    bounds = values.get("follow")
    follow = None if bounds is None else (bounds["lowest"], bounds["highest"])
    off = values.get("off", input_checks.OFF_SHARE * values["on"])
    return Side(values["on"], off, values["full"], values.get("firm"), follow)
