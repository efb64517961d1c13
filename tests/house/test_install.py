"""The service's files and its installer, as far as they can be tried without booting: as Debian's own tools read them,
and put below a folder. What they do on a PC that has booted is tried in tests/bedside_pc.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Sequence
from pathlib import Path

import pytest

from router.files import configuration
from tests.shared.places import ROOT

SYSTEMD = ROOT / "systemd"
UNITS = ("router.service", "router-synth.service")
MOST_EXPOSED = 10  # tenths: systemd-analyze security says 0.0, locked up, to 10.0


def call(*command: str | Path, **kept: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(part) for part in command], stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, **kept
    )  # type: ignore[call-overload, no-any-return]


def settings(unit: str) -> dict[str, list[str]]:
    """Each setting of a unit, with its values in their order."""
    found: dict[str, list[str]] = {}
    for line in (SYSTEMD / unit).read_text(encoding="utf-8").splitlines():
        if match := re.match(r"([A-Za-z]+)=(.*)", line):
            found.setdefault(match[1], []).append(match[2])
    return found


# --- the files, as Debian's tools read them ---------------------------------------------------------------------------


@pytest.mark.parametrize("unit", UNITS)
def test_systemd_understands_every_line(unit: str) -> None:
    said = call("systemd-analyze", "verify", "--man=no", SYSTEMD / unit).stderr.splitlines()
    # Other units of this machine are not ours to judge, and the programs are not installed here.
    assert [line for line in said if "router" in line and "not executable" not in line] == []


@pytest.mark.parametrize("unit", UNITS)
def test_what_it_gives_away_stays_small(unit: str) -> None:
    judged = call(
        "systemd-analyze", "security", "--offline=true", f"--threshold={MOST_EXPOSED}", "--no-pager", SYSTEMD / unit
    )
    assert judged.returncode == 0, judged.stdout + judged.stderr
    assert "Overall exposure level" in judged.stdout


@pytest.mark.parametrize("unit", UNITS)
def test_nothing_is_allowed_without_a_word(unit: str) -> None:
    paragraphs = re.split(r"\n\s*\n", (SYSTEMD / unit).read_text(encoding="utf-8"))
    silent = [text for text in paragraphs if "#" not in text and not re.match(r"\[(Unit|Install)\]", text)]
    assert silent == []


def test_each_device_of_the_service_has_its_reason() -> None:
    lines = (SYSTEMD / "router.service").read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        if line.startswith("DeviceAllow="):
            before = lines[number - 1]
            assert before.startswith(("#", "DeviceAllow=")), line
    assert settings("router.service")["DeviceAllow"] == [
        "char-input r",
        "char-alsa rw",
        "char-ttyUSB rw",
        "char-ttyACM rw",
    ]


def test_a_driver_that_comes_with_the_first_device_is_loaded_before() -> None:
    """systemd 252 passes over the names of drivers that are not loaded when the service starts,
    and the device stays closed.
    """
    loaded = (SYSTEMD / "router.modules").read_text(encoding="utf-8").split("\n")
    assert {"snd-seq", "usbserial", "cdc-acm"} <= {*loaded}


def test_the_service_and_the_program_mean_the_same_places() -> None:
    unit, folders = settings("router.service"), configuration.DEFAULT.folders
    assert unit["ExecStart"] == [f"/opt/router/bin/router run --config {configuration.PATH}"]
    assert unit["ExecStopPost"] == [f"-/opt/router/bin/python -m router.bedside.hush {folders.runtime / 'sounding'}"]
    assert unit["RuntimeDirectory"] == [folders.runtime.name]
    assert Path("/var/lib", unit["StateDirectory"][0]) == folders.state
    assert unit["ReadWritePaths"] == [f"-{folders.records}"]
    made = (SYSTEMD / "router.tmpfiles").read_text(encoding="utf-8")
    assert re.search(rf"^d +{folders.profiles} +2770 root router$", made, re.MULTILINE)
    assert re.search(rf"^d +{folders.records} +0700 router router$", made, re.MULTILINE)


def test_it_always_comes_back_and_hushes_in_time() -> None:
    unit = settings("router.service")
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert unit["RuntimeDirectoryPreserve"] == ["yes"]  # or there is nothing for hush to read
    from router.bedside import hush

    assert float(unit["TimeoutStopSec"][0].removesuffix("s")) > hush.WITHIN


def test_what_real_time_needs_is_not_forbidden() -> None:
    from router.system import realtime

    unit = settings("router.service")
    assert int(unit["LimitRTPRIO"][0]) >= realtime.PRIORITY
    assert unit["LimitMEMLOCK"] == ["infinity"]
    assert "RestrictRealtime" not in unit
    assert "PrivateDevices" not in unit  # it hides /dev/snd and /dev/input


def test_the_default_instrument_is_one_that_patterns_may_mean() -> None:
    """A name with "router" in it is taken for one of the router's own ports."""
    from router.devices.ports import candidates

    name = re.search(r"midi\.alsa_seq\.id=(\w+)", (SYSTEMD / "router-synth.service").read_text(encoding="utf-8"))
    assert name is not None
    assert candidates([f"FLUID Synth ({name[1]}):Synth input port ({name[1]}:0) 128:0"], "*")


def test_the_user_is_one_that_sysusers_understands(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    said = call("systemd-sysusers", f"--root={tmp_path}", "--dry-run", SYSTEMD / "router.sysusers")
    assert said.returncode == 0, said.stderr
    assert "router" in said.stderr + said.stdout


def test_udev_rules_have_their_form() -> None:
    rules = SYSTEMD / "router.rules"
    part = r'(ACTION|SUBSYSTEM|KERNEL|DRIVER|(ENV|ATTR|TEST)(\{[\w/]+\})?)(==|!=|=|\+=)"[^"]*"'
    lines = [line for line in rules.read_text(encoding="utf-8").splitlines() if line and not line.startswith("#")]
    assert lines
    assert [
        line for line in lines if not re.fullmatch(rf"{part}(, {part})*", line.replace("TEST==", "TEST{x}=="))
    ] == []
    if shutil.which("udevadm") and "verify" in call("udevadm", "--help").stdout:  # from systemd 254 on
        judged = call("udevadm", "verify", "--no-style", rules)
        assert judged.returncode == 0, judged.stdout + judged.stderr


def test_the_installer_has_no_slip_of_the_shell() -> None:
    judged = call(str(Path(sys.executable).parent / "shellcheck"), SYSTEMD / "install")
    assert judged.stdout == ""
    assert judged.returncode == 0


@pytest.mark.parametrize("arguments", [["--upgarde"], ["--root"], ["--root", "/nowhere/at/all"], ["--purge"]])
def test_a_slip_in_its_options_does_nothing(arguments: Sequence[str]) -> None:
    said = call(SYSTEMD / "install", *arguments)
    assert said.returncode == 2
    assert said.stderr.startswith("install: ")
    assert "--uninstall" in said.stderr


# --- packages for another PC ------------------------------------------------------------------------------------------


def _wheel(folder: Path, name: str, tag: str) -> None:
    """A Python package with nothing in it, of a version that any requirement allows."""
    about = f"{name.replace('-', '_')}-99.0.dist-info"
    with zipfile.ZipFile(folder / f"{name.replace('-', '_')}-99.0-{tag}.whl", "w") as file:
        file.writestr(f"{about}/METADATA", f"Metadata-Version: 2.1\nName: {name}\nVersion: 99.0\n")
        file.writestr(f"{about}/WHEEL", f"Wheel-Version: 1.0\nGenerator: a test\nRoot-Is-Purelib: true\nTag: {tag}\n")
        file.writestr(f"{about}/RECORD", "")


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry in a folder: each package that is asked for, those written in C for two processors;
    evdev for one only, as it is.
    """
    folder = tmp_path_factory.mktemp("registry")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    own = f"cp{sys.version_info.major}{sys.version_info.minor}"
    for text in [*project["dependencies"], *project["optional-dependencies"]["report"], "hatchling", "editables"]:
        name = re.split(r"[<>=;\[ ]", text)[0]
        if name == "evdev":  # it has no wheels
            continue
        if name in ("pyyaml", "google-re2", "python-rtmidi", "matplotlib"):
            _wheel(folder, name, f"{own}-{own}-manylinux_2_17_aarch64")
            _wheel(folder, name, f"{own}-{own}-manylinux_2_28_x86_64")
        elif name == "evdev-binary":
            _wheel(folder, name, f"{own}-{own}-manylinux_2_28_x86_64")
        else:
            _wheel(folder, name, "py3-none-any")
    return folder


def test_packages_for_another_processor(tmp_path: Path, registry: Path) -> None:
    environment = {**os.environ, "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(registry)}
    done = call(SYSTEMD / "install", "--download", tmp_path / "packages", "--for", "arm64", env=environment)
    assert done.returncode == 0, done.stderr
    names = {path.name for path in (tmp_path / "packages").iterdir()}
    assert [name for name in names if "x86_64" in name or name.startswith("evdev")] == []
    for package in ("pyyaml", "google_re2", "python_rtmidi", "matplotlib"):
        assert [name for name in names if name.startswith(package) and "aarch64" in name], package
    assert any(name.startswith("hatchling") for name in names)
    assert "No wheel of evdev for it: Debian's own package serves." in done.stdout


def test_a_processor_that_is_not_known() -> None:
    said = call(SYSTEMD / "install", "--download", "/nowhere", "--for", "riscv")
    assert said.returncode == 2
    assert "it can be amd64 (Intel and AMD) or arm64" in said.stderr
    assert call(SYSTEMD / "install", "--check", "--for", "arm64").returncode == 2


# --- put below a folder -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What an installation without a network needs."""
    folder = tmp_path_factory.mktemp("packages")
    done = call(SYSTEMD / "install", "--download", folder)
    assert done.returncode == 0, done.stderr
    return folder


def _program_shared(source: str, target: str) -> None:
    """The program is large and is never written into, only put and removed; everything else is copied."""
    if "/opt/router" in source:
        os.link(source, target)
    else:
        shutil.copy2(source, target)


class Place:
    """A copy of the project, to be changed, and a folder that it is installed below."""

    def __init__(self, folder: Path, wheels: Path, source: Path = ROOT) -> None:
        self.root, self.source, self._wheels = folder / "root", folder / "source", wheels
        self.root.mkdir()
        for name in ("router", "profiles", "schemas", "systemd"):
            shutil.copytree(source / name, self.source / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(source / name, self.source)

    def install(self, *options: str) -> subprocess.CompletedProcess[str]:
        return call(self.source / "systemd" / "install", "--root", self.root, "--wheels", self._wheels, *options)

    def do(self, *options: str) -> subprocess.CompletedProcess[str]:
        return call(self.source / "systemd" / "install", "--root", self.root, *options)

    def tree(self) -> dict[str, tuple[int, str | bytes]]:
        """Every file and link, its mode, and what is in it."""
        found: dict[str, tuple[int, str | bytes]] = {}
        for folder, folders, files in os.walk(self.root):
            for name in (*folders, *files):
                path = Path(folder, name)
                is_file = path.is_file() and not path.is_symlink()
                inside = path.read_bytes() if is_file else str(path.readlink()) if path.is_symlink() else ""
                found[str(path.relative_to(self.root))] = (path.lstat().st_mode, inside)
        return found

    def files(self) -> list[str]:
        return [name for name, (mode, _) in self.tree().items() if mode & 0o170000 != 0o040000]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory, wheels: Path) -> Place:
    place = Place(tmp_path_factory.mktemp("installed"), wheels)
    done = place.install()
    assert done.returncode == 0, done.stdout + done.stderr
    return place


@pytest.fixture
def place(tmp_path: Path, installed: Place, wheels: Path) -> Place:
    """The same again, for a test to spoil."""
    own = Place(tmp_path, wheels, installed.source)
    own.root.rmdir()
    shutil.copytree(installed.root, own.root, symlinks=True, copy_function=_program_shared)
    return own


def test_all_is_in_place(installed: Place) -> None:
    said = installed.do("--check")
    assert said.returncode == 0, said.stdout
    assert "MISSING" not in said.stdout


def test_a_newer_folder_is_not_what_is_installed(place: Place) -> None:
    assert re.search(r"^ok +version [\d.]+, the same as in this folder$", place.do("--check").stdout, re.MULTILINE)
    package = place.source / "router/__init__.py"
    text = package.read_text(encoding="utf-8")
    package.write_text(re.sub('__version__ = "(.*)"', '__version__ = "99.0"', text), encoding="utf-8")
    newer = place.do("--check")
    assert newer.returncode == 1
    assert re.search(r"^MISSING  version 99.0 of this folder: installed is \d", newer.stdout, re.MULTILINE)
    package.write_text(text + "# changed\n", encoding="utf-8")
    changed = place.do("--check")
    package.write_text(text, encoding="utf-8")  # the folder is shared by these tests
    assert changed.returncode == 1
    assert "the installed one has the same number and other programs" in changed.stdout


def test_reports_have_their_plots(installed: Place) -> None:
    python = installed.root / "opt/router/bin/python"
    assert call(python, "-IB", "-c", "import matplotlib.figure").returncode == 0
    assert "ok       matplotlib" in installed.do("--check").stdout


def test_a_router_without_pictures_is_installed_all_the_same(tmp_path: Path, wheels: Path) -> None:
    fewer = tmp_path / "packages"
    shutil.copytree(wheels, fewer, ignore=shutil.ignore_patterns("matplotlib*"))
    place = Place(tmp_path, fewer)
    done = place.install()
    assert done.returncode == 0, done.stderr
    assert "matplotlib cannot be had" in done.stdout
    said = place.do("--check")
    assert said.returncode == 0
    assert "MISSING" not in said.stdout


def test_what_was_installed_runs_from_where_it_stands(installed: Place) -> None:
    python = installed.root / "opt/router/bin/python"
    assert call(python, "-IB", "-m", "router", "check", installed.root / "etc/router/router.yaml").returncode == 0
    command = (installed.root / "opt/router/bin/router").read_text(encoding="utf-8").splitlines()[0]
    assert re.match(r"#!/opt/router-[0-9a-f]+/bin/python", command)
    assert str(installed.root) not in command


def test_both_start_at_boot(installed: Place) -> None:
    for unit in UNITS:
        assert (installed.root / "etc/systemd/system/multi-user.target.wants" / unit).is_symlink()


def test_a_second_time_changes_nothing(installed: Place) -> None:
    before = installed.tree()
    again = installed.install("--upgrade")
    assert again.returncode == 0, again.stdout + again.stderr
    assert installed.tree() == before


def test_settings_that_somebody_wrote_are_never_lost(place: Place) -> None:
    settings = place.root / "etc/router/router.yaml"
    settings.write_text("configuration: 1\nchime: no\n", encoding="utf-8")
    shipped = place.source / "systemd/router.yaml"
    shipped.write_text(shipped.read_text(encoding="utf-8") + "\n# A newer version.\n", encoding="utf-8")
    done = place.install()
    assert done.returncode == 0, done.stdout + done.stderr
    assert settings.read_text(encoding="utf-8") == "configuration: 1\nchime: no\n"
    assert settings.with_name("router.yaml.new").read_text(encoding="utf-8") == shipped.read_text(encoding="utf-8")
    assert "/etc/router/router.yaml.new" in done.stdout


def test_settings_that_nobody_touched_follow_the_version(place: Place) -> None:
    settings = place.root / "etc/router/router.yaml"
    shipped = place.source / "systemd/router.yaml"
    shipped.write_text(shipped.read_text(encoding="utf-8") + "\n# A newer version.\n", encoding="utf-8")
    assert place.install().returncode == 0
    assert settings.read_text(encoding="utf-8") == shipped.read_text(encoding="utf-8")
    assert not settings.with_name("router.yaml.new").exists()


def test_a_version_that_does_not_run_leaves_the_one_before(place: Place) -> None:
    before = place.tree()
    (place.source / "router/live/daemon.py").write_text("this is no program\n", encoding="utf-8")
    failed = place.install()
    assert failed.returncode == 1
    assert "this step failed: Trying it" in failed.stderr
    assert "this is no program" in failed.stderr
    assert "What to do: " in failed.stderr
    assert "as it was" in failed.stderr
    assert place.tree() == before


def test_a_version_that_runs_takes_the_place_of_the_one_before(place: Place) -> None:
    before = (place.root / "opt/router").readlink()
    (place.source / "router/newer.py").write_text('"""A newer version."""\n', encoding="utf-8")
    done = place.install()
    assert done.returncode == 0, done.stdout + done.stderr
    assert (place.root / "opt/router").readlink() != before
    assert sorted(path.name for path in (place.root / "opt").iterdir()) == sorted(
        ["router", (place.root / "opt/router").readlink().name]
    )


def test_settings_with_a_mistake_stop_it_before_anything_is_changed(place: Place) -> None:
    (place.root / "etc/router/router.yaml").write_text("configuration: 1\nmotive: no\n", encoding="utf-8")
    before = place.tree()
    failed = place.install()
    assert failed.returncode == 1
    assert "router.yaml:2:1: " in failed.stderr
    assert place.tree() == before


def test_without_the_packages_it_says_so_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    place = Place(tmp_path, tmp_path / "empty")
    failed = place.install()
    assert failed.returncode == 1
    assert "this step failed: Building" in failed.stderr
    assert "--wheels" in failed.stderr
    assert place.files() == []


def test_what_a_technician_switched_off_stays_off(place: Place) -> None:
    wanted = place.root / "etc/systemd/system/multi-user.target.wants/router-synth.service"
    wanted.unlink()
    assert place.install().returncode == 0
    assert not wanted.exists()
    assert "note     router-synth.service is switched off" in place.do("--check").stdout


def test_uninstalling_keeps_what_children_and_therapists_made(place: Place) -> None:
    profile = place.root / "var/lib/router/profiles/wren.yaml"
    profile.parent.mkdir(parents=True)
    profile.write_text("child: wren\n", encoding="utf-8")
    done = place.do("--uninstall", "--yes")
    assert done.returncode == 0, done.stderr
    assert sorted(place.files()) == ["etc/router/router.yaml", "var/lib/router/profiles/wren.yaml"]


def test_uninstalling_with_all_that_was_made_leaves_nothing(place: Place) -> None:
    (place.root / "var/lib/router/records").mkdir(parents=True)
    (place.root / "usr/local/lib/somebody").mkdir(parents=True)
    (place.root / "usr/local/lib/somebody/elses").touch()
    done = place.do("--uninstall", "--purge", "--yes")
    assert done.returncode == 0, done.stderr
    assert place.files() == ["usr/local/lib/somebody/elses"]
    assert place.do("--check").returncode == 1


def test_it_asks_before_it_removes(place: Place) -> None:
    before = place.tree()
    asked = place.do("--uninstall")
    assert asked.returncode == 1
    assert "Nothing was removed" in asked.stdout
    assert place.tree() == before
