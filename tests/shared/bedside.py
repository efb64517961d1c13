"""The small PC: its folders, its configuration, the router that runs on it, and what it costs;
for tests and for soaks.
"""

import json
import os
import signal
import subprocess
import time
from pathlib import Path
from typing import NamedTuple

from router.bedside.control_client import ask
from tests.shared.parts import ROUTER
from tests.shared.waiting import WAIT, until

PROFILE = """
profile: 1
child: {child}
inputs:
  pad: {{type: switch, device: {{serial: "{sensor}"}}, debounce: 0 ms}}
parts:
  tune: {{input: pad, rules: [note: {{pitch: {note}}}], output: {{port: synth, channel: 3}}}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""
WREN, LARK, FINCH = 60, 64, 67
"""The note that each child plays."""

BROKEN = PROFILE.replace("pitch", "pich")


class Cost(NamedTuple):
    """What a process holds: open descriptors, threads, and kilobytes of memory that are resident."""

    descriptors: int
    threads: int
    memory: int


class Bedside:
    """A small PC: its folders, its configuration, and the router that runs on it.
    ``card``: where it keeps what lasts.
    """

    def __init__(self, folder, synth, sensor, *, more="", seat="{profile: wren}", card=None):
        self.folder, self.synth, self.sensor = folder, synth, sensor
        self.profiles, self.runtime, self.card = folder / "profiles", folder / "run", card or folder
        self.records = self.card / "records"
        self.profiles.mkdir()
        self.config = folder / "router.yaml"
        self.seat, self.more = seat, more
        self.configure(more)
        self.put("wren", WREN)
        self.said = folder / "said.jsonl"
        self.process = None
        self._read, self._events = 0, []  # how far it was read, and what it said

    def configure(self, more):
        self.config.write_text(
            f"configuration: 1\nfolders:\n  profiles: {self.profiles}\n  state: {self.card / 'state'}\n"
            f"  records: {self.records}\n  runtime: {self.runtime}\nseats:\n  bed: {self.seat}\n{more}\n",
            encoding="utf-8",
        )

    def text(self, child, note, profile=PROFILE):
        return profile.format(child=child, note=note, sensor=self.sensor.path, synth=self.synth)

    def put(self, child, note, profile=PROFILE):
        (self.profiles / f"{child}.yaml").write_text(self.text(child, note, profile), encoding="utf-8")

    def start(self, *, program=ROUTER, options=("--verbose",), stderr=None, **environment):
        """Start it, and wait until it plays. ``stderr``:
        where it says what it has to say, instead of the file ``said``.
        """
        self.spawn(program=program, options=options, stderr=stderr, **environment)
        assert self.process.stdout.readline() == b"ready\n", self.said.read_text()
        time.sleep(0.2)  # a switch that is pressed when the line is opened was not pressed for us

    def spawn(self, *, program=ROUTER, options=("--verbose",), stderr=None, **environment):
        """Start it, and do not wait."""
        with self.said.open("ab") as said:
            self.process = subprocess.Popen(
                [*program, "run", "--config", str(self.config), *options],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=said if stderr is None else stderr,
                env={**os.environ, "STATE_DIRECTORY": str(self.folder), **environment},
            )

    def ask(self, **request):
        return ask(self.runtime / "control", request, WAIT)

    def seat_status(self):
        return self.ask(do="status")["status"]["seats"]["bed"]

    def events(self, event=None):
        """What it said so far. JACK's library has something to say too when its server dies, and not as JSON."""
        with self.said.open("rb") as said:
            said.seek(self._read)
            whole = said.read().rpartition(b"\n")[0]
        if whole:
            self._read += len(whole) + 1
            self._events += [json.loads(line) for line in whole.splitlines() if line.startswith(b"{")]
        return [each for each in self._events if event in (None, each["event"])]

    def wait_for(self, event, count=1):
        return until(lambda: self.events(event)[count - 1 :])

    def cost(self):
        """What it holds now."""
        proc = Path(f"/proc/{self.process.pid}")
        memory = dict(line.split(":") for line in (proc / "status").read_text().splitlines())
        kilobytes = int(memory["VmRSS"].split()[0])
        return Cost(len([*(proc / "fd").iterdir()]), len([*(proc / "task").iterdir()]), kilobytes)

    def stop(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        status = self.process.wait(WAIT)
        self.process.stdout.close()
        return status

    def close(self):
        if self.process is None:
            return
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()


def plays(listener, sensor, note, pascal=1.0):
    """An effort sounds this note, and ends it."""
    sensor.pascal = pascal
    until(lambda: note in listener.sounding())
    sensor.pascal = 0.0
    until(lambda: note not in listener.sounding())
