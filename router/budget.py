"""Rules that others wrote, held to a budget of time while they play; the router's own are held to it by their tests.

    with Budget() as budget:
        engine = Engine(budget.held(plan), observe)

A rule that takes too long raises, as any broken rule may, so the engine releases what it sounds, tells it once with its
place in the profile, and switches it off. Two things are too long:

    slow     a call takes more than ``slow`` of the processor's time, for the third time: once may be an accident
    stuck    a call has not come back after ``stuck`` of any time: it is interrupted where it stands, by a timer's signal

What cannot be done from inside a process: a signal is heard between two steps of Python, so a rule that is lost in a
single call into C (``sum(itertools.count())``) stays lost, and the music with it. Then the watchdog outside, that the
loop no longer feeds, ends the process and starts it anew. And a rule could always do harm on purpose: it is a program.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from types import FrameType, TracebackType
from typing import Any, Self, cast

from router import clock
from router.engine import MakeRule, Plan, RulePlan
from router.events import Event
from router.rules.base import Context, Rule, check_all
from router.units import NANOSECONDS

SLOW = NANOSECONDS // 50
"""Of the processor's time, nanoseconds. From about 20 ms on a delay between effort and sound can be noticed
(common practice among makers of instruments, no source)."""

STUCK = NANOSECONDS // 4
"""Of any time, nanoseconds: an interruption that everybody hears, and that ends before anybody pulls the plug."""

FORGIVEN = 2
"""How often a rule may be slow: when the machine itself was busy, say."""

AGAIN = 0.01
"""Seconds after which a rule that caught its own interruption, or was not to be interrupted just then, is interrupted again."""


class _Interrupted(BaseException):
    """Raised inside a rule that is stuck; no ``except Exception`` of the rule's keeps it from going through."""


class Budget:
    """See the module's docstring. In its context, main thread only, rules that are stuck are interrupted.

    ``slow``, ``stuck``: nanoseconds; ``slow`` None: only what is stuck is too long, so that nothing depends on the
    speed of the machine. ``work`` is the clock of the processor's time.
    """

    def __init__(
        self, slow: int | None = SLOW, stuck: int = STUCK, work: Callable[[], int] = clock.processor_time
    ) -> None:
        self._slow, self._stuck, self._work = slow, stuck, work
        self._inside = False  # a rule
        self._before: Any = None
        self._interrupts = False

    def __enter__(self) -> Self:
        if hasattr(signal, "setitimer"):  # not on Windows
            self._before = signal.signal(signal.SIGALRM, self._interrupt)
            self._interrupts = True
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._interrupts:
            self._interrupts = False
            signal.signal(signal.SIGALRM, self._before)

    def held(self, plan: Plan) -> Plan:
        """The same plan, with every rule that is not the router's own held to this budget."""
        return replace(
            plan, parts=tuple(replace(part, rules=tuple(map(self._held, part.rules))) for part in plan.parts)
        )

    def _held(self, plan: RulePlan) -> RulePlan:
        # A stand-in that has all the methods of a rule, as far as the engine can tell.
        make = cast("MakeRule", partial(_Held, self, plan.make))
        return replace(plan, make=make) if plan.origin else plan

    def call(self, function: Callable[..., Any], *arguments: Any) -> tuple[Any, bool]:
        """What the function gives, and whether it was slow.

        Raises:
            TimeoutError: it was stuck.
            RuntimeError: it wanted to end the program.
        """
        began = self._work()
        try:
            try:
                self._inside = True
                self._set_alarm(self._stuck / NANOSECONDS)
                given = function(*arguments)
            finally:  # first of all, so that an interruption from here on does nothing
                self._inside = False
                self._set_alarm(0)
        except _Interrupted:
            self._inside = False
            self._set_alarm(0)
            raise TimeoutError(f"it did not come back within {self._stuck // 1_000_000} ms") from None
        except SystemExit:
            raise RuntimeError("it wanted to end the router") from None
        return given, self._slow is not None and self._work() - began > self._slow

    @property
    def said(self) -> str:
        """What is said of a rule that was slow too often."""
        return f"it took more than {(self._slow or 0) // 1_000_000} ms, {FORGIVEN + 1} times"

    def _set_alarm(self, seconds: float) -> None:
        if self._interrupts:
            signal.setitimer(signal.ITIMER_REAL, seconds, AGAIN if seconds else 0)

    def _interrupt(self, _number: int, frame: FrameType | None) -> None:
        # Deadlines are everybody's: whoever is changing them finishes that first.
        if self._inside and frame is not None and frame.f_globals.get("__name__") != "router.timers":
            raise _Interrupted


class _Held:
    """A rule whose every call is held to a budget."""

    def __init__(self, budget: Budget, make: MakeRule, context: Context) -> None:
        self._budget = budget
        self._slow = 0  # how often it was
        self._rule: Rule = self._called(make, context)

    @property
    def repeats(self) -> bool:
        """What the engine asks of a rule beside its methods."""
        return self._rule.repeats

    def __getattr__(self, method: str) -> Callable[..., list[Event]]:
        return partial(self._events, getattr(self._rule, method))

    def _events(self, method: Callable[..., Iterable[Event]], *arguments: Any) -> list[Event]:
        events: list[Event] = self._called(lambda: check_all(method(*arguments)))
        return events

    def _called(self, function: Callable[..., Any], *arguments: Any) -> Any:
        given, slow = self._budget.call(function, *arguments)
        self._slow += slow
        if self._slow > FORGIVEN:
            raise TimeoutError(self._budget.said)
        return given
