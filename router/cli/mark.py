"""``router mark``: a remark into the session log, at this moment; ``router report`` shows it where it belongs."""

from __future__ import annotations

import argparse
import json
import sys

from router.cli import asking
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
    """Declare them."""
    parser.add_argument("text", metavar="TEXT", nargs="+", help="the remark: no names, as the log has none")
    asking.add_arguments(parser, seat=True)
    parser.add_argument_group("texts with a meaning", WORDS)


def run(args: argparse.Namespace) -> int:
    """Write it down: 0 if it is, 1 if not."""
    text = " ".join(args.text)
    answer = asking.ask(args, {"do": "mark", "text": text, **asking.seat(args)}, PATIENCE)
    if answer is None:
        return 1
    print(json.dumps(answer) if args.json else f"marked: {text}")
    if text.casefold().lstrip().startswith("goal") and goal(text) is None:
        print(
            "This is a remark, and scores no goal. A score: router mark goal reach +1 (from -2 to +2).", file=sys.stderr
        )
    return 0
