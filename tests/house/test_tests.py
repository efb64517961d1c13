"""The tests' own house: the rooms of the router, and no test that imports another."""

import ast

from tests.shared.places import ROOT, TESTS

OTHERS = {"shared", "house", "bedside_pc", "benchmarks", "golden", "timelines"}
"""Folders that mirror no room."""


def folders(place):
    return {path.name for path in place.iterdir() if path.is_dir() and path.name != "__pycache__"}


def imported(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (f"{node.module}.{name.name}" for name in node.names)


def other_tests(text):
    """The tests that a text imports."""
    names = [name.split(".") for name in imported(ast.parse(text))]
    return [".".join(name) for name in names if any(part.startswith("test_") for part in name)]


def test_tests_stand_in_the_rooms_of_the_router():
    assert folders(TESTS) - OTHERS <= folders(ROOT / "router")
    assert not list(TESTS.glob("test_*.py"))
    assert all((folder / "__init__.py").exists() for folder in TESTS.iterdir() if list(folder.glob("test_*.py")))


def test_no_test_imports_another():
    found = {path: other_tests(path.read_text(encoding="utf-8")) for path in TESTS.rglob("*.py")}
    assert len(found) > 150
    assert {str(path.relative_to(TESTS)): names for path, names in found.items() if names} == {}


def test_an_import_of_another_test_is_found():
    assert other_tests("def f():\n    from tests.core.test_engine import pad\n") == ["tests.core.test_engine.pad"]
    assert other_tests("from tests.core import test_engine\nimport tests.live.test_daemon") == [
        "tests.core.test_engine",
        "tests.live.test_daemon",
    ]
    assert other_tests("from tests.shared.waiting import until\nfrom scipy import stats") == []
