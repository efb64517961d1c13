"""The only reader of time. Everything else is told the time."""

from __future__ import annotations

import time


def now() -> int:
    """Nanoseconds of the monotonic clock: the clock of the kernel's input events, of timers and of every deadline."""
    return time.monotonic_ns()


def wall() -> int:
    """Nanoseconds since 1970 (UTC) by the clock that people set; it may be wrong by years, and may jump."""
    return time.time_ns()


def processor_time() -> int:
    """Nanoseconds for which this thread has had a processor; waiting, and what others do meanwhile, does not count."""
    return time.thread_time_ns()
