"""f. Resident memory of the service with one profile, and how much more for each further seat.

Figures are of the kernel (smaps of proc(5)). *resident* is all that it uses, shared libraries included, without JACK's
own shared memory: that is the server's, some 100 MiB for each client library that maps it, and where MIDI is ALSA's
there is none. *its own* is what nobody else uses.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from .figures import Result, Target, middle

SEATS = (1, 2, 5, 9)


def measure(quick: bool) -> Result:
    from tests.shared.soaking import jack_running

    rounds = 1 if quick else 3
    result = Result("f", "f. Memory, MiB", ("resident", "its own", "JACK's beside it"))
    found: dict[int, list[tuple[float, float, float]]] = {seats: [] for seats in SEATS}
    with jack_running("speed-memory"):
        for _ in range(rounds):
            for seats in SEATS:
                found[seats].append(_with(seats))
    middles = {seats: tuple(middle(column) for column in zip(*rows, strict=True)) for seats, rows in found.items()}
    for seats, row in middles.items():
        result.rows[f"{seats} seat{'s' if seats > 1 else ''}"] = row
    most = SEATS[-1]
    result.targets = [
        Target("resident with one profile", 50, middles[1][0], "MiB"),
        Target(f"each further seat, of {most}", 1, (middles[most][1] - middles[1][1]) / (most - 1), "MiB"),
    ]
    return result


def _with(seats: int) -> tuple[float, float, float]:
    """MiB of a service with so many seats."""
    from tests.shared.bedside import Bedside
    from tests.shared.parts import Listener, Sensor

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        listener, sensor = Listener(), Sensor(folder)
        pc = None
        try:
            more = "".join(f"  seat{n}: {{profile: wren}}\n" for n in range(2, seats + 1))
            pc = Bedside(folder, listener.client, sensor, more=more)
            pc.start(options=())
            time.sleep(1)
            rss, own, jacks = _memory(pc.process.pid)
            assert pc.stop() == 0
            return rss - jacks, own, jacks
        finally:
            if pc is not None:
                pc.close()
            sensor.close()
            listener.close()


def _memory(pid: int) -> tuple[float, float, float]:
    """MiB that are resident, that are nobody else's, and that are JACK's shared memory."""
    rss = own = jacks = 0
    name = ""
    for line in Path(f"/proc/{pid}/smaps").read_text().splitlines():
        word, *rest = line.split()
        if not word.endswith(":"):
            name = rest[-1]
        elif word == "Rss:":
            rss += int(rest[0])
            jacks += int(rest[0]) if name.startswith("/dev/shm/jack") else 0
        elif word in ("Private_Clean:", "Private_Dirty:"):
            own += int(rest[0])
    return rss / 1024, own / 1024, jacks / 1024
