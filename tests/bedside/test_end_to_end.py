"""From a child's movement to sound, as separate processes: ``router run`` between real devices and a real synth.

Serial lines and terminals are pseudo-terminals, MIDI goes over JACK, the synth is FluidSynth with a bank of one sine,
and what it played is measured in the sound file that it leaves. Nothing is asserted about speed.
"""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import rtmidi

from tests.shared.jack_server import DYING
from tests.shared.parts import AUDIBLE, ROUTER, Listener, Router, Sensor, Server, Synth, close_port, pitch, unique
from tests.shared.waiting import WAIT, until

pytestmark = pytest.mark.usefixtures("jack_server")

# --- one movement in, music out -----------------------------------------------------------------------------------

BREATH = """
profile: 1
child: wren
music: {{key: D, scale: minor pentatonic}}
inputs:
  cheek:
    type: pressure
    device: {{serial: "{sensor}", unit: Pa}}
    above: {{on: 0.4 inH2O, full: 2 inH2O}}
parts:
  tune:
    input: cheek.above
    rules:
      - note: {{degree: 2, octave: 4}}
      - velocity: {{from: strength, low: 40, high: 90}}
    output: {{port: synth, channel: 3, program: acoustic grand piano}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""
# The second degree of D minor pentatonic from octave 4 is F4, MIDI note 65: 440 * 2 ** ((65 - 69) / 12) Hz.
F4, F4_HERTZ = 65, 349.228


def test_a_breath_sounds_at_the_pitch_that_the_profile_says(part):
    synth, sensor = part(Synth), part(Sensor)
    router = part(Router, BREATH.format(sensor=sensor.path, synth=synth.client))
    router.wait_for("input_open")
    time.sleep(1)  # the rest level is known after half a second
    sensor.pascal = 300.0
    router.wait_for("press")
    time.sleep(1.3)
    sensor.pascal = 0.0
    router.wait_for("release")
    time.sleep(0.3)
    assert router.stop() == 0
    sound = synth.played()
    assert pitch(sound) == pytest.approx(F4_HERTZ, abs=0.5)
    assert abs(sound[-4800:]).max() < AUDIBLE  # and it does not go on


PAD = """
profile: 1
child: wren
inputs:
  pad: {{type: midi, device: {{midi: "{pad}:*"}}}}
parts:
  tune:
    input: pad
    rules:
      - note: {{}}
      - velocity: {{from: strength, low: 1, high: 127}}
    output: {{port: synth, channel: 1}}
limits: {{velocity: 127}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""


class Pad:
    """A MIDI pad that a child strikes."""

    def __init__(self, _folder):
        self.client = unique("pad")
        self.port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=self.client)
        self.port.open_virtual_port("pads")

    def strike(self, note, velocity, seconds):
        self.port.send_message([0x90, note, velocity])
        time.sleep(seconds)
        self.port.send_message([0x80, note, 0])

    def close(self):
        close_port(self.port)


def test_a_midi_pad_sounds_at_its_pitch_and_a_harder_strike_louder(part):
    synth, pad = part(Synth), part(Pad)
    router = part(Router, PAD.format(pad=pad.client, synth=synth.client))
    router.wait_for("input_open")
    pad.strike(76, 40, 1.5)
    time.sleep(0.5)
    pad.strike(76, 120, 1.0)
    router.wait_for("release", 2)
    time.sleep(0.3)
    assert router.stop() == 0
    strengths = [event["strength"] for event in router.logged() if event["event"] == "press"]
    assert strengths == pytest.approx([40 / 127, 120 / 127], abs=1e-4)
    velocities = [event["velocity"] for event in router.logged() if event["event"] == "note_on"]
    assert velocities == [round(1 + 126 * 40 / 127), round(1 + 126 * 120 / 127)]
    sound = synth.played()
    assert pitch(sound) == pytest.approx(659.255, abs=0.5)  # E5: 440 * 2 ** (7 / 12)
    start = int(np.argmax(abs(sound) > AUDIBLE))
    soft, hard = abs(sound[start : start + 48_000]).max(), abs(sound).max()
    assert hard > 2 * soft


KEYS = """
profile: 1
child: wren
music: {{key: A, scale: major}}
inputs:
  space: {{type: switch, device: {{terminal: space}}}}
  other: {{type: switch, device: {{terminal: x}}}}
parts:
  tune:
    input: space
    rules:
      - note: {{degree: 1, octave: 4}}
      - release: {{when: after, time: 1.5 s}}
    output: {{port: synth, channel: 1}}
  low:
    input: other
    rules: [note: {{degree: 1, octave: 2}}]
    output: {{port: synth, channel: 1}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""


def test_keys_of_a_terminal_sound_at_the_pitch_that_the_profile_says(part, tmp_path, in_terminal):
    synth = part(Synth)
    profile = tmp_path / "wren.yaml"
    profile.write_text(KEYS.format(synth=synth.client), encoding="utf-8")
    program = in_terminal(*ROUTER, "run", str(profile), "--verbose")
    program.wait_for(b"Keys: space plays tune, x plays low. Ctrl-C stops.")
    program.wait_for(b"ready")
    program.type(b" ")
    program.wait_for(b"note_off")
    program.type(b"\x03")
    assert program.process.wait(WAIT) == 130
    assert pitch(synth.played()) == pytest.approx(440.0, abs=0.5)


# --- nothing is left sounding -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("number", "status"), [(signal.SIGTERM, 0), (signal.SIGINT, 130), (signal.SIGHUP, 0)])
def test_a_signal_in_the_middle_of_a_note_ends_it(part, number, status):
    listener, sensor = part(Listener), part(Sensor)
    router = part(Router, BREATH.format(sensor=sensor.path, synth=listener.client))
    router.wait_for("input_open")
    time.sleep(1)
    sensor.pascal = 300.0
    until(lambda: listener.sounding() == {F4})
    assert router.stop(number) == status
    until(lambda: not listener.sounding())
    assert listener.count(0x90) == listener.count(0x80) == 1
    # Pedal up, all notes off, all sound off: 123 alone does not end what 64 holds.
    assert listener.heard[-3:] == [(0xB2, 64, 0), (0xB2, 123, 0), (0xB2, 120, 0)]
    assert listener.heard[0] == (0xC2, 0)
    assert [event["event"] for event in router.logged()][-1] == "stop"


def test_a_sensor_unplugged_in_the_middle_of_a_note_ends_it_and_plays_again_when_it_is_back(part):
    listener, sensor = part(Listener), part(Sensor)
    router = part(Router, BREATH.format(sensor=sensor.path, synth=listener.client))
    router.wait_for("input_open")
    open_before = router.descriptors()
    for turn in (1, 2, 3):
        time.sleep(1)
        sensor.pascal = 300.0
        until(lambda turn=turn: listener.count(0x90) == turn)
        sensor.unplug()
        until(lambda: not listener.sounding())
        sensor.pascal = 0.0
        router.wait_for("input_lost", turn)
        time.sleep(0.7)
        sensor.plug()
        router.wait_for("input_open", turn + 1)
    assert router.descriptors() == open_before
    assert len([said for said in router.events() if said["event"] == "input_missing"]) == 3  # once each time
    assert router.stop() == 0
    words = [event["event"] for event in router.logged() if event["event"] in ("lost", "found")]
    assert words == ["lost", "found"] * 3


def test_a_sensor_that_is_not_there_yet_is_said_once_and_found_later(part):
    listener, sensor = part(Listener), part(Sensor)
    sensor.unplug()
    router = part(Router, BREATH.format(sensor=sensor.path, synth=listener.client))
    time.sleep(2)
    said = [event for event in router.events() if event["event"] == "input_missing"]
    assert len(said) == 1
    assert f'no serial line is called "{sensor.path}"' in said[0]["why"]
    sensor.plug()
    router.wait_for("input_open")
    time.sleep(1)
    sensor.pascal = 300.0
    until(lambda: listener.sounding() == {F4})
    sensor.pascal = 0.0
    until(lambda: not listener.sounding())


def test_a_synth_unplugged_and_back_gets_its_sound_and_plays_again(part):
    listener, sensor = part(Listener), part(Sensor)
    router = part(Router, BREATH.format(sensor=sensor.path, synth=listener.client).replace(":*", ":in"))
    router.wait_for("input_open")
    until(lambda: listener.heard)
    listener.close()
    router.wait_for("output_lost")
    listener.heard.clear()
    listener.port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=listener.client)
    listener.port.set_callback(lambda event, _data: listener.heard.append(tuple(event[0])))
    listener.port.open_virtual_port("in")
    until(lambda: (0xC2, 0) in listener.heard)
    time.sleep(1)  # the rest level is known after half a second
    sensor.pascal = 300.0
    until(lambda: listener.sounding() == {F4})


@pytest.mark.own_process
def test_a_jack_server_that_dies_stops_nothing_else_and_is_used_again(part, monkeypatch):
    """Sending to a server that has gone never returns in python-rtmidi, and freezes every thread of the program."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", DYING)
    server = part(Server, DYING)
    sensor = part(Sensor)
    router = part(Router, BREATH.format(sensor=sensor.path, synth="listener").replace(":*", ":in"))
    router.wait_for("input_open")
    server.kill()
    router.wait_for("output_lost")
    time.sleep(1)  # as above
    sensor.pascal = 300.0
    router.wait_for("press")  # it goes on
    sensor.pascal = 0.0
    router.wait_for("release")
    router.wait_for("output_missing")
    server.start()
    router.wait_for("output_open", 2)
    assert len([said for said in router.events() if said["event"] == "output_missing"]) == 1
    assert "no JACK server answers" in router.wait_for("output_missing")[0]["why"]
    assert router.stop() == 0


PASSING = """
import os, select, sys, time
import rtmidi
while not select.select([sys.stdin], [], [], 0.002)[0]:
    port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"passing-{os.getpid()}")
    port.open_virtual_port("out")
    port.close_port()
    port.delete()
"""
"""Opens and closes a port again and again until its input ends.
In a process of its own, as ``parts.close_port`` says why.
"""


def test_it_ends_well_while_ports_come_and_go(part):
    """What JACK's threads have to tell must not find a Python that is ending."""
    with subprocess.Popen([sys.executable, "-c", PASSING], stdin=subprocess.PIPE) as passing:
        for _ in range(4):
            router = part(Router, BREATH.format(sensor="/dev/none", synth="nobody"))
            assert router.stop() == 0
        assert passing.poll() is None
        passing.stdin.close()
    assert passing.returncode == 0


# --- the command itself -------------------------------------------------------------------------------------------


def run(*arguments, **environment):
    return subprocess.run(
        [*ROUTER, *arguments],
        capture_output=True,
        text=True,
        timeout=WAIT,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **environment},
        check=False,
    )


def test_a_profile_with_a_mistake_is_refused_by_its_own_message(tmp_path):
    profile = tmp_path / "wren.yaml"
    profile.write_text(BREATH.format(sensor="x", synth="y").replace("degree: 2", "degre: 2"), encoding="utf-8")
    done = run("run", str(profile))
    assert done.returncode == 1
    assert done.stderr.startswith(f"{profile}:14:16: ")
    assert '"degre"' in done.stderr
    assert done.stdout == ""


def test_a_profile_of_terminal_keys_is_refused_without_a_terminal(tmp_path):
    profile = tmp_path / "wren.yaml"
    profile.write_text(KEYS.format(synth="x"), encoding="utf-8")
    done = run("run", str(profile))
    assert done.returncode == 1
    assert "does not run in a terminal" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_log_that_cannot_be_written_is_refused(tmp_path):
    profile = tmp_path / "wren.yaml"
    profile.write_text(BREATH.format(sensor="x", synth="y"), encoding="utf-8")
    done = run("run", str(profile), "--log", str(tmp_path / "no" / "log"))
    assert (done.returncode, done.stderr) == (1, f"router run: {tmp_path}/no/log: no such file or directory\n")


def test_the_terminal_is_put_back_after_the_program_has_ended(tmp_path, in_terminal):
    """Also when it is told to stop from elsewhere."""
    import termios

    profile = tmp_path / "wren.yaml"
    profile.write_text(KEYS.format(synth="nobody"), encoding="utf-8")
    program = in_terminal(*ROUTER, "run", str(profile))
    program.wait_for(b"ready")
    changed = termios.tcgetattr(program.master)
    assert not changed[3] & termios.ICANON
    assert changed[3] & termios.ISIG
    program.process.send_signal(signal.SIGTERM)
    assert program.process.wait(WAIT) == 0
    assert termios.tcgetattr(program.master)[3] & (termios.ICANON | termios.ECHO) == termios.ICANON | termios.ECHO
