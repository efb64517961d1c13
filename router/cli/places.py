"""The folders of the configuration, for the commands that read them."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from router.core.units import nearest
from router.files import configuration
from router.files.configuration import Configuration
from router.records.record_files import children


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where to look."""
    parser.add_argument(
        "--records", type=Path, metavar="FOLDER", help="where the records are, if not where the configuration says"
    )
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help=f"the configuration (default: {configuration.PATH})"
    )


def configured(args: argparse.Namespace) -> Configuration:
    """The configuration that was named, the one of this machine, or what holds without one.

    Raises:
        ProfileError: something in it is wrong.
    """
    if args.config is not None:
        return configuration.load(args.config)
    return configuration.load(configuration.PATH) if configuration.PATH.exists() else configuration.DEFAULT


def records(args: argparse.Namespace) -> Path:
    """The folder of records."""
    return configured(args).folders.records if args.records is None else Path(args.records)


def profiles(args: argparse.Namespace) -> list[Path]:
    """The folders in which profiles may lie."""
    found = configured(args)
    return list(dict.fromkeys([found.folders.profiles, *(seat.folder for seat in found.seats)]))


def not_allowed(error: OSError, *command: str) -> str:
    """The message that something may not be read or deleted, and the command that may."""
    return (
        f"you may not use {error.filename}: records are for root and the router's own user.\n"
        f"Try: sudo router {shlex.join(command)}"
    )


def nobody(child: str, folder: Path) -> str:
    """The message that there are no records of this child, and of whom there are."""
    names = [path.name for path in children(folder)]
    near = nearest(child, names)
    hint = f'Did you mean "{near}"?  ' if near else ""
    there = f"There are records of: {', '.join(names)}." if names else "There are no records there at all."
    return f"there are no records of {child} in {folder}\n{hint}{there}"
