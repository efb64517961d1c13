"""Asks the kernel to run the loop's thread before ordinary work, and to keep the program in memory.

``ask`` is for the thread that runs the loop. What may wait must never run before the music, so

  * threads and processes that start *after* it are ordinary again: reset-on-fork (sched(7)) sees to that. JACK's own
    thread asks for its priority itself;
  * the interpreter's lock knows no priorities: a thread that holds it makes the loop wait until it gets to the end of
    the switch interval, and other programs could keep an ordinary thread from getting there. So the threads that run
    already (records, the worker, the log, those that wait for MIDI) come after all that sounds, but before ordinary
    work.

Call it last, when devices, outputs and profiles are open and loading is over, and before the loop runs.
"""

from __future__ import annotations

import ctypes
import os
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

PRIORITY = 20
"""Priority, of 1 to 99: before ordinary work, after the audio server and the kernel's interrupt threads (50 and
above)."""
BESIDE = 1
"""For this program's other threads."""
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4  # <bits/mman-linux.h>
CAP_IPC_LOCK = 14  # <linux/capability.h>


class WarningLog(Protocol):
    """A logger, as it is needed here."""

    def warning(self, event: str, **fields: Any) -> Any:
        """A thing that somebody may have to see to."""


def ask(log: WarningLog) -> None:
    """Ask for both; whatever is refused is said once, with what to do, and costs nothing else."""
    try:
        _ask_for_priority()
    except (OSError, AttributeError) as error:  # not Linux: no such function
        log.warning(
            "no_realtime",
            why=f"real-time priority was refused ({_reason(error)}): notes may come late while the machine is busy",
            remedy=f"the unit needs LimitRTPRIO={PRIORITY} and no RestrictRealtime; by hand: ulimit -r {PRIORITY}",
        )
    try:
        _lock_memory()
    except (OSError, ImportError, AttributeError) as error:
        log.warning(
            "memory_not_locked",
            why=f"memory could not be locked ({_reason(error)}): notes may come late while memory is short",
            remedy="the unit needs LimitMEMLOCK=infinity; by hand: ulimit -l unlimited",
        )


def _ask_for_priority() -> None:
    policy = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
    os.sched_setscheduler(0, policy, os.sched_param(PRIORITY))
    for thread in map(int, os.listdir("/proc/self/task")):  # noqa: PTH208 - only their numbers are wanted
        with suppress(ProcessLookupError):  # it has just ended
            if os.sched_getscheduler(thread) == os.SCHED_OTHER:  # not this one, nor JACK's own
                os.sched_setscheduler(thread, policy, os.sched_param(BESIDE))


def _lock_memory() -> None:
    """Lock each page once it has been used; what is mapped and never touched takes no memory."""
    import resource  # noqa: PLC0415 - Windows has none

    limit, _ = resource.getrlimit(resource.RLIMIT_MEMLOCK)
    if limit != resource.RLIM_INFINITY and not _may_lock():
        # A limit that suffices now would later refuse threads their stacks.
        raise PermissionError(None, f"the limit is {limit // 1024} KiB")
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def _may_lock() -> bool:
    """True if no limit counts for this process: it has the capability (root has, but not in most containers)."""
    for line in Path("/proc/self/status").read_bytes().splitlines():
        if line.startswith(b"CapEff:"):
            return bool(int(line.split()[1], 16) >> CAP_IPC_LOCK & 1)
    return False


def _reason(error: Exception) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else "this system has none"
