"""A simulated child at a pressure sensor on a serial line (a pseudo-terminal): all that the router does is real but the
child.

    python -m tests.simulated_sensor lark.yaml cheek

It says which line to write into the profile. The child rests; each time you press Enter there it does one effort.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
import tty
from collections.abc import Sequence

from router.cli.simulated import child
from router.core.units import NANOSECONDS
from router.files import profile


class Sensor(threading.Thread):
    """A sensor at ``path`` that sends pascals, a number a line. The child does one effort for each of ``asked``."""

    def __init__(self, loaded: profile.Profile, name: str) -> None:
        super().__init__(daemon=True)
        self.asked = 0
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._over = threading.Event()
        self._samples = child(loaded, name, lambda: self.asked)

    def run(self) -> None:
        begun = time.monotonic_ns()
        for t, sample in self._samples:
            if self._over.wait(max(0, begun + t - time.monotonic_ns()) / NANOSECONDS):
                return
            try:
                os.write(self._master, f"{sample.pascal:.1f}\n".encode())
            except BlockingIOError:  # nobody reads: what a serial line sends to nobody is lost
                continue

    def close(self) -> None:
        self._over.set()
        self.join()
        os.close(self._master)
        os.close(self._slave)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("profile", metavar="FILE", help="the profile, or the name of a shipped one")
    parser.add_argument("input", metavar="INPUT", help="the name of its pressure input")
    args = parser.parse_args(argv)
    loaded = profile.load(profile.find(args.profile))
    if loaded.types.get(args.input) != "pressure":
        sys.stderr.write(f"{args.profile} has no pressure input called {args.input}\n")
        return 2
    sensor = Sensor(loaded, args.input)
    sensor.start()
    _say(f'In the profile write\n    device: {{serial: "{sensor.path}", unit: Pa}}\nEnter: one effort. Ctrl-C: over.')
    try:
        for _line in sys.stdin:
            sensor.asked += 1
            _say(f"effort {sensor.asked}")
    except KeyboardInterrupt:
        pass
    sensor.close()
    return 0


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
