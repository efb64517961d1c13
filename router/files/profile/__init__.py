"""Profiles: one YAML file for one child, read with positions, checked, and made into a plan for the engine.

load(path)      the profile, or ProfileError with every problem in the file
check(path)     every problem in the file; an empty list if it is fine
shipped()       the folder of the profiles that come with the router
find(name)      a path as it is, or a shipped profile by its child's name
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import router
from router.core.units import nearest
from router.files import loading
from router.files.diagnostics import START, Problem, ProfileError, Report
from router.files.profile import schema
from router.files.profile.build import build
from router.files.profile.model import Profile
from router.files.profile.songs import parted

__all__ = ["Problem", "Profile", "ProfileError", "check", "data", "find", "load", "shipped"]


def load(path: Path | str, data: bytes | None = None) -> Profile:
    """Read, check and build.

    ``data``: what the file holds, if it has been read already. Its songs' files may be kept with it
    (``songs.with_files``), and are not looked for then.

    Raises:
        ProfileError: the file cannot be read, or something in it is wrong.
    """
    text, kept = (None, {}) if data is None else parted(data)
    profile, warnings = loading.load(schema.FORM, Path(path), partial(build, kept=kept), text)
    return replace(profile, warnings=tuple(warnings))


def check(path: Path | str) -> list[Problem]:
    """Every problem in a file, in the order of its lines; of one that can be used, what may not be meant."""
    try:
        return list(load(path).warnings)
    except ProfileError as error:
        return error.problems


def data(folder: str) -> Path:
    """A folder of files that come with the router: beside the package in a checkout, inside it when installed."""
    package = Path(router.__file__).resolve().parent
    installed = package / "_data" / folder
    return installed if installed.is_dir() else package.parent / folder


def shipped() -> Path:
    """The folder of the shipped profiles."""
    return data("profiles")


def find(name: str | Path) -> Path:
    """The path of a profile: ``name`` itself if it is a path, else the shipped profile of the child of that name.

    Raises:
        ProfileError: no shipped profile has this name.
    """
    path = Path(name)
    if path.suffix or len(path.parts) != 1 or _is_there(path):
        return path
    names = sorted(file.stem for file in shipped().glob("*.yaml"))
    if str(name) in names:
        return shipped() / f"{name}.yaml"
    near = nearest(str(name), names)
    report = Report(str(name), schema.FORM)
    report.add(
        START,
        f'there is no file and no shipped profile called "{name}"',
        (f'Did you mean "{near}"?  ' if near else "") + f"Shipped profiles: {', '.join(names)}.",
    )
    raise ProfileError(report.problems)


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # a name that is too long, or a folder that may not be looked into
        return False
