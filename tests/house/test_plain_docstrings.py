"""One name, one thing; and a docstring says what the thing does: the files are read, not run."""

from __future__ import annotations

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

import router

PACKAGE = Path(router.__file__).parent

TURNED_ROUND = frozenset({"It", "What", "Those", "Of", "Whether", "So"})
"""First words of a sentence that has to be read twice ("Of what was left, only this is")."""

TREES = {str(path.relative_to(PACKAGE)): ast.parse(path.read_text("utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}


def first_words(tree: ast.Module) -> list[tuple[int, str]]:
    """The line and the first word of each docstring:
    of modules, classes, functions, and of the names that are set there.
    """
    return [
        (statement.lineno, statement.value.value.split(maxsplit=1)[0].rstrip(",.:;").removesuffix("'s"))
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        for statement in node.body
        if isinstance(statement, ast.Expr)
        and isinstance(statement.value, ast.Constant)
        and isinstance(statement.value.value, str)
    ]


def test_no_docstring_begins_with_a_word_that_turns_the_sentence_round():
    found = {name: first_words(tree) for name, tree in TREES.items()}
    assert sum(map(len, found.values())) > 1000, "docstrings were read"
    assert [
        f"{name}:{line}: {word}" for name, each in found.items() for line, word in each if word in TURNED_ROUND
    ] == []


@pytest.mark.parametrize(
    "text",
    [
        '"""What it is."""',
        'class A:\n    """Those of a part."""',
        'def a():\n    """Whether it is."""',
        'A = 1\n"""Of each second."""',
        'class A:\n    a = 1\n    """It\'s one."""',
        'def a():\n    def b():\n        """So, one."""',
    ],
)
def test_each_place_of_a_docstring_is_read(text):
    assert [word for _, word in first_words(ast.parse(text)) if word in TURNED_ROUND] != []


def test_no_two_classes_have_one_name():
    names = Counter(node.name for tree in TREES.values() for node in ast.walk(tree) if isinstance(node, ast.ClassDef))
    assert len(names) > 200, "classes were read"
    assert [name for name, times in names.items() if times > 1] == []


def test_each_warning_that_is_silenced_carries_its_reason():
    """A reason stands behind the code, or once in pyproject.toml for all places."""
    silenced, bare = re.compile(r"# (noqa|type: ignore)\b"), []
    for path in sorted(PACKAGE.rglob("*.py")):
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            if silenced.search(line) and not re.search(
                r"# (noqa: [A-Z0-9, ]+ - \S|type: ignore\[[a-z, -]+\]  # \S)", line
            ):
                bare.append(f"{path.relative_to(PACKAGE)}:{number}: {line.strip()}")
    assert bare == []
