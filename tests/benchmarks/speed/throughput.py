"""c. Events a second through the engine, on one core: conditioning, rules, limits, ledger, what is told for the log.

An event is a press or a release that becomes one MIDI message. Beside it stands mido forwarding bare messages, with the
code of its own backend for python-rtmidi: from three bytes to three bytes. Neither sends anything. Time is
this thread's own processor time, and the figure of each is the median of rounds that were taken in turn.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from mido.backends import rtmidi as backend

from router.core.units import NANOSECONDS
from router.system import clock

from .figures import Result, Target, digits, middle
from .world import no_collector, tapping

PARTS = (1, 4, 16, 64)


class Wire:
    """Takes bytes, and sends nothing."""

    sent = 0

    def send_message(self, data: Any) -> None:
        for _byte in (data,):
            self.sent += 1


def mido_ports() -> tuple[Any, Any]:
    """An input and an output of mido's own backend, with nothing behind them."""
    incoming, outgoing = backend.Input.__new__(backend.Input), backend.Output.__new__(backend.Output)
    for port in (incoming, outgoing):
        port.closed, port._lock = True, threading.RLock()  # they close themselves in the end
    incoming._queue, incoming._callback = backend.ParserQueue(), None
    outgoing._send_lock, outgoing._rt = threading.RLock(), Wire()
    return incoming, outgoing


def forwarding(times: int) -> int:
    """Send so many messages by ``for message in port: other.send(message)``; return the nanoseconds of each."""
    incoming, outgoing = mido_ports()
    began = clock.processor_time()
    for _ in range(times):
        for data in ([0x90, 60, 80], [0x80, 60, 0]):
            incoming._callback_wrapper((data, 0.0), None)  # as python-rtmidi calls it
            outgoing.send(incoming.receive())
    return (clock.processor_time() - began) // (2 * times)


def forwarding_at_once(times: int) -> int:
    """The same by ``port.callback = other.send``: nothing waits in between."""
    incoming, outgoing = mido_ports()
    incoming._callback = outgoing.send
    began = clock.processor_time()
    for _ in range(times):
        for data in ([0x90, 60, 80], [0x80, 60, 0]):
            incoming._callback_wrapper((data, 0.0), None)
    return (clock.processor_time() - began) // (2 * times)


class Engine:
    """One engine, played on."""

    def __init__(self, rules: int, parts: int = 1) -> None:
        self._told: list[tuple[int, str, dict[str, Any]]] = []
        self._taps = tapping(rules, parts, lambda now, event, fields: self._told.append((now, event, fields)))
        self._now = 0

    def __call__(self, times: int) -> int:
        self._told.clear()
        began = clock.processor_time()
        self._now, sent = self._taps.tap(times, self._now)
        took = clock.processor_time() - began
        assert sent == 2 * times, "an event was not played"
        return took // (2 * times)


def measure(quick: bool) -> Result:
    contenders: dict[str, Callable[[int], int]] = {"mido, a loop": forwarding, "mido, a callback": forwarding_at_once}
    contenders |= {f"{rules} rule{'s' if rules > 1 else ''}, 1 part": Engine(rules) for rules in (1, 5, 10)}
    contenders |= {f"5 rules, {parts} parts": Engine(5, parts) for parts in PARTS if parts > 1}
    took: dict[str, list[float]] = {name: [] for name in contenders}
    times, rounds = (500, 15) if quick else (1000, 60)
    with no_collector():
        for round_ in range(rounds + 1):
            for name, run in contenders.items():
                cost = run(times)
                if round_:  # the first is for warming up
                    took[name].append(cost)
    result = Result("c", "c. Throughput on one core", ("µs an event, median", "lowest", "events a second"))
    for name, costs in took.items():
        result.rows[name] = (middle(costs) / 1000, min(costs) / 1000, NANOSECONDS / middle(costs))
    five, mido_ = took["5 rules, 1 part"], took["mido, a loop"]
    # Each round beside its own: both met the same load.
    shares = [other / own for own, other in zip(five, mido_, strict=True)]
    many = [of_64 / own for own, of_64 in zip(five, took["5 rules, 64 parts"], strict=True)]
    result.targets = [
        Target("events through five rules, as a multiple of mido's messages", 1.0, middle(shares), "times", most=False),
        Target("cost of an event with 64 parts against 1", 1.2, middle(many), "times"),
    ]
    rest = (middle(took["10 rules, 1 part"]) - middle(five)) / 5
    result.remarks.append(f"A further rule that has something to do: {digits(rest / 1000)} µs.")
    return result
