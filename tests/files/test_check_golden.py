"""What ``router check`` says, word for word, for every kind of mistake that a therapist or a technician makes.

A case is two files in ``golden/profiles`` or ``golden/configuration``: ``NAME.yaml`` and ``NAME.txt``, what is said of
it. To add one, write the first, run ``python -m tests.files.test_check_golden``, and read with the eyes of a tired
therapist what it wrote. A case whose name begins with ``fine`` has nothing said of it, and no ``.txt``.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from router.files import configuration, profile, source
from tests.fuzz_profiles import PROGRAMMERS_WORDS
from tests.shared.places import GOLDEN_CONFIGURATIONS, GOLDEN_PROFILES

CHECK = {GOLDEN_PROFILES: profile.check, GOLDEN_CONFIGURATIONS: configuration.check}
CASES = [file.with_suffix("") for folder in CHECK for file in sorted(folder.glob("*.yaml"))]
MISTAKES = [case for case in CASES if not case.name.startswith("fine")]


def said(case: Path) -> str:
    """What is said of a case by somebody who stands in its folder."""
    return "".join(f"{problem}\n\n" for problem in CHECK[case.parent](f"{case.name}.yaml")).rstrip("\n")


def expected(case: Path) -> str:
    return case.with_suffix(".txt").read_text(encoding="utf-8").rstrip("\n") if case in MISTAKES else ""


def named(case: Path) -> str:
    return f"{case.parent.name}-{case.name}"


@pytest.fixture(params=[source.FAST, source.PATIENT], ids=["libyaml", "pure"])
def reader(request, monkeypatch):
    """Both readers of the YAML library: which one there is must make no difference."""
    monkeypatch.setattr(source, "FAST", request.param)


@pytest.mark.parametrize("case", CASES, ids=named)
@pytest.mark.usefixtures("reader")
def test_message(case, monkeypatch):
    monkeypatch.chdir(case.parent)
    assert said(case) == expected(case)


@pytest.mark.parametrize("case", MISTAKES, ids=named)
def test_the_words_are_a_therapists(case):
    lines = expected(case).splitlines()
    own = [line for line in lines if "|" not in line[:8]]  # the writer's own line may hold any word
    assert own
    for line in own:
        told = line.partition(": ")[2] if line.startswith(f"{case.name}.yaml:") else line
        assert not PROGRAMMERS_WORDS.search(told), line


@pytest.mark.parametrize(("folder", "least"), [(GOLDEN_PROFILES, 150), (GOLDEN_CONFIGURATIONS, 60)])
def test_every_case_has_its_text(folder, least):
    texts = {file.with_suffix("") for file in folder.glob("*.txt")}
    assert texts == {case for case in MISTAKES if case.parent == folder}
    assert len(texts) > least


def test_each_message_stands_in_the_order_of_the_file():
    for case in CASES:
        problems = CHECK[case.parent](case.with_suffix(".yaml"))
        assert problems == sorted(problems, key=lambda problem: (problem.line, problem.column))


def write() -> None:
    """Write what is said now; to be read before it is kept."""
    for folder in CHECK:
        for old in folder.glob("*.txt"):
            old.unlink()
    for case in MISTAKES:
        os.chdir(case.parent)
        case.with_suffix(".txt").write_text(said(case) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write()
