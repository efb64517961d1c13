"""The commands, one file each: ``NAME``, ``HELP``, ``EXAMPLE``, ``add_arguments(parser)`` and ``run(args)``.

A command's module is imported when the command is asked for and not before, so that ``router check`` needs nothing
that only ``router run`` needs.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Protocol, cast

from router import __version__
from router.core.units import nearest
from router.files.diagnostics import ProfileError

COMMANDS = (
    "demo",
    "run",
    "status",
    "use",
    "panic",
    "mark",
    "level",
    "watch",
    "play",
    "report",
    "forget",
    "check",
    "new",
    "fit",
    "rules",
    "devices",
)

DONE, WRONG, USAGE, INTERRUPTED = 0, 1, 2, 130
"""Exit statuses of a command."""


class Command(Protocol):
    """The contents of a command's module."""

    NAME: str
    HELP: str
    EXAMPLE: str

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the command's arguments."""

    def run(self, args: argparse.Namespace) -> int:
        """Do it; the exit status."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command that the arguments name."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):  # a file's name or a terminal's letters must never end a command
        with contextlib.suppress(AttributeError, OSError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    try:
        done = _main(arguments)
        sys.stdout.flush()  # here, so that a reader who has gone is no failure
        return done
    except KeyboardInterrupt:
        return INTERRUPTED
    except ProfileError as error:
        print(error, file=sys.stderr)
        return WRONG
    except BrokenPipeError:  # whoever was reading has read enough
        with contextlib.suppress(OSError, ValueError, AttributeError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def _main(arguments: list[str]) -> int:
    name = arguments[0] if arguments else ""
    if name in COMMANDS:
        command = _command(name)
        parser = argparse.ArgumentParser(
            prog=f"router {name}",
            description=command.HELP,
            epilog=f"Example:\n  {command.EXAMPLE}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        command.add_arguments(parser)
        return command.run(parser.parse_args(arguments[1:]))
    if name in ("-h", "--help", "help"):
        print(_help())
        return DONE
    if name == "--version":
        print(f"router {__version__}")
        return DONE
    if not name:
        print(_help(), file=sys.stderr)
        return USAGE
    near = nearest(name, COMMANDS)
    hint = f'Did you mean "router {near}"?  ' if near else ""
    print(
        f'router: there is no command "{name}"\n{hint}The commands: {", ".join(COMMANDS)}. See router --help.',
        file=sys.stderr,
    )
    return USAGE


def _command(name: str) -> Command:
    return cast("Command", importlib.import_module(f"router.cli.{name}"))


def _help() -> str:
    lines = ["usage: router COMMAND [...]", "", "Children play music with one or two movements.", ""]
    lines += [f"  {name:8} {_command(name).HELP}" for name in COMMANDS]
    return "\n".join([*lines, "", "router COMMAND --help says more of one command. router --version"])
