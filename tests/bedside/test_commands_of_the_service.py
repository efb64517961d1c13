"""The commands that ask the running router, and the service itself: two processes and the socket between them."""

import json
import subprocess
import sys
import time

import pytest

from tests.fuzz_control import throw
from tests.shared.bedside import BROKEN, FINCH, WREN, Bedside
from tests.shared.parts import Listener, Sensor
from tests.shared.waiting import WAIT, until

pytestmark = pytest.mark.usefixtures("jack_server")


@pytest.fixture
def pc(part, tmp_path):
    listener, sensor = part(Listener), part(Sensor)
    pc = Bedside(tmp_path, listener.client, sensor)
    pc.listener = listener
    pc.start()
    yield pc
    pc.close()


def command(pc, *arguments):
    return [sys.executable, "-m", "router", *arguments, "--socket", str(pc.runtime / "control")]


def run(pc, *arguments):
    done = subprocess.run(command(pc, *arguments), capture_output=True, text=True, timeout=WAIT, check=False)
    return done.returncode, done.stdout, done.stderr


def test_status_use_mark_and_panic(pc):
    pc.put("finch", FINCH)
    pc.wait_for("swap")
    assert run(pc, "use", "wren") == (0, "wren plays now\n", "")
    pc.put("broken", FINCH, BROKEN)
    pc.wait_for("profile_refused")
    status, said, _ = run(pc, "use", "broken")
    assert (status, said) == (1, "")
    pc.sensor.pascal = 1.0
    until(lambda: WREN in pc.listener.sounding())
    status, said, _ = run(pc, "status")
    assert status == 0
    for wanted in (
        "bed: wren",
        '"wren" was asked for',
        "pad  there  pressed",
        "1 press",
        "channel 3",
        "refused   broken",
    ):
        assert wanted in said, said
    assert run(pc, "panic") == (0, "every note is off\n", "")
    until(lambda: not pc.listener.sounding())
    assert run(pc, "mark", "smiled") == (0, "marked: smiled\n", "")
    pc.wait_for("mark")
    status, said, _ = run(pc, "use", "--json")
    assert json.loads(said) == {"bed": {"plays": "wren", "children": ["broken", "finch", "wren"]}}


def test_watch_over_a_restart(pc):
    watching = subprocess.Popen(
        command(pc, "watch", "pad", "--json"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    with watching:

        def pad():
            return json.loads(watching.stdout.readline())["seats"]["bed"]["inputs"]["pad"]

        assert pad()["presses"] == 0
        pc.sensor.pascal = 1.0
        until(lambda: pad()["pressed"] == ["pad"])
        pc.sensor.pascal = 0.0
        until(lambda: pad()["pressed"] == [])
        assert pad()["presses"] == 1
        pc.stop()
        pc.start()
        until(lambda: pad()["presses"] == 0)
        watching.terminate()
        assert watching.wait(WAIT) == 0
        assert watching.stderr.read().startswith("the router at ")


def test_garbage_into_the_running_router(pc):
    """More of it: ``python -m tests.fuzz_control --socket PATH``."""
    until(lambda: [*pc.records.glob("wren/*.jsonl")])  # the log, which is opened a second after the start, counts too
    before = pc.cost().descriptors
    became = throw(100_000, 0, pc.runtime / "control")
    assert became["problems"] > 10
    until(lambda: pc.cost().descriptors == before)
    until(lambda: _press(pc))  # swaps that the garbage has asked for may end the first ones
    until(lambda: not pc.listener.sounding())
    assert pc.events("program_fault") == []


def _press(pc):
    """Press for a moment; whether it was heard."""
    pc.sensor.pascal = 1.0
    time.sleep(0.3)
    heard = WREN in pc.listener.sounding()
    pc.sensor.pascal = 0.0
    time.sleep(0.3)
    return heard
