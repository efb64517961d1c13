"""The emulated PC itself: power, the link to a shell in it, and what is plugged in.

QEMU emulates its processor, some ten times slower than this one; ``BEDSIDE_PC_ACCEL=kvm`` lets this one do it where it
can. (There are machines on which it says that it can, and then the kernel dies at once: so it is asked for, not tried.)
QEMU is told what to do over its machine protocol (QMP), the guest over a virtio port at whose other end
``guest/usr/local/lib/test-link/link.py`` runs what it is asked. QEMU ends with the process that started it.
"""

from __future__ import annotations

import ctypes
import itertools
import json
import os
import queue
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any, TypeVar

BOOTING = 300.0
"""Seconds until the link answers; emulated it takes fifteen, on a busy machine two minutes."""

ANSWERING = 240.0
"""Seconds for what takes a fraction of one, or a few; on a busy machine many."""

PR_SET_PDEATHSIG = 1  # linux/prctl.h

T = TypeVar("T")


class GuestFailed(Exception):
    """A command in the guest failed, nothing came in time, or the machine is gone."""


SELDOM = 0.5
"""Seconds between two questions to what is not there for long:
each costs the emulated processor what it needs to get there.
"""


def until(true: Callable[[], T], what: str, seconds: float = ANSWERING) -> T:
    """Wait until it gives something true, asked less and less often, and return that."""
    began = time.monotonic()
    while not (result := true()):
        waited = time.monotonic() - began
        if waited > seconds:
            raise GuestFailed(f"in {seconds:.0f} s it did not happen: {what}")
        time.sleep(min(SELDOM, 0.05 + waited / 10))
    return result


def _connected(path: Path) -> socket.socket | None:
    """A connection to a unix socket; None while its file is there and nobody listens yet."""
    connection = socket.socket(socket.AF_UNIX)
    try:
        connection.connect(str(path))
    except ConnectionRefusedError:
        connection.close()
        return None
    return connection


class _Lines:
    """A unix socket on which lines of JSON go both ways; each that comes is handed to ``take`` in a thread."""

    def __init__(self, path: Path, take: Callable[[dict[str, Any]], None]) -> None:
        self._socket = until(lambda: _connected(path), f"QEMU listens at {path}", 20)
        self._take = take
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def close(self) -> None:
        with suppress(OSError):  # the other end has gone
            self._socket.shutdown(socket.SHUT_RDWR)
        self._reader.join()
        self._socket.close()

    def send(self, message: dict[str, Any]) -> None:
        self._socket.sendall(json.dumps(message).encode() + b"\n")

    def _read(self) -> None:
        with self._socket.makefile("rb") as lines, suppress(ConnectionResetError):
            for line in lines:
                self._take(json.loads(line))


class Program:
    """A program that runs in the guest; what it says comes line by line into ``lines``, None when it has ended."""

    def __init__(self, number: int, lines: queue.SimpleQueue[str | None]) -> None:
        self.number = number
        self.lines = lines

    def line(self, seconds: float = ANSWERING) -> str:
        """The next line."""
        try:
            line = self.lines.get(timeout=seconds)
        except queue.Empty:
            raise GuestFailed("the program said nothing more") from None
        if line is None:
            raise GuestFailed("the program has ended")
        return line


class Machine:
    """A PC that is on. ``folder`` takes its sockets, its console's text and what its sound card plays."""

    def __init__(self, image: Path, folder: Path, *, memory: int = 768) -> None:
        self.folder = folder
        self.sound = folder / "sound.wav"
        self.console = folder / "console"
        self._answers: dict[int, queue.SimpleQueue[dict[str, Any]]] = {}
        self._programs: dict[int, queue.SimpleQueue[str | None]] = {}
        self._numbers = itertools.count(1)
        self._up: queue.SimpleQueue[float] = queue.SimpleQueue()
        self._told: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._events: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._one_at_a_time = threading.Lock()
        self._with_it = ExitStack()  # what is closed when it is off
        self.process = subprocess.Popen(
            self._command(image, memory),
            stdin=subprocess.DEVNULL,
            stdout=self._with_it.enter_context((folder / "qemu.log").open("wb")),
            stderr=subprocess.STDOUT,
            start_new_session=True,
            preexec_fn=_die_with_parent,  # noqa: PLW1509 - it only makes one system call
        )
        try:
            for name in ("qmp", "link"):
                until(lambda name=name: self._there(name), "QEMU starts", 20)
            self._qmp = _Lines(folder / "qmp", lambda told: (self._events if "event" in told else self._told).put(told))
            self._with_it.callback(self._qmp.close)
            self._told.get(timeout=20)  # its greeting
            self.qmp("qmp_capabilities")
            self._link = _Lines(folder / "link", self._take)
            self._with_it.callback(self._link.close)
            self.wait_until_up()
        except BaseException:
            self.power_off()
            raise

    def _command(self, image: Path, memory: int) -> list[str]:
        at = self.folder
        kernel = (
            "console=ttyS0 quiet loglevel=4 mitigations=off audit=0 apparmor=0 random.trust_cpu=on tsc=reliable "
            "no_timer_check"
        )
        return [
            *("qemu-system-x86_64", "-nodefaults", "-no-user-config", "-display", "none", "-nic", "none"),
            # No PS/2 controller: it would take the keys that are meant for the USB keyboards.
            *("-machine", "pc,i8042=off,vmport=off,usb=off", "-global", "PIIX4_PM.disable_s3=0"),
            *("-accel", {"kvm": "kvm"}.get(os.environ.get("BEDSIDE_PC_ACCEL", ""), "tcg,thread=multi,tb-size=256")),
            *("-cpu", "Nehalem", "-smp", "2", "-m", str(memory)),  # the least that NumPy's packages run on
            *("-kernel", str(image / "vmlinux"), "-initrd", str(image / "initrd.img")),
            *("-append", kernel),
            # What is written goes into a file that is gone with QEMU; the image stays as it is.
            *("-drive", f"file={image / 'root.ext4'},format=raw,if=virtio,snapshot=on,cache=unsafe"),
            *("-serial", f"file:{at / 'console'}", "-device", "virtio-rng-pci", "-device", "virtio-serial-pci"),
            *("-chardev", f"socket,id=link,path={at / 'link'},server=on,wait=off"),
            *("-device", "virtserialport,chardev=link,name=test.link"),
            *("-qmp", f"unix:{at / 'qmp'},server=on,wait=off"),
            *("-audiodev", f"wav,id=sound,path={self.sound},out.frequency=48000"),
            *("-device", "intel-hda", "-device", "hda-output,audiodev=sound", "-device", "qemu-xhci,id=usb,p2=8,p3=8"),
            # A keyboard is told which one is meant by the screen that it belongs to.
            *("-device", "bochs-display,id=screen0", "-device", "bochs-display,id=screen1"),
        ]

    def _there(self, name: str) -> bool:
        if self.process.poll() is not None:
            raise GuestFailed(f"QEMU does not start: {(self.folder / 'qemu.log').read_text()}")
        return (self.folder / name).exists()

    def _take(self, said: dict[str, Any]) -> None:
        if "up" in said:
            self._up.put(said["up"])
        elif "id" in said:
            if "process" in said:
                self._programs[said["process"]] = queue.SimpleQueue()
            if waiting := self._answers.pop(said["id"], None):
                waiting.put(said)
        else:
            self._programs[said["process"]].put(said.get("line"))

    # --- power --------------------------------------------------------------------------------------------------------

    def wait_until_up(self) -> float:
        """Until the guest says that it is up; the seconds since its kernel began."""
        deadline = time.monotonic() + BOOTING
        while time.monotonic() < deadline:
            try:
                return self._up.get(timeout=0.5)
            except queue.Empty:
                if self.process.poll() is not None:
                    break
        said = self.console.read_text(errors="replace")[-3000:] if self.console.exists() else ""
        raise GuestFailed(f"the machine does not come up; its console says:\n{said}")

    def reset(self) -> float:
        """As its reset button does: at once, with nothing written that was not; returns when it is up again."""
        self.qmp("system_reset")
        return self.wait_until_up()

    def power_off(self) -> None:
        """Pull the plug."""
        self.process.kill()
        self.process.wait()
        self._with_it.close()

    # --- in the guest -------------------------------------------------------------------------------------------------

    def _request(self, seconds: float, **request: Any) -> dict[str, Any]:
        request["id"] = next(self._numbers)
        answer: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._answers[request["id"]] = answer
        with self._one_at_a_time:
            self._link.send(request)
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            try:
                return answer.get(timeout=0.5)
            except queue.Empty:
                if self.process.poll() is not None:
                    break
        raise GuestFailed(f"no answer to {request}")

    def run(self, command: str, given: str = "", seconds: float = ANSWERING) -> str:
        """Run a shell command as root; what it said.

        Raises:
            GuestFailed: its exit status was not 0.
        """
        answer = self._request(seconds + 10, run=command, input=given, limit=seconds)
        if answer["status"]:
            raise GuestFailed(f"{command}\nexit status {answer['status']}: {answer['out'][-3000:]}")
        return str(answer["out"])

    def until(self, command: str, seconds: float = ANSWERING) -> None:
        """Wait, in the guest, until a shell command succeeds."""
        again = f"until ( {command} ) >/dev/null 2>&1; do ((SECONDS < {seconds:.0f})) || break; sleep 0.5; done"
        self.run(f"{again}; {command}", seconds=seconds + 30)

    def read(self, *paths: str) -> list[str | None]:
        """The texts of files, or the names in folders, a line each; None for what is not there."""
        return list(self._request(ANSWERING, read=paths)["texts"])

    def missing(self, *paths: str, seconds: float = 0.0) -> list[str]:
        """Those of these paths that are not there, though waited for in the guest for so long."""
        return list(self._request(seconds + ANSWERING, there=paths, limit=seconds)["missing"])

    def wait_for(self, *paths: str, seconds: float = ANSWERING) -> None:
        """Wait until all these paths are there."""
        if missing := self.missing(*paths, seconds=seconds):
            raise GuestFailed(f"in {seconds:.0f} s these did not come: {', '.join(missing)}")

    def ask(self, request: dict[str, Any], patience: float = 0.0) -> dict[str, Any]:
        """What the router answers on its control socket; ``patience``: seconds until it must.

        Raises:
            GuestFailed: it does not answer.
        """
        answer = self._request(ANSWERING + patience, ask=request, limit=patience)
        if not answer["answer"]:
            raise GuestFailed(f"{request}: {answer['problem'] or 'no answer'}")
        return dict(json.loads(answer["answer"]))

    def start(self, command: str) -> Program:
        """Start a program that goes on."""
        number = self._request(ANSWERING, start=command)["process"]
        return Program(number, self._programs[number])

    def write(self, path: str, text: str) -> None:
        """Write a file at once: under another name, then renamed."""
        self.run(f"cat > {path}.new && mv {path}.new {path}", given=text)

    # --- QEMU ---------------------------------------------------------------------------------------------------------

    def qmp(self, command: str, **arguments: Any) -> Any:
        """Tell QEMU; underscores stand for hyphens in the names of arguments that have some."""
        with self._one_at_a_time:
            self._qmp.send({"execute": command, "arguments": arguments})
            answer = self._told.get(timeout=30)
        if "error" in answer:
            raise GuestFailed(f"{command}: {answer['error']['desc']}")
        return answer["return"]

    def plug(self, driver: str, name: str, **properties: Any) -> None:
        """Plug a USB device in."""
        self.qmp("device_add", driver=driver, id=name, bus="usb.0", **properties)

    def unplug(self, name: str) -> None:
        """Pull a USB device out."""
        self.qmp("device_del", id=name)
        while True:
            event = self._events.get(timeout=30)
            if event["event"] == "DEVICE_DELETED" and event["data"].get("device") == name:
                return

    def input(self, *events: dict[str, Any], screen: str | None = None) -> None:
        """What hands do to keyboards and pointers; all of them at one moment."""
        self.qmp("input-send-event", events=list(events), **({"device": screen} if screen else {}))


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
