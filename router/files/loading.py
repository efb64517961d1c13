"""Files of any form: their bytes, their tree, and what is built of it."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from router.core.units import nearest
from router.files.diagnostics import START, Form, Problem, ProfileError, Report, either
from router.files.source import LARGEST, Node, decoded, parse
from router.system.files import LeadsOut, NoFile

T = TypeVar("T")


def load(
    form: Form, path: Path, build: Callable[[Node, Path, Report], T | None], data: bytes | None = None
) -> tuple[T, list[Problem]]:
    """Read a file of this form, check it and build what it describes; return that, and what may not be meant.

    ``data``: what the file holds, if it has been read already.

    Raises:
        ProfileError: the file cannot be read, or something in it is wrong; with every mistake in it.
    """
    report = Report(str(path), form)
    tree = read(path, report, data)
    built = build(tree, path, report) if tree is not None else None
    if built is None or len(report):
        raise ProfileError(report.problems, report.names_files)
    return built, report.warnings


def read(path: Path, report: Report, data: bytes | None = None) -> Node | None:
    """The tree of a file; None if there is nothing to check. What is wrong goes to ``report``.

    ``data``: what ``contents`` gave, if it has been called already.
    """
    data = contents(path, report) if data is None else data
    text = None if data is None else decoded(data, report)
    return None if text is None else parse(text, report)


def contents(
    path: Path, report: Report, opened: Callable[[], int] | None = None, largest: int = LARGEST
) -> bytes | None:
    """Return a file's bytes; None if it cannot be a profile at all, with the reason in ``report``.

    Only an ordinary file is opened. ``opened``: opens it and returns the descriptor; by default the path is opened.
    ``largest``: in bytes.
    """
    try:
        if path.is_dir():
            report.add(START, f"this is a folder, not a {report.form.name}", _files(path))
            return None
        if not path.exists():
            near = nearest(path.name, [file.name for file in path.parent.glob("*.y*ml")])
            report.add(START, "there is no such file", f'Did you mean "{path.parent / near}"?' if near else "")
            return None
        if not path.is_file():
            report.add(START, "this is not an ordinary file")
            return None
        with path.open("rb") if opened is None else os.fdopen(opened(), "rb") as file:
            data = file.read(largest + 1)
    except LeadsOut:
        raise
    except NoFile:
        report.add(START, "this is not an ordinary file")
        return None
    except PermissionError:
        report.add(START, "this file may not be read", "Ask whoever looks after the computer for the right to read it.")
        return None
    except (OSError, ValueError):  # ValueError: a name that no file can have
        report.add(START, "this file cannot be read")
        return None
    if len(data) > largest:
        size = (
            f"A {report.form.name} has at most {largest // 1024} KiB; an ordinary one has about {report.form.ordinary}."
        )
        report.add(START, f"this file is too large for a {report.form.name}", size)
        return None
    return data


def _files(folder: Path) -> str:
    names = sorted(file.name for file in folder.glob("*.yaml"))[:6]
    return f"Name a file in it: {either(names)}." if names else "There is no .yaml file in it."
