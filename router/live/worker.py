"""Work that may wait, done beside the loop.

One thread does one job after another; what comes of it is told in the loop.

A disk that stalls holds the thread that reads from it, and nothing can interrupt that. After ``STALLED`` the job is
given up, its thread is left behind, and a new one goes on with the rest. With ``MOST_STUCK`` threads left behind no new
one is begun, and jobs are given up at once until one comes back.

The thread also hears of what is mounted and unmounted, of which inotify does not tell.

Invariants: nothing here waits in the loop's thread but ``wait`` and ``close``; a thread that comes back late touches
nothing but its own; each job is told once, done or failed.
"""

from __future__ import annotations

import os
import select
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from router.core.units import NANOSECONDS
from router.system import clock
from router.system.agenda import Agenda

STALLED = 10 * NANOSECONDS
"""How long a job may take; reading and checking a profile takes some milliseconds."""

PATIENCE = 30 * NANOSECONDS
"""How much longer a job may take while it does what has a limit of its own: importing a rule of others
(``trying.SECONDS``)."""

MOST_STUCK = 4
"""Threads that may be left behind at a time."""

LAST_WAIT = 2 * NANOSECONDS
"""For the lasting jobs at the end."""

_MOUNTED = object()
"""Stands in place of a job's result: something was mounted or unmounted somewhere."""


@dataclass(frozen=True, slots=True)
class Job:
    """``work`` is done beside the loop and is given its worker; ``done`` or ``failed`` is called in the loop.

    ``failed`` is told what the worker was ``at`` when it stalled; empty if that is not known, or the work raised.
    ``lasting``: it is also done when all comes to an end.
    """

    work: Callable[[WorkerThread], Any]
    done: Callable[[Any, int], None]
    failed: Callable[[str, int], None]
    lasting: bool = False


class Worker:
    """The jobs that are done beside the loop, one after another. All methods are for the loop's thread.

    ``changed`` is called in the loop when something was mounted, or a thread has come back that was given up. ``fault``
    is told of what a job raises, and ``stalled`` what the worker was at. ``busy_until``: gives the time at which work
    with a limit of its own in a job ends or has ended; only after that may the job count as stalled.
    """

    def __init__(
        self,
        agenda: Agenda,
        changed: Callable[[], None],
        fault: Callable[[Exception], None],
        stalled: Callable[[str], None],
        busy_until: Callable[[], int] = int,
    ) -> None:
        self._changed, self._fault, self._stalled = changed, fault, stalled
        self._busy_until = busy_until
        self._lock = threading.Lock()
        self._closed = False
        self._results: deque[tuple[WorkerThread, object]] = deque()
        self._poke = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._jobs: deque[Job] = deque()
        self._job: Job | None = None
        self._since = 0
        self._gives_up = agenda.reminder(self.wake)  # the present job
        self._overdue = False  # the worker is stuck, and no other may be begun
        self._stuck: frozenset[WorkerThread] = frozenset()  # replaced, never changed: workers read it
        self._thread_now = WorkerThread(self._answer)

    def fileno(self) -> int:
        """Readable when something was done."""
        return self._poke

    def do(self, job: Job) -> None:
        """Do this after what is to be done already."""
        self._jobs.append(job)
        self._next(clock.now())

    def waiting(self, done: Callable[[Any, int], None]) -> bool:
        """True if a job with this ``done`` has not been begun yet."""
        return any(job.done == done for job in self._jobs)

    def stuck(self) -> frozenset[str]:
        """Return what the threads that are left behind are at. Workers may ask, too."""
        return frozenset(worker.at for worker in self._stuck)

    def read(self, now: int) -> None:
        """Tell what was done."""
        with suppress(BlockingIOError):
            os.eventfd_read(self._poke)
        while self._results:
            worker, result = self._results.popleft()
            if result is _MOUNTED:
                self._changed()
            elif worker is not self._thread_now or self._overdue:  # it was stuck, and has come back
                self._stuck -= {worker}
                self._overdue &= worker is not self._thread_now
                self._changed()
            else:
                self._told(result, now)
        self._next(now)

    def _stalls_at(self) -> int | None:
        """When the present job counts as stalled."""
        return None if self._job is None else self._patient_since() + STALLED

    def _patient_since(self) -> int:
        """Return the time from which the present job may count as stalling."""
        return min(max(self._since, self._busy_until()), self._since + PATIENCE)

    def wake(self, now: int) -> None:
        """If the present job has stalled, go on without it."""
        stalls_at = self._stalls_at()
        if self._job is None or stalls_at is None:
            return
        if now < stalls_at:
            self._gives_up.set(stalls_at)
            return
        job, self._job = self._job, None
        at = self._thread_now.at
        self._stalled(at)
        fresh = self._another() if len(self._stuck) < MOST_STUCK else None
        if fresh is not None:
            self._stuck |= {self._thread_now}
            self._thread_now.stop()
            self._thread_now = fresh
        else:
            self._overdue = True
        job.failed(at, now)
        self._next(now)

    def _another(self) -> WorkerThread | None:
        """Return another thread, if the system has one left for us."""
        try:
            return WorkerThread(self._answer)
        except (OSError, RuntimeError, MemoryError) as error:
            self._fault(error)
            return None

    def wait(self, work: Callable[[WorkerThread], Any]) -> Any:
        """Do this work and wait for what it gives; None if it stalls or fails."""
        given: list[Any] = []
        self.do(Job(work, lambda result, _now: given.append(result), lambda _at, _now: given.append(None)))
        while not given:
            self._rest(self._stalls_at())
        return given[0]

    def finish(self) -> None:
        """Do the lasting jobs, within ``LAST_WAIT``, and no others; when the loop has ended."""
        self._jobs = deque(job for job in self._jobs if job.lasting)
        until = clock.now() + LAST_WAIT
        while (self._job or self._jobs) and not self._overdue and clock.now() < until:
            self._rest(until)
        self._overdue |= self._job is not None  # nobody waits for it twice

    def close(self) -> None:
        """Do the lasting jobs, as ``finish`` does; then give everything back."""
        self.finish()
        with self._lock:  # a thread that comes back later must not write to a descriptor that is something else by then
            self._closed = True
            os.close(self._poke)
        self._gives_up.clear()
        self._thread_now.stop()
        self._thread_now.join(LAST_WAIT / NANOSECONDS)

    def _told(self, result: object, now: int) -> None:
        job, self._job = self._job, None
        self._gives_up.clear()
        assert job is not None  # it was given to the worker
        if isinstance(result, Exception):
            self._fault(result)
            job.failed("", now)
        else:
            job.done(result, now)

    def _next(self, now: int) -> None:
        while self._jobs and self._job is None:
            job = self._jobs.popleft()
            if self._overdue:
                job.failed("", now)
            else:
                self._job, self._since = job, now
                self._gives_up.set(now + STALLED)
                self._thread_now.do(job.work)

    def _rest(self, until: int | None) -> None:
        """Wait for the worker; only before the loop begins and after it has ended."""
        poll = select.poll()
        poll.register(self._poke, select.POLLIN)
        poll.poll(None if until is None else max(0, until - clock.now()) / 1_000_000)
        now = clock.now()
        self.read(now)
        self.wake(now)

    def _answer(self, worker: WorkerThread, result: object) -> None:
        """Pass on a result, in the worker's thread, which must survive want of memory."""
        told = False
        while not told:
            with suppress(MemoryError), self._lock:
                if not self._closed:
                    if (worker, result) not in self._results:
                        self._results.append((worker, result))
                    os.eventfd_write(self._poke, 1)
                told = True


class WorkerThread:
    """A thread that does one job after another and tells ``answer`` what came of it, errors too.

    ``at``: what it is looking at, in case it does not come back; the work sets it.
    """

    def __init__(self, answer: Callable[[WorkerThread, object], None]) -> None:
        self._answer = answer
        self._wake = os.eventfd(0, os.EFD_CLOEXEC)
        self._work: Callable[[WorkerThread], Any] | None = None
        self._stopping = False
        self._ending = threading.Lock()
        self.at = ""
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)
        try:
            self._thread.start()
        except BaseException:
            os.close(self._wake)
            raise

    def do(self, work: Callable[[WorkerThread], Any]) -> None:
        """Begin; only when nothing is being done."""
        self._work = work
        os.eventfd_write(self._wake, 1)

    def stop(self) -> None:
        """End after what is being done."""
        with self._ending:  # a thread that is awake sees it at once, and must not close what is to be written to
            self._stopping = True
            os.eventfd_write(self._wake, 1)

    def join(self, seconds: float) -> None:
        """Wait for the end."""
        self._thread.join(seconds)

    def _run(self) -> None:
        poll = select.poll()
        poll.register(self._wake, select.POLLIN)
        mounts = None
        while not self._stopping:
            if mounts is None:
                with suppress(OSError):  # the system hides it; or no descriptor is free until after a job
                    mounts = os.open("/proc/self/mountinfo", os.O_RDONLY | os.O_CLOEXEC)
                    poll.register(mounts, select.POLLPRI)
            for descriptor, _ in poll.poll():
                if descriptor == mounts:
                    self._answer(self, _MOUNTED)
                else:
                    os.eventfd_read(self._wake)
                    self._do()
        with self._ending:
            os.close(self._wake)
        if mounts is not None:
            os.close(mounts)

    def _do(self) -> None:
        work, self._work = self._work, None
        if work is None:
            return
        result: object
        try:
            result = work(self)
        except Exception as error:  # noqa: BLE001 - whatever it is, the next job is done, and the loop tells it
            result = error
        self.at = ""
        self._answer(self, result)
