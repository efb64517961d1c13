"""The tutorial of RULES.md, done word for word: a rule in a package of its own, installed into a new virtual
environment.

Each block with a file's name beside its language becomes that file, each ``sh`` block is run, and a ``text`` block is
what the commands before it print. Nothing is fetched: what the router needs is lent from the environment that runs the
tests.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from tests.shared.places import ROOT

BLOCK = re.compile(r"^```(?P<language>\w+)(?: (?P<file>\S+))?\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)


def tutorial() -> list[re.Match[str]]:
    """The blocks, in order."""
    whole = (ROOT / "RULES.md").read_text(encoding="utf-8")
    section = whole.partition("\n## From nothing to installed and tested")[2].partition("\n## ")[0]
    return list(BLOCK.finditer(section))


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[Path, dict[str, str]]:
    """The folder in which all was done, and what each block of commands printed."""
    folder = tmp_path_factory.mktemp("tutorial")
    tools = folder / "bin"
    tools.mkdir()
    python = tools / "python3"  # the Python that runs the tests
    python.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} "$@"\n')
    python.chmod(0o755)
    environment = {
        **os.environ,
        "ROUTER": str(ROOT),
        "PATH": f"{tools}:{os.environ['PATH']}",
        "PYTHONPATH": ":".join(path for path in sys.path if path.endswith(("site-packages", "dist-packages"))),
        "PIP_NO_INDEX": "1",
        "PIP_NO_BUILD_ISOLATION": "0",  # pip's way to say: no isolation, the tools are there
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "PIP_ROOT_USER_ACTION": "ignore",
        "ROUTER_RULES": "",
        "XDG_STATE_HOME": str(folder / "state"),
        "COLUMNS": "80",
        "PYTHONIOENCODING": "utf-8",
    }
    environment.pop("VIRTUAL_ENV", None)
    here, printed, last = folder, {}, ""
    for block in tutorial():
        text = block["text"]
        if block["language"] == "sh":
            ended = folder / "where"
            command = subprocess.run(
                ["/bin/sh", "-ec", f"{text}\npwd > {shlex.quote(str(ended))}"],
                cwd=here,
                env=environment,
                capture_output=True,
                text=True,
                encoding="utf-8",
                check=False,
                timeout=600,
            )
            assert command.returncode == 0, f"{text}\n{command.stdout}\n{command.stderr}"
            here = Path(ended.read_text().strip())
            printed[text] = last = command.stdout
        elif block["language"] == "text":
            assert last == text
        else:
            (here / block["file"]).write_text(text, encoding="utf-8")
    return here, printed


def said(printed: dict[str, str], command: str) -> str:
    (text,) = (text for words, text in printed.items() if words.strip().endswith(command))
    return text


def test_every_block_is_a_file_a_command_or_what_it_prints():
    blocks = tutorial()
    assert len(blocks) >= 10
    for block in blocks:
        assert block["file"] or block["language"] in ("sh", "text")


def test_the_rule_comes_from_a_package_in_the_new_environment(done):
    here, _ = done
    (installed,) = here.glob(".venv/lib/*/site-packages/shadow_rule.py")
    assert installed.read_text(encoding="utf-8") == (here / "shadow_rule.py").read_text(encoding="utf-8")
    assert list(here.glob(".venv/lib/*/site-packages/router/core/engine.py"))


def test_its_own_tests_pass(done):
    assert "3 passed" in said(done[1], ".venv/bin/python -m pytest -q")


def test_rules_shows_manual_settings_and_music(done):
    text = said(done[1], "router rules shadow")
    assert "from package shadow-rule 1.0" in text
    assert "A second voice follows each note" in text
    assert re.search(r"interval +third +third or fifth", text)
    assert len(re.findall(r"^ +[A-G][b#]?\d [│|].*[●o]", text, re.MULTILINE)) >= 4


def test_the_rule_is_proven_and_check_knows(done):
    assert 'The rule "shadow" keeps what every rule must keep to.' in said(done[1], "router rules --prove shadow")
    assert "has not been proven" not in said(done[1], "router check wren.yaml")


def test_check_says_what_is_played(done):
    text = said(done[1], "router check wren.yaml")
    assert text.startswith("wren.yaml: fine")
    assert "- shadow: A second voice follows each note" in text


def test_play_writes_the_music(done):
    here, _ = done
    import mido

    notes = [message.note for message in mido.MidiFile(here / "wren.mid") if message.type == "note_on"]
    assert notes == [60, 67, 62, 64, 71]  # C and G; D alone, as the press was too short; E and B
