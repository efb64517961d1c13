"""``router level``: how loud a seat is beside the others, from now on. Without a number it says how loud each is."""

from __future__ import annotations

import argparse
import json
import re

from router.cli import asking, say

NAME = "level"
HELP = "how loud a seat is beside the others"
EXAMPLE = "router level 70 --seat window"

PATIENCE = 5.0
"""Seconds."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "percent",
        metavar="PERCENT",
        nargs="?",
        type=_percent,
        help="0 (silent) to 100 (as its profile is); without it, how loud each seat is",
    )
    asking.add_arguments(parser, seat=True)


def run(args: argparse.Namespace) -> int:
    """Set it: 0 when it is set, 1 if not."""
    if args.percent is None:
        return _list(args)
    answer = asking.ask(args, {"do": "level", "level": args.percent / 100, **asking.seat(args)}, PATIENCE)
    if answer is None:
        return 1
    where = "" if args.seat is None else f"{args.seat} is "
    print(json.dumps(answer) if args.json else f"{where}at {args.percent:g} % now")
    return 0


def _percent(text: str) -> float:
    """0 to 100, with or without the sign."""
    found = re.fullmatch(r"\s*([0-9]{1,3}(\.[0-9]{1,9})?)\s*%?\s*", text)
    if found is None or float(found[1]) > 100:
        raise argparse.ArgumentTypeError(f"a level is a number from 0 to 100, not {text!r}")
    return float(found[1])


def _list(args: argparse.Namespace) -> int:
    seats = asking.seats(args, PATIENCE)
    if seats is None:
        return 1
    levels = {name: seat["level"] for name, seat in seats.items()}
    if args.json:
        print(json.dumps(levels))
        return 0
    for name, level in levels.items():
        say(f"{name}: {100 * level:.3g} %")
    return 0
