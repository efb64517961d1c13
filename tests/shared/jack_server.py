"""How the tests' own JACK server is started, and whether one answers."""

from __future__ import annotations

import contextlib
import os

import jack

WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
"""Which of several processes this is, that share the tests (``pytest -n``); "" where there is one only."""

if WORKER:  # each a server of its own, as their clients would hear one another; inherited by the programs under test
    os.environ["JACK_DEFAULT_SERVER"] = f"router-tests-{WORKER}"

JACKD = ["jackd", "-R", "-P60", "-S", "-d", "dummy", "-p", "64", "-r", "48000"]
"""Server options stand before ``-d``, the driver's after it."""

DYING = f"router-tests-dying{WORKER}"
"""The name of a second server, for tests that kill it. One name for all of a process: of those killed eight are
remembered, and then no server of another name starts any more."""

STARTING = 30.0
"""Seconds the server may take to answer; it takes about one."""


def server_answers() -> bool:
    """Whether a JACK server takes clients."""
    with contextlib.suppress(jack.JackError):
        jack.Client("router-tests-look", no_start_server=True).close()
        return True
    return False
