"""What is installed works without the checkout:
the wheel holds the profiles and the schema, and the commands find them.
"""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from router.files import profile
from tests.shared.places import ROOT


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """A folder that holds what the wheel holds."""
    folder = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def router(installed: Path, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command as installed, away from the checkout."""
    return subprocess.run(
        [sys.executable, "-m", "router", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(installed)},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_the_wheel_holds_every_profile_and_the_schema(installed: Path):
    for folder, pattern in (("profiles", "*.yaml"), ("schemas", "*.json")):
        there = {path.name for path in (installed / "router/_data" / folder).glob(pattern)}
        assert there == {path.name for path in (ROOT / folder).glob(pattern)}
        assert there


def test_a_shipped_profile_is_found_by_its_name(installed: Path, tmp_path: Path):
    done = router(installed, tmp_path, "check", "wren")
    assert done.returncode == 0, done.stderr
    assert str(installed) in done.stdout


def test_the_demo_plays(installed: Path, tmp_path: Path):
    done = router(installed, tmp_path, "demo", "--seconds", "5", "--out", "heard")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "heard/demo.mid").read_bytes().startswith(b"MThd")


ELSEWHERE = """
import os, sys
for name in ("O_PATH", "O_CLOEXEC", "O_DIRECTORY", "O_NONBLOCK", "eventfd", "sched_setscheduler"):
    delattr(os, name)
for name in ("fcntl", "termios", "grp", "pwd", "resource", "evdev", "rtmidi", "jack", "inotify_simple", "serial"):
    sys.modules[name] = None
from router.cli import main
for arguments in (["--help"], ["check", {profile!r}], ["rules"], ["play", "--help"], ["report", "--help"]):
    try:
        assert main(arguments) == 0, arguments
    except SystemExit as ended:
        assert not ended.code, arguments
"""


def test_what_needs_no_linux_does_without_what_only_linux_has():
    """The therapist's own laptop: check, new, play and report, and the help of everything."""
    script = ELSEWHERE.format(profile=str(profile.find("wren")))
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 0, ended.stderr
