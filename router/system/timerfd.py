"""A kernel timer as a descriptor: it becomes readable at an absolute time of the monotonic clock, to the nanosecond.

Python has it from 3.13 on; before, the C library is called. A time-out of epoll would round to milliseconds, and
with it everything that is meant to sound on a beat.
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from typing import Any

from router.core.units import NANOSECONDS

_ABSOLUTE = 1  # TFD_TIMER_ABSTIME, sys/timerfd.h
_FLAGS = os.O_NONBLOCK | os.O_CLOEXEC  # TFD_NONBLOCK, TFD_CLOEXEC are the same numbers


class _Time(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("nanoseconds", ctypes.c_long))


class _Setting(ctypes.Structure):
    _fields_ = (("interval", _Time), ("value", _Time))


class Timer:
    """A kernel timer and its descriptor, which is not to be used once it is closed."""

    def __init__(self) -> None:
        if sys.version_info >= (3, 13):
            self._fd = os.timerfd_create(time.CLOCK_MONOTONIC, flags=_FLAGS)
        else:
            self._library = ctypes.CDLL(None, use_errno=True)
            self._fd = self._checked(self._library.timerfd_create(time.CLOCK_MONOTONIC, _FLAGS))
        self._set: int | None = None  # what the kernel was told last; -1: it is to be told again, whatever comes

    def fileno(self) -> int:
        """The descriptor to wait on."""
        return self._fd

    def arm(self, when: int | None) -> None:
        """Become readable at ``when`` (monotonic nanoseconds; at once if it is past), or never."""
        if when == self._set:
            return
        self._set = -1  # until the kernel has been told
        at = 0 if when is None else max(1, when)  # 0 would disarm it
        if sys.version_info >= (3, 13):
            os.timerfd_settime_ns(self._fd, flags=_ABSOLUTE, initial=at)
        else:
            setting = _Setting(_Time(0, 0), _Time(*divmod(at, NANOSECONDS)))
            self._checked(self._library.timerfd_settime(self._fd, _ABSOLUTE, ctypes.byref(setting), None))
        self._set = when

    def clear(self) -> None:
        """Let the next ``arm`` tell the kernel again, even the same time; until then the descriptor stays readable.

        It need not be read: arming sets the count of its expirations to nothing again (timerfd_create(2)).
        """
        self._set = -1

    def close(self) -> None:
        """Give the descriptor back."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    @staticmethod
    def _checked(result: Any) -> int:
        if result < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        return int(result)
