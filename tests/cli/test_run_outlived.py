"""``router run PROFILE`` in no service's hands: however it ends, no note stays on."""

from __future__ import annotations

import signal
import sys
import time

import pytest

from tests.shared.bedside import PROFILE, WREN, plays
from tests.shared.parts import Listener, Router, Sensor
from tests.shared.waiting import until

pytestmark = pytest.mark.usefixtures("jack_server")


@pytest.fixture
def playing(part, tmp_path, monkeypatch):
    """A router of which a note sounds; the listener, and the folder in which it keeps what sounds."""
    listener, sensor = part(Listener), part(Sensor)
    runtime = tmp_path / "runtime"
    runtime.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    router = part(Router, PROFILE.format(child="wren", note=WREN, sensor=sensor.path, synth=listener.client))
    time.sleep(0.2)  # a switch that is pressed when the line is opened was not pressed for us
    sensor.pascal = 1.0
    until(lambda: WREN in listener.sounding())
    return router, listener, runtime


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGABRT, signal.SIGVTALRM, signal.SIGTERM, signal.SIGINT])
def test_whatever_ends_it_no_note_stays_on(playing, number):
    router, listener, runtime = playing
    assert list(runtime.iterdir())
    router.stop(number)
    until(lambda: not listener.sounding())
    until(lambda: not list(runtime.iterdir()))


def test_where_no_record_can_be_kept_it_plays_all_the_same(part, tmp_path, monkeypatch):
    program = tmp_path / "no_room.py"
    program.write_text(
        "import os, sys, tempfile\n"
        "def fails(*_):\n    raise OSError(28, os.strerror(28))\n"
        "tempfile.mkstemp = fails\n"
        "from router.cli import main\n"
        "sys.exit(main())\n"
    )
    monkeypatch.setattr("tests.shared.parts.ROUTER", [sys.executable, str(program)])
    listener, sensor = part(Listener), part(Sensor)
    router = part(Router, PROFILE.format(child="wren", note=WREN, sensor=sensor.path, synth=listener.client))
    (warning,) = router.wait_for("no_record_of_what_sounds")
    assert "No space left on device" in warning["why"]
    time.sleep(0.2)  # a switch that is pressed when the line is opened was not pressed for us
    plays(listener, sensor, WREN)
