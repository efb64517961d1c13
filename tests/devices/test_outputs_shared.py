"""Outputs that seats share: one port for all who want it, open for whoever comes next,
and never one that has failed.
"""

import pytest

from router.devices.descriptions import Instrument, MidiPort
from router.devices.outputs import shared
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.shared import KEPT, SharedOutputs
from tests.shared.parts import Listener
from tests.shared.waiting import until


class Made(Output):
    """An output that keeps what it is sent."""

    def __init__(self, name):
        self.description = name
        self.sent, self.there, self.closed, self.broken = [], True, 0, False

    def send(self, data, now):
        if self.broken:
            raise OSError("broken")
        self.sent.append(data)

    def present(self):
        return self.there

    def close(self):
        self.closed += 1


@pytest.fixture
def made(monkeypatch):
    opened = []

    def open_output(name, device):  # noqa: ARG001 - as the real one has it
        if name == "missing":
            raise OutputError("there is none")
        opened.append(Made(name))
        return opened[-1]

    monkeypatch.setattr(shared, "open_output", open_output)
    return opened


INSTRUMENT = Instrument()


def test_two_who_want_the_same_have_one_and_it_stays_open_for_a_third(made):
    outputs = SharedOutputs(lambda output: output)
    assert outputs.if_open("synth", INSTRUMENT) is None
    one, two = outputs.open("synth", INSTRUMENT), outputs.open("other name", INSTRUMENT)
    one.send((0x90, 60, 1), 0)
    two.send((0x90, 61, 1), 0)
    assert [output.sent for output in made] == [[(0x90, 60, 1), (0x90, 61, 1)]]
    one.close()
    one.close()  # twice is once
    two.send((0x80, 61, 0), 0)
    two.close()
    assert made[0].closed == 0
    three = outputs.if_open("synth", INSTRUMENT)
    assert three is not None
    three.close()
    assert len(made) == 1
    outputs.close()
    assert made[0].closed == 1


def test_what_has_failed_is_given_to_nobody_again(made):
    outputs = SharedOutputs(lambda output: output)
    one, two = outputs.open("synth", INSTRUMENT), outputs.open("synth", INSTRUMENT)
    made[0].broken = True
    with pytest.raises(OSError, match="broken"):
        one.send((0x90, 60, 1), 0)
    one.close()
    three = outputs.open("synth", INSTRUMENT)
    three.send((0x90, 62, 1), 0)
    assert made[1].sent == [(0x90, 62, 1)]
    assert made[0].closed == 0  # another holds it still, and will find out
    with pytest.raises(OSError, match="broken"):
        two.send((0x90, 61, 1), 0)
    two.close()
    assert made[0].closed == 1
    three.close()
    assert made[1].closed == 0


def test_what_has_gone_is_closed_before_anything_new_is_opened(made):
    outputs = SharedOutputs(lambda output: output)
    outputs.open("synth", INSTRUMENT).close()
    made[0].there = False
    assert outputs.if_open("synth", INSTRUMENT) is None
    outputs.open("box", Instrument(gain=1.0))
    assert made[0].closed == 1
    held = outputs.open("synth", INSTRUMENT)
    assert len(made) == 3
    made[2].there = False
    held.close()
    assert made[2].closed == 1


def test_only_so_many_stay_open_for_nobody(made):
    outputs = SharedOutputs(lambda output: output)
    for number in range(KEPT + 3):
        outputs.open("synth", Instrument(gain=number / 100)).close()
    assert [output.closed for output in made] == [1] * 3 + [0] * KEPT


def test_one_that_cannot_be_opened_leaves_nothing_behind(made):
    outputs = SharedOutputs(lambda output: output)
    with pytest.raises(OutputError):
        outputs.open("missing", INSTRUMENT)
    assert outputs.if_open("missing", INSTRUMENT) is None
    outputs.open("synth", INSTRUMENT)
    assert len(made) == 1


def test_patterns_that_mean_one_port_share_it_and_each_waits_for_its_own(jack_server, part):  # noqa: ARG001 - it must run
    synth = part(Listener)
    outputs = SharedOutputs(lambda output: output)
    one = outputs.open("synth", MidiPort(f"{synth.client}:*"))
    two = outputs.open("bells", MidiPort(f"{synth.client[:-1]}*"))
    assert one._one is two._one
    assert not one.stale()
    own = outputs.open("harp", MidiPort("nobody has this:*"))
    assert "our own" in own.description
    late = outputs.open("harp", MidiPort("late-*"))
    assert own._one is late._one
    assert not late.stale()
    two.send((0x90, 60, 1), 0)
    until(lambda: (0x90, 60, 1) in synth.heard)
    for each in (one, two, own, late):
        each.close()
    outputs.close()


def test_a_port_of_our_own_is_stale_for_whom_the_wanted_one_has_come(jack_server, part):  # noqa: ARG001 - it must run
    outputs = SharedOutputs(lambda output: output)
    synth = part(Listener)
    waits = outputs.open("harp", MidiPort("nobody has this:*"))
    found = outputs.open("harp", MidiPort("nobody has this either:*"))
    found._device = MidiPort(f"{synth.client}:*")  # as if it had come only now
    until(found.stale)
    assert not waits.stale()
    found.close()
    waits.close()
    assert outputs.if_open("harp", MidiPort("nobody has this:*")) is not None  # for who comes next
    outputs.if_open("harp", MidiPort("nobody has this:*")).close()
    outputs.open("harp", MidiPort(f"{synth.client}:*"))
    assert outputs.if_open("harp", MidiPort("nobody has this:*")) is not None  # one holds it still
    outputs.close()


def test_a_port_of_our_own_goes_with_its_last_holder_if_the_wanted_one_has_come(jack_server, part):  # noqa: ARG001 - as above
    outputs = SharedOutputs(lambda output: output)
    synth = part(Listener)
    before = outputs.open("harp", MidiPort("nobody has this:*"))
    before._device = MidiPort(f"{synth.client}:*")  # as if it had come only now
    now = outputs.open("harp", before._device)
    until(before.stale)
    before.close()
    assert outputs.if_open("harp", MidiPort("nobody has this:*")) is None
    now.close()
    outputs.close()


def test_a_port_of_our_own_that_nobody_holds_goes_when_the_wanted_one_has_come(jack_server, part):  # noqa: ARG001 - as above
    outputs = SharedOutputs(lambda output: output)
    synth = part(Listener)
    outputs.open("harp", MidiPort("nobody has this:*")).close()
    found = outputs.open("harp", MidiPort(f"{synth.client}:*"))
    assert outputs.if_open("harp", MidiPort("nobody has this:*")) is None
    assert not found.own
    found.close()
    outputs.close()
