"""How the tests' own JACK server is started, and whether one answers."""

from __future__ import annotations

import contextlib
import ctypes
import os
import subprocess

import jack

WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
"""Which of several processes this is, that share the tests (``pytest -n``); "" where there is one only."""

CLONE_NEWNS = 0x00020000  # linux/sched.h


def own_shared_memory() -> None:
    """Give this process, and the programs that it starts, a /dev/shm of their own, as far as it may.

    JACK keeps a client's socket there under the client's name alone, whatever its server: two clients of one name that
    are opened at two servers at the same moment take each other's, and one is refused or gets another name.
    """
    if os.geteuid() != 0 or ctypes.CDLL(None).unshare(CLONE_NEWNS):
        return
    if subprocess.run(["mount", "--make-rprivate", "/"], check=False).returncode == 0:
        subprocess.run(["mount", "-t", "tmpfs", "-o", "mode=1777", "router-tests", "/dev/shm"], check=False)


SERVER = f"router-tests-{WORKER}"

if WORKER and os.environ.get("JACK_DEFAULT_SERVER") != SERVER:  # else it was begun by a worker, and shares what it has
    own_shared_memory()
    # Each has a server of its own, as their clients would hear one another; inherited by the programs under test.
    os.environ["JACK_DEFAULT_SERVER"] = SERVER

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
