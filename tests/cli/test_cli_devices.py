"""``router devices``: every line that it prints can be pasted into a profile, which is then right."""

import json
import os
import re
import threading
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from router.cli import devices, main
from router.cli.devices import _Kind, _line
from router.devices import names
from router.devices.inputs import evdev, kernel_devices, serial
from router.devices.inputs.kernel_devices import Axis, Present
from router.devices.names import Candidate, NotOne, as_json, as_yaml, choose, matches, shown
from router.files.profile import check

SPACE, LEFT = 57, 0x110

PROFILE = """profile: 1
child: wren
inputs:
  it:
    type: {type}
    {device}
{more}parts:
  tune: {{input: {source}, rules: [note: {{}}], output: {{port: synth}}}}
outputs:
  synth: {{midi: "*"}}
"""


STANDING = """\
device: {evdev: "Pad", key: KEY_ENTER}   # switch: held now: KEY_ENTER; keys KEY_SPACE, KEY_ENTER
device: {evdev: "Pad", x: ABS_X, y: ABS_Y}   # pointer: now at 25% from the left, 100% from the top
device: {evdev: "Pad", axis: ABS_X, calibrate: [{reads: 64, is: 0 Pa}, {reads: 255, is: 10 cmH2O}]}   # pressure: reads 64 now, of 0 to 255; measure the second point
device: {evdev: "Pad", axis: ABS_Y, calibrate: [{reads: 255, is: 0 Pa}, {reads: 0, is: 10 cmH2O}]}   # pressure: reads 255 now, of 0 to 255; measure the second point
device: {evdev: "Pad", axis: ABS_Z, calibrate: [{reads: 412, is: 0 Pa}, {reads: 4095, is: 10 cmH2O}]}   # pressure: reads 412 now, of 0 to 4095; measure the second point
device: {evdev: "Mouse \\"A\\" [x]", key: BTN_LEFT}   # switch: held now: none; keys BTN_LEFT
device: {evdev: "Mouse \\"A\\" [x]", x: REL_X, y: REL_Y}   # pointer: says how far it moves, not where it is"""


def pasted(tmp_path, entry):
    """What is said of a profile into which this line has been pasted as it stands, its remark too."""
    pressure = entry["type"] == "pressure"
    path = tmp_path / "wren.yaml"
    path.write_text(
        PROFILE.format(
            type=entry["type"],
            device=_line(entry),
            more="    above: {on: 0.5 inH2O, full: 2 inH2O}\n" if pressure else "",
            source="it.above" if pressure else "it",
        ),
        encoding="utf-8",
    )
    return [str(problem) for problem in check(path)]


@pytest.fixture
def plugged(monkeypatch):
    """Input devices that are there, and how they stand."""
    there = [
        Present(Candidate(("Pad", "/dev/input/event1")), "/dev/input/event1", {1: (SPACE, 28), 2: (), 3: (0, 1, 2)}),
        Present(Candidate(('Mouse "A" [x]',)), "/dev/input/event2", {1: (LEFT,), 2: (0, 1), 3: ()}),
        Present(Candidate(("Twin",)), "/dev/input/event3", {1: (), 2: (), 3: (40, 0x35)}),  # nothing that can be used
    ]
    states = {
        "/dev/input/event1": ({28}, {0: Axis(64, 0, 255), 1: Axis(255, 0, 255), 2: Axis(412, 0, 4095)}),
        "/dev/input/event2": (set(), {}),
        "/dev/input/event3": (set(), {40: Axis(7, 7, 7), 0x35: Axis(0, 0, 9)}),
    }
    monkeypatch.setattr(kernel_devices, "present", lambda: there)
    monkeypatch.setattr(kernel_devices, "state", lambda device: states[device.path])


def test_input_devices_say_how_they_stand_and_what_they_can_serve(plugged, tmp_path):  # noqa: ARG001
    kind = _Kind("", "")
    devices._evdev(kind)
    assert "\n".join(_line(entry) for entry in kind.found) == STANDING
    for entry in kind.found:
        assert pasted(tmp_path, entry) == [], entry


def test_a_device_that_has_just_gone_is_left_out(plugged, monkeypatch):  # noqa: ARG001
    def gone(_device):
        raise OSError(19, "No such device")

    monkeypatch.setattr(kernel_devices, "state", gone)
    monkeypatch.setattr(kernel_devices, "unreadable", lambda: 0)
    kind = _Kind("", "")
    devices._evdev(kind)
    assert kind.found == []


def test_serial_lines_say_their_last_line(monkeypatch, tmp_path):
    master, slave = os.openpty()
    path = os.ttyname(slave)
    ended = threading.Event()

    def speak():
        while not ended.wait(0.02):
            os.write(master, b"101.5\x1b\n")

    speaker = threading.Thread(target=speak)
    speaker.start()
    monkeypatch.setattr(serial, "lines", lambda: [Candidate(("usb-Sensor", path), "Sensor")])
    kind = _Kind("", "")
    try:
        devices._serial(9600, kind)
    finally:
        ended.set()
        speaker.join()
        os.close(master)
        os.close(slave)
    assert [_line(entry) for entry in kind.found] == [
        'device: {serial: "usb-Sensor", baud: 9600, unit: Pa}   # pressure: Sensor; said "101.5\\x1b"',
        'device: {serial: "usb-Sensor", baud: 9600}   # switch: Sensor; said "101.5\\x1b"',
    ]
    for entry in kind.found:
        assert pasted(tmp_path, entry) == [], entry


def test_midi_ports_can_be_pasted(tmp_path):
    kind = _Kind("", "")
    devices._ports(kind, ['Pad "x" {y}:out'], "device: {{midi: {}}}", "midi")
    for entry in kind.found:
        assert pasted(tmp_path, entry) == [], entry
    assert len(kind.found) == 1


HOSTILE = 'Pad\x1b]0;ha\x07 \x1b[2J\u202egnirts\u2066 "x" \\n\n\x85\x9b31m\u200b\ufeff\U000e0041'
"""A name as a device may say it: it clears a terminal, names its window, and turns the writing."""


def obeyed(text):
    """What of a text a terminal would obey, or would not show."""
    return [character for character in text if not character.isprintable() and character != "\n"]


def test_a_name_that_steers_a_terminal_is_printed_so_that_it_does_not_and_can_still_be_pasted(
    monkeypatch, tmp_path, capsys
):
    hostile = [
        Present(Candidate((HOSTILE, "/dev/input/event9"), HOSTILE), "/dev/input/event9", {1: (SPACE,), 2: (), 3: ()})
    ]
    monkeypatch.setattr(kernel_devices, "present", lambda: hostile)
    monkeypatch.setattr(kernel_devices, "state", lambda _device: ({SPACE}, {}))
    port = type(
        "Port",
        (),
        {
            "vid": None,
            "pid": None,
            "serial_number": None,
            "name": "ttyACM0",
            "device": "/dev/ttyACM0",
            "description": HOSTILE,
        },
    )
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [port])
    monkeypatch.setattr(serial, "last_line", lambda *_: HOSTILE)
    monkeypatch.setattr(
        "router.devices.ports.midi_system",
        type("System", (), {"senders": lambda _: [HOSTILE], "receivers": lambda _: [HOSTILE]}),
    )
    for options in ([], ["--json"]):
        assert main(["devices", *options]) == 0
        said = capsys.readouterr().out
        assert not obeyed(said)
        assert "gnirts" in said
    kinds = json.loads(said)
    assert {entry["device"] for entry in kinds["switches_and_pointers"]["found"]} == {HOSTILE}
    pasted_names = [
        yaml.safe_load(entry["profile"])["device"]["evdev"] for entry in kinds["switches_and_pointers"]["found"]
    ]
    assert all(matches(name, [HOSTILE]) and not matches(name, [HOSTILE + "x", "Pad"]) for name in pasted_names)
    for entry in kinds["switches_and_pointers"]["found"]:
        assert pasted(tmp_path, entry) == []
    for kind in kinds.values():
        for entry in kind["found"]:
            assert not obeyed(_line(entry))
            assert "\n" not in _line(entry)


@pytest.mark.parametrize("say", [shown, as_yaml, as_json])
@given(text=st.text())
def test_whatever_a_name_holds_nothing_of_it_is_obeyed_and_it_reads_back(say, text):
    said = say(text)
    assert not obeyed(said)
    assert "\n" not in said
    if say is as_json:
        assert json.loads(said) == text
    elif say is as_yaml:
        assert yaml.safe_load(said) == text


def test_what_is_said_of_a_device_that_is_open_lost_or_not_to_be_told_apart_holds_nothing_of_it():
    there = [Candidate((HOSTILE + "1", "a"), HOSTILE), Candidate((HOSTILE + "2", "b"), HOSTILE)]
    for pattern in ("Pad*", "other", HOSTILE):
        with pytest.raises(NotOne) as refused:
            choose(pattern, there, "MIDI port", "midi")
        assert not obeyed(str(refused.value))
    node = type("Node", (), {"name": HOSTILE, "path": "/dev/input/event9", "held": lambda _: set()})()
    assert not obeyed(evdev.Events(node).description)


def test_a_device_is_named_for_people_only_through_the_one_place_that_escapes():
    """Where a message names a device, a port or a pattern, the name stands in ``as_yaml`` or ``shown``."""
    bare = re.compile(r"""f["'].*"\{[\w.]*(?:pattern|sender|_target|name)(?:\[\w+\])?\}\"""")
    folder = Path(names.__file__).parent
    files = [
        *(folder / "inputs" / f"{kind}.py" for kind in ("evdev", "midi", "serial", "shared", "every")),
        *folder.glob("outputs/midi_port.py"),
        folder / "names.py",
        folder / "ports.py",
    ]
    found = [
        f"{file.name}: {line.strip()}" for file in files for line in file.read_text().splitlines() if bare.search(line)
    ]
    assert not found
