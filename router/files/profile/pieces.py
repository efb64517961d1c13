"""The pieces of a profile (inputs, outputs, parts and their rules), each read as what it says it is.

Which type, device or rule it is comes first; then it is held against the schema of just that kind, so that a mistake
is told by the line it is in. A piece that cannot be read is told here, and stays as empty as it must, so that the
pieces around it can still be checked.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from router.core.contract import Kind, Rule
from router.core.midi import CHANNEL_MODE
from router.core.rules import RULES
from router.core.units import nearest
from router.files import former
from router.files.diagnostics import Place, Report, either, listed, quoted
from router.files.plugins import installed
from router.files.profile import schema
from router.files.profile.telling import unknown
from router.files.profile.validate import settings
from router.files.source import Entries, Items, Node, Text

Values = Mapping[str, Any]

PRESSES = Kind.GESTURES | Kind.ZONES
"""A pointer's press is one thing, whether a rule asks for its zone or not."""


@dataclass(frozen=True, slots=True)
class InputPiece:
    """An input as far as it could be read; ``type`` is empty if it could not."""

    name: str
    type: str
    place: Place
    node: Entries
    values: Mapping[str, Any] = field(default_factory=dict)
    word: str = ""
    device: Mapping[str, Any] = field(default_factory=dict)

    @property
    def device_place(self) -> Place:
        """Where the device is named."""
        node = self.node.values.get("device")
        return node.values[self.word].place if isinstance(node, Entries) else self.place

    def sources(self) -> dict[str, Kind]:
        """The sources of this input that a part may listen to, each with its kinds of events."""
        if self.type == "switch":
            return dict.fromkeys((self.name, f"{self.name}.double", f"{self.name}.long"), Kind.GESTURES)
        if self.type == "pressure":
            sides = {side: node for side in ("above", "below") if (node := self.node.values.get(side)) is not None}
            firm = [side for side, node in sides.items() if isinstance(node, Entries) and "firm" in node.values]
            return {
                **{f"{self.name}.{side}": Kind.GESTURES | Kind.LEVELS for side in sides},
                **{f"{self.name}.{side}.firm": Kind.GESTURES for side in firm},
            }
        if self.type == "pointer":
            return {self.name: PRESSES, f"{self.name}.x": Kind.LEVELS, f"{self.name}.y": Kind.LEVELS}
        if self.type == "midi":
            return {self.name: Kind.GESTURES, **{f"{self.name}.cc{n}": Kind.LEVELS for n in range(CHANNEL_MODE)}}
        if self.type == "listen":
            return dict.fromkeys((self.name, f"{self.name}.phrase"), Kind.GESTURES)
        return {}


@dataclass(frozen=True, slots=True)
class RulePiece:
    """A rule of a part; ``settings`` are empty if they could not be read."""

    rule: type[Rule]
    place: Place
    settings: Mapping[str, Any]
    node: Node

    def at(self, name: str) -> Place:
        """Return the place of a setting's value, or of the rule where it is not written."""
        value = self.node.values.get(name) if isinstance(self.node, Entries) else None
        return self.place if value is None else value.place

    def writes(self, name: str) -> bool:
        """Tell whether a setting is written, and does not only have its default."""
        return isinstance(self.node, Entries) and name in self.node.values


@dataclass(frozen=True, slots=True)
class PartPiece:
    """A part as far as it could be read: None where it could not."""

    name: str
    place: Place
    sources: list[Text] | None
    rules_place: Place
    rules: list[RulePiece] | None
    route: Mapping[str, Any]
    output: Entries

    @property
    def steps(self) -> Sequence[RulePiece]:
        return self.rules or ()

    @property
    def names(self) -> tuple[str, ...]:
        """The sources' names."""
        return tuple(source.text.strip() for source in self.sources or ())


def group(tree: Entries, name: str, whole: Mapping[str, Any] = schema.PROFILE) -> Entries:
    """The named things under one of a file's headings, even if the heading is misspelt (which is told elsewhere)."""
    slips = [key for key in tree.values if key not in whole["properties"] and nearest(key, [name])]
    found = tree.values.get(name, tree.values[slips[0]] if slips else None)
    return found if isinstance(found, Entries) else Entries(tree.place)


@dataclass(frozen=True, slots=True)
class Sort:
    """A sort of piece: how messages call it, the settings by which it is known, and how it may be written.

    ``bare``: it may stand without any settings.
    """

    called: str
    known_by: Collection[str]
    example: str
    bare: bool = False


_INPUT = Sort("an input", ("type", "device"), "{type: switch, device: {terminal: space}}")
_OUTPUT = Sort("an output", tuple(schema.OUTPUTS), '{midi: "*"}')
_GOAL = Sort("a goal", ("weight",), "{weight: 2}", bare=True)
_PART = Sort("a part", ("input", "rules", "output"), "{input: pad, rules: [note: {}], output: {port: synth}}")


def named(things: Entries, sort: Sort, report: Report) -> dict[str, Entries]:
    """The pieces under a heading that are what they should be; the others are told."""
    homes = report.form.homes()
    strays = {name for name in things.values if name in homes and not _is_one(things.values[name], sort)}
    for name in strays:  # first of all: what they belong to is not incomplete, only parted from them
        hint = f"It is a setting of {either(homes[name][:3])}: begin it further right, under what it belongs to."
        report.add(things.keys[name].place, f"{quoted(name)} stands where the name of {sort.called} is expected", hint)
        report.whole = False
    pieces = {}
    for name, value in things.values.items():
        place = things.keys[name].place
        if name in strays:
            continue
        if isinstance(value, Entries) or (sort.bare and isinstance(value, Text) and value.empty):
            pieces[name] = value if isinstance(value, Entries) else Entries(place)
            _check_name(name, place, sort, report)
        elif isinstance(value, Text) and value.empty:
            report.missing(place, f"nothing is written for {sort.called} {quoted(name)}", _write(name, sort))
        else:
            report.add(place, f"{sort.called} needs settings, and {quoted(name)} has none", _write(name, sort))
    return pieces


def _is_one(value: Node, sort: Sort) -> bool:
    return isinstance(value, Entries) and any(name in value.values for name in sort.known_by)


def _write(name: str, sort: Sort) -> str:
    return f'For example "{name}: {sort.example}".'


def _check_name(name: str, place: Place, sort: Sort, report: Report) -> None:
    if schema.fits(name, schema.NAME):
        return
    near = schema.respell(name, schema.NAME)
    hint = f'Did you mean "{near}"?  ' if near else ""
    report.add(place, f"{quoted(name)} cannot be the name of {sort.called}", f"{hint}Use {schema.NAME['spelling']}.")


# --- inputs and outputs -----------------------------------------------------------------------------------------


def inputs(things: Entries, report: Report) -> dict[str, InputPiece]:
    """The inputs, by name; also those of which no more than the name is known."""
    heard = {name: InputPiece(name, "", key.place, Entries(key.place)) for name, key in things.keys.items()}
    for name, entries in named(things, _INPUT, report).items():
        place = things.keys[name].place
        kind = _type(entries, place, report)
        if kind is not None:
            values = settings(entries, schema.INPUTS[kind], place, report)
            called = f"{schema.INPUTS[kind]['title']}'s device"
            kinds = schema.DEVICES.get(kind)
            word, device = device_of(entries, kinds, called, report) if kinds else ("", None)
            heard[name] = InputPiece(name, kind, place, entries, values or {}, word, device or {})
    return heard


_TELLTALES: Mapping[str, Collection[str]] = {
    "pressure": ("zero", "above", "below", "strength"),
    "pointer": ("smooth", "grid"),
    "midi": ("channel", "lowest", "highest"),
    "listen": ("seat", "part", "quiet"),
}
"""Settings that only one type of input has."""


def _type(entries: Entries, place: Place, report: Report) -> str | None:
    """The type of an input; if it is misspelt, that is told, and the rest is checked as what was probably meant."""
    types = f"The types: {', '.join(schema.INPUTS)}."
    slips = [name for name in entries.values if nearest(name, ["type", "device"]) == "type"]
    name = "type" if "type" in entries.values or not slips else slips[0]
    node = entries.values.get(name)
    if node is None:
        guess = next((kind for kind, words in _TELLTALES.items() if set(words) & set(entries.values)), "switch")
        report.missing(place, 'an input needs "type"', f'For example "type: {guess}".  {types}')
        return None
    text = node.text.strip() if isinstance(node, Text) else ""
    if text in schema.INPUTS:
        return text  # a misspelt "type" is an unknown setting of this type of input, and told as such
    near = nearest(text, list(schema.INPUTS)) if text else None
    if name != "type":
        report.add(entries.keys[name].place, f"an input has no setting called {quoted(name)}", 'Did you mean "type"?')
    elif text:
        hint = f'Did you mean "{near}"?  ' if near else ""
        report.add(node.place, f"there is no type of input called {quoted(text)}", hint + types)
    else:
        report.missing(entries.keys[name].place, 'nothing is written after "type"', types)
    return near


def device_of(
    entries: Entries, kinds: Mapping[str, Mapping[str, Any]], called: str, report: Report
) -> tuple[str, Values | None]:
    """The word for the kind of device that is listened to, of those that there are, and its settings."""
    node = entries.values.get("device")
    if isinstance(node, Entries):
        place = entries.keys["device"].place
        word = _word(node, kinds, place, called, report)
        return (word, settings(node, kinds[word], place, report)) if word else ("", None)
    if isinstance(node, Text) and node.empty:
        place = entries.keys["device"].place
        report.missing(place, 'nothing is written after "device"', f"It takes {listed(kinds, 'or')}.")
    return "", None


def outputs(things: Entries, report: Report) -> dict[str, tuple[Values, Place]]:
    """The outputs, by name: settings (none if they could not be read) and place."""
    found: dict[str, tuple[Values, Place]] = {name: ({}, key.place) for name, key in things.keys.items()}
    for name, entries in named(things, _OUTPUT, report).items():
        place = things.keys[name].place
        word = _word(entries, schema.OUTPUTS, place, "an output", report)
        values = settings(entries, schema.OUTPUTS[word], place, report) if word else None
        found[name] = (values or {}, place)
    return found


def output_of(entries: Entries, place: Place, called: str, report: Report) -> Values | None:
    """The settings of one output that stands by itself; ``called`` is how a message calls it."""
    word = _word(entries, schema.OUTPUTS, place, called, report)
    return settings(entries, schema.OUTPUTS[word], place, report) if word else None


def goals(things: Entries, report: Report) -> dict[str, float]:
    """The goals, by name: their weights."""
    found = {}
    for name, entries in named(things, _GOAL, report).items():
        values = settings(entries, schema.GOAL, things.keys[name].place, report)
        found[name] = values["weight"] if values else 1.0
    return found


def _word(node: Entries, kinds: Mapping[str, Any], place: Place, called: str, report: Report) -> str | None:
    """The one word of a group that says what kind of thing it is."""
    found = [name for name in node.values if name in kinds]
    if len(found) == 1:
        return found[0]
    takes = f"It takes {listed(kinds, 'or')}."
    if found:
        report.add(node.keys[found[1]].place, f"{called} cannot be {listed(found)} at once", "Keep one of them.")
        return None
    every = {word for words in schema.DEVICES.values() for word in words} | set(schema.OUTPUTS)
    foreign = next((name for name in node.values if name in every), None)
    if foreign is not None:
        report.add(node.keys[foreign].place, f"{called} cannot be {quoted(foreign)}", takes)
        return None
    slip = next((name for name in node.values if nearest(name, list(kinds))), None)
    if slip is not None:
        hint = f'Did you mean "{nearest(slip, list(kinds))}"?  {takes}'
        report.add(node.keys[slip].place, f"{called} has no setting called {quoted(slip)}", hint)
        return None
    report.missing(place, f"{called} is not named", takes)
    return None


# --- parts ------------------------------------------------------------------------------------------------------


def parts(things: Entries, report: Report) -> list[PartPiece]:
    """The parts, in order."""
    return [_part(name, things.keys[name].place, part, report) for name, part in named(things, _PART, report).items()]


def _part(name: str, place: Place, part: Entries, report: Report) -> PartPiece:
    settings(part, schema.BAND if _is_band(part) else schema.PART, place, report)
    output = part.values.get("output")
    route = report.kept(output) if isinstance(output, Entries) else None  # whatever else is wrong with the part
    return PartPiece(
        name,
        place,
        sources=_sources(part, report),
        rules_place=part.keys["rules"].place if "rules" in part.keys else place,
        rules=_rules(part, report),
        route=route or {},
        output=output if isinstance(output, Entries) else Entries(place),
    )


def _is_band(part: Entries) -> bool:
    """Tell whether a part begins with a rule of a band, which goes with the others and needs no input."""
    rules = part.values.get("rules")
    first = rules.items[0] if isinstance(rules, Items) and rules.items else None
    if not isinstance(first, Entries):
        return False
    if any(name in RULES and RULES[name].counts_bars for name in first.values):
        return True
    song = first.values.get("song")
    return isinstance(song, Entries) and "press" not in song.values


def _sources(part: Entries, report: Report) -> list[Text] | None:
    """The sources of a part, as they are written; none for a band that has none; None if they cannot be read."""
    node = part.values.get("input")
    if node is None:
        return [] if _is_band(part) else None
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


def _rules(part: Entries, report: Report) -> list[RulePiece] | None:
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
    return f'"- {name}: {inside}"' if name in installed().rules else _RULE


def _rule(entry: Node, report: Report) -> RulePiece | None:
    rules = installed().rules
    if isinstance(entry, Text):
        name = entry.text.strip()
        near = name if name in rules else nearest(name.split(" ")[0].rstrip(":"), installed().names)
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
    rule = rules.get(name)
    if rule is None:
        near = nearest(name, installed().names)
        hint = installed().why_not(name) or (f'Did you mean "{near}"?  ' if near else "") + _all_rules()
        no_rule, may_pass = f"there is no rule called {quoted(name)}", installed().may_pass(name)
        report.add(entry.keys[name].place, no_rule, hint, may_pass=may_pass)
    for other in names[1:]:
        _second_rule(name, other, entry, report)
    if rule is None:
        return None
    key = entry.keys[name]
    called = f"{schema.article(name)} {name} rule"
    value = entry.values[name]
    if len(names) > 1 and isinstance(value, Text) and value.empty:  # its settings stand beside it: told above
        return RulePiece(rule, key.place, {}, value)
    return RulePiece(rule, key.place, settings(value, rule.settings, key.place, report, called) or {}, value)


def _second_rule(name: str, other: str, entry: Entries, report: Report) -> None:
    place = entry.keys[other].place
    rules = installed().rules
    rule = rules.get(name)
    if rule is not None and other in rule.settings["properties"]:
        report.add(
            place,
            f'"{other}" is a setting of "{name}" and must be indented below it',
            f'Begin it two spaces further right, or write "- {name}: {{{other}: ...}}".',
        )
    elif other in rules or nearest(other, installed().names):
        report.add(
            place,
            "two rules stand in one entry of the list",
            f'Begin this one with a dash of its own: "- {other}: ...".',
        )
    elif rule is not None:
        near = former.setting(other, rule.settings["properties"]) or nearest(other, rule.settings["properties"])
        report.add(place, *unknown(other, near, f"{schema.article(name)} {name} rule", rule.settings, report))


def _all_rules() -> str:
    return f"The rules: {', '.join(installed().names)}."
