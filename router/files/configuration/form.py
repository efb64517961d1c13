"""Profiles and configurations told apart, by the names that stand furthest left in a file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from router.core.units import nearest
from router.files.configuration import schema
from router.files.diagnostics import START, Form, ProfileError, Report
from router.files.profile.schema import FORM, PROFILE
from router.files.source import LARGEST
from router.files.wrapping import other_file, unwrapped

_NAME = re.compile(r"[\s{\"']*([A-Za-z_-]+)[\"']?\s*:")
_BOTH = PROFILE["properties"].keys() & schema.CONFIGURATION["properties"].keys()
_HEADINGS: Mapping[str, Form] = {
    name: form
    for form, whole in ((FORM, PROFILE), (schema.FORM, schema.CONFIGURATION))
    for name in whole["properties"]
    if name not in _BOTH
}
"""The settings that only one of the two forms has."""


def form_of(path: Path) -> Form:
    """The form of a file. What cannot be read at all is taken for a profile, whose reader says why.

    Raises:
        ProfileError: it is a text, and neither of the two.
    """
    lines = _lines(path)
    least = min((_indent(line) for line in lines), default=0)
    found = (_NAME.match(line) for line in lines if _indent(line) == least)
    names = [name[1] for name in found if name is not None]
    for form in (schema.FORM, FORM):
        if form.name in names:
            return form
    headings = [_HEADINGS[near] for name in names if (near := nearest(name, _HEADINGS)) is not None]
    if headings or not lines:
        return max((FORM, schema.FORM), key=headings.count)
    report = Report(str(path), FORM)
    hint = 'A profile begins with "profile: 1", and the configuration of a PC with "configuration: 1".'
    report.add(START, "this is neither a profile nor a configuration", hint)
    raise ProfileError(report.problems)


def _lines(path: Path) -> list[str]:
    """The lines of a text, without remarks and what it was copied in; none if it is no text or cannot be read."""
    try:
        if not path.is_file():
            return []
        with path.open("rb") as file:
            data = file.read(LARGEST)
    except (OSError, ValueError):  # ValueError: a name that no file can have
        return []
    text = data.decode("utf-8-sig", "replace")
    if "\0" in text or other_file(data, FORM.name) is not None:
        return []
    lines = unwrapped(text.splitlines(), Report(str(path), FORM)) or []
    return [line for line in lines if re.match(r"\s*[^\s#%-]", line)]


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip())
