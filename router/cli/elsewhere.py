"""Judging a file in a process of its own, because a rule of others that it uses may end, hang or fill any process.

    told = judge_elsewhere("router.cli.check:judge_for_another", "wren.yaml", {"shadow": "/etc/router/rules/shadow.py"})

Only a whole verdict that the process says itself counts: one that ends with status 0 and without a word has judged
nothing.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import sys
from collections.abc import Mapping
from math import ceil
from typing import Any

from router.files import trying
from router.system.process_limits import bound

WITHIN = 60.0
"""Seconds of any time, and of the processor's, for a verdict; each rule's trial has its own beside them."""

_CHILD = (
    "import json, sys\n"
    "told = json.load(sys.stdin)\n"
    "sys.path[:] = told['path']\n"
    "from router.cli.elsewhere import child\n"
    "child(told)\n"
)


class NoVerdict(Exception):  # what there is instead of one
    """There is none, and why."""


def possible() -> bool:
    """Tell whether rules of others can be kept out of this process: not on Windows, where no child plays."""
    return hasattr(os, "killpg")


def judge_elsewhere(judge: str, name: str, rules: Mapping[str, str], more: float = 0.0) -> dict[str, Any]:
    """Return what ``judge`` ("module:function") says of the file ``name``, from a process of its own.

    ``rules``: those of others in the file, and where each comes from.

    ``more``: seconds beside the usual ones.

    Raises:
        NoVerdict: the process has said nothing, or not all of it.
    """
    import subprocess  # seldom needed, and not the same on every system

    within = WITHIN + more + len(rules) * trying.SECONDS
    limits = {"PROCESSOR_SECONDS": trying.PROCESSOR_SECONDS, "SECONDS": trying.SECONDS}
    told = {"path": sys.path, "judge": judge, "name": name, "within": ceil(within), "limits": limits}
    said, whose = b"", ", ".join(f'"{rule}" ({origin})' for rule, origin in rules.items())
    try:
        process = subprocess.Popen(  # noqa: S603 - this Python, and a program of ours
            [sys.executable, "-I", "-c", _CHILD],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise NoVerdict(f"no process could be had for the rules of others in it: {why}: {whose}") from error
    try:
        said, _ = process.communicate(json.dumps(told).encode(), timeout=within)
        ended = f"has ended the check (status {process.returncode})"
    except subprocess.TimeoutExpired:
        ended = f"has not come back within {within:g} s"
    finally:
        with contextlib.suppress(OSError):  # whatever it has started goes with it
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
    with contextlib.suppress(ValueError):
        verdict = json.loads(said)
        if isinstance(verdict, dict) and verdict.get("judged") == name:
            return dict(verdict["verdict"])
    raise NoVerdict(f"there is no verdict, because a rule of others {ended}: {whose}")


def child(told: dict[str, Any]) -> None:
    """Bound this process, judge the file, and write the verdict in one piece: the child's whole work."""
    word = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what a rule prints is no verdict
    bound(told["within"], trying.MEMORY)
    for limit, value in told["limits"].items():
        setattr(trying, limit, value)
    module, _, function = told["judge"].partition(":")
    verdict = getattr(importlib.import_module(module), function)(told["name"])
    with open(word, "wb", closefd=False) as file:
        file.write(json.dumps({"judged": told["name"], "verdict": verdict}).encode())
    os._exit(0)  # no thread, exit handler or destructor of the rule's has a word
