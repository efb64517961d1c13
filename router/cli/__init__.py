"""The commands: ``NAME``, ``HELP``, ``EXAMPLE``, ``add_arguments(parser)`` and ``run(args)`` of each.

Each has a file of its own, but for ``REQUESTS``.

A command's module is imported when the command is asked for and not before, so that ``router check`` needs nothing
that only ``router run`` needs.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from typing import Protocol, TextIO, cast

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
    "keep",
    "report",
    "forget",
    "check",
    "new",
    "fit",
    "rules",
    "songs",
    "devices",
)

REQUESTS = frozenset({"use", "panic", "mark", "level"})
"""The commands that stand together in ``asking.py``, as each only sends a request to the running router."""

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


def say(text: object = "", *, file: TextIO | None = None, end: str = "\n", flush: bool = False) -> None:
    """Write text for a person: on a terminal no line is wider than it, elsewhere the text is as it is.

    A word, a path and a line that shows a file (``14 | notes: ...``) stay whole, so that they can be copied.
    """
    out = file or sys.stdout
    whole = str(text)
    if out.isatty():
        columns = max(20, shutil.get_terminal_size().columns)
        whole = "\n".join(_narrow(line, columns) for line in whole.split("\n"))
    print(whole, file=out, end=end, flush=flush)


def _narrow(line: str, columns: int) -> str:
    if len(line) <= columns or line.lstrip(" 0123456789").startswith("|"):
        return line
    indent = line[: len(line) - len(line.lstrip())]
    wraps = textwrap.TextWrapper(
        columns, subsequent_indent=f"{indent}  ", break_long_words=False, break_on_hyphens=False, drop_whitespace=True
    )
    return wraps.fill(line)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command that the arguments name."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):  # a file's name or a terminal's letters must never end a command
        with contextlib.suppress(AttributeError, OSError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]  # else suppressed
    try:
        done = _main(arguments)
        sys.stdout.flush()  # here, so that a reader who has gone is no failure
        return done
    except KeyboardInterrupt:
        return INTERRUPTED
    except ProfileError as error:
        say(error, file=sys.stderr)
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
        say(_help())
        return DONE
    if name == "--version":
        say(f"router {__version__}")
        return DONE
    if not name:
        say(_help(), file=sys.stderr)
        return USAGE
    near = nearest(name, COMMANDS)
    hint = f'Did you mean "router {near}"?  ' if near else ""
    say(
        f'router: there is no command "{name}"\n{hint}The commands: {", ".join(COMMANDS)}. See router --help.',
        file=sys.stderr,
    )
    return USAGE


def _command(name: str) -> Command:
    if name in REQUESTS:
        return cast("Command", importlib.import_module("router.cli.asking").COMMANDS[name])
    return cast("Command", importlib.import_module(f"router.cli.{name}"))


def _help() -> str:
    lines = ["usage: router COMMAND [...]", "", "Children play music with one or two movements.", ""]
    lines += [f"  {name:8} {_command(name).HELP}" for name in COMMANDS]
    return "\n".join([*lines, "", "router COMMAND --help says more of one command. router --version"])
