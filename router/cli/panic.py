"""``router panic``: every note off, at every output of the running router, now."""

from __future__ import annotations

import argparse
import json
import sys

from router.cli import asking, say

NAME = "panic"
HELP = "every note off, now"
EXAMPLE = "router panic"

PATIENCE = 2.0
"""Seconds; it takes some milliseconds."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    asking.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Silence: 0 when it is silent, 1 if nobody did it."""
    answer = asking.ask(args, {"do": "panic"}, PATIENCE)
    if answer is None:
        say("If anything still sounds: sudo systemctl restart router", file=sys.stderr)
        return 1
    print(json.dumps(answer) if args.json else "every note is off")
    return 0
