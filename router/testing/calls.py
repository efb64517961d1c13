"""The calls of a rule that is being proven: which one runs, for whoever waits for it, and how many steps it takes."""

from __future__ import annotations

import itertools
import json
import mmap
import struct
import sys
from collections.abc import Callable, Mapping
from types import FrameType
from typing import Any

from router.core.contract import METHODS
from router.core.events import Event

WHERE = struct.Struct("<qqqiii")
_TYPES: Mapping[type, int] = {kind: number for number, kind in enumerate(METHODS)}
place: mmap.mmap | None = None
"""Where the proving process is, for whoever waits for it: the number of the call, its time, voice and pitch, the kind
of event, the check's length and settings; then the text of both."""
_calls = itertools.count(1)


def note_call(now: int, last: tuple[str, Event | None]) -> None:
    """Say what is called next: plain stores into shared memory, as whoever is stuck can say nothing more."""
    if place is None:
        return
    event = last[1]
    kind = _TYPES.get(type(event), len(METHODS))
    voice, pitch = getattr(event, "voice", -1), getattr(event, "pitch", None)
    WHERE.pack_into(place, 0, next(_calls), now, voice, -1 if pitch is None else pitch, kind, 0)


def begin_check(check_name: str, written: Mapping[str, Any]) -> None:
    """Say which check begins, with what."""
    if place is not None:
        text = json.dumps([check_name, dict(written)], default=str).encode()[: len(place) - WHERE.size - 1]
        place[WHERE.size :] = text.ljust(len(place) - WHERE.size, b" ")
        WHERE.pack_into(place, 0, next(_calls), 0, -1, -1, len(METHODS), 0)


class TooManySteps(BaseException):
    """Ends a rule that is lost in itself; nothing that the rule catches."""


MOST_STEPS = 200_000
"""After so many steps of the interpreter a call is taken to be without end."""


def count_steps(call: Callable[[], object]) -> int:
    """Count the instructions of the interpreter that a call takes.

    Raises:
        TooManySteps: more than ``MOST_STEPS``.
    """
    count = 0

    def trace(frame: FrameType, event: str, _: object) -> Any:
        nonlocal count
        frame.f_trace_opcodes = True
        count += event in ("opcode", "line")  # from Python 3.12 on there are no opcodes where lines are left out
        if count > MOST_STEPS:
            raise TooManySteps
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        call()
    finally:
        sys.settrace(before)
    return count
