"""News of what is plugged in, from the system's own inotify, in real folders."""

import os
import select

import pytest

from router.devices import plugged
from router.devices.plugged import Plugged


@pytest.fixture
def dev(tmp_path, monkeypatch):
    """A folder that stands for /dev."""
    dev = tmp_path / "dev"
    (dev / "input").mkdir(parents=True)
    folders = (dev, dev / "input", dev / "serial", dev / "serial" / "by-id")
    monkeypatch.setattr(plugged, "DEV", dev)
    monkeypatch.setattr(plugged, "FOLDERS", folders)
    return dev


@pytest.fixture
def watch():
    opened = []

    def make(*paths):
        opened.append(Plugged(paths))
        return opened[-1]

    yield make
    for each in opened:
        each.close()


def news(watching):
    """Whether the descriptor is readable, and what is read is worth a look."""
    return bool(select.select([watching.fileno()], [], [], 5)[0]) and watching.read()


def quiet(watching):
    return not select.select([watching.fileno()], [], [], 0)[0] or not watching.read()


def test_nothing_new_is_no_news(dev, watch):
    (dev / "input" / "event0").touch()
    assert quiet(watch())


def test_a_node_that_appears_and_one_that_becomes_readable(dev, watch):
    watching = watch()
    node = dev / "input" / "event0"
    node.touch(0o600)
    assert news(watching)
    assert quiet(watching)
    node.chmod(0o660)
    assert news(watching)
    assert quiet(watching)


def test_reading_writing_and_going_are_no_news(dev, watch):
    """What is lost says so itself, and a sensor's every line must not wake anybody."""
    node = dev / "input" / "event0"
    node.touch()
    watching = watch()
    node.write_text("12")
    assert node.read_text() == "12"
    node.unlink()
    assert quiet(watching)


def test_folders_that_are_made_later_are_watched(dev, watch):
    watching = watch()
    (dev / "serial").mkdir()
    assert news(watching)
    (dev / "serial" / "by-id").mkdir()
    assert news(watching)
    (dev / "serial" / "by-id" / "usb-sensor").symlink_to("../../ttyUSB0")
    assert news(watching)


def test_a_folder_that_goes_and_comes_again(dev, watch):
    watching = watch()
    (dev / "input").rmdir()
    (dev / "input").mkdir()
    assert news(watching)
    (dev / "input" / "event0").touch()
    assert news(watching)


def test_in_another_folder_only_the_name_that_is_wanted(dev, watch, tmp_path):  # noqa: ARG001
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    watching = watch(elsewhere / "pad")
    (elsewhere / "other").touch()
    assert quiet(watching)
    os.symlink("/dev/null", elsewhere / "pad")  # noqa: PTH211
    assert news(watching)


def test_no_descriptor_stays_open(dev, descriptors):  # noqa: ARG001
    before = descriptors()
    Plugged().close()
    assert descriptors() == before
