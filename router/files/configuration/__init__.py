"""The configuration of one PC: one YAML file that a technician writes once, read and checked like a profile.

load(path)      the configuration, or ProfileError with every problem in the file
check(path)     every problem in the file; an empty list if it is fine
DEFAULT         what holds where there is no such file
capped(...)     a plan within the limits that no profile may exceed
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from router.core.engine import Plan
from router.core.ledger import Limits
from router.files import loading
from router.files.configuration.build import build
from router.files.configuration.model import (
    Button,
    Configuration,
    Folders,
    Keeping,
    Ports,
    ProgramChange,
    SeatPlan,
)
from router.files.configuration.schema import FORM, VERSION
from router.files.diagnostics import Problem, ProfileError

__all__ = [
    "DEFAULT",
    "FORM",
    "PATH",
    "Button",
    "Configuration",
    "Folders",
    "Keeping",
    "Ports",
    "ProgramChange",
    "SeatPlan",
    "capped",
    "check",
    "load",
]

PATH = Path("/etc/router/router.yaml")
"""Where an installed router looks for it."""


def load(path: Path | str, data: bytes | None = None) -> Configuration:
    """Read, check and build. ``data``: what the file holds, if it has been read already.

    Raises:
        ProfileError: the file cannot be read, or something in it is wrong.
    """
    configuration, _ = loading.load(FORM, Path(path), build, data)
    return configuration


def check(path: Path | str) -> list[Problem]:
    """Every problem in a file, in the order of its lines."""
    try:
        load(path)
    except ProfileError as error:
        return error.problems
    return []


def capped(plan: Plan, most: Limits | None) -> Plan:
    """The plan with none of its limits above ``most``; what a profile keeps lower stays lower."""
    if most is None:
        return plan
    own = plan.limits
    limits = replace(
        own,
        velocity=min(own.velocity, most.velocity),
        volume=min(own.volume, most.volume),
        notes_at_once=min(own.notes_at_once, most.notes_at_once),
        note_length=min(own.note_length, most.note_length),
        notes_per_second=min(own.notes_per_second, most.notes_per_second),
    )
    return replace(plan, limits=limits)


DEFAULT = load(PATH, f"configuration: {VERSION}".encode())
