"""The bedside: the PC with the project on it, and everything that is plugged in. Tests and the soak use it alike."""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from tests.bedside_pc.devices import Keyboard, Pressure, SoundCard, Tablet, UsbSynth
from tests.bedside_pc.image import GUEST, image
from tests.bedside_pc.machine import ANSWERING, BOOTING, GuestFailed, Machine, until

PROFILES, RECORDS = "/var/lib/router/profiles", "/var/lib/router/records"
WREN = (GUEST / "var/lib/router/profiles/wren.yaml").read_text(encoding="utf-8")
SWITCH, BREATH, POINTER = (0, 69), (1, 76), (2, 74)
"""What each plays in the profile ``wren``: channel (0 to 15) and note."""


class Device(Protocol):
    """What can be pulled out and put back."""

    plugged: bool

    def plug(self) -> None: ...

    def unplug(self) -> None: ...


@dataclass(frozen=True)
class Movement:
    """A movement of the child: the device that hears it, the note, how it begins and how it ends."""

    device: Device
    note: tuple[int, int]
    begin: Callable[[], None]
    end: Callable[[], None]
    rest: float = 0.0
    """Seconds at rest before it is heard: a pressure's rest level must be known first,
    which takes half a second there.
    """


@dataclass(frozen=True)
class Held:
    """What a process holds that could leak."""

    descriptors: int
    threads: int
    clients: int
    """Of ALSA's sequencer, in the whole machine."""


class Room:
    """A PC that is on, with a switch, another switch, a breath, a head pointer, a loudspeaker and a synth."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="bedside-pc-"))
        self._pid = 0
        try:
            self.machine = Machine(image(), self.folder)
        except BaseException:
            shutil.rmtree(self.folder)
            raise
        try:
            self._furnish()
        except BaseException:
            self.close()
            raise

    def _furnish(self) -> None:
        self.sound = SoundCard(self.machine)
        self.switch, self.other = (Keyboard(self.machine, f"SWITCH{n}", display=f"screen{n}") for n in (0, 1))
        self.tablet, self.sensor = Tablet(self.machine, "HEAD"), Pressure(self.machine, "PRESSURE")
        self.synth = UsbSynth(self.machine)
        devices = (self.switch, self.other, self.tablet, self.sensor)
        for device in devices:
            device.put_in()
        for device in devices:
            device.until_there()
        self.until_ready()
        self.synth.switch_on()
        self.until_found()
        self.tablet.place(0.1, 0.5)
        self.movements = {
            "switch": Movement(self.switch, SWITCH, lambda: self.switch.key(True), lambda: self.switch.key(False)),
            "breath": Movement(self.sensor, BREATH, lambda: self.press(150), lambda: self.press(0), rest=3.0),
            "pointer": Movement(
                self.tablet, POINTER, lambda: self.tablet.place(0.9, 0.5), lambda: self.tablet.place(0.1, 0.5)
            ),
        }

    def press(self, pascals: float) -> None:
        self.sensor.pascals = pascals

    def reset(self) -> None:
        """Press the PC's reset button; returns when it plays again."""
        self.machine.reset()
        self.until_ready()
        self.synth.switch_on()
        self.until_found()

    def close(self) -> None:
        """Switch everything off, and leave nothing behind."""
        if hasattr(self, "sensor"):
            self.sensor.close()
        self.machine.power_off()
        shutil.rmtree(self.folder)

    # --- the router ---------------------------------------------------------------------------------------------------

    def until_ready(self) -> None:
        """Until systemd says that the router is up, which it is when the router has said so."""
        self.machine.ask({"do": "status"}, BOOTING)
        self.machine.until(
            "systemctl -q is-active router-synth.service && systemctl -q is-active router.service", BOOTING
        )

    def ask(self, **request: Any) -> dict[str, Any]:
        """The answer of the router's control socket."""
        answer = self.machine.ask(request)
        if not answer["ok"]:
            raise GuestFailed(f"{request}: {answer['problem']}")
        return answer

    def status(self) -> dict[str, Any]:
        """Of the room's one seat, with the process's own number."""
        status = self.ask(do="status")["status"]
        return {"pid": status["pid"], **status["seats"]["bed"]}

    def use(self, child: str) -> None:
        """As ``router use`` does."""
        self.ask(do="use", child=child)

    def put(self, child: str, text: str) -> None:
        """Copy a profile into the therapists' folder."""
        self.machine.write(f"{PROFILES}/{child}.yaml", text)

    def child(self) -> str:
        """Whose profile plays."""
        return str(self.status()["child"])

    def until_plays(self, child: str) -> None:
        """Until a child's profile plays, though the router be started anew meanwhile.

        Raises:
            GuestFailed: the profile is refused, and why.
        """

        def plays() -> bool:
            try:
                whole = self.ask(do="status")["status"]
            except GuestFailed:  # it does not answer yet
                return False
            status = whole["seats"]["bed"]
            refused, waits = status["refused"], any("waits" in warning for warning in whole["warnings"])
            if refused and refused["child"] == child and refused["ago"] < status["playing"] and not waits:
                raise GuestFailed(refused["message"])
            return bool(status["child"] == child)

        until(plays, f"{child} plays")

    def until_found(self) -> dict[str, Any]:
        """Until the router answers and has everything that the profile names; what it says then."""

        status: dict[str, Any] = {}

        def there() -> bool:
            nonlocal status
            try:
                status = self.status()
            except GuestFailed:  # it does not answer yet
                return False
            parts = [*status["inputs"].values(), *status["outputs"].values()]
            return all(part["there"] and "our own" not in part["device"] for part in parts)

        try:
            until(there, "the router finds everything")
        except GuestFailed as failed:
            raise GuestFailed(f"{failed}\n{json.dumps(status, indent=1)}\n{self.journal()}") from None
        return status

    def journal(self, lines: int = 30) -> str:
        return self.machine.run(f"journalctl -q -u router.service -n {lines} -o short-monotonic")

    def deaths(self) -> list[dict[str, Any]]:
        """What the router said of its deaths, the latest last."""
        said = self.machine.run("journalctl -q -u router.service -o cat -g '\"died\"' || true")
        return [json.loads(line) for line in said.splitlines()]

    def proven(self) -> str:
        """Whose profile it is that played last for a minute; "" if none has."""
        state = "/var/lib/router/state/bed"
        find = f"grep -m 1 -o '[0-9a-f]\\{{64\\}}' {state}/proven.json | head -n 1"
        told = f"sed -n 's/^child: //p' {state}/proven-$({find}).yaml"
        return self.machine.run(f"{{ {told}; }} 2> /dev/null || true").strip()  # what the shell says is no child's name

    def records(self) -> set[str]:
        """The files of the children's records, the wastebasket's left out."""
        return set(self.machine.run(f"find {RECORDS}/[a-z]* -type f").split())

    def begin_anew(self) -> None:
        """Stop the router and start it as if it had never died, with the profile of the configuration."""
        self.machine.run("systemctl stop router.service")
        self.forget_deaths()
        remembered = (
            "/run/router/bed.plays.json /var/lib/router/state/bed/plays.json /var/lib/router/state/bed/last-good.yaml"
        )
        self.machine.run(f"rm -f {remembered}; systemctl start router.service")
        self.until_found()

    def forget_deaths(self) -> None:
        """What a test kills is no crash loop: the router forgets that it has begun, and how often it died."""
        self.machine.run("rm -f /var/lib/router/state/deaths.json /run/router/deaths.json")

    def pid(self) -> int:
        """The router's process as systemd says; 0 if there is none."""
        if self.machine.read(f"/proc/{self._pid}/comm") == [None]:
            self._pid = int(self.machine.run("systemctl show -P MainPID router.service"))
        return self._pid

    def until_begun_anew(self, pid: int) -> None:
        """Until this process has ended, and systemd has started the router anew."""
        until(lambda: self.machine.read(f"/proc/{pid}/comm") == [None], f"process {pid} ends")
        self.until_ready()
        self.until_found()

    def held(self) -> Held:
        """What the router's process and the sequencer hold now."""
        pid = self.pid()
        texts = self.machine.read(f"/proc/{pid}/fd", f"/proc/{pid}/task", "/proc/asound/seq/clients")
        descriptors, tasks, clients = (text or "" for text in texts)
        return Held(
            descriptors.count("\n"), tasks.count("\n"), len(re.findall(r"^Client [ 0-9]", clients, re.MULTILINE))
        )

    # --- what is heard ------------------------------------------------------------------------------------------------

    def until_silent(self, seconds: float = ANSWERING) -> None:
        """Until nothing sounds: neither in the synth nor at the loudspeaker."""
        self.synth.wait(0, seconds)
        until(lambda: not self.sound.sounds(), "the loudspeaker is silent", seconds)

    def until_sounds(self) -> None:
        until(self.sound.sounds, "the loudspeaker sounds")

    def at_rest(self) -> None:
        """Plug in what is out, let go of everything, play the profile that is there from the beginning,
        and wait until it is quiet.
        """
        for movement in self.movements.values():
            if not movement.device.plugged:
                movement.device.plug()
            movement.end()
        self.other.key(False)
        if self.until_found()["child"] != "wren":
            self.use("wren")
            self.until_found()
        self.until_silent()
        self.synth.forget()
