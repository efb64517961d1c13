"""g. What the service does while nothing happens: how often its loop wakes, and how much it computes.

Counted by the kernel (/proc/PID/task/TID/status and schedstat of proc(5)). The sensor is silent, the watchdog of the
service manager is on with ten seconds, so it is fed every five. JACK's own threads, which it starts in every client,
wake with each of its cycles and stand apart.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from .figures import Result, Target

WATCHDOG = 10


class Count(NamedTuple):
    """Of one thread since it began: how often it gave up the processor by itself, and how long it had it."""

    waits: int
    work: float


def measure(quick: bool) -> Result:
    from tests.shared.bedside import Bedside
    from tests.shared.parts import Listener, Sensor
    from tests.shared.soaking import jack_running

    seconds = 10 if quick else 60
    # Not below /tmp: the service hears of what is made in the folders above its own, and there others make files all
    # the time.
    with jack_running("speed-idle"), tempfile.TemporaryDirectory(dir="/dev/shm") as name:
        folder = Path(name)
        listener, sensor = Listener(), Sensor(folder)
        pc = Bedside(folder, listener.client, sensor)
        try:
            pc.start(options=(), WATCHDOG_USEC=str(WATCHDOG * 1_000_000))
            sensor._ended.set()  # from now on it is silent
            time.sleep(10)  # what came at the beginning is written and settled
            before = _threads(pc.process.pid)
            began = time.monotonic()
            time.sleep(seconds)
            took = time.monotonic() - began
            after = _threads(pc.process.pid)
        finally:
            pc.close()
            sensor.close()
            listener.close()
    result = Result("g", f"g. Idle for {seconds} s, each thread", ("wake-ups", "a minute", "computing, ms"))
    ours = []
    for (name, number), now in after.items():
        then = before.get((name, number), Count(0, 0.0))
        waits = now.waits - then.waits
        jacks = waits > 10 * seconds  # with each cycle of its server
        label = (
            f"{name}{' (the loop)' if number == pc.process.pid else ''}{' (JACK)' if jacks else ''} "
            f"{number - pc.process.pid}"
        )
        result.rows[label] = (str(waits), 60 * waits / took, 1000 * (now.work - then.work))
        if not jacks:
            ours.append(waits)
    fed = took / (WATCHDOG / 2)
    result.targets = [
        Target("wake-ups of all our threads beyond the watchdog's", 1, max(0.0, sum(ours) - fed), "times"),
    ]
    return result


def _threads(pid: int) -> dict[tuple[str, int], Count]:
    found = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        status = dict(line.split(":", 1) for line in (task / "status").read_text().splitlines())
        work = int((task / "schedstat").read_text().split()[0]) / 1e9
        found[status["Name"].strip(), int(task.name)] = Count(int(status["voluntary_ctxt_switches"]), work)
    return found
