"""What the soaks share: a JACK server, the small PC with its parts, what may not grow,
and the last line with the result.
"""

import argparse
import contextlib
import datetime as dt
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import jack

from tests.shared.bedside import Bedside, Cost
from tests.shared.parts import Listener, Sensor, Server
from tests.shared.places import ROOT

MOST = 1024
"""Kilobytes that resident memory may grow."""
WARM = 0.1
"""The share of the rounds after which nothing may grow any more."""


@contextlib.contextmanager
def jack_running(name, frames=64):
    """A JACK server of its own: a client's descriptors are as many as the clients of its server, also those of others.

    ``frames``: of one of its cycles. A cycle that a busy machine misses costs the messages in it; long ones are seldom
    missed.
    """
    jack.set_error_function(lambda _message: None)
    jack.set_info_function(lambda _message: None)
    os.environ |= {"ROUTER_MIDI": "jack", "JACK_DEFAULT_SERVER": name}
    server = Server(None, name, frames)
    try:
        yield
    finally:
        server.close()


@contextlib.contextmanager
def playing(**options):
    """A small PC that runs, who listens to it, and the sensor that plays it."""
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        listener = Listener()
        stack.callback(listener.close)
        sensor = Sensor(folder)
        stack.callback(sensor.close)
        pc = Bedside(folder, listener.client, sensor, **options)
        stack.callback(pc.close)
        pc.start(options=())
        yield pc, listener, sensor


def grown(first: Cost, last: Cost) -> str:
    """How much more it holds.

    Raises:
        AssertionError: more than it may.
    """
    memory = last.memory - first.memory
    said = (
        f"descriptors {first.descriptors} to {last.descriptors}, threads {first.threads} to {last.threads}, "
        f"memory {first.memory} to {last.memory} kB"
    )
    assert last.descriptors == first.descriptors, said
    assert last.threads == first.threads, said
    assert memory < MOST, said
    return said


def warm(rounds: int) -> int:
    """The round after which nothing may grow any more."""
    return max(1, round(rounds * WARM))


def ended(pc, first: Cost) -> str:
    """It has grown by no more than it may, nothing went wrong in it, and it stops well; how much it has grown.

    Raises:
        AssertionError: otherwise.
    """
    said = grown(first, pc.cost())
    faults = [event for event in pc.events() if event["level"] == "error"]
    assert not faults, faults
    assert pc.stop() == 0
    return said


def command(doc, count, default, soak, frames=64):
    """From the command line: ``--count`` or ``--hours``, progress on standard error,
    and the last line with the result.
    """
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(f"--{count}", type=float if count == "hours" else int, default=default, dest="count")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    began = time.monotonic()
    with jack_running(f"router-tests-{Path(sys.argv[0]).stem}", frames):
        said = soak(args.count, args.seed, _show)
    today = dt.datetime.now(dt.UTC).date().isoformat()
    print(f"{said}; {time.monotonic() - began:.0f} s, {today}, commit {_commit()}")  # noqa: T201 - what the command found


def _show(text):
    print(text, file=sys.stderr, flush=True)  # noqa: T201 - how far it is


def _commit():
    asked = subprocess.run(
        ["git", "-C", str(ROOT), "describe", "--always", "--dirty"], capture_output=True, text=True, check=False
    )
    return asked.stdout.strip() or "unknown"
