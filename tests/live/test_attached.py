"""What is missing is looked for again where no news will come of it: a device that could not be opened for want of
something.

The wants are real ones: this process may open no further descriptor while they last. Time is virtual.
"""

import contextlib
import errno
import os
import resource
from pathlib import Path

import pytest

from router.core.events import Found, Lost
from router.core.units import NANOSECONDS
from router.devices.descriptions import EvdevSwitch, MidiPort, SerialDevice
from router.devices.inputs import kernel_devices
from router.devices.inputs.base import LASTING, DeviceBusy, DeviceMissing, passing
from router.devices.inputs.shared import Sharing
from router.live.attached import LONGEST_WAIT, AttachedInput, AttachedOutput
from router.live.turn import Turn
from router.system.agenda import Agenda

BEGAN = 123_456_789 * NANOSECONDS


class Room:
    """The daemon's part: there is news of devices, and what is done beside the loop is done at once."""

    hears_of_devices = True

    def __init__(self):
        self.inputs, self.loop, self.log, self.outputs = Sharing(), self, self, self
        self.faults, self.said = [], []
        self.agenda, self.turn = Agenda(self.faults.append), Turn()

    def watch(self, *_):
        pass

    unwatch = watch

    def beside(self, work, done):
        try:
            result = work()
        except Exception as error:  # noqa: BLE001 - as the daemon does
            result = error
        done(result, self.now)

    def midi_used(self):
        pass

    def fault(self, error):
        self.faults.append(error)

    @contextlib.contextmanager
    def contained(self):
        yield

    def info(self, event, **fields):
        self.said.append((event, fields.get("why")))

    warning = error = debug = info

    def open(self, *_):
        raise self.refusal


@contextlib.contextmanager
def no_descriptor_free():
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (3, before[1]))
    try:
        with pytest.raises(OSError, match="Too many open files"):
            os.pipe()
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


def looked_for(attached, room, begin, seconds):
    """Let so much time pass; how often it was looked for."""
    room.now, times = begin, 0
    while attached.search.at is not None and attached.search.at <= begin + seconds * NANOSECONDS and times < 100:
        room.now = attached.search.at
        room.agenda.ring(room.now)
        times += 1
    room.now = begin + seconds * NANOSECONDS
    return times


@pytest.fixture
def line():
    """A serial line, by a name as udev makes them."""
    master, slave = os.openpty()
    yield Path(os.ttyname(slave))
    os.close(master)
    os.close(slave)


def test_a_sensor_that_is_plugged_back_while_no_descriptor_is_free_is_found_once_one_is(line):
    room = Room()
    device = SerialDevice(str(line), 9600, "(?P<value>.)")
    sensor = AttachedInput({"pad": device}, {"pad": "switch"}, room, {}, lambda: None)
    room.now = BEGAN
    with no_descriptor_free():
        assert not sensor.open(BEGAN)
        assert looked_for(sensor, room, BEGAN, 60) > 60 * NANOSECONDS // LONGEST_WAIT - 1
        sensor.plugged(room.now)  # and so it is when it was plugged back
        assert looked_for(sensor, room, room.now, 60) > 60 * NANOSECONDS // LONGEST_WAIT - 1
        assert sensor.search.at is not None
    looked_for(sensor, room, room.now, 5)
    assert sensor.there is not None
    assert sensor.came[-1][1] == Found("pad")
    assert not room.faults
    said = [why for event, why in room.said if event == "input_missing"]
    assert len(said) == 1  # once
    assert "Too many open files" in said[0]
    sensor.close()


def test_a_switch_is_looked_for_again_after_no_folder_could_be_read():
    room = Room()
    device = EvdevSwitch("*no such switch*", "BTN_0")
    switch = AttachedInput({"pad": device}, {"pad": "switch"}, room, {}, lambda: None)
    room.now = BEGAN
    with no_descriptor_free():
        switch.open(BEGAN)
        looked_for(switch, room, BEGAN, 60)
        assert switch.search.at is not None
    looked_for(switch, room, room.now, 60)
    assert switch.search.at is None  # it is really not there, and when it comes there is news
    assert not room.faults
    switch.close()


def test_a_switch_that_cannot_be_looked_at_for_want_of_a_descriptor_is_not_taken_for_missing(tmp_path, monkeypatch):
    (tmp_path / "event0").touch()
    monkeypatch.setattr(kernel_devices, "DEVICES", tmp_path)
    with no_descriptor_free(), pytest.raises(OSError, match="Too many open files"):
        kernel_devices.present()


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EIO, errno.EBUSY, errno.ENOSPC])
def test_what_may_pass_without_news_is_told_from_what_will_not(number):
    missing = DeviceMissing("it cannot be opened")
    missing.__cause__ = OSError(number, os.strerror(number))
    assert passing(missing)
    assert passing(MemoryError())
    assert not passing(DeviceMissing("there is none"))
    assert not any(passing(OSError(lasting, "")) for lasting in LASTING)
    assert not passing(DeviceBusy("another has it"))  # which is looked for all the same


@pytest.mark.parametrize(
    "refusal", [OSError(errno.EMFILE, "Too many open files"), MemoryError(), RuntimeError("a driver's")]
)
def test_an_output_that_cannot_be_opened_for_want_of_something_is_looked_for_again(refusal):
    room = Room()
    room.refusal, room.now = refusal, BEGAN
    output = AttachedOutput("synth", MidiPort("*"), room, {})
    assert not output.open(BEGAN)
    assert looked_for(output, room, BEGAN, 60) > 60 * NANOSECONDS // LONGEST_WAIT - 1
    assert [event for event, _ in room.said] == ["output_missing"]


def test_what_is_missing_at_the_beginning_is_lost():
    room = Room()
    device = SerialDevice("/dev/no-such-line", 9600, "(?P<value>.)")
    sensor = AttachedInput({"pad": device}, {"pad": "switch"}, room, {}, lambda: None)
    room.now = BEGAN
    sensor.open(BEGAN)
    sensor.absent(BEGAN)
    assert sensor.came == [(BEGAN, Lost("pad"))]
    assert looked_for(sensor, room, BEGAN, 60) < 8
    assert sensor.search.at is None
