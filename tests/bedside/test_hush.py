"""What a killed process has left sounding is ended from another: over real JACK servers, with a real synth."""

from __future__ import annotations

import ast
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import jack
import numpy as np
import pytest
import rtmidi

from router.bedside import hush as hush_module
from router.bedside.hush import end_what_was_left
from router.bedside.sounding import Sounding
from router.devices.outputs.base import Output
from router.devices.outputs.sounding_notes import PortAddress, parse
from tests.shared.ear import Ear
from tests.shared.jack_server import DYING
from tests.shared.parts import AUDIBLE, Server, Synth, close_port
from tests.shared.places import ROOT
from tests.shared.waiting import WAIT, until


class Somewhere(Output):
    """An output that leads to ``port`` as far as the record knows; who kills the process is the test."""

    def __init__(self, port, system="jack"):
        self.place = PortAddress(system, port)
        self.description = port

    def send(self, data, now):
        pass

    def close(self):
        pass


def leave(path, *ports, system="jack"):
    """A record in which each of these ports has note 60 on in channel 3."""
    sounding = Sounding(path)
    for port in ports:
        sounding.marked(Somewhere(port, system)).send((0x92, 60, 64), 0)
    sounding.close()


def hush(path, *options):
    return subprocess.run(
        [sys.executable, "-m", "router.bedside.hush", str(path), *options],
        capture_output=True,
        text=True,
        timeout=WAIT,
        check=False,
    )


ENDED = [(0x82, 60, 0), (0xB2, 64, 0), (0xB2, 123, 0), (0xB2, 120, 0)]


class Heard(Ear):
    """Keeps all that it hears."""

    def __init__(self, client, port="in"):
        self.all = []
        super().__init__(client, port)

    def _hear(self, event, data):
        self.all.append(tuple(event[0]))
        super()._hear(event, data)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "sounding"


@pytest.fixture
def server(monkeypatch):
    """A JACK server of our own: some tests kill it, and to end what was left at our own port every port is told."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", DYING)
    monkeypatch.setenv("ROUTER_MIDI", "jack")
    server = Server(None, DYING)
    yield server
    server.process.send_signal(signal.SIGCONT)
    server.close()


@pytest.fixture
def ears(server):  # noqa: ARG001 - the server must run
    made = []

    def make(*names):
        made.extend(Heard(*name.split(":")) for name in names)
        return made[-len(names) :]

    yield make
    for ear in made:
        ear.close()


def test_killed_while_playing():
    """In a process of its own: JACK's library does not take to a second server in a process
    that has clients of another.
    """
    command = [sys.executable, "-m", "tests.soak_killed", "--count", "20"]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=600, check=False)
    assert ended.returncode == 0, ended.stderr[-3000:]
    became = ast.literal_eval(ended.stdout[: ended.stdout.index("}") + 1])
    assert became["notes were on"] > 10
    assert sum(became.values()) == 20


@pytest.mark.own_process
def test_each_port_is_sent_what_was_on_there_and_no_other_is(path, ears):
    one, other, third = ears("one:in", "other:in", "third:in")
    leave(path, "one:in", "other:in", "one:in")
    done = hush(path)
    assert (done.returncode, done.stderr) == (0, "")
    assert (
        done.stdout
        == '"one:in": 1 note to end, 1 channel to silence\n"other:in": 1 note to end, 1 channel to silence\n'
    )
    until(lambda: len(one.all) >= 2 * len(ENDED) and len(other.all) >= 2 * len(ENDED))
    assert one.all == other.all == ENDED * 2  # twice, as a cycle that JACK was late for is lost
    assert third.all == []
    assert path.read_bytes() == b""


@pytest.mark.own_process
def test_of_what_was_left_at_our_own_port_all_are_told_but_the_loop_back_and_ourselves(path, ears):
    names = "one:in", "MIDI Router 4x4:in", "a2j:Midi Through Port-0", "router:in"
    one, other, through, ours = ears(*names)
    leave(path, "")
    assert hush(path).returncode == 0
    until(lambda: len(one.all) >= 2 * len(ENDED) and len(other.all) >= 2 * len(ENDED))
    assert one.all == other.all == ENDED * 2
    assert through.all == ours.all == []


@pytest.mark.own_process
def test_a_port_is_found_though_its_numbers_are_others_now(path, ears):
    (synth,) = ears("FLUID Synth (77):in")
    leave(path, "FLUID Synth (4711):in")
    assert hush(path).returncode == 0
    until(lambda: len(synth.all) >= len(ENDED))


@pytest.mark.own_process
def test_what_is_on_at_a_port_that_is_not_there_is_ended_when_it_is_back(path, ears):
    (one,) = ears("one:in")
    leave(path, "one:in", "gone:in")
    done = hush(path)
    assert done.returncode == 1
    assert '"gone:in" is not there; 1 note to be ended when it is back' in done.stdout
    until(lambda: len(one.all) >= len(ENDED))
    left, problem = parse(path.read_bytes())
    assert ([one.place.port for one in left], problem) == (["gone:in"], "")
    (gone,) = ears("gone:in")
    assert hush(path).returncode == 0
    until(lambda: len(gone.all) >= len(ENDED))
    assert path.read_bytes() == b""


@pytest.mark.own_process
def test_every_note_of_every_channel_at_several_ports_is_ended(path, ears):
    """Far more than JACK takes in one cycle."""
    names = [f"synth{number}:in" for number in range(3)]
    made = ears(*names)
    sounding = Sounding(path)
    for name in names:
        output = sounding.marked(Somewhere(name))
        for channel in range(16):
            for note in range(128):
                output.send((0x90 | channel, note, 1), 0)
    sounding.close()
    assert hush(path).returncode == 0
    for ear in made:
        until(lambda ear=ear: len({data for data in ear.all if data[0] & 0xF0 == 0x80}) == 16 * 128)
        until(lambda ear=ear: len({data for data in ear.all if data[0] & 0xF0 == 0xB0}) == 16 * 3)


@pytest.mark.own_process
def test_a_damaged_record_silences_every_channel_and_is_emptied(path, ears):
    (one,) = ears("one:in")
    leave(path, "one:in")
    path.write_bytes(path.read_bytes()[:3000])
    done = hush(path)
    assert done.returncode == 0
    assert f"{path}: a part of it is missing; every channel" in done.stdout
    everything = {(0xB0 | channel, controller, 0) for channel in range(16) for controller in (64, 123, 120)}
    until(lambda: set(one.all) == everything | {(0x82, 60, 0)})
    assert path.read_bytes() == b""


@pytest.mark.own_process
def test_the_synth_itself_falls_silent(path, tmp_path, server):  # noqa: ARG001 - the server must run
    synth = Synth(tmp_path)
    try:
        out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="killed")
        out.open_port(next(n for n, name in enumerate(out.get_ports()) if name.startswith(synth.client + ":")))
        name = next(name for name in out.get_ports() if name.startswith(synth.client + ":"))
        sounding = Sounding(path)
        recorded = sounding.marked(Somewhere(name))
        for data in [(0x92, 60, 90), (0x92, 69, 90), (0xB2, 64, 127)]:
            out.send_message(data)
            recorded.send(data, 0)
        sounding.close()
        time.sleep(1)
        close_port(out)
        time.sleep(0.5)  # nobody is connected any more, and it sounds on
        assert hush(path).returncode == 0
        time.sleep(1)
        sound = abs(synth.played())
    finally:
        synth.close()
    heard = np.flatnonzero(sound > AUDIBLE)
    assert heard.size
    assert heard[-1] - heard[0] > 48_000 * 5 // 4  # it sounded on
    assert sound[-24_000:].max() < AUDIBLE


@pytest.mark.own_process
def test_a_router_that_starts_is_told_that_all_was_ended(path, ears):
    (one,) = ears("one:in")
    leave(path, "one:in")
    ended = end_what_was_left(path)
    assert ended == ('"one:in": 1 note to end, 1 channel to silence', True)
    until(lambda: len(one.all) >= len(ENDED))


# --- when it cannot -----------------------------------------------------------------------------------------------


def assert_not_ended(ended, why):
    assert why in ended.said
    assert not ended.wholly


def test_without_a_record_there_is_nothing_to_do(path):
    assert (hush(path).returncode, end_what_was_left(path)) == (0, ("", True))
    path.touch()
    assert (hush(path).returncode, end_what_was_left(path)) == (0, ("", True))
    leave(path)
    assert (hush(path).stdout, end_what_was_left(path)) == ("", ("", True))


@pytest.mark.parametrize("arguments", [[], ["--help"], ["a", "b"], ["a", "--within", "soon"], ["a", "--within", "-1"]])
def test_wrong_usage_is_said(arguments):
    done = subprocess.run(
        [sys.executable, "-m", "router.bedside.hush", *arguments],
        capture_output=True,
        text=True,
        timeout=WAIT,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("usage: python -m router.bedside.hush FILE [--within SECONDS | --after]\n")


def test_while_a_router_plays_nothing_is_touched(path):
    sounding = Sounding(path)
    sounding.marked(Somewhere("one:in")).send((0x92, 60, 64), 0)
    before = path.read_bytes()
    done = hush(path)
    assert done.returncode == 1
    assert done.stdout == f"{path}: a router plays already, and has it (process {os.getpid()})\n"
    assert_not_ended(end_what_was_left(path), "a router plays already")
    assert path.read_bytes() == before
    sounding.close()


def test_a_record_that_cannot_be_read_is_said(tmp_path):
    assert hush(tmp_path).returncode == 1
    assert_not_ended(end_what_was_left(tmp_path), "directory")
    os.mkfifo(tmp_path / "pipe")
    assert_not_ended(end_what_was_left(tmp_path / "pipe"), "cannot be read")


def test_without_a_server_what_was_left_stays_in_the_record(path, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "router-tests-none")
    leave(path, "one:in")
    assert_not_ended(end_what_was_left(path), "no JACK server answers")
    assert [one.notes for one in parse(path.read_bytes())[0]] == [((3, 60),)]


@pytest.mark.skipif(Path("/dev/snd/seq").exists(), reason="only where there is no ALSA sequencer can it be missing")
def test_without_a_sequencer_what_was_left_stays_in_the_record(path):
    leave(path, "Pad:Pad MIDI 1 24:0", system="alsa")
    assert_not_ended(end_what_was_left(path), "ALSA")
    assert [one.notes for one in parse(path.read_bytes())[0]] == [((3, 60),)]


@pytest.mark.own_process
def test_a_server_that_is_frozen_freezes_nobody_for_long(path, server):
    leave(path, "one:in")
    before = path.read_bytes()
    server.process.send_signal(signal.SIGSTOP)
    assert hush(path, "--within", "0.5").returncode == -signal.SIGALRM
    assert_not_ended(end_what_was_left(path, 0.5), "has not answered for 0.5 s")
    assert parse(path.read_bytes()) == parse(before)
    server.process.send_signal(signal.SIGCONT)


@pytest.mark.own_process
def test_a_server_that_dies_meanwhile_freezes_nobody(path, ears, server, monkeypatch):
    """Here in this process, so that the server can be killed at the very moment between two messages."""
    ears("one:in")
    leave(path, "one:in")
    left, _ = parse(path.read_bytes())
    real = jack.Client.connect

    def connect_and_kill(client, *ports):
        real(client, *ports)
        server.kill()

    monkeypatch.setattr(jack.Client, "connect", connect_and_kill)
    assert hush_module.hush(left) == left
