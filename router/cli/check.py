"""``router check``: every problem in profiles and configurations, each with its line; or what they come to."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from router.cli import elsewhere, say
from router.core.engine import HARMONY, TEMPO
from router.core.midi import PROGRAMS
from router.core.music import SCALES
from router.core.units import DAYS, NANOSECONDS
from router.devices.descriptions import Instrument, OutputDevice
from router.files import configuration, pseudonym
from router.files.configuration import Configuration
from router.files.configuration.form import form_of
from router.files.diagnostics import quoted, tidy
from router.files.manual import summary
from router.files.plugins import installed
from router.files.profile import Problem, Profile, ProfileError, find, load
from router.files.proofs import is_proven
from router.room.room import ANYBODY, KEY, SCALE
from router.songs import summary as song_summary

NAME = "check"
HELP = "say every problem in profiles and configurations, or what a child will play"
EXAMPLE = "router check wren.yaml"

CAUTION = """\
Before a child plays: this is not a medical device. Connect nothing to a breathing circuit, a feeding line or
monitoring; ask clinical engineering, and infection control before anything touches a mouth. Limits on loudness are
on by default, but the level at the child's ear is yours to measure. Local policy and licensed practice come first."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="a profile, the name of a shipped one, or the router's configuration"
    )
    parser.add_argument("--json", action="store_true", help="the problems as a list for a program to read")


@dataclass(slots=True)
class CheckResult:
    """The answer for one file. ``words``: its result in a line; ``path``: empty if it cannot be used."""

    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    path: str = ""
    is_profile: bool = False
    words: list[str] = field(default_factory=list)
    unproven: list[str] = field(default_factory=list)


def run(args: argparse.Namespace) -> int:
    """Check each file: 0 if all are fine, 1 if there is a problem in any."""
    verdicts = [_verdict(name) for name in args.files]
    problems = [problem for verdict in verdicts for problem in verdict.problems]
    warnings = [problem for verdict in verdicts for problem in verdict.warnings]
    if args.json:
        print(json.dumps([problem.as_json() for problem in [*problems, *warnings]], indent=2, ensure_ascii=False))
        return 1 if problems else 0
    for problem in [*problems, *warnings]:
        say(f"{problem}\n")
    for fine in (verdict for verdict in verdicts if verdict.path):
        say(f"{fine.path}: fine{', with a warning' if fine.warnings else ''}")
        if len(args.files) == 1:
            say("\n".join(fine.words))
        say("".join(f"\n  {line}\n" for line in fine.unproven), end="")
    if problems:
        count = len(problems)
        say("1 problem." if count == 1 else f"{count} problems.")
        return 1
    if any(verdict.path and verdict.is_profile for verdict in verdicts):
        say(f"\n{CAUTION}")
    return 0


def _verdict(name: str) -> CheckResult:
    """Judge a file; elsewhere if it uses a rule of others, which could end this process before there is a verdict."""
    if not elsewhere.possible():
        return _judge(name)
    with installed().kept_out() as strange:
        verdict = _judge(name)
    if not strange:
        return verdict
    try:
        told = elsewhere.judge_elsewhere(f"{__name__}:judge_for_another", name, strange)
    except elsewhere.NoVerdict as why:
        hint = "Ask the person who wrote the rule, or take it out of the profile."
        return CheckResult([Problem(tidy(name), 1, 1, tidy(str(why)), hint)])
    for kind in ("problems", "warnings"):
        told[kind] = [Problem(**problem) for problem in told[kind]]
    return CheckResult(**told)


def judge_for_another(name: str) -> dict[str, Any]:
    """Judge a file for the process that waits for it."""
    return asdict(_judge(name))


def _judge(name: str) -> CheckResult:
    try:
        path = find(name)
        if form_of(path) is configuration.FORM:
            room = configuration.load(path)
            return CheckResult(path=str(room.path), words=[*_room(room)])
    except ProfileError as error:
        return CheckResult(error.problems)
    tells = [*_tells_who_it_is(path)]
    try:
        loaded = load(path)
    except ProfileError as error:
        return CheckResult(error.problems, tells)
    return CheckResult(
        warnings=[*tells, *_misnamed(loaded), *loaded.warnings],
        path=str(loaded.path),
        is_profile=True,
        words=[*_words(loaded)],
        unproven=[*_unproven(loaded)],
    )


def _tells_who_it_is(path: Path) -> Iterator[Problem]:
    """A file that is called as its child must not be: who sees the folder or the USB stick would know who plays."""
    if (like := pseudonym.wrong(path.name.removesuffix(path.suffix))) is not None:
        message = f"the file's name looks like {like}: {quoted(path.name)}"
        hint = (
            "Anybody who sees it would know who the child is. Call the file by the pseudonym, such as wren.yaml or"
            " little-owl.yaml."
        )
        yield Problem(tidy(str(path)), 1, 1, tidy(message), hint, warning=True)


def _misnamed(loaded: Profile) -> Iterator[Problem]:
    """A copy that still says whose profile it was."""
    stem = loaded.path.stem
    if stem == loaded.child or loaded.path.suffix not in (".yaml", ".yml"):
        return
    lines = loaded.path.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    for number, text in enumerate(lines, 1):
        if found := re.match(r"child\s*:\s*", text):
            hint = (
                f'In a profile folder it is refused: call the file "{loaded.child}.yaml". Is it for another child? Then'
                ' write that child\'s pseudonym after "child:".'
            )
            message = f'this is the profile of "{loaded.child}", and the file is called {quoted(loaded.path.name)}'
            width = len(loaded.child)
            yield Problem(str(loaded.path), number, found.end() + 1, message, hint, text, width, warning=True)
            return


def _unproven(profile: Profile) -> Iterator[str]:
    """The rules of others in it that nobody has proven here."""
    strange = {rule.name: rule.origin for part in profile.plan.parts for rule in part.rules if rule.origin}
    for name, origin in strange.items():
        if not is_proven(installed().rules[name]):
            yield f'The rule "{name}" ({origin}) has not been proven on this PC. Prove it: router rules --prove {name}'


def _words(profile: Profile) -> Iterator[str]:
    """Describe on one screen what a profile plays."""
    rules = installed().rules
    music = profile.plan.music
    scale = next((name for name, shape in SCALES.items() if shape == music.scale), "a scale of its own")
    yield ""
    yield (
        f"  {profile.child} plays in {music.names[music.tonic]} {scale}, at {float(music.tempo):g} bpm in"
        f" {music.time_signature}."
    )
    if profile.plan.follows:
        names = [
            name
            for what, name in ((TEMPO, "tempo"), (HARMONY, "key, scale and chords"))
            if what in profile.plan.follows
        ]
        yield f"  Where the room says its {' and its '.join(names)}, those hold instead."
    for song in profile.songs.values():
        yield ""
        yield f"  {song_summary(song)}."
    for part in profile.plan.parts:
        yield ""
        yield f"  {part.name}: {' and '.join(_movement(source, profile) for source in part.sources) or 'the band'}"
        yield from (f"    - {rule.name}: {summary(rules[rule.name])}" for rule in part.rules)
        sound = "" if part.program is None else f" with the sound {PROGRAMS[part.program]}"
        yield (
            f"    on {_output(part.route.output, profile.outputs[part.route.output])}, channel"
            f" {part.route.channel}{sound}"
        )
    unused = set(profile.outputs) - {part.route.output for part in profile.plan.parts}
    if unused:
        yield ""
        yield f"  No part uses the output {' or '.join(sorted(unused))}."
    limits = profile.plan.limits
    yield ""
    yield (
        f"  Never harder than velocity {limits.velocity}, never more than {limits.notes_at_once} notes at once, "
        f"none longer than {limits.note_length / 1e9:g} s."
    )


def _movement(source: str, profile: Profile) -> str:
    name, _, what = source.partition(".")
    kind = profile.types[name]
    if kind == "switch":
        return f"each press of {name}"
    if kind == "pressure":
        return f"each {'puff, squeeze or bite' if what == 'above' else 'sip or suck'} on {name}"
    if kind == "pointer":
        where = {"x": "from left to right", "y": "from top to bottom"}
        return f"how far {name} has moved {where[what]}" if what else f"each zone that {name} stays in"
    if kind == "listen":
        listens = profile.plan.listens[name]
        part = f" of the part {listens.part}" if listens.part is not None else ""
        seat = {"": "", ANYBODY: " of any other seat"}.get(listens.seat, f" of the seat {listens.seat}")
        return f"each {'phrase' if what else 'note'}{part}{seat} ({name})"
    return f"controller {what.removeprefix('cc')} of {name}" if what else f"each key of {name}"


def _output(name: str, device: OutputDevice) -> str:
    return f"{name} ({_sounds_at(device)})"


def _sounds_at(device: OutputDevice) -> str:
    return "the built-in instrument" if isinstance(device, Instrument) else f'MIDI port "{device.pattern}"'


DOES = {
    "panic": "every sound ends",
    "next": "the next child of the list plays",
    "previous": "the child before it in the list plays",
    "mark": "a mark is put into the session log",
    "tap": "a tap of the room's tempo",
}


def _room(room: Configuration) -> Iterator[str]:
    """Describe a configuration on one screen."""
    for seat in room.seats:
        first = f"the profile of {seat.profile}" if seat.profile else "a safe profile of the router's own"
        yield ""
        yield f"  {seat.name}: at first {first}, then what is chosen or put into {seat.folder}"
        if seat.list:
            yield f"    can be stepped through: {', '.join(seat.list)}"
        if seat.channels:
            yield f"    plays on the channels {', '.join(map(str, seat.channels))}"
        yield from (f'    {name} is the device "{pattern}"' for name, pattern in seat.devices.items())
        if seat.level != 1 or seat.fader is not None:
            fader = "" if seat.fader is None else f", then by controller {seat.fader} of the keyboard"
            yield f"    is {100 * seat.level:g} % loud at first{fader}"
    yield from _together(room)
    for button in room.buttons:
        held = f" when it is held for {button.hold / NANOSECONDS:g} s" if button.hold else ""
        where = f" at {button.seat}" if button.seat else ""
        yield ""
        yield f"  The button {button.name}: {DOES[button.does]}{where}{held}."
    for name, device in room.outputs.items():
        yield ""
        yield f"  What a profile sends to {name} goes to {_output(name, device)}."
    keep = (
        "until somebody deletes them" if room.records.keep is None else f"for {room.records.keep // DAYS['day']} days"
    )
    yield ""
    yield f"  Records are kept {keep}, in {room.folders.records}."


def _together(chosen: Configuration) -> Iterator[str]:
    """Describe what the profiles that follow the room share."""
    plan, ports = chosen.room, chosen.ports
    music = plan.music
    said = []
    if KEY in plan.says:
        said.append(f"the key {music.names[music.tonic]}")
    if SCALE in plan.says:
        said.append(f"the scale {next(name for name, shape in SCALES.items() if shape == music.scale)}")
    if TEMPO in plan.says:
        said.append(f"{float(music.tempo):g} bpm in {music.time_signature}")
    if plan.progression.chords:
        chords = (chord if isinstance(chord, int) else chord.name for chord in plan.progression.chords)
        said.append(f"the chords {' '.join(map(str, chords))}")
    if ports.clock_from is not None:
        said.append(f'the clock of "{ports.clock_from.pattern}"')
    if plan.leading is not None:
        led = [name for name, leads in (("chords", plan.leading.chord), ("key", plan.leading.key)) if leads]
        said.append(f"the {' and the '.join(led)} of the keyboard")
    if said:
        yield ""
        yield f"  Who follows the room has {', '.join(said)}."
    if ports.keyboard is not None:
        there = "makes no sound here" if ports.keyboard_to is None else f"sounds at {_sounds_at(ports.keyboard_to)}"
        yield ""
        yield f'  The keyboard is "{ports.keyboard.pattern}", and what is played on it {there}.'
    if ports.clock_to is not None:
        yield ""
        yield f'  "{ports.clock_to.pattern}" is given our clock.'
