"""Serial lines, over real pseudo-terminals: whatever a line sends, readings come out or nothing does."""

import os
import resource
import select
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.events import PressureSample, SwitchSample
from router.devices.descriptions import SerialDevice
from router.devices.inputs import by_device, open_input, serial, wish_for
from router.devices.inputs.base import PER_READ, DeviceBusy, DeviceLost, DeviceMissing
from router.devices.inputs.serial import LONGEST_LINE, LineReader, Reading, SerialInput
from router.devices.inputs.shared import Sharing
from router.system import clock


class Line:
    """The other end of a serial line."""

    def __init__(self):
        self.master, self._slave = os.openpty()
        self.path = os.ttyname(self._slave)

    def send(self, data: bytes):
        os.write(self.master, data)

    def unplug(self):
        if self.master >= 0:
            os.close(self._slave)
            os.close(self.master)
            self.master = -1


@pytest.fixture
def line():
    line = Line()
    yield line
    line.unplug()


@pytest.fixture
def opened(line):
    """A serial input with the inputs given, after its first line."""
    inputs = []

    def open_(switches=(), **devices):
        devices = {name: SerialDevice(line.path, **settings) for name, settings in devices.items()}
        inputs.append(SerialInput(devices, switches))
        line.send(b"\n")
        assert inputs[-1].read(0) == []
        return inputs[-1]

    yield open_
    for serial_input in inputs:
        serial_input.close()


LATER = 10**18
"""Nanoseconds: long after any opening."""


def read(serial_input, now=LATER):
    """All that comes; a pseudo-terminal hands it over in pieces, and one read takes no more than a bounded piece."""
    return [stamped for _ in range(20) for stamped in serial_input.read(now)]


def values(stamped):
    return [sample.pascal for _stamp, sample in stamped]


def test_a_line_is_a_reading_with_its_scale_and_offset(opened, line):
    cheek = opened(cheek={"scale": 98.0665, "offset": 2.0})
    line.send(b"12.0\n2\r\n-1.5\r")
    assert values(read(cheek)) == pytest.approx([980.665, 0.0, -343.23275])


def test_a_sample_carries_the_time_of_reading(opened, line):
    cheek = opened(cheek={})
    line.send(b"5\n")
    assert cheek.read(123) == [(123, PressureSample("cheek", 5.0))]


def test_a_line_in_pieces_is_read_when_it_is_whole(opened, line):
    cheek = opened(cheek={})
    for piece in (b"12", b"3", b".", b"5"):
        line.send(piece)
        assert cheek.read(0) == []
    line.send(b"\n")
    assert values(cheek.read(0)) == [123.5]


def test_reading_never_waits(opened):
    cheek = opened(cheek={})
    slept = resource.getrusage(resource.RUSAGE_THREAD).ru_nvcsw  # how often this thread gave up its processor to wait
    for _ in range(100):
        assert cheek.read(0) == []
    assert resource.getrusage(resource.RUSAGE_THREAD).ru_nvcsw - slept < 50  # pyserial's own read waits each time


def test_several_inputs_read_one_line_each_with_its_pattern(opened, line):
    both = opened(
        switches=["pad"],
        cheek={"line": r"P=(?P<value>-?\d+(\.\d+)?)"},
        pad={"line": r"B=(?P<value>[01])"},
    )
    line.send(b"P=-12.5 B=1\nB=0\nP=3\nnothing here\n")
    assert [sample for _stamp, sample in read(both)] == [
        PressureSample("cheek", -12.5),
        SwitchSample("pad", True),
        SwitchSample("pad", False),
        PressureSample("cheek", 3.0),
    ]


def test_garbage_between_good_lines_says_nothing(opened, line):
    cheek = opened(cheek={"line": r"^(?P<value>-?\d+)$"})
    line.send(b"1\n\x80\xff\xfe12\n\x00\x00\n\n\r\r\n2\nhello\n3\n")
    assert values(read(cheek)) == [1.0, 2.0, 3.0]


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "", "--", "1.2.3", "0x10", "1,5"])
def test_what_is_no_finite_number_says_nothing(text):
    reading = Reading("cheek", SerialDevice("x", line="^(?P<value>.*)$"), is_switch=False)
    assert reading.sample(text) is None


def test_a_group_that_took_no_part_says_nothing():
    reading = Reading("cheek", SerialDevice("x", line=r"a(?P<value>\d+)?"), is_switch=False)
    assert reading.sample("a") is None


def test_a_line_that_never_ends_is_given_up_and_the_next_is_read(opened, line):
    cheek = opened(cheek={})
    for _ in range(10):  # a pseudo-terminal takes 4 KiB at a time
        line.send(b"7" * 1000)
        assert read(cheek) == []
    line.send(b"8\n42\n")
    assert values(read(cheek)) == [42.0]
    assert cheek.dropped == 1


def test_one_read_takes_a_bounded_piece_and_what_is_left_is_news(opened, line):
    """Others must not wait until a line that floods us has said everything."""
    cheek = opened(cheek={})
    line.send(b"7\n" * 1000)
    first = []
    while not first:
        first = cheek.read(LATER)
    assert len(first) <= PER_READ // 2
    assert select.select([cheek.fileno()], [], [], 60)[0]
    count = len(first)
    while select.select([cheek.fileno()], [], [], 1)[0]:
        count += len(cheek.read(LATER))
    assert count == 1000
    assert cheek.dropped == 0


def test_a_line_that_is_just_too_long_is_given_up_whole():
    lines = LineReader()
    assert lines.feed(b"1" * LONGEST_LINE + b"\n") == [("1" * LONGEST_LINE, False)]
    assert lines.feed(b"1" * (LONGEST_LINE + 1) + b"\n2\n") == [("2", True)]
    assert lines.feed(b"1" * (LONGEST_LINE + 1)) == []
    assert lines.feed(b"1" * 10) == []
    assert lines.feed(b"\n3\n") == [("3", True)]
    assert lines.dropped == 2


@given(st.binary(max_size=3000), st.lists(st.integers(1, 200), max_size=30))
def test_lines_do_not_depend_on_how_the_bytes_come(data, cuts):
    whole = LineReader().feed(data)
    lines, pieces = LineReader(), []
    for cut in cuts:
        pieces += lines.feed(data[:cut])
        data = data[cut:]
    pieces += lines.feed(data)
    assert pieces == whole
    assert all(0 < len(line) <= LONGEST_LINE for line, _ in whole)


def test_the_first_line_may_be_cut_off_so_it_counts_for_switches_only(line):
    both = SerialInput({"cheek": SerialDevice(line.path), "pad": SerialDevice(line.path)}, ["pad"])
    line.send(b"1\n5\n")
    assert [sample for _stamp, sample in read(both)] == [
        SwitchSample("pad", True),
        PressureSample("cheek", 5.0),
        SwitchSample("pad", True),
    ]
    both.close()


def test_a_switch_that_was_pressed_before_we_listened_counts_once_it_has_been_let_go(line):
    both = SerialInput({"pad": SerialDevice(line.path)}, ["pad"])
    line.send(b"1\n1\n")
    assert read(both, clock.now()) == []
    line.send(b"1\n1\n")
    assert both.read(LATER) == []  # however long it lies there
    line.send(b"0\n1\n")
    assert [sample.pressed for _stamp, sample in read(both)] == [False, True]
    both.close()


def test_unplugging_is_a_lost_device(opened, line):
    cheek = opened(cheek={})
    line.unplug()
    with pytest.raises(DeviceLost, match=r"serial line /dev/"):
        cheek.read(0)
    cheek.close()
    cheek.close()


def test_a_line_that_is_not_there_is_missing():
    with pytest.raises(DeviceMissing, match=r'no serial line is called "/dev/nothing-here"'):
        SerialInput({"cheek": SerialDevice("/dev/nothing-here")}, [])


@pytest.mark.parametrize("path", ["/dev/null", "/tmp", "/etc/passwd"])
def test_what_is_no_serial_line_cannot_be_opened(path):
    with pytest.raises(DeviceMissing, match="cannot be opened"):
        SerialInput({"cheek": SerialDevice(path)}, [])


def test_one_line_is_opened_once(opened, line):
    opened(cheek={})
    with pytest.raises(DeviceMissing, match="another program uses it"):
        SerialInput({"cheek": SerialDevice(line.path)}, [])


def test_a_link_names_the_line_and_may_come_back_to_another(tmp_path, line):
    link = tmp_path / "usb-Sensor"
    link.symlink_to(line.path)
    cheek = SerialInput({"cheek": SerialDevice(str(link))}, [])
    assert cheek.description == f"serial line {link}"
    line.send(b"\n9\n")
    assert values(read(cheek)) == [9.0]
    cheek.close()


def test_a_name_without_case_and_several_that_match(monkeypatch):
    """The lines of this machine are none, so the list is given."""
    from router.devices.names import Candidate

    there = [
        Candidate(
            ("usb-Breath_Sensor_A-if00", "/dev/serial/by-id/usb-Breath_Sensor_A-if00", "ttyACM0", "/dev/ttyACM0")
        ),
        Candidate(
            ("usb-Breath_Sensor_B-if00", "/dev/serial/by-id/usb-Breath_Sensor_B-if00", "ttyACM1", "/dev/ttyACM1")
        ),
    ]
    monkeypatch.setattr(serial, "lines", lambda: there)

    def find(pattern):
        return serial.find(wish_for(Sharing(), "", {"cheek": SerialDevice(pattern)}))

    assert find("*breath_sensor_b*") == "/dev/ttyACM1"
    assert find("ttyacm0") == "/dev/ttyACM0"
    with pytest.raises(DeviceMissing) as refused:
        find("*breath*")
    assert str(refused.value).splitlines() == [
        '"*breath*" could be 2 serial lines; write one of these:',
        '    serial: "usb-Breath_Sensor_A-if00"',
        '    serial: "usb-Breath_Sensor_B-if00"',
    ]


def test_inputs_of_one_line_are_opened_together(line):
    groups = by_device({"a": SerialDevice(line.path), "b": SerialDevice("other"), "c": SerialDevice(line.path)})
    assert [list(group) for group in groups] == [["a", "c"], ["b"]]
    both = open_input(groups[0], {"a": "pressure", "c": "switch"})
    assert both.inputs == ("a", "c")
    both.close()


def test_no_descriptor_is_left_open(line, descriptors):
    before = descriptors()
    for _ in range(3):
        SerialInput({"cheek": SerialDevice(line.path)}, []).close()
        with pytest.raises(DeviceMissing):
            SerialInput({"cheek": SerialDevice("/dev/null")}, [])
    assert descriptors() == before


class Port:
    """What the system knows of a serial line."""

    vid, pid, description = 0x1A86, 0x7523, "Serial Adapter"

    def __init__(self, number, serial_number):
        self.name, self.serial_number = f"ttyUSB{number}", serial_number
        self.device = f"/dev/{self.name}"


@pytest.mark.parametrize(("numbers", "first"), [("AB", ["usb-A", "usb-B"]), ((None, None), ["port-0", "port-1"])])
def test_two_adapters_of_one_make_are_named_by_their_ports_unless_each_has_a_number(
    tmp_path, monkeypatch, numbers, first
):
    ports = [Port(n, number) for n, number in enumerate(numbers)]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    for folder in ("BY_ID", "BY_PATH"):
        monkeypatch.setattr(serial, folder, tmp_path / folder)
        (tmp_path / folder).mkdir()
    for port in ports:
        (tmp_path / "BY_PATH" / f"port-{port.device[-1]}").symlink_to(port.device)
        link = tmp_path / "BY_ID" / (f"usb-{port.serial_number}" if port.serial_number else "usb-same")
        link.unlink(missing_ok=True)  # udev lets the last one have it
        link.symlink_to(port.device)
    assert [line.name for line in serial.lines()] == first
    assert all(line.names[-1] == port.device for line, port in zip(serial.lines(), ports, strict=True))


def test_the_last_line_that_is_said_now(line):
    """Only whole lines count, and the line is free again afterwards."""
    writer = threading.Thread(target=lambda: [line.send(b"3.5\n12.5\n99") or time.sleep(0.05) for _ in range(8)])
    writer.start()
    try:
        assert serial.last_line(line.path, 115200, 0.5) in ("3.5", "12.5", "993.5")
    finally:
        writer.join()
    assert serial.last_line(line.path, 115200, 0.1) == ""
    SerialInput({"cheek": SerialDevice(line.path)}, ()).close()


def test_a_line_that_another_program_uses_is_not_disturbed(line):
    used = SerialInput({"cheek": SerialDevice(line.path)}, ())
    with pytest.raises(DeviceMissing, match="another program uses it"):
        serial.last_line(line.path, 115200, 0.1)
    with pytest.raises(DeviceBusy):
        SerialInput({"cheek": SerialDevice(line.path)}, ())
    used.close()
