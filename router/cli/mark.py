"""``router mark``: a remark into the session log, at this moment; ``router report`` shows it where it belongs."""

from __future__ import annotations

import argparse
import json
import sys

from router.cli import asking, say
from router.files import pseudonym
from router.report.session import goal

NAME = "mark"
HELP = "write a remark into the session log"
EXAMPLE = 'router mark "smiled"'

PATIENCE = 5.0
"""Seconds."""

WORDS = """\
baseline          movements make no sound: how often they come anyway
playing           they sound again, and are compared with the baseline
cue               the child is asked, or shown, to play now
record            keep what the sensors say, for router play and router fit
record off        keep it no longer
goal NAME SCORE   how far a goal is reached: -2 to +2, 0 as expected

Every other text is a remark; the report shows it at its moment."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("text", metavar="TEXT", nargs="+", help="the remark: no names, as the log has none")
    parser.add_argument(
        "--names-nobody", action="store_true", help="write it although it looks like a name, a date or a number"
    )
    asking.add_arguments(parser, seat=True)
    parser.add_argument_group("texts with a meaning", WORDS)


def run(args: argparse.Namespace) -> int:
    """Write it down: 0 if it is, 1 if not."""
    text = " ".join(args.text)
    sure = args.names_nobody or (sys.stdin.isatty() and _is_meant(text))
    asked = {"do": "mark", "text": text, **({"names_nobody": True} if sure else {}), **asking.seat(args)}
    answer = asking.ask(args, asked, PATIENCE)
    if answer is None:
        return 1
    print(json.dumps(answer) if args.json else f"marked: {text}")
    if text.casefold().lstrip().startswith("goal") and goal(text) is None:
        say(
            "This is a remark, and scores no goal. A score: router mark goal reach +1 (from -2 to +2).", file=sys.stderr
        )
    return 0


def _is_meant(text: str) -> bool:
    """Ask at the keyboard about what looks like a name, and return True if it is none."""
    like = pseudonym.in_text(text)
    if like is None:
        return False
    say(f"This remark seems to hold {like}, and what is marked stays in the record.", file=sys.stderr)
    return input("It names nobody, write it [y/N]? ").strip().casefold() in ("y", "yes")
