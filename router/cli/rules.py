"""``router rules``: the rules that a profile may use, and the manual of each."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Iterator
from typing import Any

from router.profile.manual import example, manual, summary
from router.profile.validate import phrase
from router.rules import RULES
from router.rules.base import Kind, Rule
from router.units import nearest

NAME = "rules"
HELP = "list the rules, or show the manual of one"
EXAMPLE = "router rules sequence"

_WORDS = {
    Kind.GESTURES: "presses",
    Kind.ZONES: "the zones of a pointer",
    Kind.LEVELS: "levels",
    Kind.NOTES: "notes",
    Kind.CONTROLS: "controller values",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("name", nargs="?", metavar="NAME", help="the rule to explain; all are listed without it")
    parser.add_argument("--json", action="store_true", help="the same for a program to read")


def run(args: argparse.Namespace) -> int:
    """List the rules, or explain one."""
    if args.name is not None and args.name not in RULES:
        near = nearest(args.name, RULES)
        hint = f'Did you mean "{near}"?  ' if near else ""
        print(f'there is no rule called "{args.name}"\n{hint}The rules: {", ".join(RULES)}.', file=sys.stderr)
        return 1
    rules = RULES if args.name is None else {args.name: RULES[args.name]}
    if args.json:
        print(json.dumps([_as_json(rule) for rule in rules.values()], indent=2, ensure_ascii=False))
    elif args.name is None:
        width = max(len(name) for name in rules)
        for name, rule in rules.items():
            print(_wrapped(f"{name:{width}}  {summary(rule)}", indent=width + 2))
        print(f'\nA part uses them one after the other. "router rules NAME" explains one, for example: {EXAMPLE}')
    else:
        print("\n".join(_manual(RULES[args.name])))
    return 0


def _manual(rule: type[Rule]) -> Iterator[str]:
    yield f"{rule.name}\n"
    yield manual(rule).replace("``", '"')
    yield ""
    yield f"It needs {_kinds(rule.takes)}" + (f" and gives {_kinds(rule.gives)}." if rule.gives else ".")
    yield ""
    settings = list(_settings(rule))
    if not settings:
        yield "It takes no settings."
    else:
        yield "Settings:"
        width = max(len(setting["name"]) for setting in settings)
        for setting in settings:
            left_out = f" If left out: {setting['default']}." if "default" in setting else ""
            needed = "Needed. " if setting["needed"] else ""
            what = f"{needed}{setting['takes']}: {setting['description']}.{left_out}"
            yield _wrapped(f"  {setting['name']:{width}}  {what}", indent=width + 4)
    yield ""
    yield "Example:"
    yield textwrap.indent(example(rule), "  ")


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


def _kinds(kinds: Kind) -> str:
    return " or ".join(_WORDS[kind] for kind in kinds)


def _wrapped(text: str, indent: int) -> str:
    return textwrap.fill(text, width=100, subsequent_indent=" " * indent)


def _as_json(rule: type[Rule]) -> dict[str, Any]:
    return {
        "name": rule.name,
        "summary": summary(rule),
        "manual": manual(rule),
        "takes": [_WORDS[kind] for kind in rule.takes],
        "gives": [_WORDS[kind] for kind in rule.gives],
        "settings": list(_settings(rule)),
        "example": example(rule),
    }
