"""The parts around a router in a process of its own: a synth, a listener, a sensor, a JACK server, and the router
itself.

Serial lines are pseudo-terminals, MIDI goes over JACK, the synth is FluidSynth with a bank of one sine, and what it
played is measured in the sound file that it leaves.
"""

import contextlib
import itertools
import json
import os
import signal
import subprocess
import sys
import threading
import time
import wave

import numpy as np
import rtmidi

from router.devices.ports import current
from tests.shared.jack_server import JACKD, server_answers
from tests.shared.sine_bank import write_sine_bank
from tests.shared.waiting import WAIT, until

AUDIBLE = 0.002
"""Of full scale: below the softest note here, above FluidSynth's dither."""

ROUTER = [sys.executable, "-m", "router"]

_numbers = itertools.count(1)


def unique(name):
    return f"{name}-{os.getpid()}-{next(_numbers)}"


# --- the parts around the router ----------------------------------------------------------------------------------


class Synth:
    """FluidSynth in a process of its own, which plays into a sound file."""

    def __init__(self, folder):
        self.client = unique("synth")
        self.sound = folder / "played.wav"
        bank = write_sine_bank(folder / "sine.sf2")
        options = ["audio.file.name=" + str(self.sound), "audio.file.type=wav", "midi.jack.id=" + self.client]
        self.process = subprocess.Popen(
            ["fluidsynth", "-q", "-a", "file", "-m", "jack", "-r", "48000", "-R", "0", "-C", "0"]
            + [word for option in options for word in ("-o", option)]
            + [str(bank)],
            stdin=subprocess.PIPE,  # it ends when this does
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        look = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=unique("look"))
        try:
            until(lambda: any(name.startswith(self.client + ":") for name in look.get_ports()))
        finally:
            close_port(look)

    def played(self):
        """All that it played, as numbers from -1 to 1, 48,000 a second."""
        self.process.communicate(b"quit\n", timeout=WAIT)
        with wave.open(str(self.sound)) as file:
            assert file.getframerate() == 48_000
            frames = np.frombuffer(file.readframes(file.getnframes()), np.int16)
            return frames.reshape(-1, file.getnchannels())[:, 0] / 32768

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self.process.stdin.close()


def pitch(sound):
    """The strongest frequency in hertz, by Fourier transform of the first second that sounds; the bank is a sine."""
    start = int(np.argmax(abs(sound) > AUDIBLE)) + 2400  # 50 ms into it
    second = sound[start : start + 48_000] * np.hanning(48_000)
    spectrum = abs(np.fft.rfft(second, 8 * 48_000))
    return float(np.fft.rfftfreq(8 * 48_000, 1 / 48_000)[spectrum.argmax()])


def close_port(port):
    """Close a MIDI port of a test's own, until whatever else this process has open knows of it.

    JACK gives a client's number to the next one, and tells older clients that the first has gone without waiting for
    them. If one of them hears it late (the router's look-out waits for the interpreter's lock), it takes the new client
    of the same process for the old one and unmaps what that one's thread waits on: a segmentation fault, seen with JACK
    1.9.22 in one of four runs of a file of tests. The router itself waits like this whenever it closes a port.
    """
    if isinstance(port, rtmidi.MidiIn):
        time.sleep(0.1)  # python-rtmidi may wait for ever if a message comes while it closes
        port.cancel_callback()
    port.close_port()
    port.delete()
    system = current()
    if system is not None:
        with system.still():
            pass


class Listener:
    """A MIDI port that hears what the router sends."""

    def __init__(self):
        self.client = unique("listener")
        self.heard = []
        self.port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=self.client)
        self.port.set_callback(lambda event, _data: self.heard.append(tuple(event[0])))
        self.port.open_virtual_port("in")

    def count(self, status):
        return sum(message[0] & 0xF0 == status for message in list(self.heard))

    def sounding(self):
        """The notes that are on, by what was heard alone."""
        on = set()
        for status, *data in list(self.heard):
            if status & 0xF0 == 0x90 and data[1]:
                on.add(data[0])
            elif status & 0xF0 in (0x80, 0x90):
                on.discard(data[0])
        return on

    def close(self):
        close_port(self.port)


class Sensor:
    """A pressure sensor on a serial line, 100 readings a second; ``pascal`` is what it reads.

    Its path is a link, as udev makes them: ``plug`` after ``unplug`` gives another line under the same name.
    """

    def __init__(self, folder):
        self.path = folder / "usb-Simulated_pressure_sensor"
        self.pascal = 0.0
        self._master = -1
        self._ended = threading.Event()
        self._lock = threading.Lock()
        self.plug()
        self._thread = threading.Thread(target=self._send)
        self._thread.start()

    def plug(self):
        with self._lock:
            self._master, self._slave = os.openpty()
            os.set_blocking(self._master, False)
            self.path.unlink(missing_ok=True)
            self.path.symlink_to(os.ttyname(self._slave))

    def unplug(self):
        with self._lock:
            if self._master >= 0:
                self.path.unlink()
                os.close(self._master)
                os.close(self._slave)
                self._master = -1

    def garble(self, data):
        """These bytes in between, whatever they say, as fast as they are taken."""
        with self._lock:
            while data:
                with contextlib.suppress(BlockingIOError):
                    data = data[os.write(self._master, data) :]
                time.sleep(0.001)

    def _send(self):
        while not self._ended.wait(0.01):
            with self._lock:
                if self._master >= 0:
                    try:
                        os.write(self._master, f"{self.pascal:.1f}\r\n".encode())
                    except BlockingIOError:  # nobody reads yet
                        continue

    def close(self):
        self._ended.set()
        self._thread.join()
        self.unplug()


class Router:
    """``router run`` in a process of its own."""

    def __init__(self, folder, profile, *options):
        path = folder / "wren.yaml"
        path.write_text(profile, encoding="utf-8")
        self.log = folder / "session.jsonl"
        self.said = folder / "said.jsonl"
        with self.said.open("wb") as said:
            self.process = subprocess.Popen(
                [*ROUTER, "run", str(path), "--log", str(self.log), *options],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=said,
            )
        assert self.process.stdout.readline() == b"ready\n", self.said.read_text()

    def events(self):
        """What it said, by event. JACK's library has something to say too when its server dies, and not as JSON."""
        return [json.loads(line) for line in self.said.read_text().splitlines() if line.startswith("{")]

    def wait_for(self, event, count=1):
        return until(lambda: [said for said in self.events() if said["event"] == event][count - 1 :])

    def logged(self):
        return [json.loads(line) for line in self.log.read_text(encoding="utf-8").splitlines()]

    def descriptors(self):
        return len(os.listdir(f"/proc/{self.process.pid}/fd"))  # noqa: PTH208 - only their number is wanted

    def stop(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        return self.process.wait(WAIT)

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self.process.stdout.close()


class Server:
    """A JACK server of its own."""

    def __init__(self, _folder, name, frames=64):
        usual = ["-p", "64"]
        at = next(index for index in range(len(JACKD)) if JACKD[index : index + 2] == usual)
        self._command = [JACKD[0], "-n", name, *JACKD[1:at], "-p", str(frames), *JACKD[at + 2 :]]
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            self._command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            until(server_answers)
        except BaseException:  # nobody has this part yet who could close it
            self.kill()
            raise

    def kill(self):
        self.process.kill()
        self.process.wait()

    def close(self):
        self.process.terminate()
        self.process.wait(WAIT)
