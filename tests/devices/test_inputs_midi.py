"""MIDI inputs over real JACK ports: every message with its time, ports that go, and closing under a flood."""

import os
import select
import subprocess
import sys
import time

import pytest

from router.core.events import Found, Lost, MidiSample, PressureSample
from router.devices.descriptions import MidiInDevice, MidiPressure
from router.devices.inputs import by_device
from router.devices.inputs.base import PER_READ, DeviceBusy, DeviceLost, DeviceMissing
from router.devices.inputs.midi import MOST_WAITING, MidiInput, heard
from router.devices.names import matches
from router.devices.ports import candidates, midi_system
from router.system import clock
from tests.shared.midi_in import wait_for
from tests.shared.waiting import until

pytestmark = pytest.mark.usefixtures("jack_server")


@pytest.fixture
def opened():
    inputs = []

    def open_(pattern, *names):
        """A pattern and the names of inputs that hear all of it, or devices by name."""
        devices = pattern if isinstance(pattern, dict) else {name: MidiInDevice(pattern) for name in names or ("keys",)}
        inputs.append(MidiInput(devices))
        return inputs[-1]

    yield open_
    for each in inputs:
        each.close()


def test_every_message_comes_in_order_with_its_time(pad, opened):
    """One in each of JACK's cycles: whoever is kept waiting
    in its thread into the next cycle reads what that one writes.
    """
    sender = pad("pad-a")
    keys = opened("pad-a:*")
    messages = [(0x90, n % 128, 1 + n % 127) for n in range(1000)] + [(0x80, 60, 0), (0xB0, 7, 100)]
    for message in messages:
        before = clock.now()
        sender.send(*message)
        ((stamp, sample),) = wait_for(keys, 1)
        assert sample.data == message
        assert before <= stamp <= clock.now()


def test_messages_that_wait_come_in_order(pad, opened):
    sender = pad("pad-waits")
    keys = opened("pad-waits:*")
    messages = [(0xB0, 7, number) for number in range(100)]
    for message in messages:
        sender.send(*message)
        time.sleep(0.01)  # some cycles
    got = wait_for(keys, len(messages))
    assert [sample.data for _stamp, sample in got] == messages
    stamps = [stamp for stamp, _sample in got]
    assert stamps == sorted(stamps)


def test_what_comes_faster_than_it_is_taken_is_counted_and_what_may_have_been_released_is(pad, opened):
    """A release may be among what was dropped, so after the gap nothing is held any more."""
    sender = pad("pad-flood")
    keys = opened("pad-flood:*")
    more = 100
    for number in range(MOST_WAITING + more):
        sender.send(0x90, number % 128, 64)
        if number % 200 == 0:  # JACK takes some 2,300 messages in one of its cycles
            time.sleep(0.01)
    until(lambda: keys.dropped == more)
    assert len(keys.read(clock.now())) == PER_READ
    sender.send(0x90, 1, 1)
    got = wait_for(keys, MOST_WAITING - PER_READ + 3)
    assert [sample for _stamp, sample in got[-3:]] == [Lost("keys"), Found("keys"), MidiSample("keys", (0x90, 1, 1))]
    assert keys.dropped == more


def test_clock_and_active_sensing_do_not_come(pad, opened):
    sender = pad("pad-b")
    keys = opened("pad-b:*")
    for message in ((0xF8,), (0xFE,), (0x90, 60, 64)):
        sender.send(*message)
    assert [sample.data for _stamp, sample in wait_for(keys, 1)] == [(0x90, 60, 64)]


def test_a_clock_reaches_only_the_input_that_asks_for_it(pad, opened):
    """Also where another input of the same port does not; start, song position and stop reach both."""
    sender = pad("pad-clock")
    port = opened({"keys": MidiInDevice("pad-clock:*"), "clock": MidiInDevice("pad-clock:*", clock=True)})
    both = [(0xFA,), (0x90, 60, 64), (0xF2, 4, 0), (0xFB,), (0xFC,)]
    for message in ((0xF8,), *both, (0xF1, 3), (0xF8,), (0x80, 60, 0)):
        sender.send(*message)
    got = [sample for _stamp, sample in wait_for(port, 15)]
    assert [sample.data for sample in got if sample.input == "keys"] == [*both, (0x80, 60, 0)]
    assert [sample.data for sample in got if sample.input == "clock"] == [
        *((0xF8,), *both, (0xF1, 3), (0xF8,), (0x80, 60, 0)),
    ]


def test_two_inputs_of_one_port_both_hear_it(pad, opened):
    sender = pad("pad-c")
    keys = opened("pad-c:*", "low", "high")
    sender.send(0x90, 60, 64)
    assert [sample for _stamp, sample in wait_for(keys, 2)] == [
        MidiSample("low", (0x90, 60, 64)),
        MidiSample("high", (0x90, 60, 64)),
    ]


def test_a_port_that_goes_is_noticed_and_found_again(pad, opened):
    sender = pad("pad-d")
    keys = opened("pad-d:*")
    keys.look()
    midi_system().clear()
    sender.close()
    assert select.select([midi_system().fileno()], [], [], 20)[0]  # news of it
    midi_system().clear()
    until(lambda: not any("pad-d" in name for name in midi_system().senders()))
    with pytest.raises(DeviceLost, match="pad-d"):
        keys.look()
    keys.close()
    with pytest.raises(DeviceMissing, match="pad-d"):
        MidiInput({"keys": MidiInDevice("pad-d:*")})
    again = pad("pad-d")
    keys = opened("pad-d:*")
    again.send(0x90, 1, 2)
    assert len(wait_for(keys, 1)) == 1


def test_a_port_that_is_back_before_anybody_looked_is_another_one(pad, opened):
    sender = pad("pad-q")
    keys = opened("pad-q:*")
    sender.send(0x90, 1, 2)
    assert len(wait_for(keys, 1)) == 1
    for _ in range(100):
        keys.look()
    sender.close()
    again = pad("pad-q")
    until(lambda: any("pad-q" in name for name in midi_system().senders()))
    with pytest.raises(DeviceLost, match="pad-q"):
        keys.look()
    keys.close()
    keys = opened("pad-q:*")
    again.send(0x90, 3, 4)
    assert len(wait_for(keys, 1)) == 1
    keys.look()


def test_a_port_that_comes_is_news(pad):
    midi_system().clear()
    pad("pad-news")
    assert select.select([midi_system().fileno()], [], [], 20)[0]


def test_controllers_channel_pressure_and_bend_are_pressures(pad, opened):
    """Over a real port, beside a keyboard's keys on the same one. (reading - offset) * scale; bend has 14 bits."""
    sender = pad("pad-p")
    devices = {
        "keys": MidiInDevice("pad-p:*"),
        "breath": MidiPressure("pad-p:*", 0xB0, 2, None, 10.0, 0.0),
        "second": MidiPressure("pad-p:*", 0xB0, 2, 2, 10.0, 0.0),
        "touch": MidiPressure("pad-p:*", 0xD0, None, None, 1.0, 27.0),
        "bend": MidiPressure("pad-p:*", 0xE0, None, None, 0.5, 8192.0),
    }
    port = opened(devices)
    assert port.deadline() is not None
    rest = [sample for _stamp, sample in port.wake(3)]  # a controller says nothing until it moves
    assert rest == [PressureSample(name, 0.0) for name in ("breath", "second", "touch", "bend")]
    assert port.deadline() is None
    for message in ((0xB0, 2, 100), (0xB1, 2, 50), (0xB0, 1, 9), (0xD3, 127), (0xE0, 0, 64), (0xE0, 127, 127)):
        sender.send(*message)
    got = [sample for _stamp, sample in wait_for(port, 12)]
    assert [sample for sample in got if not isinstance(sample, MidiSample)] == [
        PressureSample("breath", 1000.0),
        PressureSample("breath", 500.0),
        PressureSample("second", 500.0),
        PressureSample("touch", 100.0),
        PressureSample("bend", 0.0),
        PressureSample("bend", 4095.5),
    ]


@pytest.mark.parametrize("data", [(0xB0, 2), (0xE0, 1), (0xD0,), (0xF8,), (0xB0,)])
def test_a_message_that_is_too_short_says_nothing(data):
    for status, number in ((0xB0, 2), (0xD0, None), (0xE0, None)):
        assert heard("cheek", MidiPressure("*", status, number), data) is None


def test_a_server_that_does_not_run_will_not_tell_when_it_does():
    code = (
        "from router.devices.descriptions import MidiInDevice\n"
        "from router.devices.inputs.base import DeviceBusy\n"
        "from router.devices.inputs.midi import MidiInput\n"
        "try:\n    MidiInput({'keys': MidiInDevice('*')})\n"
        "except DeviceBusy as error:\n    print('busy:', error)\n"
    )
    environment = {**os.environ, "ROUTER_MIDI": "jack", "JACK_DEFAULT_SERVER": "none-of-this-name"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    assert done.stdout.startswith("busy: ")
    assert issubclass(DeviceBusy, DeviceMissing)


def test_two_that_match_are_listed_as_profile_text(pad):
    pad("twin-a")
    pad("twin-b")
    with pytest.raises(DeviceMissing) as refused:
        MidiInput({"keys": MidiInDevice("TWIN-*")})
    assert str(refused.value).splitlines() == [
        '"TWIN-*" could be 2 MIDI inputs; write one of these:',
        '    midi: "twin-a:pads"',
        '    midi: "twin-b:pads"',
    ]


def test_a_name_with_brackets_can_be_pasted(pad, opened):
    sender = pad("pad-e", "in [1] (capture)")
    keys = opened("pad-e:in [1] (capture)")
    sender.send(0x90, 1, 2)
    assert len(wait_for(keys, 1)) == 1


# ALSA's full names (from memory of real machines): the numbers change at each boot.
ALSA = [
    "Midi Through:Midi Through Port-0 14:0",
    "Pad:Pad MIDI 1 20:0",
    "Keys:Keys MIDI 1 24:0",
    "Keys:Keys MIDI 1 28:0",
]


def test_names_are_without_the_numbers_that_change_at_each_boot():
    found = candidates(ALSA, "*")
    assert [candidate.name for candidate in found] == [
        "Pad:Pad MIDI 1",
        "Keys:Keys MIDI 1 24:0",
        "Keys:Keys MIDI 1 28:0",
    ]
    assert not found[0].remark
    assert "boot" in found[1].remark


def test_a_programs_number_in_its_name_is_left_open():
    """FluidSynth's names over ALSA, as seen: they hold the number of its process."""
    name = "FLUID Synth (191):Synth input port (191:0) 128:0"
    (found,) = candidates([name], "*fluid*")
    assert found.name == "FLUID Synth (*):Synth input port (*)"
    assert matches(found.name, candidates([name.replace("191", "207")], "*")[0].names)
    assert name in found.names


def test_the_loop_back_port_and_our_own_are_meant_only_by_name():
    assert candidates(ALSA, "midi through*")[0].name == "Midi Through:Midi Through Port-0"
    assert candidates(["router:synth"], "*") == []
    assert [candidate.name for candidate in candidates(["router:synth"], "router:synth")] == ["router:synth"]


def test_inputs_of_one_port_are_opened_together():
    groups = by_device({"a": MidiInDevice("x"), "b": MidiInDevice("y"), "c": MidiInDevice("x")})
    assert [list(group) for group in groups] == [["a", "c"], ["b"]]


def test_listing_many_times_makes_no_further_client(pad):
    pad("pad-f")
    before = len(midi_system().senders())
    assert all(midi_system() is midi_system() for _ in range(100))
    assert len(midi_system().senders()) == before


def test_no_descriptor_is_left_open(pad, opened, descriptors):
    pad("pad-g")
    opened("pad-g:*").close()  # what the library opens once
    before = descriptors()
    for _ in range(5):
        opened("pad-g:*").close()
        with pytest.raises(DeviceMissing):
            MidiInput({"keys": MidiInDevice("nobody-of-this-name")})
    assert (
        descriptors() < before + 5
    )  # one left each time would be five; JACK's library opens and closes its own meanwhile


FLOOD = """
import rtmidi, time
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="flood")
out.open_virtual_port("out")
print("up", flush=True)
while True:
    for _ in range(60):
        out.send_message([0x90, 60, 1])
    time.sleep(0.0013)
"""

CLOSER = """
import time
from router.system import clock
from router.devices.descriptions import MidiInDevice
from router.devices.inputs.midi import MidiInput
for _ in range(8):
    keys = MidiInput({"keys": MidiInDevice("flood:*")})
    came = 0
    while came <= 100:
        time.sleep(0.1)
        came += len(keys.read(clock.now()))
    keys.close()
print("closed")
"""


def test_closing_while_messages_rush_in_neither_hangs_nor_crashes():
    """Closed in another order a third of such closings hung for ever or crashed, measured with python-rtmidi 1.5.8."""
    with subprocess.Popen([sys.executable, "-c", FLOOD], stdout=subprocess.PIPE) as flood:
        try:
            assert flood.stdout.readline() == b"up\n"
            done = subprocess.run(
                [sys.executable, "-c", CLOSER], capture_output=True, text=True, timeout=60, check=True
            )
        finally:
            flood.kill()
    assert done.stdout == "closed\n"


SERVERLESS = """
from router.devices.descriptions import MidiInDevice
from router.devices.inputs.base import DeviceMissing
from router.devices.inputs.midi import MidiInput
try:
    MidiInput({"keys": MidiInDevice("*")})
except DeviceMissing as error:
    print(error)
"""


def test_no_midi_system_is_said_in_one_line_and_nothing_else():
    """As on a machine without sound hardware where no JACK server answers."""
    done = subprocess.run(
        [sys.executable, "-c", SERVERLESS],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "JACK_DEFAULT_SERVER": "none-of-this-name"},
    )
    assert done.stdout.endswith(", and no JACK server answers\n")
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""


def test_a_server_that_dies_is_a_lost_port():
    """python-rtmidi's own list of ports stays as it was when the server has gone."""
    from tests.shared.jack_server import DYING, JACKD, STARTING

    code = (
        "import sys, time\n"
        "import rtmidi\n"
        "from router.devices.descriptions import MidiInDevice\n"
        "from router.devices.inputs.base import DeviceLost\n"
        "from router.devices.inputs.midi import MidiInput\n"
        "from router.devices.ports import JackSystem, NoMidi\n"
        f"deadline = time.monotonic() + {STARTING}\n"
        "while True:\n"
        "    try:\n"
        "        JackSystem()\n"
        "        break\n"
        "    except NoMidi:\n"
        "        assert time.monotonic() < deadline\n"
        "        time.sleep(0.1)\n"
        "out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name='pad')\n"
        "out.open_virtual_port('pads')\n"
        "keys = MidiInput({'keys': MidiInDevice('pad:*')})\n"
        "print('open', flush=True)\n"
        "sys.stdin.readline()\n"
        "for _ in range(100):\n"
        "    try:\n"
        "        keys.look()\n"
        "        time.sleep(0.1)\n"
        "    except DeviceLost:\n"
        "        keys.close()\n"
        "        print('lost', flush=True)\n"
        "        break\n"
    )
    environment = {**os.environ, "JACK_DEFAULT_SERVER": DYING}
    with (
        subprocess.Popen(
            [JACKD[0], "-n", DYING, *JACKD[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.STDOUT,
        ) as server,
        subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
        ) as client,
    ):
        try:
            assert client.stdout.readline() == "open\n"
            server.kill()
            server.wait()
            client.stdin.write("\n")
            client.stdin.flush()
            assert client.stdout.readline() == "lost\n"
            assert client.wait(20) == 0
        finally:
            server.kill()
            client.kill()
