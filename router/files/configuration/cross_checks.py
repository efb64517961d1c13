"""Checks of meaning: every line may be right, and the PC still not do what it says.

A folder that is emptied at each start, a button that has nothing to step through, two seats that share one folder:
each of them would only be noticed at the bed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from router.core.units import nearest
from router.files.configuration import schema
from router.files.diagnostics import START, Place, Report, quoted
from router.files.profile import pieces
from router.files.profile.input_checks import hears
from router.files.profile.pieces import InputPiece, Values
from router.files.source import Entries, Items, Text

Seats = Mapping[str, tuple[Values, Entries]]

STEPS = ("next", "previous")
"""The actions of a button that need a list."""


def check(tree: Entries, seats: Seats, buttons: Mapping[str, InputPiece], report: Report) -> None:
    """Report the mistakes that only show when the pieces are seen together."""
    _too_many(pieces.group(tree, "seats", schema.CONFIGURATION), report)
    _folders(list(_named_folders(tree, seats, report)), report)
    for _, entries in seats.values():
        _twice_in_a_list(entries, report)
    _same_button_twice(buttons, report)
    for button in buttons.values():
        _seat(button, seats, report)
    _nothing_to_step_through(tree, buttons, seats, report)


def _too_many(seats: Entries, report: Report) -> None:
    for key in list(seats.keys.values())[schema.MOST_SEATS : schema.MOST_SEATS + 1]:
        report.add(key.place, f"these are more than {schema.MOST_SEATS} seats", "A PC serves one room.")


# --- folders ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder with its place, and whether that is where it is written.

    ``seat``: it is a seat's and not one of the four.
    """

    name: str
    path: PurePosixPath
    place: Place
    written: bool
    seat: bool = False

    def __str__(self) -> str:
        return f'the folder of the seat "{self.name}"' if self.seat else f'"{self.name}"'


def _named_folders(tree: Entries, seats: Seats, report: Report) -> Iterator[_Folder]:
    """Every folder whose path is right, or was left out and is known."""
    node = pieces.group(tree, "folders", schema.CONFIGURATION)
    whole = PurePosixPath(schema.FOLDERS["properties"]["profiles"]["default"])
    for name, wanted in schema.FOLDERS["properties"].items():
        found = _folder(name, node.values.get(name), report)
        if found is not None:
            whole = found.path if name == "profiles" else whole
            yield found
        elif name not in node.values:
            yield _Folder(name, PurePosixPath(wanted["default"]), START, written=False)
    for name, (_, entries) in seats.items():
        found = _folder(name, entries.values.get("folder"), report, seat=True)
        if found is not None:
            yield found
        elif "folder" not in entries.values and len(seats) > 1:
            yield _Folder(name, whole / name, START, written=False, seat=True)


def _folder(name: str, node: object, report: Report, *, seat: bool = False) -> _Folder | None:
    if not isinstance(node, Text) or not node.text.strip():
        return None
    text = node.text.strip()
    called = "folder" if seat else name
    if not text.startswith("/"):
        hint = "Write the absolute path, such as /var/lib/router/profiles."
        if re.fullmatch(r"[\w.-]+(/[\w.-]+)+/?", text):
            hint = f'Did you mean "/{text}"?  {hint}'
        report.add(node.place, f'"{called}" must be an absolute path that begins with /, not {quoted(text)}', hint)
        return None
    path = PurePosixPath("/" + text.strip("/"))
    if ".." in path.parts:
        report.add(node.place, 'a folder is written without ".."', "Write the absolute path as it is without it.")
        return None
    if name == "runtime" and not seat and len(str(path).encode("utf-8", "replace")) > schema.LONGEST_RUNTIME:
        hint = f"The system allows {schema.LONGEST_RUNTIME} letters, as the control socket stands in it."
        report.add(node.place, 'this path is too long for "runtime"', hint)
        return None
    return _Folder(name, path, node.place, written=True, seat=seat)


def _folders(folders: list[_Folder], report: Report) -> None:
    """Report two folders in one place, and folders that lie among the profiles or where files are lost."""
    told: set[Place] = set()
    for index, second in enumerate(folders):
        for first in folders[:index]:
            at = second if second.written else first  # one that is left out is not what has to change
            clash = _clash(first, second, first if at is second else second)
            if at.written and clash and at.place not in told:
                told.add(at.place)
                report.add(at.place, *clash)
        if second.written and second.name != "runtime" and _within(second.path, PurePosixPath("/run")):
            report.add(second.place, "/run is emptied whenever the PC is switched off", _ELSEWHERE)


_ELSEWHERE = "Keep it elsewhere, for example below /var/lib/router."


def _clash(first: _Folder, second: _Folder, other: _Folder) -> tuple[str, str] | None:
    """Message and hint if two folders cannot be where they are; ``other`` is the one at which it is not told."""
    if first.path == second.path:
        if first.name == "profiles" and second.seat:
            return None
        where = f" (line {other.place.line})" if other.written else ""
        return f"this is {other}{where} too", "Give each a folder of its own."
    for outer, inner in ((first, second), (second, first)):
        if not _within(inner.path, outer.path) or (_for_profiles(inner) and _for_profiles(outer)):
            continue
        if outer.name == "runtime" and not outer.seat:
            return f'{inner} lies in "runtime", which is emptied when the PC is switched off', _ELSEWHERE
        if _for_profiles(outer):
            return f"{inner} lies in {outer}", "That folder is the therapists' own: the router keeps nothing in it."
    return None


def _for_profiles(folder: _Folder) -> bool:
    return folder.seat or folder.name == "profiles"


def _within(inner: PurePosixPath, outer: PurePosixPath) -> bool:
    return inner != outer and inner.is_relative_to(outer)


# --- seats and buttons ------------------------------------------------------------------------------------------


def _twice_in_a_list(entries: Entries, report: Report) -> None:
    node = entries.values.get("list")
    seen: dict[str, Place] = {}
    for item in node.items if isinstance(node, Items) else ():
        if isinstance(item, Text) and not item.empty:
            name = item.text.strip()
            first = seen.setdefault(name, item.place)
            if first is not item.place:
                hint = "Stepping through the list would come back to the first one. Take one of them out."
                report.add(item.place, f"{quoted(name)} stands in this list twice", hint)


def _same_button_twice(buttons: Mapping[str, InputPiece], report: Report) -> None:
    seen: dict[object, InputPiece] = {}
    for button in buttons.values():
        for key, what in hears(button):
            first = seen.setdefault(key, button)
            if first is not button:
                message = f'"{first.name}" (line {first.place.line}) and "{button.name}" listen to {what}'
                report.add(button.device_place, message, "A button does one thing: give each of them its own.")


def _seat(button: InputPiece, seats: Seats, report: Report) -> None:
    node = button.node.values.get("seat")
    if not isinstance(node, Text) or node.empty or node.text.strip() in seats:
        return
    near = nearest(node.text.strip(), list(seats))
    hint = f'Did you mean "{near}"?  ' if near else ""
    message = f"there is no seat called {quoted(node.text)}"
    report.missing(node.place, message, f"{hint}The seats: {', '.join(seats)}.")


_LIST = 'A seat needs a list of children, such as "list: [wren, lark, finch]".'


def _nothing_to_step_through(tree: Entries, buttons: Mapping[str, InputPiece], seats: Seats, report: Report) -> None:
    listed = [name for name, (_, entries) in seats.items() if "list" in entries.values]
    for button in buttons.values():
        does, seat = button.node.values.get("does"), button.values.get("seat")
        if not isinstance(does, Text) or does.text.strip() not in STEPS:
            continue
        if not listed or (seat in seats and seat not in listed):
            report.missing(does.place, f'there is no list for "{does.text.strip()}" to step through', _LIST)
    if "program_change" in tree.values and not listed:
        report.missing(tree.keys["program_change"].place, "there is no list for program changes to choose from", _LIST)
