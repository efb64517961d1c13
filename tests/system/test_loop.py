"""The only sleeper: deadlines to the nanosecond, descriptors, signals, faults;
and nothing runs when nothing is to do.
"""

import os
import select
import signal
import subprocess
import sys
import threading
import time

import pytest

from router.system import clock
from router.system import loop as loop_module
from router.system.loop import Loop, Timer

MILLISECOND = 1_000_000


class Once:
    """Deadlines in a row, and when each wake came."""

    def __init__(self, loop, deadlines):
        self.loop, self.deadlines, self.woken = loop, list(deadlines), []

    def deadline(self):
        return self.deadlines[0] if self.deadlines else None

    def wake(self, now):
        self.woken.append(now)
        while self.deadlines and self.deadlines[0] <= now:
            self.deadlines.pop(0)
        if not self.deadlines:
            self.loop.stop()


@pytest.fixture
def faults():
    return []


@pytest.fixture
def loop(faults):
    loop = Loop(faults.append)
    yield loop
    loop.close()


def test_a_deadline_wakes_the_loop_and_never_early(loop, faults):
    start = clock.now()
    once = Once(loop, [start + n * 3 * MILLISECOND for n in range(1, 6)])
    wanted = list(once.deadlines)
    loop.run(once.deadline, once.wake)
    assert len(once.woken) <= len(wanted)  # no wake-up that nobody asked for
    assert all(any(woken >= when for woken in once.woken) for when in wanted)
    assert once.woken[0] >= wanted[0]
    assert not faults


def test_a_deadline_that_is_past_wakes_at_once(loop):
    once = Once(loop, [1])
    loop.run(once.deadline, once.wake)
    assert len(once.woken) == 1


def test_the_same_deadline_twice_wakes_twice(loop):
    """A timer that is not armed again for a time it has fired at would sleep for ever."""
    woken = []
    when = clock.now() + MILLISECOND

    def wake(now):
        woken.append(now)
        if len(woken) == 2:
            loop.stop()

    loop.run(lambda: when, wake)
    assert len(woken) == 2


def test_a_readable_descriptor_is_called_before_wake(loop):
    reader, writer = os.pipe()
    order = []

    def read():
        order.append(os.read(reader, 10))

    def wake(_now):
        order.append("wake")
        loop.stop()

    loop.watch(reader, read)
    os.write(writer, b"x")
    loop.run(lambda: None, wake)
    assert order == [b"x", "wake"]
    loop.unwatch(reader)
    loop.unwatch(reader)  # no harm
    os.close(reader)
    os.close(writer)


def test_a_thread_wakes_the_loop_through_its_descriptor(loop):
    poke = os.eventfd(0, os.EFD_NONBLOCK)
    seen = []

    def read():
        seen.append(os.eventfd_read(poke))
        loop.stop()

    loop.watch(poke, read)
    thread = threading.Thread(target=lambda: (time.sleep(0.05), os.eventfd_write(poke, 1)))
    thread.start()
    loop.run(lambda: None, lambda _now: None)
    thread.join()
    assert seen == [1]
    loop.unwatch(poke)
    os.close(poke)


def test_a_callback_that_ends_the_watch_of_another_in_the_same_pass(loop):
    """Both are readable at once; whichever comes first takes the other away, and the other is then not called."""
    pipes = [os.pipe(), os.pipe()]
    called = []

    def callback(mine, other):
        called.append(mine)
        loop.unwatch(pipes[other][0])
        os.read(pipes[mine][0], 1)

    for mine, other in ((0, 1), (1, 0)):
        loop.watch(pipes[mine][0], lambda mine=mine, other=other: callback(mine, other))
        os.write(pipes[mine][1], b"x")
    loop.run(lambda: None, lambda _now: loop.stop())
    assert len(called) == 1
    for reader, writer in pipes:
        os.close(reader)
        os.close(writer)


def test_a_fault_in_a_callback_costs_nothing_else(loop, faults):
    bad, good = os.pipe(), os.pipe()
    seen = []
    loop.watch(bad[0], lambda: 1 / 0)  # never read, so it stays readable

    def read():
        seen.append(os.read(good[0], 1))
        loop.stop()

    loop.watch(good[0], read)
    os.write(bad[1], b"x")
    passes = []

    def wake(_now):
        passes.append(None)
        if len(passes) == 1:
            os.write(good[1], b"y")

    loop.run(lambda: None, wake)
    assert seen == [b"y"]
    assert [type(fault) for fault in faults] == [ZeroDivisionError]
    for end in (*bad, *good):
        os.close(end)


def test_a_callback_that_raised_once_is_called_again_after_a_rest(loop, faults):
    """Want of memory passes, and what was to be read is still there."""
    ours, theirs = os.pipe()
    seen = []

    def read():
        if not faults:
            raise MemoryError
        seen.append(os.read(ours, 1))
        loop.stop()

    loop.watch(ours, read)
    os.write(theirs, b"x")
    loop.run(lambda: None, lambda _now: None)
    assert [type(fault) for fault in faults] == [MemoryError]
    assert seen == [b"x"]
    os.close(ours)
    os.close(theirs)


def test_a_callback_that_always_raises_rests_longer_each_time_also_where_the_other_end_has_gone(loop, faults):
    ours, theirs = os.pipe()
    os.close(theirs)  # that is told in each pass
    start, passes = clock.now(), []
    loop.watch(ours, lambda: 1 / 0)

    def wake(_now):
        passes.append(None)
        if clock.now() - start > 450 * MILLISECOND:
            loop.stop()

    loop.run(lambda: start + 451 * MILLISECOND, wake)
    assert 1 <= len(faults) <= 3  # at 0, 0.1 and 0.3 s
    assert len(passes) < 20
    loop.unwatch(ours)
    os.close(ours)


def test_a_wake_that_always_fails_does_not_take_the_machine(loop, faults):
    """Its deadline stays in the past, so without a rest the loop would spin."""
    start = clock.now()

    def wake(_now):
        if clock.now() - start > 350 * MILLISECOND:
            loop.stop()
        raise ValueError("always")

    loop.run(lambda: start, wake)
    assert 2 <= len(faults) <= 6


def test_nothing_runs_while_nothing_is_to_do(loop):
    """No periodic wake-up: in 0.3 s of rest the loop passes once, when it is stopped."""
    passes = []
    poke = os.eventfd(0)
    loop.watch(poke, lambda: (os.eventfd_read(poke), loop.stop()))
    thread = threading.Timer(0.3, lambda: os.eventfd_write(poke, 1))
    thread.start()
    loop.run(lambda: None, passes.append)
    thread.join()
    assert len(passes) == 1
    loop.unwatch(poke)
    os.close(poke)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_the_loop_and_handlers_are_put_back(loop, number):
    before = signal.getsignal(number)
    thread = threading.Timer(0.05, lambda: os.kill(os.getpid(), number))
    with loop.stopped_by([number]):
        thread.start()
        loop.run(lambda: None, lambda _now: None)
    thread.join()
    assert loop.stopping_signal == number
    assert signal.getsignal(number) is before
    assert signal.set_wakeup_fd(-1) == -1


def test_a_signal_before_the_loop_begins_is_not_lost(loop):
    with loop.stopped_by([signal.SIGTERM]):
        os.kill(os.getpid(), signal.SIGTERM)
        loop.run(lambda: None, lambda _now: None)
    assert loop.stopping_signal == signal.SIGTERM


def test_a_signal_that_was_ignored_stays_ignored(loop):
    """As under nohup."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with loop.stopped_by([signal.SIGHUP]):
            os.kill(os.getpid(), signal.SIGHUP)
            once = Once(loop, [clock.now() + MILLISECOND])
            loop.run(once.deadline, once.wake)
        assert loop.stopping_signal is None
    finally:
        signal.signal(signal.SIGHUP, before)


def test_no_descriptor_is_left_open(descriptors):
    before = descriptors()
    for _ in range(3):
        loop = Loop(lambda _error: None)
        with loop.stopped_by([signal.SIGTERM]):
            pass
        loop.close()
        loop.close()
    assert descriptors() == before


def test_the_clock_is_the_kernels_monotonic_clock():
    before, now, after = (
        time.clock_gettime_ns(time.CLOCK_MONOTONIC),
        clock.now(),
        time.clock_gettime_ns(time.CLOCK_MONOTONIC),
    )
    assert before <= now <= after


@pytest.mark.parametrize("path", ["ctypes", "os"])
def test_the_timer_keeps_absolute_time_by_either_way(path, monkeypatch):
    """Python has the kernel's timer from 3.13 on; before, the C library is called. Both ways where both exist."""
    if path == "os" and not hasattr(os, "timerfd_create"):
        assert sys.version_info < (3, 13)
        return
    if path == "ctypes":
        monkeypatch.setattr(sys, "version_info", (3, 12))
    timer = Timer()
    when = clock.now() + 5 * MILLISECOND
    timer.arm(when)
    with pytest.raises(BlockingIOError):
        os.read(timer.fileno(), 8)
    timer.clear()  # it has not fired: no harm
    timer.arm(when)
    os.set_blocking(timer.fileno(), True)
    assert int.from_bytes(os.read(timer.fileno(), 8), sys.byteorder) == 1
    assert clock.now() >= when
    timer.close()
    timer.close()


def test_a_timer_that_has_fired_is_quiet_once_it_is_armed_again():
    """Nobody reads it: arming it anew, for another time, the same time or never, is all that clears it."""
    timer, poll = Timer(), select.epoll()
    poll.register(timer.fileno(), select.EPOLLIN)
    for when in (clock.now(), 1, 1):
        timer.arm(when)
        assert poll.poll(1), "it fires, for the same time too"
        timer.clear()
    for quiet in (None, clock.now() + 3600 * 1000 * MILLISECOND):
        timer.arm(1)
        assert poll.poll(1)
        timer.clear()
        timer.arm(quiet)
        assert not poll.poll(0)
    poll.close()
    timer.close()


def test_a_stopped_loop_uses_no_processor():
    """A child process that waits a second on a loop with an open deadline far away:
    its processor time is its start's.
    """
    code = (
        "import resource, threading, os\n"
        "from router.system import clock\n"
        "from router.system.loop import Loop\n"
        "loop = Loop(print)\n"
        "def used():\n"
        "    u = resource.getrusage(resource.RUSAGE_SELF)\n"
        "    return u.ru_utime + u.ru_stime, u.ru_nvcsw\n"
        "before = used()\n"
        "when = clock.now() + 1_000_000_000\n"
        "loop.run(lambda: when, lambda now: loop.stop())\n"
        "after = used()\n"
        "print(after[0] - before[0], after[1] - before[1])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    processor, switches = done.stdout.split()
    assert float(processor) < 0.2
    assert int(switches) <= 5


# --- want of memory -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("many", [1, 3])
def test_want_of_memory_between_two_passes_costs_nothing(loop, faults, many):
    once = Once(loop, [clock.now() + 5 * MILLISECOND])
    short = [MemoryError() for _ in range(many)]
    wanted = [*short]

    def deadline():
        if short:
            raise short.pop(0)
        return once.deadline()

    loop.run(deadline, once.wake)
    assert faults == wanted
    assert once.woken


def test_a_deadline_for_which_there_was_no_memory_is_set_again(monkeypatch):
    byref, calls = loop_module.ctypes.byref, []

    def short(setting):
        calls.append(setting)
        if len(calls) == 1:
            raise MemoryError
        return byref(setting)

    monkeypatch.setattr(loop_module.sys, "version_info", (3, 11))
    timer = Timer()
    monkeypatch.setattr(loop_module.ctypes, "byref", short)
    when = clock.now()
    with pytest.raises(MemoryError):
        timer.arm(when)
    timer.arm(when)
    assert select.select([timer], [], [], 5)[0]
    timer.close()


def test_a_callback_that_raised_is_called_again_though_there_was_no_memory_to_let_it_rest(loop, faults):
    reading, writing = os.pipe()
    called = []

    def callback():
        called.append(None)
        if len(called) == 1:
            raise OSError
        os.read(reading, 1)
        loop.stop()

    class Short(dict):
        def __setitem__(self, descriptor, rest):
            if not faults:
                raise MemoryError
            super().__setitem__(descriptor, rest)

    loop.watch(reading, callback)
    loop._rests = Short()
    os.write(writing, b"x")
    loop.run(lambda: clock.now() + 20 * MILLISECOND, lambda _now: None)
    assert len(called) == 2
    os.close(reading)
    os.close(writing)
