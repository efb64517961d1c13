"""Serial lines, the terminal and MIDI ports where several seats look for them: shared, told apart or refused."""

import os
import select
import time

import pytest

from router.core.events import MidiSample, PressureSample, SwitchSample
from router.devices.descriptions import (
    MidiInDevice,
    MidiPressure,
    SerialDevice,
    TerminalKey,
)
from router.devices.inputs import midi, terminal
from router.devices.inputs.base import DeviceBusy, DeviceLost
from router.devices.inputs.shared import Opened
from router.devices.ports import PortConnection, midi_system
from tests.shared.looking import Room
from tests.shared.midi_in import wait_for
from tests.shared.waiting import until


@pytest.fixture
def room():
    room = Room()
    yield room
    room.close()


# --- serial lines -------------------------------------------------------------------------------------------------


@pytest.fixture
def line():
    ends = os.openpty()
    yield ends[0], os.ttyname(ends[1])
    for end in ends:
        os.close(end)


def lines_of(path, **patterns):
    return {name: SerialDevice(path, line=pattern) for name, pattern in patterns.items()}


def come(room, who, count, seconds=10):
    found = []
    deadline = time.monotonic() + seconds
    while len(found) < count and time.monotonic() < deadline:
        if select.select([room.inputs[who].fileno()], [], [], 0.1)[0]:
            found += room.samples(who, 10**18)
    return found


def test_two_readings_of_one_line_are_two_seats_and_a_swap_at_one_costs_the_other_none(room, line):
    master, path = line
    room.wants("window", cheek=SerialDevice(path, line=r"a(?P<value>\d+)"))
    room.opens("window")
    os.write(master, b"\n")
    heard, doors = [], []
    for number in range(50):
        room.wants("door", knee=SerialDevice(path, line=r"b(?P<value>\d+)"))
        room.opens("door")
        os.write(master, b"a%d b%d\n" % (number, number))
        doors += come(room, "door", 1)
        os.write(master, b"a%d b%d\n" % (1000 + number, number))
        room.leaves("door")
        heard += come(room, "window", 2)
    assert [sample.pascal for sample in heard] == [1000 * half + n for n in range(50) for half in (0, 1)]
    assert [sample.pascal for sample in doors] == [*range(50)]


def test_the_same_reading_of_a_line_twice_and_another_speed_are_refused(room, line):
    _, path = line
    room.wants("window", cheek=SerialDevice(path)).wants("door", cheek=SerialDevice(path))
    room.opens("window")
    assert 'seat "window" has the same readings of it' in str(room.refusal("door"))
    room.wants("wall", cheek=SerialDevice(path, baud=9600, line="p(?P<value>.)"))
    refused = room.refusal("wall")
    assert isinstance(refused, DeviceBusy)
    assert 'runs at 115200 baud for seat "window", and this input wants 9600' in str(refused)
    room.leaves("window")
    room.opens("wall")


def test_one_line_by_two_names_is_one_line(room, line, tmp_path):
    master, path = line
    link = tmp_path / "usb-Sensor"
    link.symlink_to(path)
    room.wants("window", **lines_of(path, cheek="a(?P<value>.)")).wants(
        "door", **lines_of(str(link), knee="b(?P<value>.)")
    )
    room.opens("window")
    room.opens("door")
    os.write(master, b"\na1b2\n")
    assert come(room, "window", 1) == [PressureSample("cheek", 1.0)]
    assert come(room, "door", 1) == [PressureSample("knee", 2.0)]


# --- the terminal, MIDI -------------------------------------------------------------------------------------------


def test_each_seat_has_its_key_of_the_terminal(room, line, monkeypatch):
    master, path = line
    slave = os.open(path, os.O_RDWR | os.O_NOCTTY)
    opened = terminal.Terminal
    monkeypatch.setattr(terminal, "Terminal", lambda _descriptor: opened(slave))
    room.wants("window", pad=TerminalKey("a")).wants("door", pad=TerminalKey("b")).wants("wall", pad=TerminalKey("a"))
    room.opens("window")
    room.opens("door")
    assert 'seat "window" has a of it' in str(room.refusal("wall"))
    os.write(master, b"ab")
    assert come(room, "window", 1) == [SwitchSample("pad", True)]
    assert come(room, "door", 1) == [SwitchSample("pad", True)]
    room.leaves("window")
    os.write(master, b"a")
    room.opens("wall")
    room.close()
    os.close(slave)


@pytest.mark.usefixtures("jack_server")
def test_midi_ports_of_two_seats_are_told_apart_and_one_port_is_heard_by_all(pad, room):
    senders = {name: pad(name) for name in ("twin-a", "twin-b")}
    room.wants("window", keys=MidiInDevice("twin-*")).wants("door", keys=MidiInDevice("twin-*"))
    assert "twin-a" in room.opens("window").description
    assert "twin-b" in room.opens("door").description
    room.wants("wall", keys=MidiInDevice("twin-a*"))
    room.opens("wall")
    senders["twin-a"].send(0x90, 60, 1)
    for who in ("window", "wall"):
        assert [sample for _, sample in wait_for(room.inputs[who], 1)] == [MidiSample("keys", (0x90, 60, 1))]
    assert room.samples("door") == []


def test_of_two_keyboards_of_one_name_nobody_takes_the_others_when_his_own_is_away(room, monkeypatch):
    """ALSA's names: the number at the end is in the name only while there are two of one name."""
    ports = ["Keys:Keys MIDI 1 24:0", "Keys:Keys MIDI 1 28:0"]

    class System:
        name, alive = "alsa", True

        def senders(self):
            return ports

        def connected(self, port, client):
            return port in ports

    class Port(midi.Port):
        def __init__(self, system, sender):
            Opened.__init__(self)
            self.system, self._sender, self._gone, self.dropped, self.description = system, sender, False, 0, sender
            self._poke = os.eventfd(0)
            self._connection = PortConnection(system, sender, "")

        join, leave = Opened.join, Opened.leave

        def close(self):
            os.close(self._poke)

    system = System()
    monkeypatch.setattr(midi, "midi_system", lambda: system)
    monkeypatch.setattr(midi, "Port", Port)
    room.wants("window", keys=MidiInDevice("Keys*")).wants("door", keys=MidiInDevice("Keys*"))
    assert room.opens("window").description == "Keys:Keys MIDI 1 24:0"
    assert room.opens("door").description == "Keys:Keys MIDI 1 28:0"
    gone = ports.pop(0)
    with pytest.raises(DeviceLost):
        room.inputs["window"].look()
    room.leaves("window", wanted=True)
    room.inputs["door"].look()
    assert "means only what others have" in str(room.refusal("window"))
    ports.append(gone)
    assert room.opens("window").description == gone


@pytest.mark.usefixtures("jack_server")
def test_the_same_controller_of_a_port_twice_is_refused(pad, room):
    pad("breath")
    room.wants("window", cheek=MidiPressure("breath*", 0xB0, 2)).wants(
        "door", cheek=MidiPressure("breath*", 0xB0, 2, 3)
    )
    room.wants("wall", cheek=MidiPressure("breath*", 0xB0, 1))
    room.opens("window")
    assert 'seat "window" has controller 2 of it' in str(room.refusal("door"))
    room.opens("wall")


@pytest.mark.usefixtures("jack_server")
def test_a_midi_port_stays_open_for_whoever_comes_next_until_it_has_gone(pad, descriptors):
    """To open one under JACK takes 90 ms, to close it 30 to 70, in which nobody plays."""
    first = pad("stays")
    room = Room(keep=True)
    room.wants("window", keys=MidiInDevice("stays*"))
    opened = room.opens("window")._port
    ours = lambda: [name for name in midi_system().receivers() if "router-in" in name]  # noqa: E731
    (port,) = ours()
    before = descriptors()
    for _ in range(3):
        room.leaves("window")
        brought = opened._brought
        first.send(0x90, 60, 1)  # nobody's
        until(lambda brought=brought: opened._brought > brought)
        room.wants("window", keys=MidiInDevice("stays*")).wants("door", clock=MidiInDevice("stays*", clock=True))
        room.opens("window")
        assert room.opens("door").wants_clock
        first.send(0xF8)
        first.send(0x80, 60, 1)
        assert [sample.data for _, sample in wait_for(room.inputs["door"], 2)] == [(0xF8,), (0x80, 60, 1)]
        assert [sample.data for _, sample in wait_for(room.inputs["window"], 1)] == [(0x80, 60, 1)]
        room.leaves("door")
    assert ours() == [port]
    assert descriptors() == before
    room.leaves("window")
    first.close()
    until(lambda: not any("stays" in name for name in midi_system().senders()))
    room.sharing.look()
    assert ours() == []
    again = pad("stays")
    room.wants("window", keys=MidiInDevice("stays*"))
    room.opens("window")
    again.send(0x90, 60, 1)
    assert len(wait_for(room.inputs["window"], 1)) == 1
    room.leaves("window")
    room.sharing.close()
    assert ours() == []
