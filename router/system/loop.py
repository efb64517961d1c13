"""The only sleeper: it waits until a descriptor is readable or the next deadline has come, whichever is first.

A pass of the loop:

    sleep  ->  the callback of every descriptor that is readable  ->  ``wake(now)``, once, whatever ended the sleep

``deadline()`` is asked before each sleep; the daemon's are ``agenda.next`` and ``agenda.ring``. Deadlines are absolute
and kept by one kernel timer among the descriptors; epoll itself waits without a time-out, and with nothing to do
nothing runs. Threads of drivers write to a descriptor that is watched, and that is all they may do.

Invariants: no exception of a callback or of ``wake`` ends the loop; a callback that raises is left alone for a while,
longer each time, as it would raise again at once; after ``stop`` the pass that runs is finished and no other begins.

The kernel timer is a descriptor that becomes readable at an absolute time of the monotonic clock, to the nanosecond.
Python has it from 3.13 on; before, the C library is called. A time-out of epoll would round to milliseconds, and with
it everything that is meant to sound on a beat.
"""

from __future__ import annotations

import ctypes
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

from router.core.units import NANOSECONDS
from router.system import clock
from router.system.agenda import AFTER_A_FAULT, LONGEST_REST, Agenda

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


class Loop:
    """The loop, what it watches, and its ``agenda``. ``on_fault`` is told of each exception; it must not raise."""

    def __init__(self, on_fault: Callable[[Exception], None]) -> None:
        self._on_fault = on_fault
        self.agenda = Agenda(on_fault)
        self._epoll = select.epoll()
        self._timer = Timer()
        self._watched: dict[int, Callable[[], None]] = {}
        # Of callbacks that raised, by descriptor: until when, and how long.
        self._rests: dict[int, tuple[int, int]] = {}
        self._not_before = 0  # after a fault, when the next deadline may be at the soonest
        self._stopping = False
        self._calls: dict[signal.Signals, Callable[[], None]] = {}
        self._called: list[Callable[[], None]] = []
        self.stopping_signal: signal.Signals | None = None
        self.watch(self._timer.fileno(), self._timer.clear)

    def watch(self, descriptor: int, callback: Callable[[], None]) -> None:
        """Call back in each pass in which the descriptor is readable, or its other end has gone."""
        self._rests.pop(descriptor, None)
        self._epoll.register(descriptor, select.EPOLLIN)
        self._watched[descriptor] = callback

    def unwatch(self, descriptor: int) -> None:
        """Call back no longer; to be done before the descriptor is closed. No harm if it is not watched."""
        self._rests.pop(descriptor, None)
        if self._watched.pop(descriptor, None) is not None:
            with suppress(OSError):  # somebody closed it already
                self._epoll.unregister(descriptor)

    def stop(self) -> None:
        """Come to an end after this pass.

        From another thread or a signal handler it needs a descriptor to wake the loop.
        """
        self._stopping = True

    def run(self, deadline: Callable[[], int | None], wake: Callable[[int], None]) -> None:
        """Sleep and wake until stopped. Memory that is short for a moment costs what was being done, and no more."""
        short = False  # of memory, in the pass before
        while not self._stopping:
            try:
                self._pass(deadline, wake)
                short = False
            except MemoryError as error:
                with suppress(MemoryError):
                    self._on_fault(error)
                if short:
                    self.linger(AFTER_A_FAULT)
                short = True

    def _pass(self, deadline: Callable[[], int | None], wake: Callable[[int], None]) -> None:
        """Sleep once, then do what is to be done."""
        when = deadline()
        if self._rests:
            when = self._rested(when)
        self._timer.arm(None if when is None else max(when, self._not_before))
        for descriptor, _events in self._epoll.poll():
            callback = self._watched.get(descriptor)  # a callback before may have ended the watch
            if callback is None:
                continue
            try:
                callback()
            except Exception as error:  # noqa: BLE001 - whatever it is, the rest must play on
                self._rest(descriptor)
                self._on_fault(error)
            else:
                if self._rests:
                    self._rests.pop(descriptor, None)
        while self._called:
            try:
                self._called.pop(0)()
            except Exception as error:  # noqa: BLE001 - as above
                self._on_fault(error)
        try:
            wake(clock.now())
        except Exception as error:  # noqa: BLE001 - as above
            self._not_before = clock.now() + AFTER_A_FAULT
            self._on_fault(error)

    def _rest(self, descriptor: int) -> None:
        """Leave a callback alone that raised."""
        if descriptor not in self._watched:  # it ended its own watch
            return
        _, before = self._rests.get(descriptor, (0, AFTER_A_FAULT // 2))
        rest = min(2 * before, LONGEST_REST)
        self._rests[descriptor] = clock.now() + rest, rest  # first: without memory for it, it is called again at once
        try:
            self._epoll.unregister(descriptor)  # not merely silenced: that its other end has gone is always told
        except OSError:  # somebody closed it already
            self.unwatch(descriptor)

    def _rested(self, when: int | None) -> int | None:
        """Listen again to those that have rested long enough; when the loop is to wake, for the others too."""
        now = clock.now()
        for descriptor, (until, rest) in [*self._rests.items()]:
            if until > now:
                when = until if when is None else min(when, until)
            elif until:
                try:
                    with suppress(FileExistsError):  # there was no memory for the line after this, the last time
                        self._epoll.register(descriptor, select.EPOLLIN)
                    self._rests[descriptor] = 0, rest
                except OSError:
                    self.unwatch(descriptor)
        return when

    @contextmanager
    def stopped_by(
        self, signals: Iterable[signal.Signals], calls: Mapping[signal.Signals, Callable[[], None]] | None = None
    ) -> Iterator[None]:
        """Let these signals stop the loop and do nothing else while in this context, unless they were ignored.

        Main thread only.

        Those of ``calls`` do not stop it: what they name is called in the pass that follows.
        """
        self._calls = dict(calls or {})
        receiver, sender = socket.socketpair()
        with receiver, sender:
            receiver.setblocking(False)
            sender.setblocking(False)
            wanted = [*signals, *self._calls]
            heard = [number for number in wanted if signal.getsignal(number) is not signal.SIG_IGN]  # nohup, for one
            before = {number: signal.signal(number, self._signalled) for number in heard}
            descriptor_before = signal.set_wakeup_fd(sender.fileno(), warn_on_full_buffer=False)
            self.watch(receiver.fileno(), lambda: _drain(receiver))
            try:
                yield
            finally:
                self.unwatch(receiver.fileno())
                signal.set_wakeup_fd(descriptor_before)
                for number, handler in before.items():
                    signal.signal(number, handler)

    @staticmethod
    def linger(nanoseconds: int) -> None:
        """Sleep outside any pass: only for a process that is about to end, whose threads have something to finish."""
        time.sleep(nanoseconds / NANOSECONDS)

    def close(self) -> None:
        """Give the descriptors back."""
        self._watched.clear()
        self._timer.close()
        self._epoll.close()

    def _signalled(self, number: int, _frame: FrameType | None) -> None:
        if number in self._calls:
            self._called.append(self._calls[signal.Signals(number)])
            return
        self.stop()  # first: for the other line memory may be short
        self.stopping_signal = signal.Signals(number)


def _drain(receiver: socket.socket) -> None:
    with suppress(BlockingIOError):
        receiver.recv(4096)
