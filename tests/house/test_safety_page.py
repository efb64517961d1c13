"""SAFETY.md: each row names a test that is there, so that what it says is held and not only hoped for."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.shared.places import ROOT

PAGE = ROOT / "SAFETY.md"
TEST = re.compile(r"`((?:\w+/)*test_\w+\.py)::(\w+)`")


def rows() -> list[str]:
    """The rows of all tables, without headings and rules."""
    lines = PAGE.read_text(encoding="utf-8").splitlines()
    tables = [line for line in lines if line.startswith("|")]
    heads = {lines[at - 1] for at, line in enumerate(lines) if line.startswith("| ---")}
    return [line for line in tables if line not in heads and not line.startswith("| ---")]


def functions(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("row", rows())
def test_each_row_names_a_test_that_is_there(row):
    named = TEST.findall(row)
    assert named, f"this row names no test: {row}"
    for file, name in named:
        assert name in functions(ROOT / "tests" / file), f"{file} has no {name}"


def test_both_tables_have_rows():
    text = PAGE.read_text(encoding="utf-8")
    assert "## Hazard log" in text
    assert "## Threat model" in text
    assert len(rows()) >= 60
