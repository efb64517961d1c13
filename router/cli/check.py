"""``router check``: every problem in the files."""

from __future__ import annotations

import argparse

from router.profile import check, find

NAME = "check"
HELP = "say every problem in profile files, with line and column"
EXAMPLE = "router check profiles/wren.yaml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", metavar="FILE")
    parser.add_argument("--json", action="store_true")


def run(args: argparse.Namespace) -> int:
    problems = [problem for file in args.files for problem in check(find(file))]
    for problem in problems:
        print(problem)
    return 1 if problems else 0
