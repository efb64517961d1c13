"""The only reader of time. Everything else is told the time."""

from __future__ import annotations

import os
import time
from pathlib import Path


def now() -> int:
    """Nanoseconds of the monotonic clock: the clock of the kernel's input events, of timers and of every deadline."""
    return time.monotonic_ns()


def wall() -> int:
    """Nanoseconds since 1970 (UTC) by the clock that people set; it may be wrong by years, and may jump."""
    return time.time_ns()


def processor_time() -> int:
    """Nanoseconds for which this thread has had a processor; waiting, and what others do meanwhile, does not count."""
    return time.thread_time_ns()


def since_boot() -> int:
    """Nanoseconds since the PC was switched on, its sleep included.

    They are of use to a later process of the same ``boot``.
    """
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def boot() -> str:
    """Return the identity of this boot of the PC; "" if it cannot be known.

    A service that sees only processes in /proc has it from the environment variable BOOT_ID (systemd.unit(5), %b).
    """
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip().replace("-", "")
    except (OSError, ValueError):
        return os.environ.get("BOOT_ID", "").replace("-", "")
