"""What stands around the PC: switches, a pressure sensor, a head pointer, a loudspeaker, and a synth at a USB cable.

The first three are QEMU's, plugged in over its machine protocol. The synth and the joystick are made in the guest by
the kernel's own USB gadgets at an emulated socket (dummy_hcd): a real USB-MIDI interface to whoever drives it, whose
far side is the raw MIDI port that a synth's own processor would read.
"""

from __future__ import annotations

import json
import socket
import statistics
import threading
import time
from contextlib import suppress

import numpy as np

from tests.bedside_pc.machine import ANSWERING, GuestFailed, Machine, Program, until

QEMU_AXIS = 0x7FFF
"""The highest value of an absolute axis in QEMU's events."""


class _Usb:
    """A USB device of QEMU's, in or out; ``node`` is what udev makes of it. What is out cannot be moved."""

    driver: str
    node: str

    def __init__(self, machine: Machine, name: str, **properties: str) -> None:
        self._machine, self._name, self._properties = machine, name, properties
        self.plugged = False

    def plug(self) -> None:
        self.put_in()
        self.until_there()

    def put_in(self) -> None:
        """Put it in, and do not wait."""
        self._machine.plug(self.driver, self._name, serial=self._name, **self._properties)

    def until_there(self) -> None:
        """Until udev has made its node, and the link by which it is found, which comes last."""
        self._machine.wait_for(self.node.format(self._name))
        self.plugged = True

    def unplug(self) -> None:
        self.plugged = False
        self._machine.unplug(self._name)
        until(lambda: self._machine.missing(self.node.format(self._name)), f"udev forgets {self._name}")


class Keyboard(_Usb):
    """What a switch box looks like to a PC."""

    driver = "usb-kbd"
    node = "/dev/input/by-id/usb-QEMU_QEMU_USB_Keyboard_{}-event-kbd"

    def key(self, down: bool, code: str = "spc") -> None:
        """Press or let go; ``code`` is QEMU's name of the key."""
        if self.plugged:
            data = {"down": down, "key": {"type": "qcode", "data": code}}
            self._machine.input({"type": "key", "data": data}, screen=self._properties["display"])


class Tablet(_Usb):
    """What a head pointer looks like to a PC."""

    driver = "usb-tablet"
    node = "/dev/input/by-id/usb-QEMU_QEMU_USB_Tablet_{}-event-mouse"

    def place(self, x: float, y: float) -> None:
        """Point there; 0 to 1, from the left and the top."""
        if self.plugged:
            places = [{"axis": axis, "value": round(share * QEMU_AXIS)} for axis, share in (("x", x), ("y", y))]
            self._machine.input(*({"type": "abs", "data": place} for place in places))


class Pressure(_Usb):
    """A pressure sensor at a serial line over USB, which says how many pascals 25 times a second."""

    driver = "usb-serial"
    node = "/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_{}-if00-port0"

    def __init__(self, machine: Machine, name: str) -> None:
        super().__init__(machine, name, chardev=name)
        self.pascals = 0.0
        self.quiet = False
        self._over = threading.Event()
        at = machine.folder / name
        address = {"type": "unix", "data": {"path": str(at)}}
        machine.qmp(
            "chardev-add", id=name, backend={"type": "socket", "data": {"addr": address, "server": True, "wait": False}}
        )
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(str(at))
        self._speaker = threading.Thread(target=self._speak, daemon=True)
        self._speaker.start()

    def close(self) -> None:
        """Before the machine is switched off: nobody would read what it says."""
        self._over.set()
        self._speaker.join()
        self._line.close()

    def _speak(self) -> None:
        while not self._over.wait(0.04):
            with suppress(
                BlockingIOError
            ):  # a terminal echoes until it is told not to; unread, the echo stops the whole machine
                self._line.recv(65536, socket.MSG_DONTWAIT)
            if self.plugged and not self.quiet:
                with suppress(BlockingIOError):  # nobody reads it
                    self._line.send(f"{self.pascals:.1f}\n".encode(), socket.MSG_DONTWAIT)


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

    def pitch(self) -> float:
        """The strongest partial of what it plays from now on, in hertz.

        The median of some short pieces: an emulated machine does not always play on in time, and a gap shifts the pitch
        of its piece.
        """
        return statistics.median(self._strongest(self.next(0.4)) for _ in range(5))

    def _strongest(self, heard: np.ndarray) -> float:
        """The highest bin of the Fourier transform, and between its neighbours by a parabola."""
        if len(heard) < self.RATE // 10:
            raise GuestFailed("the sound card plays nothing")
        strength = np.log(np.abs(np.fft.rfft(heard * np.hanning(len(heard)))) + 1e-12)
        top = int(strength[1:-1].argmax()) + 1
        below, at, above = strength[top - 1 : top + 2]
        between = (below - above) / (2 * (below - 2 * at + above))
        return float((top + between) * self.RATE / len(heard))


class UsbSynth:
    """A synth at a USB cable, and what comes in at its end, whoever sent it."""

    CABLE = "$(dirname $(grep -lx 'USB Synth' /sys/bus/usb/devices/*/product))/authorized"
    """Whether the PC may use it: to its drivers the same as the cable. (Once pulled,
    the emulated one does not come back.)
    """

    plugging, unplugging = f"echo 1 > {CABLE}", f"echo 0 > {CABLE}"
    """The shell's commands for it."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._changed = threading.Condition()
        self.sounding: set[tuple[int, int]] = set()
        """Channel (0 to 15) and note."""
        self.heard: list[tuple[float, tuple[int, ...]]] = []
        """All messages but active sensing, each with the guest's monotonic time in seconds."""

    def switch_on(self) -> None:
        """Make it, with its cable in, and listen.
        It begins silent, as synths do; and it is switched off with the PC.
        """
        self._machine.run("/usr/local/lib/test-link/usb-synth")
        with self._changed:
            self.sounding.clear()
            self.heard.clear()
        listener = self._machine.start("python3 -S -u /usr/local/lib/test-link/listen.py")
        if listener.lines.get(timeout=ANSWERING) is None:  # what is sent before it listens would be lost
            raise GuestFailed("nobody listens at the synth's end")
        threading.Thread(target=self._listen, args=[listener], daemon=True).start()

    def plug(self) -> None:
        """Put its cable back."""
        self._machine.run(self.plugging)

    def unplug(self) -> None:
        """Pull its cable out; the synth itself stays on, and what sounds in it goes on sounding."""
        self._machine.run(self.unplugging)

    def forget(self) -> None:
        """The history, not what sounds."""
        with self._changed:
            self.heard.clear()

    def begun(self) -> list[tuple[float, tuple[int, int]]]:
        """The notes that began since it was last told to forget: when (seconds), and channel and note."""
        with self._changed:
            return [(at, (m[0] & 0x0F, m[1])) for at, m in self.heard if m[0] & 0xF0 == 0x90 and m[2]]

    def wait(self, count: int, seconds: float = ANSWERING) -> set[tuple[int, int]]:
        """Wait until so many notes sound in it, and say which."""
        with self._changed:
            if not self._changed.wait_for(lambda: len(self.sounding) == count, seconds):
                raise GuestFailed(f"{count} notes should sound, and these do: {self.sounding}; {self.heard[-20:]}")
            return set(self.sounding)

    def wait_for_notes(self, count: int, seconds: float = ANSWERING) -> None:
        """Wait until so many have begun since it was last told to forget."""
        until(lambda: len(self.begun()) >= count, f"{count} notes begin", seconds)

    def _listen(self, listener: Program) -> None:
        while (line := listener.lines.get()) is not None:
            at, message = json.loads(line)
            with self._changed:
                self._hear(at, tuple(message))
                self._changed.notify_all()

    def _hear(self, at: float, message: tuple[int, ...]) -> None:
        """What a synth does (MIDI 1.0): controllers 120 and from 123 on end all notes of their channel."""
        self.heard.append((at, message))
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if kind == 0x90 and message[2]:
            self.sounding.add((channel, message[1]))
        elif kind in {0x80, 0x90}:
            self.sounding.discard((channel, message[1]))
        elif kind == 0xB0 and (message[1] == 120 or message[1] >= 123):
            self.sounding = {note for note in self.sounding if note[0] != channel}
