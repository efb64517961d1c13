"""Imports go downward only, and the core touches nothing but arithmetic: the files are read, not run."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import router

PACKAGE = Path(router.__file__).parent

ROOMS = {
    "core": (
        *("balance", "events", "timers", "units", "midi", "strokes", "music", "song", "contract", "accompaniment"),
        *("playing", "rule", "conditioning", "ledger", "recognition", "rules", "harmony", "engine"),
    ),
    "room": ("beat", "thru", "tonality", "turns", "lead", "room"),
    "system": ("agenda", "clock", "files", "process_limits", "realtime", "loop"),
    "songs": (
        *("example", "error", "score", "chord_finding", "understanding", "abc", "standard_midi", "xml_tree"),
        *("compressed", "repeats", "chord_kinds", "musicxml", "reading", "plain", "apart"),
    ),
    "devices": ("descriptions", "line_pattern", "names", "plugged", "ports", "inputs", "outputs"),
    "files": (
        *("diagnostics", "edit", "foreign", "former", "manual", "pseudonym", "trying", "quantities", "syntax"),
        *(
            "wrapping",
            "declared",
            "source",
            "loading",
            "plugins",
            "proofs",
            "profile",
            "publish",
            "configuration",
            "reference",
        ),
    ),
    "records": ("record_files", "trace", "retention", "session_log", "session_files", "recorder"),
    "offline": ("picture", "player", "simulate", "together"),
    "fit": (
        *("estimates", "recording", "result", "guide"),
        *("pressure_samples", "pressure_rhythm", "pressure_rest", "pressure_trials", "pressure_beneath"),
        *("pressure_facts", "bursts", "pressures"),
        *("switches", "pointers"),
    ),
    "report": ("measures", "session", "history", "data", "page", "html", "plots", "fit_page", "terminal", "ward"),
    "keep": ("played", "midi", "sound", "rhythm", "score", "musicxml", "engraving", "family_page"),
    "live": (
        *("channels", "flood", "chime", "status", "turn", "worker"),
        *("surroundings", "attached", "budget", "watching", "seat_events", "seat", "room_ports", "daemon"),
    ),
    "bedside": (
        *(
            "arrivals",
            "buttons",
            "checking",
            "configuration_file",
            "control_request",
            "control_socket",
            "control",
            "control_client",
            "hush",
            "lock",
            "memory",
            "deaths",
            "sounding",
        ),
        *("profile_folder", "served_seat", "actions", "service_status", "service"),
    ),
    "testing": ("virtual_time", "calls", "bench", "checks", "lasting", "proof"),
    "cli": (
        *("asking", "devices", "elsewhere", "screen", "meters", "piece", "places", "simulated", "stage"),
        *("guided", "trial", "demo_together", "hesitant"),
        *(
            "check",
            "demo",
            "fit",
            "forget",
            "keep",
            "new",
            "play",
            "report",
            "rules",
            "run",
            "songs",
            "status",
        ),
        *("watch",),
    ),
    "__main__": (),
}
"""The rooms from the bottom up, and in each its parts from the bottom up. A file imports only what stands before it: a
room below, or a part of its own room that is written before its own. ``rule`` is the door of the core."""

ORDER = {room: height for height, room in enumerate(ROOMS)}
PURE = ORDER["room"]
"""The highest room that does no I/O, reads no clock and imports nothing of a third party."""

ARITHMETIC = frozenset(
    {
        *(
            "__future__",
            "abc",
            "bisect",
            "collections",
            "collections.abc",
            "dataclasses",
            "difflib",
            "enum",
            "fractions",
        ),
        *("functools", "heapq", "itertools", "math", "operator", "re", "statistics", "types", "typing"),
    }
)
"""All that the core may import from outside: no clock, no file, no socket, no thread, no chance, no third party."""

SEEDED = "random.Random"
"""Chances that a rule may have: a row of numbers that is the same every time, from a seed."""

DOING = frozenset({"open", "input", "print", "exec", "eval", "compile", "__import__", "breakpoint"})
"""Built-in functions that read, write or run something."""


def imported(tree: ast.Module, modules: set[str]) -> Iterator[tuple[int, str]]:
    """Every import in a file with its line, inside functions too; ``from router import clock`` is ``router.clock``."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            for alias in node.names:
                deeper = f"{base}.{alias.name}"
                yield node.lineno, deeper if deeper in {*modules, SEEDED} else base


def place(module: str) -> tuple[str, str]:
    """The room of a module and its part of it; the room's own ``__init__`` is no part."""
    names = module.split(".")[1:]
    if names[0] == "rule":
        return "core", "rule"
    return names[0], names[1] if len(names) > 1 else ""


def upward(module: str, name: str) -> str:
    """Why a module may not import this name; "" if it may."""
    (room, part), (other, piece) = place(module), place(name)
    if other not in ORDER:
        return ""
    if ORDER[other] > ORDER[room]:
        return f"{room} imports {other}, which stands above it"
    if room != other or part == piece or not piece:
        return ""
    parts = ROOMS[room]
    if part and piece in parts and parts.index(piece) > parts.index(part):
        return f"{part} imports {piece}, which stands above it"
    return ""


def files_of(package: Path) -> dict[str, Path]:
    """Each module of a package that is called router, and its file."""
    return {
        ".".join(("router", *path.relative_to(package).with_suffix("").parts)).removesuffix(".__init__"): path
        for path in sorted(package.rglob("*.py"))
    }


FILES = files_of(PACKAGE)


def faults(module: str, text: str) -> list[str]:
    """What is wrong with the imports of this module, whose text this is."""
    room, part = place(module)
    if room not in ORDER or (part and part not in ROOMS[room]):
        return [f"{module}: no place is written for it in tests/house/test_imports.py"]
    pure = ORDER[room] <= PURE
    rule = module.startswith("router.core.rules.")
    tree = ast.parse(text)
    found = []
    for line, name in imported(tree, set(FILES)):
        where = f"{module}:{line}"
        if name.startswith("."):
            found.append(f"{where}: write the whole name instead of {name}")
        elif name.startswith("router."):
            why = upward(module, name)
            found += [f"{where}: {why}"] if why else []
            if rule and name != "router.rule":
                found.append(f"{where}: a rule imports {name}")
        elif name != "router" and pure and name not in ARITHMETIC and not (rule and name == SEEDED):
            found.append(f"{where}: the core imports {name}")
    if pure:
        found += [
            f"{module}:{node.lineno}: the core calls {node.func.id}()"
            for node in ast.walk(tree)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in DOING
        ]
    return found


def test_imports_go_downward_only_and_the_core_is_pure():
    texts = {module: path.read_text(encoding="utf-8") for module, path in FILES.items() if module != "router"}
    assert [fault for module, text in texts.items() for fault in faults(module, text)] == []


def test_something_was_read():
    assert {path.stem for path in PACKAGE.rglob("*.py")} >= {"events", "engine", "note", "switch", "model"}


def test_each_place_that_is_written_is_there():
    for room, parts in ROOMS.items():
        for part in parts:
            where = PACKAGE / ("" if part == "rule" else room) / part
            assert where.with_suffix(".py").is_file() or (where / "__init__.py").is_file(), where


@pytest.mark.parametrize(
    ("file", "line", "says"),
    [
        ("core/events.py", "from router.core.engine import Engine", "events imports engine, which stands above it"),
        ("core/units.py", "from router.core import ledger", "units imports ledger, which stands above it"),
        ("core/ledger.py", "import router.core.engine", "ledger imports engine, which stands above it"),
        (
            "core/engine.py",
            "from router.devices.inputs.base import Input",
            "core imports devices, which stands above it",
        ),
        ("core/contract.py", "from router.core.rules import RULES", "contract imports rules, which stands above it"),
        (
            "core/rules/note.py",
            "from router.core.rules.latch import LatchRule",
            "a rule imports router.core.rules.latch",
        ),
        ("core/rules/note.py", "from router.core.events import Press", "a rule imports router.core.events"),
        ("core/rules/note.py", "from router.core.engine import Engine", "rules imports engine, which stands above it"),
        ("core/timers.py", "import time", "the core imports time"),
        ("core/ledger.py", "import os, threading", "the core imports threading"),
        ("core/conditioning/pointer.py", "from numpy import array", "the core imports numpy"),
        ("core/rules/chord.py", "import random", "the core imports random"),
        ("core/rules/chord.py", "def later():\n    import socket", "the core imports socket"),
        ("core/engine.py", "from .ledger import Ledger", "write the whole name"),
        ("core/music.py", "print('hello')", "the core calls print()"),
        ("room/beat.py", "import time", "the core imports time"),
        ("room/beat.py", "from router.room.room import Room", "beat imports room, which stands above it"),
        ("system/loop.py", "from router.live.daemon import run", "system imports live, which stands above it"),
        ("system/loop.py", "from router.records import recorder", "system imports records, which stands above it"),
        ("live/daemon.py", "from router.bedside import service", "live imports bedside, which stands above it"),
        ("live/worker.py", "from router.bedside import profile_folder", "live imports bedside, which stands above it"),
        ("live/seat.py", "from router.live import room_ports", "seat imports room_ports, which stands above it"),
        ("devices/outputs/base.py", "from router.files import configuration", "devices imports files, which stands"),
        (
            "devices/inputs/base.py",
            "from router.files.profile import load",
            "devices imports files, which stands above it",
        ),
        ("fit/pressures.py", "from router.bedside import service", "fit imports bedside, which stands above it"),
        ("report/page.py", "from router.live import daemon", "report imports live, which stands above it"),
        ("elsewhere.py", "", "no place is written"),
        ("core/elsewhere.py", "", "no place is written"),
    ],
)
def test_a_wrong_import_is_found(file, line, says):
    path = PACKAGE / file
    module = ".".join(("router", *Path(file).with_suffix("").parts))
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    after = [fault for fault in faults(module, f"{text}\n{line}\n") if fault not in faults(module, text) or not text]
    assert any(says in fault for fault in after), after
