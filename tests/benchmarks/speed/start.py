"""e. From the start of the process to ready, and to the first note; beside it a process that only imports what the
router uses.

``router run PROFILE`` with a serial switch and a MIDI port of a JACK server. As soon as it says that it is ready
somebody presses, and the first note is when a listener at the port hears it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from .figures import Result, Target, middle
from .live import is_ready

DEPENDENCIES = "mido, rtmidi, yaml, jsonschema, structlog, evdev, serial, inotify_simple, jack"
"""The packages that a daemon uses; rich and pyfluidsynth it needs only for the terminal's commands
and the built-in instrument.
"""


def measure(quick: bool) -> Result:
    from tests.shared.bedside import PROFILE
    from tests.shared.parts import Listener, Sensor
    from tests.shared.soaking import jack_running
    from tests.shared.waiting import until

    rounds = 3 if quick else 12
    taken: dict[str, list[float]] = {"ready": [], "first note": [], "imports": [], "python alone": []}
    with jack_running("speed-start"), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        listener, sensor = Listener(), Sensor(folder)
        profile = folder / "wren.yaml"
        profile.write_text(
            PROFILE.format(child="wren", note=60, sensor=sensor.path, synth=listener.client), encoding="utf-8"
        )
        try:
            for round_ in range(rounds + 1):
                listener.heard.clear()
                began = time.monotonic()
                with subprocess.Popen(
                    [sys.executable, "-m", "router", "run", str(profile)],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                ) as router:
                    assert router.stdout is not None
                    assert is_ready(router.stdout)
                    ready = time.monotonic() - began
                    sensor.pascal = 0.0
                    time.sleep(0.05)  # it has said that nobody presses
                    pressed = time.monotonic()
                    sensor.pascal = 1.0
                    until(lambda: listener.count(0x90))
                    note = ready + time.monotonic() - pressed
                    sensor.pascal = 0.0
                    router.terminate()
                figures = {
                    "ready": ready,
                    "first note": note,
                    "imports": _took(f"import {DEPENDENCIES}"),
                    "python alone": _took("pass"),
                }
                for what, seconds in figures.items():
                    if round_:  # the first reads from the disk
                        taken[what].append(1000 * seconds)
        finally:
            sensor.close()
            listener.close()
    result = Result("e", "e. Start, ms", ("median", "lowest", "max"))
    for what, values in taken.items():
        result.rows[what] = (middle(values), min(values), max(values))
    shares = [one / other for one, other in zip(taken["ready"], taken["imports"], strict=True)]
    result.targets = [Target("start to ready as a multiple of the imports alone", 2.0, middle(shares), "times")]
    result.remarks = ["The first note counts the sensor's own rhythm (10 ms) and looking for the note (20 ms at most)."]
    return result


def _took(code: str) -> float:
    began = time.monotonic()
    subprocess.run([sys.executable, "-c", code], check=True)
    return time.monotonic() - began
