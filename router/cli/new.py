"""``router new``: a commented profile that already checks, to begin with."""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from router.cli import say
from router.cli.devices import plugged
from router.core.units import nearest
from router.files.diagnostics import quoted
from router.files.profile import schema

NAME = "new"
HELP = "write a commented profile that already checks"
EXAMPLE = "router new wren --input pad=switch cheek=pressure"

DRUMS = 10
CHANNELS = tuple(channel for channel in range(1, 17) if channel != DRUMS)
SOUNDS = ("marimba", "pan flute", "vibraphone", "celesta", "ocarina", "kalimba", "music box", "clarinet")
KEYS = ("space", "enter", *"asdfghjklqwert")

TYPES: Mapping[str, tuple[str, str]] = {
    # No device is one that only a person at a terminal has: the PC at the bed has no keyboard.
    "switch": (
        """\
  {name}:
    type: switch                      # a button, a light touch, a key: pressed or not
    # Where it is heard. Keep one of these lines; "router devices" shows what is plugged in, ready to paste.
{device}
    # device: {{serial: "*"}}                      # a box that sends 0 or 1 over a serial line
    # device: {{terminal: {key}}}    # a key of the keyboard that "router run" is typed on: to try out, not for the bed
    debounce: 30 ms                   # a contact flutters for a moment when it closes; this long is not listened
    accept: 0 ms                      # how long it must be held to count; raise it if rest or tremor makes notes
""",
        """\
  {name}:
    input: {name}
    rules:
      - sequence: {{degrees: [1, 2, 3, 4, 3, 2]}}    # each press plays the next of these steps of the scale
      - velocity: {{fixed: 76}}         # how loud each note begins, 1 to 127
    output: {{port: synth, channel: {channel}, program: {sound}}}
""",
    ),
    "pressure": (
        """\
  {name}:
    type: pressure                    # a squeeze ball, a cushion, a sip-and-puff tube
    # "router devices" shows the serial lines that are plugged in. unit: what the sensor's numbers mean.
{device}
    zero: {{track: 20 s}}               # rest drifts; it is followed this slowly while nothing happens
    # Pressure above rest: puff, squeeze, bite. on: an effort begins; off: it is over; full: full strength.
    above: {{on: 0.4 inH2O, off: 0.25 inH2O, full: 2 inH2O}}
    # Pressure below rest: sip, suck. Take the # away to use it, and let a part play from {name}.below.
    # below: {{on: 0.4 inH2O, off: 0.25 inH2O, full: 2 inH2O}}
    strength: {{from: rise, over: 50 ms}}    # rise: heard at once; peak: waits for the strongest within this time
""",
        """\
  {name}:
    input: {name}.above
    rules:
      - sequence: {{degrees: [1, 2, 3, 4, 3, 2]}}    # each effort plays the next of these steps of the scale
      - velocity: {{from: strength, low: 40, high: 84}}    # the harder, the louder; low is the gentlest effort
    output: {{port: synth, channel: {channel}, program: {sound}}}
""",
    ),
    "pointer": (
        """\
  {name}:
    type: pointer                     # a head tracker, an eye tracker, a joystick or a touch screen
    # Its name; "router devices" shows what is plugged in, ready to paste.
{device}
    smooth: {{min_cutoff: 1 Hz, beta: 2}}    # lower is steadier against tremor; "smooth: no" leaves it as it is
    # Zones side by side and below one another. hysteresis: how far over the border still counts as inside.
    # dwell: how long to stay in a zone before it plays. grace_time: out and back within this time is no leaving.
    grid: {{columns: 4, rows: 1, hysteresis: 20 %, dwell: 800 ms, grace_time: 200 ms}}
""",
        """\
  {name}:
    input: {name}
    rules:
      - zones: {{degrees: [1, 2, 3, 4]}}    # one step of the scale for each zone, from the left
      - velocity: {{fixed: 76}}         # how loud each note begins, 1 to 127
    output: {{port: synth, channel: {channel}, program: {sound}}}
""",
    ),
    "midi": (
        """\
  {name}:
    type: midi                        # a MIDI keyboard, pad or controller
    # Its name; "router devices" shows what is plugged in, ready to paste.
{device}
    lowest: C2                        # only keys from here ...
    highest: C7                       # ... to here count; C4 is middle C
""",
        """\
  {name}:
    input: {name}
    rules:
      - note: {{}}                      # each key plays its own note
      - scale_lock: {{}}                # moved to the nearest note of the scale, so that nothing sounds wrong
      - velocity: {{from: strength, low: 30, high: 90}}    # the harder, the louder
    output: {{port: synth, channel: {channel}, program: {sound}}}
""",
    ),
    "listen": (
        """\
  {name}:
    type: listen                      # what others play: it needs no device
    seat: anybody                     # another child's seat, by its name in the PC's configuration, or anybody
    # part: tune                      # or a part of this profile, in place of seat
    quiet: 1 s                        # so long after its last note a phrase is over
""",
        """\
  {name}:
    input: {name}.phrase              # from their first note until they are quiet; {name} alone is each note of theirs
    rules:
      - note: {{degree: 1, octave: 3}}
      - arpeggio: {{rate: 1/4, begin: on the beat}}    # joins in on the beat
      - velocity: {{fixed: 50}}         # softer than what it joins
    output: {{port: synth, channel: {channel}, program: {sound}}}
""",
    ),
}
"""The text for each type of input: under ``inputs``, and under ``parts``."""

HEAD = """\
{schema}# What {child} moves, and what it plays. Lines that begin with # are remarks; change the others as you like.
# "router check {file}" says whether all is well, and "router rules" which rules there are.
profile: 1
child: {child}
about: {about}

# The key and scale that all parts play in, and the speed of the beat.
music: {{key: C, scale: major pentatonic, tempo: 90 bpm}}

# The most that may sound, whatever the parts say. These protect ears and rest.
limits: {{velocity: 90, notes_at_once: 8, note_length: 10 s, notes_per_second: 16}}

inputs:
"""
PARTS = """
# What each movement plays: it goes through the rules from the top to the bottom, and then to the output.
parts:
"""
TAIL = """
outputs:
  synth: {instrument: default}        # the built-in instrument: sounds from this computer's loudspeaker
  # synth: {midi: "*"}                # or a synthesizer on a MIDI port, by its name; * is any
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("child", metavar="CHILD", help="a pseudonym, never a name: lower-case letters, digits and -")
    parser.add_argument(
        "--input",
        dest="inputs",
        metavar="NAME=TYPE",
        nargs="+",
        action="extend",
        required=True,
        help=f"what the child moves; the types: {', '.join(TYPES)}",
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to write it; otherwise CHILD.yaml here")


def run(args: argparse.Namespace) -> int:
    """Write the profile; a file that is there already is left alone."""
    try:
        inputs = _inputs(args.inputs)
        if not schema.fits(args.child, schema.CHILD):
            raise _Usage(f"{quoted(args.child)} cannot be a pseudonym", _spelling(args.child, schema.CHILD))
    except _Usage as error:
        say(f"router new: {error}\n{error.hint}", file=sys.stderr)
        return 2
    path: Path = args.out or Path(f"{args.child}.yaml")
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text(args.child, inputs, path))
    except FileExistsError:
        say(f"router new: {path} is there already, and is left as it is; --out FILE writes another", file=sys.stderr)
        return 1
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        say(f"router new: {path} cannot be written: {reason.lower()}", file=sys.stderr)
        return 1
    say(
        f"{path}: written. What to do next:\n"
        f"  router check {path}    says whether all is well, and what it plays\n"
        f"  router devices{' ' * max(0, len(str(path)) - 2)}     shows what is plugged in, to paste after device:\n"
        f"  router run {path}      plays"
    )
    return 0


def text(child: str, inputs: Mapping[str, str], path: Path) -> str:
    """A profile for a child with these inputs (their types by name)."""
    many = len(set(inputs.values())) < len(inputs)
    there, keys = plugged(), iter(KEYS)
    heard, played = [], []
    for (name, kind), channel, sound in zip(inputs.items(), CHANNELS, itertools.cycle(SOUNDS), strict=False):
        # Two inputs must not listen to one device: then each is looked for by a name of its own.
        pattern = f"*{name}*" if many else "*"
        fields: dict[str, Any] = {"name": name, "pattern": pattern, "channel": channel, "sound": sound}
        fields["key"] = next(keys) if kind == "switch" else ""
        fields["device"] = _device_lines(
            kind, fields["key"], pattern, there, alone=list(inputs.values()).count(kind) == 1
        )
        heard.append(TYPES[kind][0].format(**fields))
        played.append(TYPES[kind][1].format(**fields))
    about = "what the therapist should know; never the child's name"
    head = HEAD.format(schema=_schema_line(path), child=child, file=path.name, about=about)
    return head + "\n".join(heard) + PARTS + "\n".join(played) + TAIL


OTHERS = 4
"""How many other devices that are plugged in are offered."""


def _device_lines(kind: str, key: str, pattern: str, there: Mapping[str, list[str]], *, alone: bool) -> str:
    """Return the line of an input's device.

    This is the next that is plugged in, with the others to choose from, or a pattern.
    """
    found = there.get(kind, [])
    if found:
        device, others = found[0], found[1 : 1 + OTHERS] if alone else []
        del found[0]  # no two inputs listen to one
        lines = [
            f"device: {device}    # plugged in now",
            *(f"# device: {other}    # plugged in, too" for other in others),
        ]
    elif kind == "switch":
        code = f"KEY_{key.upper()}"
        of = "any keyboard or switch box" if key in ("space", "enter") else "any keyboard"
        lines = [
            f'device: {{evdev: "*", each: yes, key: {code}, grab: no}}    # {key} of {of}, until you know its name',
        ]
    else:
        word = {"pressure": "serial", "pointer": "evdev", "midi": "midi"}.get(kind)
        unit = ", unit: Pa" if kind == "pressure" else ""
        lines = [f'device: {{{word}: "{pattern}"{unit}}}    # any, until you know its name'] if word else []
    return "\n".join(f"    {line}" for line in lines)


def _schema_line(path: Path) -> str:
    """The line by which an editor finds the schema, if it lies where the line says."""
    place = "../schemas/profile.schema.json"
    return f"# yaml-language-server: $schema={place}\n" if (path.parent / place).is_file() else ""


class _Usage(Exception):  # it is told and done with
    """An argument that cannot be used, and what would be right."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


def _inputs(words: list[str]) -> dict[str, str]:
    inputs: dict[str, str] = {}
    for word in words:
        name, equals, kind = word.partition("=")
        if not equals:
            kind = name
        if kind not in TYPES:
            near = nearest(kind, list(TYPES))
            hint = f'Did you mean "{near}"?  ' if near else ""
            raise _Usage(
                f"there is no type of input called {quoted(kind)}",
                f"{hint}Write NAME=TYPE, for example pad=switch. The types: {', '.join(TYPES)}.",
            )
        if not schema.fits(name, schema.NAME):
            raise _Usage(f"{quoted(name)} cannot be the name of an input", _spelling(name, schema.NAME))
        if name in inputs:
            raise _Usage(
                f"{quoted(name)} is named twice", "Give each input a name of its own: left=switch right=switch."
            )
        inputs[name] = kind
    if len(inputs) > len(CHANNELS):
        raise _Usage(f"{len(inputs)} inputs are too many", f"At most {len(CHANNELS)}: each part has its own channel.")
    return inputs


def _spelling(text: str, wanted: schema.Schema) -> str:
    near = schema.respell(text, wanted)
    return (f'Did you mean "{near}"?  ' if near else "") + f"Use {wanted['spelling']}."
