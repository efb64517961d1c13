"""What stands around the PC: switches, a pressure sensor, a head pointer, a loudspeaker, and a synth at a USB cable.

The first three are QEMU's, plugged in over its machine protocol. The synth and the joystick are made in the guest by the
kernel's own USB gadgets at an emulated socket (dummy_hcd): a real USB-MIDI interface to whoever drives it, whose far side is
the raw MIDI port that a synth's own processor would read.
"""

from __future__ import annotations

import json
import socket
import struct
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

from tests.bedside_pc.machine import ANSWERING, GuestFailed, Machine, until

QEMU_AXIS = 0x7FFF
"""The highest value of an absolute axis in QEMU's events."""


class Keyboard:
    """A USB keyboard: what a switch box looks like to a PC. ``serial`` is the number by which udev tells it apart."""

    def __init__(self, machine: Machine, serial: str, screen: str) -> None:
        self._machine = machine
        self.serial, self._screen = serial, screen
        self.node = f"/dev/input/by-id/usb-QEMU_QEMU_USB_Keyboard_{serial}-event-kbd"

    def plug(self) -> None:
        self._machine.plug("usb-kbd", self.serial, serial=self.serial, display=self._screen)
        self._machine.until(f"udevadm settle; test -e {self.node}")

    def unplug(self) -> None:
        self._machine.unplug(self.serial)

    def key(self, down: bool, code: str = "spc") -> None:
        """Press or let go; ``code`` is QEMU's name of the key."""
        data = {"down": down, "key": {"type": "qcode", "data": code}}
        self._machine.input({"type": "key", "data": data}, screen=self._screen)


class Tablet:
    """A USB tablet: what a head pointer looks like to a PC."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine

    def plug(self) -> None:
        self._machine.plug("usb-tablet", "tablet", serial="HEAD")
        self._machine.until("udevadm settle; test -e /dev/input/by-id/usb-QEMU_QEMU_USB_Tablet_HEAD-event-mouse")

    def unplug(self) -> None:
        self._machine.unplug("tablet")

    def place(self, x: float, y: float) -> None:
        """Point there; 0 to 1, from the left and the top."""
        places = [{"axis": axis, "value": round(share * QEMU_AXIS)} for axis, share in (("x", x), ("y", y))]
        self._machine.input(*({"type": "abs", "data": place} for place in places))


class Pressure:
    """A pressure sensor at a USB serial line that says how many pascals, 50 times a second."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self.pascals = 0.0
        self._there, self._over = threading.Event(), threading.Event()
        at = machine.folder / "pressure"
        address = {"type": "unix", "data": {"path": str(at)}}
        machine.qmp(
            "chardev-add",
            id="pressure",
            backend={"type": "socket", "data": {"addr": address, "server": True, "wait": False}},
        )
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(str(at))
        self._speaker = threading.Thread(target=self._speak, daemon=True)
        self._speaker.start()

    def plug(self) -> None:
        self._machine.plug("usb-serial", "sensor", chardev="pressure", serial="PRESSURE")
        self._machine.until("udevadm settle; ls /dev/serial/by-id/ | grep PRESSURE")
        self._there.set()

    def unplug(self) -> None:
        self._there.clear()
        self._machine.unplug("sensor")

    def close(self) -> None:
        """Before the machine is switched off: nobody would read what it says."""
        self._over.set()
        self._there.set()
        self._speaker.join()
        self._line.close()

    def _speak(self) -> None:
        while not self._over.wait(0.02):
            self._there.wait()
            self._line.sendall(f"{self.pascals:.1f}\n".encode())


class SoundCard:
    """What comes out of the PC's sound card: 16 bits, 48,000 a second, as QEMU writes it while it plays."""

    RATE, CHANNELS, HEADER = 48_000, 2, 44
    AUDIBLE = 0.002
    """Of full scale: below the softest note here, above a synth's dither."""

    def __init__(self, machine: Machine) -> None:
        self._path = machine.sound

    def place(self) -> int:
        """How many frames it has played."""
        size = self._path.stat().st_size if self._path.exists() else 0
        return max(0, size - self.HEADER) // (2 * self.CHANNELS)

    def next(self, seconds: float) -> np.ndarray:
        """What it plays from now on, -1 to 1: so much of it, or less if it plays nothing at all."""
        start = self.place()
        wanted = round(seconds * self.RATE)
        deadline = time.monotonic() + 3 * seconds + 1
        while self.place() < start + wanted and time.monotonic() < deadline:
            time.sleep(0.02)
        with self._path.open("rb") as file:
            file.seek(self.HEADER + start * 2 * self.CHANNELS)
            frames = np.frombuffer(file.read(wanted * 2 * self.CHANNELS), np.int16)
        return frames[: len(frames) // 2 * 2].reshape(-1, 2)[:, 0] / 32768

    def sounds(self, seconds: float = 0.2) -> bool:
        heard = self.next(seconds)
        return len(heard) > 0 and float(np.sqrt(np.mean(heard**2))) > self.AUDIBLE

    def pitch(self, seconds: float = 1.0) -> float:
        """The strongest partial of what it plays from now on, in hertz: the highest bin of the Fourier transform, and between its neighbours by a parabola."""
        heard = self.next(seconds)
        if len(heard) < self.RATE // 10:
            raise GuestFailed("the sound card plays nothing")
        strength = np.log(np.abs(np.fft.rfft(heard * np.hanning(len(heard)))) + 1e-12)
        top = int(strength[1:-1].argmax()) + 1
        below, at, above = strength[top - 1 : top + 2]
        between = (below - above) / (2 * (below - 2 * at + above))
        return float((top + between) * self.RATE / len(heard))


class UsbSynth:
    """A synth at a USB cable, and what comes in at its end, whoever sent it."""

    SOCKET = "dummy_udc.0"

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._changed = threading.Condition()
        self.sounding: set[tuple[int, int]] = set()
        """Channel (0 to 15) and note."""
        self.heard: list[tuple[int, ...]] = []

    def plug(self) -> None:
        """Make it, the first time, and put its cable in."""
        self._machine.run(f"/usr/local/lib/test-link/usb-synth {self.SOCKET}")
        if not hasattr(self, "_listener"):
            self._listener = self._machine.start("python3 -S -u /usr/local/lib/test-link/listen.py")
            threading.Thread(target=self._listen, daemon=True).start()

    def unplug(self) -> None:
        """Pull its cable out; the synth itself stays on, and what sounds in it goes on sounding."""
        self._machine.run(f"echo disconnect > /sys/class/udc/{self.SOCKET}/soft_connect")

    def forget(self) -> None:
        """The history, not what sounds."""
        with self._changed:
            self.heard.clear()

    def wait(self, count: int, seconds: float = ANSWERING) -> set[tuple[int, int]]:
        """Wait until so many notes sound in it, and say which."""
        with self._changed:
            if not self._changed.wait_for(lambda: len(self.sounding) == count, seconds):
                raise GuestFailed(
                    f"{count} notes should sound in the synth, and these do: {self.sounding}; {self.heard[-20:]}"
                )
            return set(self.sounding)

    def _listen(self) -> None:
        while (line := self._listener.lines.get()) is not None:
            message = tuple(json.loads(line))
            with self._changed:
                self._hear(message)
                self._changed.notify_all()

    def _hear(self, message: tuple[int, ...]) -> None:
        """What a synth does (MIDI 1.0): controllers 120 and from 123 on end all notes of their channel."""
        self.heard.append(message)
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if kind == 0x90 and message[2]:
            self.sounding.add((channel, message[1]))
        elif kind in {0x80, 0x90}:
            self.sounding.discard((channel, message[1]))
        elif kind == 0xB0 and (message[1] == 120 or message[1] >= 123):
            self.sounding = {note for note in self.sounding if note[0] != channel}
