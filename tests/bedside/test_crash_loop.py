"""The service that dies and is started again, as systemd does it: what killed it does not kill it for ever."""

from __future__ import annotations

import hashlib
import signal
import sys
import time

import pytest

from router.bedside.deaths import MANY
from router.bedside.memory import Proven
from router.live import chime
from tests.shared.bedside import LARK, PROFILE, WREN, plays
from tests.shared.waiting import WAIT, until

pytestmark = pytest.mark.usefixtures("jack_server")

PATIENT = """
import os, sys
from router.bedside import deaths
deaths.WITHIN *= 10  # on a machine that is busy three starts take long
"""

FAULTY = (
    PATIENT
    + """
from router.core.rules.note import NoteRule
press = NoteRule.press
def deadly(rule, event, now):
    return os.abort() if rule._pitch == {note} else press(rule, event, now)
NoteRule.press = deadly
from router.cli import main
sys.exit(main())
"""
)
"""The router with a fault of its own: who plays this note ends it as a crash in C does."""

ABORTS = """
\"\"\"A rule that ends the whole process.

Example::

    rules:
      - note: {pitch: C4}
      - deadly: {}
\"\"\"
import os
from router.rule import Kind, Rule

class Deadly(Rule):
    \"\"\"See the module's docstring.\"\"\"

    name = "deadly"
    takes = Kind.NOTES
    gives = Kind.NOTES
    settings = {"type": "object", "additionalProperties": False, "properties": {}}

    def note_on(self, note, now):
        os.abort()
"""

DEADLY = PROFILE.replace("{{pitch: {note}}}", "{{pitch: {note}}}, deadly: {{}}")


def dies(pc, sensor):
    """An effort ends the router."""
    sensor.pascal = 1.0
    assert pc.process.wait(WAIT) == -signal.SIGABRT
    sensor.pascal = 0.0
    pc.process.stdout.close()
    time.sleep(0.1)


def chimes(listener):
    return [data[0] for status, *data in list(listener.heard) if status == 0x9F and data[1]]


def test_a_profile_that_kills_the_router_gives_way_to_the_last_that_played(bedside):
    pc, listener, sensor = bedside
    program = (sys.executable, "-c", FAULTY.format(note=LARK))
    wren = pc.text("wren", WREN).encode()
    pc.start(program=program)
    plays(listener, sensor, WREN)
    Proven(pc.folder / "state" / "bed").keep(hashlib.sha256(wren).hexdigest(), wren)  # it has played for a minute
    pc.put("lark", LARK)
    pc.wait_for("swap")
    for _ in range(MANY):
        dies(pc, sensor)
        listener.heard.clear()
        pc.start(program=program)
    plays(listener, sensor, WREN)
    until(lambda: chimes(listener) == list(chime.INSTEAD))
    for died in pc.events("died"):
        assert (died["seat"], died["profile"]) == ("bed", "lark.yaml")
    assert len(pc.events("died")) == MANY
    status = pc.seat_status()
    assert status["child"] == "wren"
    assert "lark.yaml" in status["warnings"][0]
    assert "lark.yaml" in status["refused"]["message"]
    answer = pc.ask(do="use", child="lark")
    assert not answer["ok"]
    assert "died" in answer["problem"]
    pc.put("lark", LARK + 1)  # put right
    pc.wait_for("swap", 2)
    plays(listener, sensor, LARK + 1)
    assert pc.stop() == 0


def test_a_rule_of_others_that_kills_the_router_is_left_out_and_the_rest_plays(bedside, tmp_path):
    pc, listener, sensor = bedside
    rules = tmp_path / "rules"
    rules.mkdir(mode=0o755)
    (rules / "deadly.py").write_text(ABORTS)
    (rules / "deadly.py").chmod(0o644)
    pc.put("wren", WREN, DEADLY)
    pc.start(ROUTER_RULES=str(rules))
    dies(pc, sensor)
    pc.start(ROUTER_RULES=str(rules))
    (died,) = pc.events("died")
    assert (died["seat"], died["rule"]) == ("bed", "deadly")
    plays(listener, sensor, WREN)
    (warning,) = pc.ask(do="status")["status"]["warnings"]
    assert "deadly" in warning
    assert pc.stop() == 0


def test_restarts_in_order_are_no_deaths(bedside):
    pc, listener, sensor = bedside
    for number in range(MANY + 1):
        pc.start()
        if number % 2:
            plays(listener, sensor, WREN)
        assert pc.stop() == 0
    pc.start()
    assert not pc.events("died")
    plays(listener, sensor, WREN)


def test_a_crash_while_it_closes_its_ports_is_no_death(bedside):
    """What was seen: told to stop, JACK's library ended the process as a port was closed;
    the profile had no part in it.
    """
    pc, listener, sensor = bedside
    code = (
        "import os, sys; from router.devices.outputs.midi_port import MidiPortOutput\n"
        "MidiPortOutput.close = lambda self: os.abort()\n"
        "from router.cli import main\nsys.exit(main())\n"
    )
    for _ in range(MANY):
        pc.start(program=(sys.executable, "-c", code))
        sensor.pascal = 1.0
        until(lambda: any(status & 0xF0 == 0x90 for status, *_ in list(listener.heard)))
        assert pc.stop() == -signal.SIGABRT
        sensor.pascal = 0.0
        assert [data for data in listener.heard if data[0] & 0xF0 == 0x80], "the note ended before"
        listener.heard.clear()
    pc.start()
    assert not pc.events("died")
    plays(listener, sensor, WREN)


def test_being_stopped_while_it_starts_is_no_death(bedside):
    pc, _listener, _sensor = bedside
    code = (
        "import os, signal, sys; import router.bedside.service as service\n"
        "service.Service._begin_control = lambda self: os.kill(os.getpid(), signal.SIGTERM) or [0 for _ in "
        "iter(int, 1)]\n"
        "from router.cli import main\nsys.exit(main())\n"
    )
    for _ in range(MANY):
        pc.spawn(program=(sys.executable, "-c", code))
        assert pc.process.wait(WAIT) == 0
        pc.process.stdout.close()
    pc.start()
    assert not pc.events("died")


def test_where_nobody_is_known_the_safe_profile_is_the_last(bedside):
    """As when something outside kills it: what has not proved itself is given up."""
    pc, _listener, _sensor = bedside
    program = (sys.executable, "-c", PATIENT + "from router.cli import main; sys.exit(main())")
    pc.start(program=program)
    for _ in range(MANY):
        pc.process.kill()
        pc.process.wait()
        pc.process.stdout.close()
        pc.start(program=program)
    assert pc.events("left_out")
    assert pc.seat_status()["file"] != str(pc.profiles / "wren.yaml")
    pc.process.kill()
    pc.process.wait()
    pc.process.stdout.close()
    pc.start(program=program)
    assert pc.seat_status()["file"].endswith("safe.yaml")
    assert "space bar" in pc.seat_status()["because"]
