"""``router use``: play another child's profile from now on.

It is checked first; if anything is wrong with it, the old one plays on.

Without a child it lists those whose profiles are there.
"""

from __future__ import annotations

import argparse
import json

from router.cli import asking, say

NAME = "use"
HELP = "play another child's profile"
EXAMPLE = "router use wren"

PATIENCE = 30.0
"""Seconds: a file on a slow stick is waited for."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("child", metavar="CHILD", nargs="?", help="whose profile; without it, whose there are")
    asking.add_arguments(parser, seat=True)


def run(args: argparse.Namespace) -> int:
    """Swap: 0 when the child's profile plays, 1 if it was refused."""
    if args.child is None:
        return _list(args)
    answer = asking.ask(args, {"do": "use", "child": args.child, **asking.seat(args)}, PATIENCE)
    if answer is None:
        return 1
    print(json.dumps(answer) if args.json else f"{answer.get('child', args.child)} plays now")
    return 0


def _list(args: argparse.Namespace) -> int:
    seats = asking.seats(args, PATIENCE)
    if seats is None:
        return 1
    if args.json:
        children = {name: {"plays": seat["child"], "children": seat["children"]} for name, seat in seats.items()}
        print(json.dumps(children, ensure_ascii=False))
        return 0
    for name, seat in seats.items():
        if len(seats) > 1:
            say(f"{name}:")
        for child in sorted({*seat["children"], seat["child"]}):
            say(f"{child}  (plays)" if child == seat["child"] else child)
    return 0
