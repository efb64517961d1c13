"""Imports go downward only, and the core touches nothing but arithmetic: the files are read, not run."""

from __future__ import annotations

import ast
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import router

PACKAGE = Path(router.__file__).parent

LAYERS = (
    {"events"},
    {"timers", "music", "midi", "units"},
    {
        "beat",
        "rules",
        "conditioning",
        "harmony",
        "ledger",
        "recognition",
        "tonality",
        "lead",
        "thru",
        "turns",
        "balance",
    },
    {"engine"},
    {"room"},
    {
        "budget",
        "channels",
        "configuration",
        "loop",
        "inputs",
        "outputs",
        "profile",
        "recorder",
        "records",
        "remembered",
        "retention",
        "shelf",
        "arrivals",
        "beneath",
        "errands",
        "judging",
        "line_pattern",
        "simulate",
        "trying",
        "devices",
        "clock",
        "companion",
        "estimates",
        "files",
        "motif",
        "names",
        "plugged",
        "ports",
        "realtime",
        "refusals",
        "sounding",
        "hush",
        "marks",
        "status",
        "timerfd",
        "turn",
        "lock",
        "deaths",
        "proven",
    },
    {"attached", "flood", "watching"},
    {"seat", "room_ports"},
    {"buttons", "daemon", "service", "picture", "player", "together", "control", "report", "fit", "testing"},
    {"cli", "__main__"},
)
"""From the bottom up. A module may import what stands in its own layer or below."""

HEIGHT = {part: height for height, layer in enumerate(LAYERS) for part in layer}
CORE = HEIGHT["room"]

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


def faults(package: Path) -> list[str]:
    """What is wrong with the imports of a package that is called router."""
    files = {
        ".".join(("router", *path.relative_to(package).with_suffix("").parts)).removesuffix(".__init__"): path
        for path in sorted(package.rglob("*.py"))
    }
    found = []
    for module, path in files.items():
        if module == "router":
            continue
        part = module.split(".")[1]
        if part not in HEIGHT:
            found.append(f"{module}: no layer is written for it in tests/test_imports.py")
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for line, name in imported(tree, set(files)):
            where = f"{path.relative_to(package)}:{line}"
            if name.startswith("."):
                found.append(f"{where}: write the whole name instead of {name}")
            elif name == "router":
                continue
            elif name.startswith("router."):
                other = name.split(".")[1]
                if HEIGHT.get(other, 0) > HEIGHT[part]:
                    found.append(f"{where}: {part} imports {other}, which stands above it")
                if part == other == "rules" and module != "router.rules" and name != "router.rules.base":
                    found.append(f"{where}: a rule imports {name}")
            elif HEIGHT[part] <= CORE and name not in ARITHMETIC and not (part == "rules" and name == SEEDED):
                found.append(f"{where}: the core imports {name}")
        if HEIGHT[part] <= CORE:
            found += [
                f"{path.relative_to(package)}:{node.lineno}: the core calls {node.func.id}()"
                for node in ast.walk(tree)
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in DOING
            ]
    return found


def test_imports_go_downward_only_and_the_core_is_pure():
    assert faults(PACKAGE) == []


def test_something_was_read():
    assert {path.stem for path in PACKAGE.rglob("*.py")} >= {"events", "engine", "note", "switch", "model"}


@pytest.mark.parametrize(
    ("file", "line", "says"),
    [
        ("events.py", "from router.engine import Engine", "events imports engine, which stands above it"),
        ("units.py", "from router import ledger", "units imports ledger, which stands above it"),
        ("ledger.py", "import router.engine", "ledger imports engine, which stands above it"),
        ("engine.py", "from router.inputs.base import Input", "engine imports inputs, which stands above it"),
        ("loop.py", "from router.daemon import run", "loop imports daemon, which stands above it"),
        ("rules/note.py", "from router.rules.latch import Latch", "a rule imports router.rules.latch"),
        ("rules/base.py", "from router.rules import RULES", "a rule imports router.rules"),
        ("rules/note.py", "from router.engine import Engine", "rules imports engine, which stands above it"),
        ("timers.py", "import time", "the core imports time"),
        ("ledger.py", "import os, threading", "the core imports threading"),
        ("conditioning/pointer.py", "from numpy import array", "the core imports numpy"),
        ("rules/chord.py", "import random", "the core imports random"),
        ("rules/chord.py", "def later():\n    import socket", "the core imports socket"),
        ("engine.py", "from .ledger import Ledger", "write the whole name"),
        ("music.py", "print('hello')", "the core calls print()"),
        ("elsewhere.py", "", "no layer is written"),
    ],
)
def test_a_wrong_import_is_found(tmp_path, file, line, says):
    copy = tmp_path / "router"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    before = faults(copy)
    with (copy / file).open("a", encoding="utf-8") as out:
        out.write(f"\n{line}\n")
    after = [fault for fault in faults(copy) if fault not in before]
    assert any(says in fault for fault in after), after
