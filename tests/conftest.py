"""What several tests share: a real JACK server, because a machine that builds seldom has a sound card.

The server runs with the dummy driver. ``-R -P60 -S``: without real-time scheduling and synchronous mode some
messages of a burst are lost, and a test that none is lost would fail now and then. A server that cannot be started
makes the tests fail; nothing is skipped.
"""

from __future__ import annotations

import gc
import os
import re
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import jack
import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import LoadFileScheduling

from tests.shared.jack_server import JACKD, STARTING, server_answers

# How long an example takes is the machine's affair.
UNHURRIED = settings(deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same", UNHURRIED, derandomize=True)
# Where CI is set, the default is to draw the same.
settings.register_profile("random", UNHURRIED, derandomize=False, print_blob=True)
settings.load_profile("same")  # one commit, one set of examples; others are drawn by ``python -m tests.random_search``

for number, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGHUP, signal.SIG_DFL)):
    # Begun in the background, or by nohup: what is started here must heed it.
    if signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, usual)


@pytest.fixture(scope="session")
def jack_server() -> Iterator[None]:
    """A JACK server that answers: the one that runs, or one of our own for as long as the tests last."""
    jack.set_error_function(lambda _message: None)  # while it starts the library would tell us so on stderr
    jack.set_info_function(lambda _message: None)
    os.environ["ROUTER_MIDI"] = "jack"  # also where there is a sound card; inherited by the programs under test
    if server_answers():
        yield
        return
    name = os.environ.get("JACK_DEFAULT_SERVER")
    jackd = [JACKD[0], *(["-n", name] if name else []), *JACKD[1:]]
    with (
        tempfile.TemporaryFile() as said,  # not a pipe, which nobody would read and which would fill up
        subprocess.Popen(jackd, stdin=subprocess.DEVNULL, stdout=said, stderr=said) as server,
    ):
        try:
            deadline = time.monotonic() + STARTING
            while not server_answers():
                if server.poll() is not None or time.monotonic() > deadline:
                    said.seek(0)
                    pytest.fail(f"{' '.join(jackd)} does not start; it said:\n{said.read().decode(errors='replace')}")
                time.sleep(0.1)
            yield
        finally:
            server.terminate()
            try:
                server.wait(10)
            except subprocess.TimeoutExpired:
                server.kill()


PC = "tests/bedside_pc/"
"""The tests of the emulated PC."""

OWN_PROCESS = "ROUTER_TESTS_OWN_PROCESS"
"""Set where a test marked ``own_process`` is really run."""


class InOwnProcess(pytest.Item):
    """A test that is run by a pytest of its own, where nothing is left of other tests.

    JACK's library does not take to a second server in a process that has, or once had, clients of another: it crashes,
    or wakes no client any more (seen with 1.9.22).
    """

    def runtest(self) -> None:
        ended = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", self.nodeid],
            cwd=self.config.rootpath,
            env={**os.environ, OWN_PROCESS: "1"},
            capture_output=True,
            text=True,
            timeout=600,
            check=False,
        )
        if ended.returncode or not re.search(r"^1 passed", ended.stdout, re.MULTILINE):  # skipped is not passed
            pytest.fail(f"exit status {ended.returncode}\n{ended.stdout}{ended.stderr}", pytrace=False)

    def reportinfo(self) -> tuple[Path, None, str]:
        return self.path, None, self.name


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the emulated PC, which takes longest; put those that are marked so into processes of their own."""
    items.sort(key=lambda item: not item.nodeid.startswith(PC))
    if OWN_PROCESS in os.environ:
        return
    for place, item in enumerate(items):
        if item.get_closest_marker("own_process") and item.parent is not None:
            items[place] = InOwnProcess.from_parent(item.parent, name=item.name)


class WholeFiles(LoadFileScheduling):
    """Share whole files among the processes, and those of the emulated PC as one: it is switched on once."""

    def _split_scope(self, nodeid: str) -> str:
        return PC if nodeid.startswith(PC) else super()._split_scope(nodeid)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> WholeFiles:
    return WholeFiles(config, log)


@pytest.fixture
def descriptors() -> Callable[[], int]:
    """Counts the descriptors that this process has open, and that nobody has only forgotten."""

    def count() -> int:
        gc.collect()
        return len(list(Path("/proc/self/fd").iterdir()))

    return count


TAKE_TERMINAL = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""
"""Makes standard input the terminal that controls the process, as a shell does, then becomes the program.

The usual way, to fork into a pseudo-terminal, is not safe in a process with threads, and JACK's client has some.
"""


class InTerminal:
    """A program in a pseudo-terminal of its own; what it shows, and keys to type."""

    def __init__(self, *arguments: str) -> None:
        self.master, slave = os.openpty()
        self.shown = b""
        self.process = subprocess.Popen(
            [sys.executable, "-c", TAKE_TERMINAL, *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)

    def type(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def wait_for(self, text: bytes, seconds: float = 60) -> None:
        """Until this has been shown."""
        deadline = time.monotonic() + seconds
        while text not in self.shown:
            if not select.select([self.master], [], [], max(0, deadline - time.monotonic()))[0]:
                pytest.fail(f"not shown: {text!r}; but: {self.shown.decode(errors='replace')}")
            try:
                self.shown += os.read(self.master, 4096)
            except OSError:  # the program has ended
                pytest.fail(f"ended without showing {text!r}: {self.shown.decode(errors='replace')}")

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self.master)


@pytest.fixture
def in_terminal() -> Iterator[Callable[..., InTerminal]]:
    """Starts programs in terminals, and ends them after the test."""
    running: list[InTerminal] = []

    def start(*arguments: str) -> InTerminal:
        running.append(InTerminal(*arguments))
        return running[-1]

    yield start
    for program in running:
        program.close()


@pytest.fixture
def part(tmp_path):
    """Starts the parts of a test, and ends them after it, last first."""
    from tests.shared.parts import Listener

    started = []

    def start(kind, *arguments):
        started.append(kind(*arguments) if kind is Listener else kind(tmp_path, *arguments))
        return started[-1]

    yield start
    for each in reversed(started):
        each.close()


@pytest.fixture
def bedside(part, tmp_path):
    """A small PC that has not been started yet, who listens to it, and the sensor that plays it."""
    from tests.shared.bedside import Bedside
    from tests.shared.parts import Listener, Sensor

    listener, sensor = part(Listener), part(Sensor)
    pc = Bedside(tmp_path, listener.client, sensor)
    yield pc, listener, sensor
    pc.close()


@pytest.fixture
def pad():
    """Makes MIDI pads; JACK's server must run."""
    from tests.shared.midi_in import Pad

    made = []

    def make(client, port="pads"):
        made.append(Pad(client, port))
        return made[-1]

    yield make
    for each in made:
        each.close()
