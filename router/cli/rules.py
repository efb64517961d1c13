"""``router rules``: the rules that a profile may use, and the manual of each."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Iterator
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from router.cli.meters import signs_for
from router.cli.trial import SECONDS, Trial, picture, trial
from router.profile.manual import WORDS, example, flow, manual, summary
from router.profile.plugins import installed
from router.profile.proofs import digest, record
from router.profile.validate import phrase
from router.rules.base import Rule
from router.units import nearest

NAME = "rules"
HELP = "list the rules, or show the manual of one"
EXAMPLE = "router rules sequence"

WIDEST = 100
"""Columns; longer lines are hard to read."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("name", nargs="?", metavar="NAME", help="the rule to explain; all are listed without it")
    parser.add_argument("--prove", action="store_true", help="try whether the rule keeps what every rule must keep to")
    parser.add_argument("--json", action="store_true", help="the same for a program to read")


def run(args: argparse.Namespace) -> int:
    """List the rules, or explain one."""
    rules = installed().rules
    if args.prove and args.name is None:
        print("router rules: say which rule, as in: router rules --prove NAME", file=sys.stderr)
        return 2
    if args.name is None:
        for out in installed().left_out:
            print(out, file=sys.stderr)
        if args.json:
            print(_json([_as_json(rule) for rule in rules.values()]))
        else:
            _list(_console())
        return 0
    if args.name not in rules:
        near = nearest(args.name, installed().names)
        hint = f'Did you mean "{near}"?  ' if near else ""
        hint = installed().why_not(args.name) or f"{hint}The rules: {', '.join(installed().names)}."
        print(f'there is no rule called "{args.name}"\n{hint}', file=sys.stderr)
        return 1
    rule = rules[args.name]
    if args.prove:
        return _prove(rule)
    played = trial(rule)
    if args.json:
        print(_json([{**_as_json(rule), "trial": played.as_json() if played else None}]))
    else:
        _explain(rule, played, _console())
    for fault in played.faults if played else ():
        print(f"the rule failed and was switched off: {fault}", file=sys.stderr)
    return 1 if played and played.faults else 0


def _prove(rule: type[Rule]) -> int:
    """Prove a rule, and write down that it was, if it is not one of the router's own."""
    from router.testing import RuleFault, check_rule  # noqa: PLC0415 - seldom needed

    try:
        text = digest(rule)
        check_rule(rule)
    except RuleFault as fault:
        print(fault, file=sys.stderr)
        return 1
    print(f'The rule "{rule.name}" keeps what every rule must keep to.')
    if not installed().origin(rule.name):
        return 0
    if digest(rule) != text:
        print("Its file has changed meanwhile, so nothing is written down; prove it again.", file=sys.stderr)
        return 1
    try:
        print(f"Written down in {record(rule, text)}, until its file or the router is another.")
    except OSError as error:
        print(
            f"It could not be written down: {error.filename}: {(error.strerror or str(error)).lower()}", file=sys.stderr
        )
        return 1
    return 0


def _console() -> Console:
    console = Console(highlight=False, markup=False, emoji=False)
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


def _explain(rule: type[Rule], played: Trial | None, console: Console) -> None:
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
    for line in picture(played, signs):
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


def _json(rules: list[dict[str, Any]]) -> str:
    return json.dumps(rules, indent=2, ensure_ascii=False)


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
