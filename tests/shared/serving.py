"""A control socket on a loop that runs in a thread of its own, beside a timer that goes on counting."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from router.bedside.control import Answer, ControlServer
from router.core.units import NANOSECONDS
from router.system.agenda import Rank
from router.system.loop import Loop

TICK = NANOSECONDS // 500
"""Between two ticks of the timer that stands for the music."""


class Serving:
    """What runs: ``ticks`` of the timer, every ``fault`` that was told of, and the server itself."""

    def __init__(self, path: Path, answer: Answer, group: str | None, frame: Callable[[int], Mapping[str, Any]] | None):
        self.faults: list[Exception] = []
        self.ticks = 0
        self.path = path
        self._calls: list[Callable[[], Any]] = []
        self._loop = Loop(self.faults.append)
        self._ticking = self._loop.agenda.reminder(self._tick, Rank.SEAT)
        self._ticking.soon()
        self._receiver, self._sender = socket.socketpair()
        self._loop.watch(self._receiver.fileno(), self._called)
        self.control = ControlServer(path, group, self._loop, answer, on_fault=self.faults.append, frame=frame)
        self._thread = threading.Thread(target=self._loop.run, args=(self._loop.agenda.next, self._loop.agenda.ring))
        self._thread.start()

    def call(self, what: Callable[[], Any]) -> None:
        """Do something in the loop's thread."""
        self._calls.append(what)
        self._sender.send(b"!")

    def close(self) -> None:
        self.call(self._loop.stop)
        self._thread.join(60)
        assert not self._thread.is_alive()
        self.control.close()
        self._loop.close()
        self._receiver.close()
        self._sender.close()

    def _called(self) -> None:
        self._receiver.recv(1)
        self._calls.pop(0)()

    def _tick(self, now: int) -> None:
        self.ticks += 1
        self._ticking.set(now + TICK)


@contextmanager
def serving(
    path: Path,
    answer: Answer = lambda request, reply: reply({"ok": True, "asked": request}),
    *,
    group: str | None = None,
    frame: Callable[[int], Mapping[str, Any]] | None = None,
) -> Iterator[Serving]:
    """Serve while in this context; no fault may be left when it ends."""
    served = Serving(path, answer, group, frame)
    try:
        yield served
    finally:
        served.close()
    assert served.faults == []
