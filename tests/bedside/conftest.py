"""A seat's profile folder, for several tests of this room."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from router.bedside import arrivals
from router.core.units import NANOSECONDS
from tests.shared.profile_folder import Loop, text


@pytest.fixture
def begin(tmp_path):
    opened = []

    def make(**settings) -> Loop:
        opened.append(Loop(tmp_path, **settings))
        return opened[-1]

    yield make
    for loop in opened:
        loop.close()


@pytest.fixture
def folder(tmp_path) -> Path:
    folder = tmp_path / "profiles"
    folder.mkdir()
    return folder


@pytest.fixture
def bed(folder, begin) -> Loop:
    """A seat that plays wren."""
    (folder / "wren.yaml").write_text(text("wren"))
    loop = begin(first="wren")
    assert loop.start().child == "wren"
    return loop


@pytest.fixture
def hasty(monkeypatch):
    """What is not right is refused without much ado."""
    monkeypatch.setattr(arrivals, "PATIENCE", NANOSECONDS // 5)


@pytest.fixture
def mounted():
    """Mounts small file systems in memory; the tests run as root where they are run for real."""
    points = []

    def mount(point: Path, size: str = "256k", options: str = "rw") -> None:
        point.mkdir(exist_ok=True)
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size},{options}", "router-test", point],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            pytest.fail(f"this test mounts a small file system, which needs root: {done.stderr}")
        points.append(point)

    yield mount
    for point in points:
        subprocess.run(["umount", "-l", point], capture_output=True, check=False)
