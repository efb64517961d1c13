"""Limits of a process that reads what others have written."""

from __future__ import annotations

import contextlib
from pathlib import Path


def bound(seconds: int, memory: int) -> None:
    """Limit this process's seconds of processor time and bytes of memory, as far as the system allows.

    On some systems the service may not set limits; it has a memory limit of its own.
    """
    try:
        import resource  # noqa: PLC0415 - not on every system
    except ImportError:
        return
    limits = {
        resource.RLIMIT_CPU: seconds,
        resource.RLIMIT_DATA: memory,
        resource.RLIMIT_CORE: 0,
    }
    for which, most in limits.items():
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(which, (most, most))
    with contextlib.suppress(OSError):  # if memory runs out all the same, it goes before the router does
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
