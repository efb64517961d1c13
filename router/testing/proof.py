"""The proof of a rule, in a process of its own that is ended if a call does not come back."""

from __future__ import annotations

import contextlib
import importlib
import json
import mmap
import os
import select
import signal
import traceback
import warnings
from collections.abc import Callable, Mapping
from dataclasses import asdict
from io import FileIO
from pathlib import Path
from typing import Any, NoReturn

from router.core.contract import METHODS, Rule
from router.core.units import NANOSECONDS
from router.system import clock
from router.testing import calls, checks, lasting
from router.testing.bench import (
    Circumstances,
    RuleFault,
    RuleUnderTest,
    examples,
    trials,
)
from router.testing.calls import WHERE, begin_check

OF_THE_FILE: Mapping[str, Callable[[RuleUnderTest], None]] = {
    "settings": checks.prove_settings,
    "example": checks.prove_example,
    "imports": checks.prove_imports,
}
AT_WORK: Mapping[str, Callable[[RuleUnderTest], None]] = {
    "coming back": checks.prove_return,
    "cause": checks.prove_cause,
    "passing": checks.prove_passing,
    "robustness": checks.prove_robust,
    "ends": checks.prove_ends,
    "another key": lasting.prove_another_key,
    "letting go": lasting.prove_letting_go,
    "another music": lasting.prove_another_music,
    "double presses": checks.prove_doubles,
    "repeatability": checks.prove_repeatable,
}
LONG: Mapping[str, Callable[[RuleUnderTest], None]] = {"lasting": lasting.prove_lasting, "work": checks.prove_work}


WITHIN = 300.0
"""Seconds that a whole proof may take. Those of the router's own rules take one or two, the longest twenty."""


def check_rule(rule: type[Rule], within: float = WITHIN) -> None:
    """Prove that a rule keeps its contract, with the settings of its example and every choice that they offer.

    ``within``: seconds after which the proof is given up; each call of the rule may take ``STUCK`` seconds of them. On
    Linux the rule plays in a process of its own, so whatever it does, this comes back and the caller's process is as
    before.

    Raises:
        RuleFault: it does not; the message says which check found what, with which event, voice, pitch and time.
    """
    if hasattr(os, "fork"):
        _prove_elsewhere(rule, within)
    else:
        _prove(rule)


def _prove(rule: type[Rule]) -> None:
    for name, prove in OF_THE_FILE.items():
        begin_check(name, {})
        prove(RuleUnderTest(rule, {}, name))
    for name, prove in AT_WORK.items():
        for trial in trials(rule, name):
            begin_check(name, trial.written)
            prove(trial)
    for name, prove in LONG.items():
        for shown in examples(rule):  # they take long, and what there is to do hardly hangs on one setting
            begin_check(name, shown)
            prove(RuleUnderTest(rule, shown, name))


STUCK = 10.0
"""Seconds that one call may take: far beyond ``MOST_STEPS``, so that only what cannot be counted comes so far."""


def _prove_elsewhere(rule: type[Rule], within: float) -> None:
    for needed in ("jsonschema", "yaml", "router.files.declared", "router.files.manual"):
        importlib.import_module(needed)  # once here, and not in each child, whose clock runs
    reading, writing = os.pipe()
    with mmap.mmap(-1, mmap.PAGESIZE) as place, open(reading, "rb", buffering=0) as word:  # noqa: PTH123 - a descriptor
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of threads: the child uses none of what they may hold
            child = os.fork()
        if not child:
            calls.place = place
            _child(rule, writing)
        os.close(writing)
        try:
            said, why = _wait(word, place, within)
        finally:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
        if said == b"proven":
            return
        _raise(rule, said, why, place)


def _child(rule: type[Rule], writing: int) -> NoReturn:
    """Prove it, say the result through the pipe, and end without a word from anybody else."""
    said: dict[str, Any] | None = None
    try:
        _bound()
        _prove(rule)
    except RuleFault as fault:
        cause = "" if fault.__cause__ is None else "".join(traceback.format_exception(fault.__cause__))
        moment = None if fault.moment is None else asdict(fault.moment)
        said = {"check": fault.check, "message": fault.message, "moment": moment, "cause": cause}
    except BaseException:  # noqa: BLE001 - whatever it is, it is told to whoever waits
        said = {"error": traceback.format_exc()}
    finally:
        text = b"proven" if said is None else json.dumps(said, default=str).encode()
        while text:
            text = text[os.write(writing, text) :]
        os._exit(0)


def _bound() -> None:
    """A rule that takes all memory meets the end of its own."""
    import resource  # noqa: PLC0415 - not on every system

    with contextlib.suppress(OSError, ValueError):
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[5])
        most = pages * mmap.PAGESIZE + MEMORY
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))


MEMORY = 512 * 1024 * 1024
"""Bytes that a rule may take beside what the process has when the proof begins."""


def _wait(word: FileIO, place: mmap.mmap, within: float) -> tuple[bytes, str]:
    """Wait for what the child process says; return it, and the reason for waiting no longer."""
    said, calls = b"", -1
    began = since = clock.now()
    while True:
        if select.select([word], [], [], 0.05)[0]:
            piece = word.read(65536)
            if not piece:
                return said, "it ends the whole program"
            said += piece
        now, at = clock.now(), WHERE.unpack_from(place)[0]
        if at != calls:
            calls, since = at, now
        if now - since > STUCK * NANOSECONDS:
            return b"", f"a call does not come back within {STUCK:g} s"
        if now - began > within * NANOSECONDS:
            return b"", f"the proof is not done within {within:g} s"


def _raise(rule: type[Rule], said: bytes, why: str, place: mmap.mmap) -> NoReturn:
    try:
        told = json.loads(said)
    except ValueError:
        _, now, voice, pitch, kind, _ = WHERE.unpack_from(place)
        check_name, written = json.loads(place[WHERE.size :].split(b"\0")[0] or b'["settings", {}]')
        word = f"given {list(METHODS)[kind].__name__}" if kind < len(METHODS) else "woken or told"
        moment = Circumstances(now, word, voice if voice >= 0 else None, pitch if pitch >= 0 else None)
        raise RuleUnderTest(rule, written, check_name).fault(why, moment) from None
    if "error" in told:
        raise RuntimeError(f"the proof itself failed:\n{told['error']}")
    at = None if told["moment"] is None else Circumstances(**told["moment"])
    fault = RuleFault(rule, told["check"], told["message"], at)
    if told["cause"]:
        fault.add_note(told["cause"])
    raise fault
