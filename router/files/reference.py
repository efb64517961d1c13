"""The reference page of both forms of file: the pieces of their schemas, and the rules, as tables for people.

python -m router.files.reference > schemas/README.md
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from router.core.contract import Rule
from router.core.midi import CONTROLLERS, DRUMS, PROGRAMS, USUAL_NAMES
from router.core.music import CHORDS, SCALES
from router.core.rules import RULES
from router.core.units import DAYS, FREQUENCY, PERCENT, PRESSURE, TEMPO, TIME
from router.files import quantities
from router.files.configuration import schema as configuration
from router.files.diagnostics import START
from router.files.manual import example as rule_example
from router.files.manual import flow, kinds, manual, summary
from router.files.profile import schema
from router.files.profile.pieces import InputPiece
from router.files.profile.telling import example, phrase
from router.files.source import Entries

Schema = Mapping[str, Any]

PROFILE = """\
# yaml-language-server: $schema=../schemas/profile.schema.json
profile: 1
child: wren
about: One finger, one switch.
music: {key: D, scale: major, tempo: 84 bpm}
limits: {velocity: 80}
inputs:
  pad: {type: switch, device: {evdev: "*Switch*", key: BTN_0}}
parts:
  tune:
    input: pad
    rules:
      - sequence: {degrees: [1, 1, 5, 5, 6, 6, 5]}
    output: {port: synth, program: marimba}
outputs:
  synth: {midi: "*"}
"""

CONFIGURATION = """\
# yaml-language-server: $schema=../schemas/configuration.schema.json
configuration: 1
seats:
  bed: {profile: wren, list: [wren, lark], channels: [1, 2]}
  window: {follow: file, channels: [3, 4], devices: {pad: "*left*"}, level: 80 %, fader: 20}
room:
  music: {key: D, scale: major, tempo: 96 bpm, progression: {chords: [D, Bm, G, A], every: 1 bar}}
  keyboard: {midi: "*Keys*", leads: chords, hold: 67, output: {midi: "*Synth*"}}
outputs:
  synth: {midi: "*Synth*", active_sensing: yes}
buttons:
  hush: {device: {evdev: "*Keypad*", key: KEY_ESC}, hold: 1 s, does: panic}
  further: {device: {evdev: "*Keypad*", key: KEY_RIGHT}, does: next, seat: bed}
  tempo: {device: {evdev: "*Pedal*", key: KEY_T}, does: tap}
program_change: {midi: "*Keyboard*", channel: 16}
records: {keep: 90 days}
limits: {velocity: 80}
"""

INPUTS: Mapping[str, str] = {
    "switch": "pad: {type: switch, device: {terminal: space}, debounce: 30 ms}",
    "pressure": (
        'cheek: {type: pressure, device: {serial: "*pressure*", unit: Pa}, above: {on: 0.4 inH2O, full: 2 inH2O}}'
    ),
    "pointer": 'head: {type: pointer, device: {evdev: "*Pointer*"}, grid: {columns: 4, rows: 2}}',
    "midi": 'keys: {type: midi, device: {midi: "*"}, lowest: C2, highest: C6}',
    "listen": "call: {type: listen, seat: anybody}",
}
"""An example of each type."""

MANY = 12
"""Choices; more are not listed in a table."""


def page() -> str:
    """The whole page, in Markdown."""
    return "\n".join(_page())


def _page() -> Iterator[str]:
    yield "# The profile format"
    yield ""
    yield (
        "*Made from the router's own schemas by `python -m router.files.reference`; what stands here is what is"
        " checked.*"
    )
    yield ""
    yield (
        "One YAML file holds everything for one child. [profiles/README.md](../profiles/README.md) is where to begin;"
        " this page is for"
    )
    yield (
        "looking things up. [profile.schema.json](profile.schema.json) says the same to an editor, and `router check"
        " FILE` finds every mistake."
    )
    yield "What belongs to the PC and not to a child stands in [its configuration](#the-configuration-of-a-pc)."
    yield ""
    yield from _yaml(PROFILE)
    yield from _tables(("The whole file", schema.PROFILE))
    yield from _quantities()
    yield "## `music`"
    yield ""
    yield from _tables(("", schema.MUSIC))
    yield "## `limits`"
    yield ""
    yield from _tables(("", schema.LIMITS))
    yield "## `inputs`: what the child moves"
    yield ""
    yield "Each input has a name of your choice, and parts listen to it by that name."
    yield ""
    for kind in schema.INPUTS:
        yield from _input(kind)
    yield "## `parts`: what the movement plays"
    yield ""
    yield from _tables(("", schema.PART))
    yield "## The rules"
    yield ""
    yield (
        "A part sends what its inputs say through its rules, from top to bottom. Each takes what the one before it"
        " gives."
    )
    yield ""
    yield "| rule | takes → gives | what it does |"
    yield "| --- | --- | --- |"
    for name, rule in RULES.items():
        yield f"| [`{name}`](#{name}) | {flow(rule, '→')} | {_cell(summary(rule))} |"
    yield ""
    for name, rule in RULES.items():
        yield from _rule(name, rule)
    yield "## `outputs`: where it sounds"
    yield ""
    for kind, about in schema.OUTPUTS.items():
        yield f"### {_capital(about['title'])}: `{kind}`"
        yield ""
        yield from _tables(("", about))
    yield "## `songs`: what the rules play as it is written"
    yield ""
    yield "Each song has a name of your choice, and a rule such as `song` plays it by that name."
    yield ""
    yield from _tables(("Each of them, by name", schema.SONG))
    yield "## `goals`: what is to be reached"
    yield ""
    yield from _tables(("Each of them, by name", schema.GOAL))
    yield from _names()
    yield from _configuration()


def _configuration() -> Iterator[str]:
    yield ""
    yield "## The configuration of a PC"
    yield ""
    yield (
        "A technician writes it once, and it may be left out: `/etc/router/router.yaml`. `router check` finds the"
        " mistakes in it, too, and"
    )
    yield "[configuration.schema.json](configuration.schema.json) is for editors."
    yield ""
    yield from _yaml(CONFIGURATION)
    whole = configuration.CONFIGURATION
    alone = {name: wanted for name, wanted in whole["properties"].items() if name != "room"}
    yield from _table("The whole file", whole)
    yield from _tables(*((f"`{name}`", wanted) for name, wanted in alone.items() if "properties" in wanted))
    yield from _tables(("Each of the `seats`, by name", configuration.SEAT))
    devices = configuration.BUTTON_DEVICES.items()
    yield from _tables(
        ("Each of the `buttons`, by name", configuration.BUTTON),
        *((f"`device` with `{word}`: {device['title']}", device) for word, device in devices),
    )
    yield "### `room`: what those who play together share"
    yield ""
    yield "A profile takes part in it by `music: {follow: room}`."
    yield ""
    yield from _tables(("", configuration.ROOM))
    yield "`outputs`, and the `output` of the room's keyboard, are written as in a profile."


def _input(kind: str) -> Iterator[str]:
    about = schema.INPUTS[kind]
    name = INPUTS[kind].partition(":")[0]
    yield f"### `type: {kind}`"
    yield ""
    yield from _yaml(INPUTS[kind])
    both = Entries(START, {}, {side: Entries(START) for side in ("above", "below")})
    sources = InputPiece(name, kind, START, both).sources()
    named = [f"`{source}` ({kinds(given)})" for source, given in sources.items() if ".cc" not in source]
    if controllers := [source for source in sources if ".cc" in source]:
        named.append(f"`{controllers[0]}` to `{controllers[-1]}` (levels)")
    yield f"A part can listen to {', '.join(named)}."
    yield ""
    typed = {
        **about,
        "properties": {**about["properties"], "type": {**about["properties"]["type"], "const": kind}},
    }
    devices = [
        (f"`device` with `{word}`: {device['title']}", device) for word, device in schema.DEVICES.get(kind, {}).items()
    ]
    yield from _tables(("", typed), *devices)


def _rule(name: str, rule: type[Rule]) -> Iterator[str]:
    yield f"### `{name}`"
    yield ""
    yield f"*{flow(rule, '→')}*"
    yield ""
    yield manual(rule).replace("``", "`")
    yield ""
    yield from _yaml(rule_example(rule))
    if rule.settings["properties"]:
        yield from _tables(("", rule.settings))
    else:
        yield "It takes no settings."
        yield ""


# --- tables -----------------------------------------------------------------------------------------------------


def _tables(*groups: tuple[str, Schema]) -> Iterator[str]:
    """A table for each group of settings, with its title, and then one for each group that stands among them."""
    inner: list[tuple[list[str], Schema]] = []
    for title, group in groups:
        yield from _table(title, group)
        for name, wanted in group["properties"].items():
            found = wanted.get("items", wanted)
            if not found.get("properties") or group is schema.PROFILE:  # those of a profile have chapters of their own
                continue
            same = next((names for names, known in inner if known["properties"] == found["properties"]), None)
            if same is None:
                inner.append(([name], found))
            elif name not in same:
                same.append(name)
    if inner:
        yield from _tables(*((_ticked(names, "and"), found) for names, found in inner))


def _table(title: str, group: Schema) -> Iterator[str]:
    """A table of settings, and what must be said of several of them."""
    if title:
        yield f"**{title}**"
        yield ""
    yield "| setting | what it is | it takes | default |"
    yield "| --- | --- | --- | --- |"
    for name, wanted in group["properties"].items():
        takes = _cell(_takes(wanted))
        yield f"| `{name}` | {_cell(wanted['description'])} | {takes} | {_left_out(name, wanted, group)} |"
    yield ""
    for sentence in _conditions(group):
        yield sentence
        yield ""


def _takes(wanted: Schema) -> str:
    if "const" in wanted:
        return f"`{wanted['const']}`"
    if len(wanted.get("enum", ())) > MANY:
        first = ", ".join(f"`{choice}`" for choice in wanted["enum"][:3])
        return f"{first} … ({len(wanted['enum'])} names, which the check lists)"
    if wanted.get("properties") or wanted.get("items", {}).get("properties"):
        what = "several groups" if "items" in wanted else "a group of settings"
        no = f", or `no` ({wanted['no']})" if "no" in wanted else ""
        return f"{what}, such as `{example(wanted)}`{no}" if "examples" in wanted else f"{what}, below{no}"
    said = phrase(wanted)
    if "examples" in wanted and ("spelling" in wanted or not said or wanted.get("type") in ("object", "string")):
        joined = ": " if "such as" in said else ", such as "
        said = f"{said}{joined}`{wanted['examples'][0]}`".removeprefix(", ")
    return said


def _left_out(name: str, wanted: Schema, group: Schema) -> str:
    if name in group.get("required", ()):
        return "**needed**"
    if "default" in wanted:
        default = wanted["default"]
        return f"`{('no', 'yes')[default] if isinstance(default, bool) else default}`"
    inner = wanted.get("properties", {})
    return "as below" if inner and "required" not in wanted and any("default" in one for one in inner.values()) else ""


def _conditions(group: Schema) -> Iterator[str]:
    """State in sentences how settings of a group depend on one another."""
    for part in (group, *group.get("allOf", ())):
        if "oneOf" in part:
            yield f"Exactly one of {_ticked(_asked(part['oneOf']))} is needed."
        if "anyOf" in part:
            yield f"At least one of {_ticked(_asked(part['anyOf']))} is needed."
        if "required" in part.get("not", {}):
            yield f"{_ticked(part['not']['required'], 'and')} cannot stand together."
        for name, others in part.get("dependentRequired", {}).items():
            yield f"With `{name}`, {_ticked(others, 'and')} is needed too."
        if "then" in part:
            given = [f"`{name}: {what['const']}`" for name, what in part["if"]["properties"].items()]
            yield f"With {' and '.join(given)}, {_ticked(part['then']['required'], 'and')} is needed."


def _asked(choices: Iterable[Schema]) -> list[str]:
    return [name for choice in choices for name in choice.get("required", ())]


def _ticked(names: Iterable[str], word: str = "or") -> str:
    *first, last = [f"`{name}`" for name in names]
    return f"{', '.join(first)} {word} {last}" if first else last


# --- lists ------------------------------------------------------------------------------------------------------


def _quantities() -> Iterator[str]:
    units = {
        "time": TIME,
        "days": DAYS,
        "pressure": PRESSURE,
        "frequency": FREQUENCY,
        "percent": PERCENT,
        "tempo": TEMPO,
    }
    yield "## How quantities are written"
    yield ""
    yield "A number with a decimal point, a space, and its unit."
    yield ""
    yield "| what | for example | units |"
    yield "| --- | --- | --- |"
    for name, kind in quantities.KINDS.items():
        yield f"| {kind.phrase} | `{kind.example}` | {', '.join(units.get(name, ()))} |"
    yield ""
    yield (
        "A note value is a part of a whole note: `1/4`, `1/8 triplet`, `1/4 dotted`. Note `C4` is middle C, `60`. `yes`"
        " and `no` may also be `true` and `false`,"
    )
    yield "`on` and `off`."
    yield ""


def _names() -> Iterator[str]:
    yield "## Names"
    yield ""
    for title, names in (
        ("Scales", SCALES),
        ("Chords", CHORDS),
        ("Controllers, by name; others by number", CONTROLLERS),
        ("Drums, on channel 10", DRUMS),
    ):
        yield f"**{title}:** {', '.join(names)}."
        yield ""
    numbered = ", ".join(f"{number} {name}" for number, name in enumerate(PROGRAMS))
    yield f"**Sounds, by name or number** (from 0; printed lists often count from 1): {numbered}."
    yield ""
    usual = ", ".join(f"{name} ({printed})" for name, printed in USUAL_NAMES.items())
    yield f"**Sounds by the names that musicians use**, and which of these each is: {usual}."


def _yaml(text: str) -> Iterator[str]:
    yield "```yaml"
    yield text.strip()
    yield "```"
    yield ""


def _cell(text: str) -> str:
    pieces = " ".join(text.split()).replace("|", "\\|").replace("``", "`").split("`")
    pieces[::2] = [piece.replace("*", "\\*") for piece in pieces[::2]]  # every other one stands in backquotes
    return "`".join(pieces)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def main() -> None:
    """Print the page."""
    print(page())  # noqa: T201 - printing it is what this is for


if __name__ == "__main__":
    main()
