"""The care team's page shows what the commands really say.
``python -m tests.house.test_care_team_page`` writes the example anew.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import tempfile
from pathlib import Path
from unittest import mock

from router.cli import main
from router.report.page import CAUTIONS
from router.report.session import BASELINE, CUE, PLAYING, Settings
from tests import weeks
from tests.shared.places import ROOT

PAGE = ROOT / "profiles" / "care-team.md"
EXAMPLE = re.compile(r"(?<=```text\n).*?(?=```)", re.DOTALL)


def said() -> str:
    """The report on the simulated weeks, up to the cautions, without the day on which it was made."""
    out = io.StringIO()
    wide = mock.patch.dict(os.environ, {"COLUMNS": "80"})
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(out), wide:
        records = Path(folder) / "records"
        weeks.write(records)
        assert main(["report", weeks.CHILD, "--records", str(records)]) == 0
    text = re.sub(r" Made .*? by router\s+[\d.]+\.", "", out.getvalue())
    return "".join(f"{line.rstrip()}\n" for line in text[: text.index("How to read this")].rstrip().splitlines())


def test_the_example_is_real():
    assert EXAMPLE.search(PAGE.read_text(encoding="utf-8"))[0] == said()


def test_the_page_names_what_there_is():
    text = PAGE.read_text(encoding="utf-8")
    for mark in (BASELINE, PLAYING, CUE):
        assert f"| `{mark}` |" in text
    settings = Settings()
    assert f"{settings.gap:g} s (`--gap`)" in text
    assert f"{settings.window:g} s (`--window`)" in text
    assert settings.pause == 15 * 60
    assert "fifteen minutes" in text
    assert any("baseline" in caution for caution in CAUTIONS)


if __name__ == "__main__":
    old = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(EXAMPLE.sub(said().replace("\\", r"\\"), old, count=1), encoding="utf-8")
