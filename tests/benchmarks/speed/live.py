"""Players in processes of their own, a JACK server of their own, and whoever writes input events for them."""

from __future__ import annotations

import array
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from router.core.units import NANOSECONDS
from router.system import clock

from .players import BUTTON, EVENT, KEY, LISTENER, WATCHED
from .world import text

FRAMES = 256
"""Of a cycle of the JACK server, 5.3 ms: what is sent waits for the next one, and that is no part
of what is measured.
"""
PRIORITY = 30
"""Of whoever writes, when the players have theirs."""

CONFIGURATION = """configuration: 1
folders: {{profiles: {folder}/profiles, state: {folder}/state, records: {folder}/records, runtime: {folder}/run}}
seats:
  bed: {{profile: wren}}
chime: no
"""


class Player:
    """A player, as seen from outside. ``written``: when each press was written; ``lifted``: each release."""

    def __init__(self, name: str, folder: Path, step: int, fifo: bool) -> None:
        self.name, self._folder = name, folder
        self._events = folder / f"{name}.events"
        os.mkfifo(self._events)
        self._pipe = os.open(self._events, os.O_RDWR)  # both ends, so that it is not at its end before we write
        options = ["--step", str(step)] + (["--fifo"] if fifo else [])
        with (folder / f"{name}.said").open("wb") as said:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.benchmarks.speed.players", name, str(folder), *options],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=said,
                env={**os.environ, "STATE_DIRECTORY": str(folder)},
            )
        self.written, self.lifted = array.array("q"), array.array("q")
        self._down = False
        assert self.process.stdout is not None
        self._out = self.process.stdout
        ready, told = is_ready(self._out), (folder / f"{name}.said").read_text()
        assert ready, told
        assert "refused" not in told, told

    def tap(self) -> None:
        """The next of a press and a release."""
        self._down = not self._down
        now = clock.now() // 1000 * 1000  # as exactly as the kernel stamps
        seconds, rest = divmod(now, NANOSECONDS)
        event = EVENT.pack(seconds, rest // 1000, KEY, BUTTON, self._down)
        (self.written if self._down else self.lifted).append(clock.now())
        os.write(self._pipe, event)

    def write(self, data: bytes) -> None:
        os.write(self._pipe, data)

    def ended(self) -> tuple[array.array[int], array.array[int]]:
        """End it: when each press and each release had become a message that was sent."""
        os.close(self._pipe)
        self._pipe = -1
        if self.name == "router":
            self.process.send_signal(signal.SIGTERM)
        self.process.wait(60)
        self._out.close()
        return self._read("sent"), self._read("ended")

    def _read(self, name: str) -> array.array[int]:
        times = array.array("q")
        times.frombytes((self._folder / f"{self.name}.{name}").read_bytes())
        return times

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
            self._out.close()
        if self._pipe >= 0:
            os.close(self._pipe)


class World:
    """A folder, a JACK server and a listener."""

    def __init__(self, folder: Path, stack: contextlib.ExitStack) -> None:
        self.folder, self._stack = folder, stack

    def players(self, names: tuple[str, ...], profile: str, *, step: int = 0, fifo: bool = False) -> dict[str, Player]:
        for old in self.folder.glob("*.events"):
            old.unlink()
        (self.folder / "profiles").mkdir(exist_ok=True)
        (self.folder / "profiles" / "wren.yaml").write_text(profile, encoding="utf-8")
        (self.folder / "router.yaml").write_text(CONFIGURATION.format(folder=self.folder), encoding="utf-8")
        players = {}
        for name in names:
            players[name] = Player(name, self.folder, step, fifo)
            self._stack.callback(players[name].close)
        return players

    def watched(self) -> None:
        (self.folder / WATCHED).touch()


@contextlib.contextmanager
def world() -> Iterator[World]:
    from tests.shared.soaking import jack_running

    with contextlib.ExitStack() as stack:
        stack.enter_context(jack_running("speed", FRAMES))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        listener = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.speed.players", "listener", str(folder)], stdout=subprocess.PIPE
        )
        stack.callback(_end, listener)
        assert listener.stdout is not None
        assert is_ready(listener.stdout)
        yield World(folder, stack)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(30)
    if process.stdout is not None:
        process.stdout.close()


@contextlib.contextmanager
def before_others(fifo: bool) -> Iterator[None]:
    """With real-time priority, if it is asked for; what is started meanwhile has none."""
    if not fifo:
        yield
        return
    os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
    try:
        yield
    finally:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def may_have_priority() -> bool:
    with contextlib.suppress(OSError), before_others(True):
        return True
    return False


def is_ready(out: IO[bytes]) -> bool:
    """Wait until it says so, or ends; JACK's library may have something to say before."""
    return any(line == b"ready\n" for line in iter(out.readline, b""))


def profile(rules: int | tuple[str, ...], more: str = "") -> str:
    return text(rules, port=f"{LISTENER}:*", more=more)


def wait_until(when: int) -> None:
    while (left := when - clock.now()) > 0:
        time.sleep(left / NANOSECONDS)
