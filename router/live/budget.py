"""Rules that others wrote, held to a budget of time while they play; the router's own are held to it by their tests.

    with Budget() as budget:
        engine = Engine(budget.held(plan), observe)

A rule that takes too long raises, as any broken rule may, so the engine releases what it sounds, tells it once with its
place in the profile, and switches it off. Two things are too long:

    slow     a call takes more than ``slow`` of the processor's time, for the third time: once may be an accident
    stuck    a call has not come back after ``stuck`` of any time: it is interrupted where it stands, by a timer's
             signal

Where a rule cannot be interrupted the process ends, as the music has stopped and nothing else can begin it again:

    swallowed    the rule caught every interruption for ``SWALLOWED`` (``while True: try: ... except: ...``). ``lost``
                 is called with the seat and the rule; it ends the process. What must not happen is that it comes back
                 to the rule.
    deaf         a single call into C never came back (``sum(itertools.count())``), so no signal's handler of Python's
                 could run. After as much of the processor's time the kernel ends the process (SIGVTALRM, whose default
                 that is); where it stood is written to standard error first, by code that needs no interpreter.

A rule could always do harm on purpose: it is a program.
"""

from __future__ import annotations

import faulthandler
import os
import signal
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from inspect import getattr_static
from types import FrameType, TracebackType
from typing import Any, NoReturn, Self, cast

from router.core.contract import Context, Rule, check_all
from router.core.engine import MakeRule, Plan, RulePlan
from router.core.events import Event
from router.core.units import NANOSECONDS
from router.live.turn import RULE, Turn
from router.system import clock

SLOW = NANOSECONDS // 50
"""Nanoseconds of the processor's time. From about 20 ms on a delay between effort and sound can be noticed
(common practice among makers of instruments, no source)."""

STUCK = NANOSECONDS // 4
"""Nanoseconds of any time: an interruption that everybody hears, and that ends before anybody pulls the plug."""

TOLERATED = 2
"""How often a rule may be slow: when the machine itself was busy, say."""

AGAIN = 0.01
"""Seconds after which a rule that caught its own interruption, or was not to be interrupted just then, is interrupted
again."""


SWALLOWED = NANOSECONDS
"""Nanoseconds of interruptions, each caught by the rule, after which the process ends: nobody hears anything
meanwhile."""

LAST_WORDS = 2.0
"""Seconds that ``lost`` may take; then the kernel ends the process whatever it does."""

LOST = 70
"""The exit status of a process that ended because of a rule (EX_SOFTWARE of sysexits.h)."""

STANDARD_ERROR = 2


@dataclass(frozen=True, slots=True)
class Culprit:
    """The rule that does not come back: ``seat`` is "" where there is only one."""

    seat: str
    rule: str
    place: str
    origin: str

    def __str__(self) -> str:
        at = f" at the seat {self.seat}" if self.seat else ""
        return (
            f'{self.place}: the rule "{self.rule}" (from {self.origin}){at} does not come back, and catches whatever '
            "interrupts it; this program ends"
        )


def say_and_end(culprit: Culprit) -> None:
    """Name the rule on standard error, and end the process."""
    os.write(STANDARD_ERROR, f"{culprit}\n".encode())
    os._exit(LOST)


class _Interrupted(BaseException):
    """Raised inside a rule that is stuck; no ``except Exception`` of the rule's keeps it from going through."""


class Budget:
    """The time that rules of others may take. In its context, main thread only, rules that are stuck are interrupted.

    ``slow``, ``stuck``: nanoseconds; ``slow`` None: only what is stuck is too long, so that nothing depends on the
    speed of the machine. ``work`` is the clock of the processor's time. While a rule is at work ``turn`` says so: if
    the process ends then, for whatever reason, the next start leaves that rule out. ``left_out``: such rules by name
    and origin, and why; each is treated as one that has failed, and the rest of its profile plays.
    """

    def __init__(
        self,
        slow: int | None = SLOW,
        stuck: int = STUCK,
        work: Callable[[], int] = clock.processor_time,
        *,
        lost: Callable[[Culprit], object] = say_and_end,
        turn: Turn | None = None,
        left_out: Mapping[tuple[str, str], str] | None = None,
    ) -> None:
        self._slow, self._stuck, self._work, self._lost = slow, stuck, work, lost
        self.turn = turn or Turn()
        self._left_out = left_out or {}
        self._inside: Culprit | None = None  # the rule that is at work
        self._interruptions = 0  # of the call that is at work
        self._before: Any = None
        self._interrupts = False

    def __enter__(self) -> Self:
        if hasattr(signal, "setitimer"):  # not on Windows
            self._before = signal.signal(signal.SIGALRM, self._interrupt)
            faulthandler.register(signal.SIGVTALRM, STANDARD_ERROR, all_threads=False, chain=True)
            self._interrupts = True
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._interrupts:
            self._interrupts = False
            faulthandler.unregister(signal.SIGVTALRM)
            signal.signal(signal.SIGALRM, self._before)

    def held(self, plan: Plan, seat: str = "") -> Plan:
        """Return the plan with every rule that is not the router's own held to this budget."""
        parts = (
            replace(part, rules=tuple(self._held(rule, seat) for rule in part.rules)) if _foreign(part.rules) else part
            for part in plan.parts
        )
        return replace(plan, parts=tuple(parts))

    def _held(self, plan: RulePlan, seat: str) -> RulePlan:
        if not plan.origin:
            return plan
        # A stand-in that has all the methods of a rule, as far as the engine can tell.
        if why := self._left_out.get((plan.name, plan.origin)):
            return replace(plan, make=partial(_rule_left_out, why))
        culprit, number = Culprit(seat, plan.name, plan.place, plan.origin), self.turn.rule(plan.name, plan.origin)
        return replace(plan, make=cast("MakeRule", partial(_Held, self, culprit, number, plan.make)))

    def call(self, culprit: Culprit, function: Callable[..., Any], *arguments: Any) -> tuple[Any, bool]:
        """Call the function; return what it gives, and whether it was slow.

        Raises:
            TimeoutError: it was stuck.
            RuntimeError: it wanted to end the program.
        """
        began = self._work()
        self._interruptions = 0
        try:
            try:
                self._inside = culprit
                self._set_alarm(self._stuck)
                given = function(*arguments)
            finally:  # first of all, so that an interruption from here on does nothing
                self._inside = None
                self._set_alarm(0)
        except _Interrupted:
            self._inside = None
            self._set_alarm(0)
        except SystemExit:
            raise RuntimeError("it wanted to end the router") from None
        if self._interruptions:  # whether it came through or was caught
            raise TimeoutError(f"it did not come back within {self._stuck // 1_000_000} ms") from None
        return given, self._slow is not None and self._work() - began > self._slow

    @property
    def said(self) -> str:
        """The reason that is given for a rule that was slow too often."""
        return f"it took more than {(self._slow or 0) // 1_000_000} ms, {TOLERATED + 1} times"

    def _set_alarm(self, nanoseconds: int) -> None:
        if self._interrupts:
            signal.setitimer(signal.ITIMER_REAL, nanoseconds / NANOSECONDS, AGAIN if nanoseconds else 0)
            deaf = (nanoseconds + SWALLOWED) / NANOSECONDS if nanoseconds else 0
            signal.setitimer(signal.ITIMER_VIRTUAL, deaf)

    def _interrupt(self, _number: int, frame: FrameType | None) -> None:
        if self._inside is None or frame is None:
            return
        if self._interruptions * AGAIN >= SWALLOWED / NANOSECONDS:
            self._end(self._inside)
        # All seats share the deadlines: a change of them is finished first.
        if frame.f_globals.get("__name__") != "router.core.timers":
            self._interruptions += 1
            raise _Interrupted

    def _end(self, culprit: Culprit) -> NoReturn:
        """End the process from inside the interruption, so that nothing comes back to the rule that could catch it."""
        self._inside = None
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, LAST_WORDS)
        try:
            self._lost(culprit)
        finally:
            os._exit(LOST)


def _foreign(rules: Iterable[RulePlan]) -> bool:
    return any(rule.origin for rule in rules)


class _Held:
    """A rule whose every call is held to a budget."""

    def __init__(self, budget: Budget, culprit: Culprit, number: int, make: MakeRule, context: Context) -> None:
        self._budget, self._culprit, self._number = budget, culprit, number
        self._slow = 0  # how often it was
        self._rule: Rule = self._called(make, context)

    @property
    def repeats(self) -> bool:
        """The rule's own ``repeats``: the engine asks for it beside the methods."""
        return self._rule.repeats

    @property
    def counts_bars(self) -> bool:
        """The rule's own ``counts_bars``, as ``repeats``."""
        return getattr_static(self._rule, "counts_bars", False) is True

    @property
    def playing(self) -> bool:
        """The rule's own ``playing``: read without running anything of the rule's, which no budget would hold."""
        return getattr_static(self._rule, "playing", False) is True

    def __getattr__(self, method: str) -> Callable[..., list[Event]]:
        return partial(self._events, getattr(self._rule, method))

    def _events(self, method: Callable[..., Iterable[Event]], *arguments: Any) -> list[Event]:
        events: list[Event] = self._called(lambda: check_all(method(*arguments)))
        return events

    def _called(self, function: Callable[..., Any], *arguments: Any) -> Any:
        memory = self._budget.turn.memory
        memory[RULE] = self._number
        try:
            given, slow = self._budget.call(self._culprit, function, *arguments)
        finally:
            memory[RULE] = 0
        self._slow += slow
        if self._slow > TOLERATED:
            raise TimeoutError(self._budget.said)
        return given


def _rule_left_out(why: str, _context: Context) -> Rule:
    """Raise ``why`` in place of making a rule that has ended the router."""
    raise RuntimeError(why)
