"""``router rules``: the rules that a profile may use, and the manual of each."""

from __future__ import annotations

import argparse
import io
import json
import sys
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from router.cli import elsewhere, say
from router.cli.screen import signs_for
from router.cli.trial import SECONDS, ExampleRoll, piano_roll, trial
from router.core.contract import Rule
from router.core.units import nearest
from router.files.diagnostics import tidy
from router.files.manual import WORDS, example, flow, manual, summary
from router.files.plugins import installed
from router.files.profile.telling import phrase
from router.files.proofs import digest, record

NAME = "rules"
HELP = "list the rules, or show the manual of one"
EXAMPLE = "router rules sequence"

WIDEST = 100
"""Columns; longer lines are hard to read."""

PROVING = 240.0
"""Seconds more for a proof, which has a limit of its own; this one is for what no handler of a signal can interrupt."""

Colors = Literal["auto", "standard", "256", "truecolor", "windows"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("name", nargs="?", metavar="NAME", help="the rule to explain; all are listed without it")
    parser.add_argument("--prove", action="store_true", help="try whether the rule keeps what every rule must keep to")
    parser.add_argument("--json", action="store_true", help="the same for a program to read")


@dataclass(slots=True)
class RulesText:
    """The text to print: on a console that knows the terminal, and on standard error, a line each."""

    console: Console
    errors: list[str] = field(default_factory=list)

    def json(self, rules: list[dict[str, Any]]) -> None:
        """Print rules for a program to read."""
        self.console.file.write(json.dumps(rules, indent=2, ensure_ascii=False) + "\n")


def run(args: argparse.Namespace) -> int:
    """List the rules, explain one, or prove one.

    Others' rules, which could end or hold this process, are judged in another.
    """
    if args.prove and args.name is None:
        say("router rules: say which rule, as in: router rules --prove NAME", file=sys.stderr)
        return 2
    said = RulesText(_console())
    if not elsewhere.possible():
        status = _run(args.name, args.prove, args.json, said)
    else:
        with installed().kept_out() as strange:
            if args.name is None:
                installed().import_all()
            else:
                installed().find(args.name)
            status = 0 if strange else _run(args.name, args.prove, args.json, said)
        if strange:
            status = _run_elsewhere(args, strange, said)
    for line in said.errors:
        say(line, file=sys.stderr)
    return status


def _run_elsewhere(args: argparse.Namespace, strange: Mapping[str, str], said: RulesText) -> int:
    """Let another process say it. Where that says nothing, the router's own rules are listed all the same."""
    console = said.console
    terminal = {"encoding": console.encoding, "width": console.width, "colors": console.color_system}
    asked = {"name": args.name, "prove": args.prove, "json": args.json, "terminal": terminal}
    more = PROVING if args.prove else 0.0
    try:
        told = elsewhere.judge_elsewhere(f"{__name__}:run_for_another", json.dumps(asked), strange, more)
    except elsewhere.NoVerdict as why:
        said.errors.append(tidy(str(why)))
        if args.name is None:
            said.errors.append(
                'Only the router\'s own rules are listed; "router rules NAME" tells of each other one alone.'
            )
            with installed().kept_out():
                _run(None, False, args.json, said)
        return 1
    console.file.write(told["out"])
    said.errors += told["errors"]
    return int(told["status"])


def run_for_another(asked: str) -> dict[str, Any]:
    """List, explain or prove for the process that waits for it."""
    name, prove, as_json, terminal = json.loads(asked).values()
    file = io.TextIOWrapper(io.BytesIO(), terminal["encoding"], "replace", "\n")
    said = RulesText(_console(file, terminal["width"], terminal["colors"]))
    status = _run(name, prove, as_json, said)
    file.seek(0)
    return {"out": file.read(), "errors": said.errors, "status": status}


def _run(name: str | None, prove: bool, as_json: bool, said: RulesText) -> int:
    rules = installed().rules
    if name is None:
        said.errors += map(str, installed().left_out)
        if as_json:
            said.json([_as_json(rule) for rule in rules.values()])
        else:
            _list(said.console)
        return 0
    if name not in rules:
        near = nearest(name, installed().names)
        hint = f'Did you mean "{near}"?  ' if near else ""
        hint = installed().why_not(name) or f"{hint}The rules: {', '.join(installed().names)}."
        said.errors.append(f'there is no rule called "{name}"\n{hint}')
        return 1
    rule = rules[name]
    if prove:
        return _prove(rule, said)
    played = trial(rule)
    if as_json:
        said.json([{**_as_json(rule), "trial": played.as_json() if played else None}])
    else:
        _explain(rule, played, said.console)
    said.errors += [f"the rule failed and was switched off: {fault}" for fault in (played.faults if played else ())]
    return 1 if played and played.faults else 0


def _prove(rule: type[Rule], said: RulesText) -> int:
    """Prove a rule, and write down that it was, if it is not one of the router's own."""
    from router.testing import RuleFault, check_rule  # seldom needed

    try:
        text = digest(rule)
        check_rule(rule)
    except RuleFault as fault:
        said.errors.append(str(fault))
        return 1
    said.console.file.write(f'The rule "{rule.name}" keeps what every rule must keep to.\n')
    if not installed().origin(rule.name):
        return 0
    if digest(rule) != text:
        said.errors.append("Its file has changed meanwhile, so nothing is written down; prove it again.")
        return 1
    try:
        said.console.file.write(f"Written down in {record(rule, text)}, until its file or the router is another.\n")
    except OSError as error:
        said.errors.append(f"It could not be written down: {error.filename}: {(error.strerror or str(error)).lower()}")
        return 1
    return 0


def _console(file: TextIO | None = None, width: int | None = None, colors: Colors | None = None) -> Console:
    """A console for this terminal, or for the one that another process has told us of."""
    if file is None:
        console = Console(highlight=False, markup=False, emoji=False)
    else:
        console = Console(
            file=file,
            highlight=False,
            markup=False,
            emoji=False,
            force_terminal=colors is not None,
            color_system=colors,
        )
        console.width = width or WIDEST
    console.width = min(console.width, WIDEST)
    return console


# --- for people -------------------------------------------------------------------------------------------------


def _list(console: Console) -> None:
    signs = signs_for(console.encoding)
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    for name, rule in installed().rules.items():
        table.add_row(Text(name, "bold"), Text(flow(rule, signs.arrow), no_wrap=True), _plain(summary(rule)))
    console.print(table)
    for name, origin in installed().origins.items():
        console.print(f"\n{name} comes from {origin}.", soft_wrap=True)
    console.print(
        f'\nA part uses them one after the other. "router rules NAME" explains one, for example: {EXAMPLE}',
    )


def _explain(rule: type[Rule], played: ExampleRoll | None, console: Console) -> None:
    signs = signs_for(console.encoding)
    console.print(Text.assemble((rule.name, "bold"), f"    {flow(rule, signs.arrow)}"))
    if origin := installed().origin(rule.name):
        console.print(f"from {origin}", soft_wrap=True)
    console.print()
    console.print("\n\n".join(_paragraph(text) for text in _plain(manual(rule)).split("\n\n")))
    console.print()
    settings = list(_settings(rule))
    if settings:
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="underline")
        for heading in ("setting", "if left out", "takes", "which is"):
            table.add_column(heading)
        for setting in settings:
            table.add_row(
                Text(setting["name"], "bold"),
                "needed" if setting["needed"] else _default(setting),
                setting["takes"],
                setting["description"],
            )
        console.print(Padding(table, (0, 0, 0, 2)))
    else:
        console.print("It takes no settings.")
    console.print("\nExample:")
    console.print(textwrap.indent(example(rule), "  "), soft_wrap=True)
    console.print()
    if played is None:
        console.print("More than one movement is needed to play this example, so it is not played here.")
        return
    console.print(f"{SECONDS} seconds of it, played by a simulated child:")
    for line in piano_roll(played, signs):
        console.print(line.rstrip(), no_wrap=True, overflow="crop", crop=True)


def _plain(text: str) -> str:
    return text.replace("``", '"')


def _paragraph(text: str) -> str:
    """Filled by the terminal, unless its lines stand as they are on purpose."""
    kept = any(line[:1] in " *-|" for line in text.splitlines())
    return text if kept else " ".join(text.split())


def _default(setting: dict[str, Any]) -> str:
    default = setting.get("default", "")
    return {True: "yes", False: "no"}.get(default, str(default)) if isinstance(default, bool) else str(default)


# --- for programs -----------------------------------------------------------------------------------------------


def _as_json(rule: type[Rule]) -> dict[str, Any]:
    return {
        "name": rule.name,
        "origin": installed().origin(rule.name),
        "summary": summary(rule),
        "manual": manual(rule),
        "takes": [WORDS[kind] for kind in rule.takes],
        "gives": [WORDS[kind] for kind in rule.gives],
        "settings": list(_settings(rule)),
        "example": example(rule),
    }


def _settings(rule: type[Rule]) -> Iterator[dict[str, Any]]:
    for name, wanted in rule.settings["properties"].items():
        setting = {
            "name": name,
            "needed": name in rule.settings.get("required", ()),
            "takes": phrase(wanted),
            "description": wanted["description"],
        }
        if "default" in wanted:
            setting["default"] = wanted["default"]
        yield setting
