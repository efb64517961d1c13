"""A MIDI port over a real JACK server, with python-rtmidi listening at the other end."""

from __future__ import annotations

import itertools
import random
import threading
import time

import pytest
import rtmidi

from router.bedside.sounding import Sounding
from router.devices.descriptions import MidiPort
from router.devices.outputs import open_output
from router.devices.outputs.base import OutputError
from router.devices.outputs.midi_port import _choose
from router.devices.outputs.sounding_notes import PortAddress, parse
from router.devices.ports import midi_system, our_port
from router.testing import MILLISECOND
from tests.shared.parts import close_port

WAIT = 20.0
"""Seconds in which everything must have come; it takes a fraction of one."""

_numbers = itertools.count(1)


class Listener:
    """A port that others send to, under a name that no other test uses."""

    def __init__(self, port: str = "in", client: str = "") -> None:
        self.client = client or f"listener{next(_numbers)}"
        self.name = f"{self.client}:{port}"
        self.got: list[tuple[int, ...]] = []
        self._more = threading.Condition()
        self.port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=self.client)
        self.port.ignore_types(sysex=False, timing=False, active_sense=False)
        self.port.set_callback(self._take)
        self.port.open_virtual_port(port)

    def _take(self, event, _data) -> None:
        with self._more:
            self.got.append(tuple(event[0]))
            self._more.notify_all()

    def wait_for(self, count: int) -> list[tuple[int, ...]]:
        with self._more:
            assert self._more.wait_for(lambda: len(self.got) >= count, WAIT), self.got
            return list(self.got)

    def close(self) -> None:
        close_port(self.port)


@pytest.fixture
def listener(jack_server):  # noqa: ARG001 - the server must run
    listener = Listener()
    yield listener
    listener.close()


def every_kind_of_message() -> list[tuple[int, ...]]:
    rng = random.Random(3)
    messages: list[tuple[int, ...]] = []
    for channel in range(16):
        kinds = (0x80, 0x90, 0xA0, 0xB0, 0xE0)
        messages += [(kind | channel, rng.randrange(128), rng.randrange(128)) for kind in kinds]
        messages += [(0xC0 | channel, rng.randrange(128)), (0xD0 | channel, rng.randrange(128))]
    return [*messages, (0xB0, 64, 0), (0xB0, 123, 0), (0xB0, 120, 0), (0x90, 0, 1), (0x9F, 127, 127)]


def test_bytes_arrive_as_they_were_sent(listener):
    output = open_output("synth", MidiPort(listener.name))
    sent = every_kind_of_message()
    for message in sent:
        output.send(message, 0)
    assert listener.wait_for(len(sent)) == sent
    output.close()


@pytest.mark.parametrize("pattern", ["{client}", "{CLIENT}:*", "{client}:in", "*{client}*"])
def test_a_port_is_found_by_its_names_whatever_their_case(listener, pattern):
    pattern = pattern.replace("{client}", listener.client).replace("{CLIENT}", listener.client.upper())
    output = open_output("synth", MidiPort(pattern))
    assert listener.name in output.description
    output.send((0x90, 60, 64), 0)
    assert listener.wait_for(1) == [(0x90, 60, 64)]
    output.close()


ALSA_NAMES = [
    "Midi Through:Midi Through Port-0 14:0",
    "router:bells 128:0",
    "Stage Piano:Stage Piano MIDI 1 20:0",
    "Pad:Pad MIDI 1 24:0",
    "Pad:Pad MIDI 1 28:0",
]


def test_any_port_means_the_first_that_leads_somewhere():
    assert _choose(ALSA_NAMES, "*") == "Stage Piano:Stage Piano MIDI 1 20:0"
    assert _choose(ALSA_NAMES[:2], "*") is None
    assert _choose(ALSA_NAMES, "midi through*") == ALSA_NAMES[0]  # by its name it can be had


def test_two_of_one_name_are_told_apart_by_their_numbers():
    with pytest.raises(OutputError) as caught:
        _choose(ALSA_NAMES, "pad*")
    assert '"Pad:Pad MIDI 1 24:0"' in str(caught.value)
    assert '"Pad:Pad MIDI 1 28:0"' in str(caught.value)
    assert _choose(ALSA_NAMES, "Pad:Pad MIDI 1 28:0") == "Pad:Pad MIDI 1 28:0"


@pytest.mark.usefixtures("jack_server")
def test_any_port_is_never_the_loop_back():
    through, real = Listener("Midi Through Port-0"), Listener()
    output = open_output("synth", MidiPort("*"))
    try:
        assert "Midi Through" not in output.description
        assert "our own" not in output.description
    finally:
        output.close()
        through.close()
        real.close()


@pytest.mark.usefixtures("jack_server")
def test_two_ports_that_match_are_named_and_none_is_taken():
    one, other = Listener("twin"), Listener("twin")
    try:
        with pytest.raises(OutputError) as caught:
            open_output("synth", MidiPort("*twin"))
        assert "2 MIDI ports" in str(caught.value)
        assert f'midi: "{one.name}"' in str(caught.value)
        assert f'midi: "{other.name}"' in str(caught.value)
    finally:
        one.close()
        other.close()


@pytest.mark.usefixtures("jack_server")
def test_where_none_matches_our_own_port_can_be_connected_to():
    output = open_output("bells", MidiPort("no such synth"), client="router-test")
    assert output.description == 'our own MIDI port "router-test:bells", as none is called "no such synth"'
    assert output.present()
    got: list[tuple[int, ...]] = []
    arrived = threading.Event()

    def take(event, _data) -> None:
        got.append(tuple(event[0]))
        arrived.set()

    reader = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="reader")
    reader.set_callback(take)
    deadline = time.monotonic() + WAIT
    while "router-test:bells" not in (
        there := reader.get_ports()
    ):  # a port that was opened is not always listed at once
        assert time.monotonic() < deadline, there
        time.sleep(0.02)
    reader.open_port(there.index("router-test:bells"))
    output.send((0x90, 72, 1), 0)
    assert arrived.wait(WAIT)
    assert got == [(0x90, 72, 1)]
    close_port(reader)
    output.close()


@pytest.mark.usefixtures("jack_server")
def test_a_port_that_has_gone_is_noticed_and_harms_nobody():
    listener = Listener()
    output = open_output("synth", MidiPort(listener.client))
    assert output.present()
    listener.close()
    gone = threading.Event()
    for _ in range(int(WAIT * 20)):
        if not output.present():
            break
        gone.wait(0.05)
    assert not output.present()
    output.send((0x90, 60, 64), 0)
    output.close()
    output.close()
    output.send((0x90, 60, 64), 0)


@pytest.mark.usefixtures("jack_server")
def test_a_port_that_is_back_before_anybody_looked_is_another_one():
    """What was seen: a synth pulled out and put back twice within a second was sent nothing any more,
    as its name was there.
    """
    listener = Listener()
    output = open_output("synth", MidiPort(listener.client))
    output.send((0x90, 60, 64), 0)
    listener.wait_for(1)
    assert all(output.present() for _ in range(100))
    listener.close()
    back = Listener(client=listener.client)
    wait_until(lambda: back.name in midi_system().receivers())
    assert not output.present()
    output.close()
    again = open_output("synth", MidiPort(listener.client))
    again.send((0x90, 61, 64), 0)
    assert back.wait_for(1) == [(0x90, 61, 64)]
    assert all(again.present() for _ in range(100))
    again.close()
    back.close()


def wait_until(true, seconds=WAIT):
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


# --- active sensing: MIDI 1.0 Detailed Specification, table 5 --------------------------------------------------------

SENSE = (0xFE,)
NEVER_LONGER = 300 * MILLISECOND


def test_whoever_asked_for_it_is_told_that_we_are_there_whenever_nothing_else_was_sent(listener):
    """On virtual time: a note, and silence before and after; the loop wakes it late by up to 40 ms."""
    output = open_output("synth", MidiPort(listener.name, active_sensing=True))
    assert output.deadline() <= 1  # at once, so that the receiver knows from the beginning
    rng = random.Random(1)
    notes = {5_100 * MILLISECOND: (0x90, 60, 64), 5_300 * MILLISECOND: (0x80, 60, 0)}
    sent, now = [], 1
    while now < 10_000 * MILLISECOND:
        due = output.deadline()
        for at in sorted(notes):
            if now < at < due:
                output.send(notes[at], at)
                sent.append((at, notes.pop(at)))
                due = output.deadline()
        now = max(now, due) + rng.randrange(40) * MILLISECOND
        before = output.deadline()
        output.wake(now)
        sent.append((now, SENSE))
        assert output.deadline() > before
    times = [at for at, _ in sent]
    assert all(later - sooner <= NEVER_LONGER for sooner, later in itertools.pairwise(times))
    assert listener.wait_for(len(sent)) == [data for _, data in sent]
    assert 30 < listener.got.count(SENSE) < 42  # 10 s by 250 ms at most
    output.close()


def test_it_is_not_sent_before_it_is_due_or_while_music_is(listener):
    output = open_output("synth", MidiPort(listener.name, active_sensing=True))
    output.wake(1)
    for at in range(0, 1000, 100):
        output.wake(at * MILLISECOND)
        output.send((0x90, 60, 64), at * MILLISECOND)
        assert output.deadline() == (at + 250) * MILLISECOND
    assert listener.wait_for(11) == [SENSE] + [(0x90, 60, 64)] * 10
    output.close()


def test_whoever_did_not_ask_hears_none_and_nobody_is_woken(listener):
    output = open_output("synth", MidiPort(listener.name))
    assert output.deadline() is None
    output.wake(10**12)
    output.send((0x90, 60, 64), 10**12)
    assert output.deadline() is None
    assert listener.wait_for(1) == [(0x90, 60, 64)]
    output.close()


def test_it_goes_through_the_record_of_what_sounds_and_marks_nothing(listener, tmp_path):
    sounding = Sounding(tmp_path / "sounding")
    output = sounding.marked(open_output("synth", MidiPort(listener.name, active_sensing=True)))
    output.wake(output.deadline())
    assert listener.wait_for(1) == [SENSE]
    left, _ = parse((tmp_path / "sounding").read_bytes())
    assert [(one.place, one.channels, one.notes) for one in left] == [(PortAddress("jack", listener.name), (), ())]
    output.close()
    sounding.close()


def test_a_server_that_has_gone_makes_no_loop_of_wakes(listener, monkeypatch):
    output = open_output("synth", MidiPort(listener.name, active_sensing=True))
    monkeypatch.setattr(type(output._system), "alive", False)
    output.wake(output.deadline())
    assert output.deadline() == 250 * MILLISECOND
    assert listener.got == []
    output.close()


def test_a_port_that_is_refused_is_asked_for_again_and_a_system_that_has_gone_is_told():
    """JACK was seen to refuse a client while others came and went, and to take the next one."""
    answers = iter([False, False, True])

    def make() -> str:
        if not next(answers):
            raise rtmidi.RtMidiError("refused")
        return "port"

    assert our_port(make) == "port"
    answers = iter([False] * 3 + [True])
    with pytest.raises(rtmidi.RtMidiError):
        our_port(make)
