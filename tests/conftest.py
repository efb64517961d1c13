"""What several tests share: a real JACK server, because a machine that builds seldom has a sound card.

The server runs with the dummy driver. ``-R -P60 -S``: without real-time scheduling and synchronous mode some
messages of a burst are lost, and a test that none is lost would fail now and then. A server that cannot be started
makes the tests fail; nothing is skipped.
"""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
import time
from collections.abc import Iterator

import jack
import pytest

JACKD = ["jackd", "-R", "-P60", "-S", "-d", "dummy", "-p", "64", "-r", "48000"]
"""Server options stand before ``-d``, the driver's after it."""

STARTING = 30.0
"""Seconds the server may take to answer; it takes about one."""


def server_answers() -> bool:
    """Whether a JACK server takes clients."""
    with contextlib.suppress(jack.JackError):
        jack.Client("router-tests-look", no_start_server=True).close()
        return True
    return False


@pytest.fixture(scope="session")
def jack_server() -> Iterator[None]:
    """A JACK server that answers: the one that runs, or one of our own for as long as the tests last."""
    jack.set_error_function(lambda _message: None)  # while it starts the library would tell us so on stderr
    jack.set_info_function(lambda _message: None)
    if server_answers():
        yield
        return
    with tempfile.TemporaryFile() as said:  # not a pipe, which nobody would read and which would fill up
        with subprocess.Popen(JACKD, stdin=subprocess.DEVNULL, stdout=said, stderr=said) as server:
            try:
                deadline = time.monotonic() + STARTING
                while not server_answers():
                    if server.poll() is not None or time.monotonic() > deadline:
                        said.seek(0)
                        pytest.fail(
                            f"{' '.join(JACKD)} does not start; it said:\n{said.read().decode(errors='replace')}"
                        )
                    time.sleep(0.1)
                yield
            finally:
                server.terminate()
                try:
                    server.wait(10)
                except subprocess.TimeoutExpired:
                    server.kill()
