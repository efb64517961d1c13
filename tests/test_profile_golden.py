"""What ``router check`` says, word for word, for every kind of mistake that a therapist makes.

A case is two files in ``golden/profiles``: ``NAME.yaml``, the profile, and ``NAME.txt``, what is said of it. To add
one, write the profile, run ``python tests/test_profile_golden.py``, and read with the eyes of a tired therapist what it
wrote. A case whose name begins with ``fine`` has nothing said of it, and no ``.txt``.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from fuzz_profiles import GOLDEN, PROGRAMMERS_WORDS

from router.profile import check, source

CASES = sorted(file.stem for file in GOLDEN.glob("*.yaml"))


def said(name: str) -> str:
    """What is said of a case, with the file named as by somebody who stands in its folder."""
    return "".join(f"{problem}\n\n" for problem in check(f"{name}.yaml")).rstrip("\n")


def expected(name: str) -> str:
    if name.startswith("fine"):
        return ""
    return (GOLDEN / f"{name}.txt").read_text(encoding="utf-8").rstrip("\n")


@pytest.fixture(params=[source.FAST, source.PATIENT], ids=["libyaml", "pure"])
def reader(request, monkeypatch):
    """Both readers of the YAML library: which one there is must make no difference."""
    monkeypatch.setattr(source, "FAST", request.param)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.usefixtures("reader")
def test_message(name, monkeypatch):
    monkeypatch.chdir(GOLDEN)
    assert said(name) == expected(name)


@pytest.mark.parametrize("name", [name for name in CASES if not name.startswith("fine")])
def test_the_words_are_a_therapists(name):
    lines = expected(name).splitlines()
    own = [line for line in lines if "|" not in line[:8]]  # the therapist's own line may hold any word
    assert own
    for line in own:
        told = line.partition(": ")[2] if line.startswith(f"{name}.yaml:") else line
        assert not PROGRAMMERS_WORDS.search(told), line


def test_every_case_has_its_text():
    texts = {file.stem for file in GOLDEN.glob("*.txt")}
    assert texts == {name for name in CASES if not name.startswith("fine")}
    assert len(texts) > 150


def test_each_message_stands_in_the_order_of_the_file():
    for name in CASES:
        problems = check(GOLDEN / f"{name}.yaml")
        assert problems == sorted(problems, key=lambda problem: (problem.line, problem.column))


def write() -> None:
    """Write what is said now; to be read before it is kept."""
    os.chdir(GOLDEN)
    for old in Path().glob("*.txt"):
        old.unlink()
    for name in CASES:
        if not name.startswith("fine"):
            Path(f"{name}.txt").write_text(said(name) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write()
