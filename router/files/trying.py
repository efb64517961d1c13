"""Importing a rule of others first in a process of its own, which it may hang, end or fill without any harm.

    tried = import_elsewhere(Source(file="/etc/router/rules/shadow.py"))
    tried is None or it says why the rule must not be imported here, and whether that may pass

The child process has a limit of processor time, of memory and of elapsed time. Only its word through a pipe counts: a
child that ends with status 0 and without a word has not imported anything.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from router.core.units import NANOSECONDS
from router.system import clock
from router.system.process_limits import bound

PROCESSOR_SECONDS = 20
"""Limit of processor time, with the interpreter's start.

A good rule takes 0.1 s here; on an emulated PC it took 2 s, and was refused."""

SECONDS = 30.0
"""Limit of elapsed time: a small PC that has just been switched on reads its disk meanwhile."""

MEMORY = 192 * 1024 * 1024
"""Bytes of memory; the service as a whole has 512 MiB."""

WORD = 4096
"""Bytes at most of what the child says."""

MODULES = "router_rules_folder"
"""The package in which the files of the folder seem to stand."""

_CHILD = (
    "import json, sys\n"
    "told = json.load(sys.stdin)\n"
    "sys.path[:] = told['path']\n"
    "from router.files.trying import child\n"
    "child(told)\n"
)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a rule comes from: a file, or a module and the name in it (as an entry point says)."""

    file: str = ""
    module: str = ""
    attribute: str = ""


@dataclass(frozen=True, slots=True)
class ImportRefusal:
    """Why a source must not be imported here. ``may_pass``: a PC that is less busy may say something else."""

    why: str
    may_pass: bool = False


def load_file(path: Path) -> ModuleType:
    """The file as a module; not through Python's own import, which trusts what it once compiled and stored."""
    module = ModuleType(f"{MODULES}.{path.stem}")
    module.__file__ = str(path)
    code = compile(path.read_bytes(), str(path), "exec", dont_inherit=True)
    sys.modules[module.__name__] = module  # the manual is looked for by the module's name
    exec(code, module.__dict__)  # noqa: S102 - whoever calls it has made sure that only the administrator can have written it
    return module


def load_module(name: str, attribute: str) -> Any:
    """Import the object that an entry point names."""
    thing: Any = importlib.import_module(name)
    for part in filter(None, attribute.split(".")):
        thing = getattr(thing, part)
    return thing


def attempt(load: Callable[[], Any]) -> tuple[Any, str | None]:
    """Call ``load``; return its result and None, or None and why it failed."""
    try:
        return load(), None
    except SyntaxError as error:
        return None, f"it cannot be read: line {error.lineno}: {error.msg}"
    except OSError as error:
        return None, f"it cannot be read: {(error.strerror or str(error)).lower()}"
    except MemoryError:
        return None, f"importing it takes more than {MEMORY // 1024**2} MB of memory"
    except (Exception, SystemExit) as error:  # noqa: BLE001 - it is somebody else's file, and anything may be in it
        return None, f"it cannot be imported: {type(error).__name__}: {error}"


_busy_until = 0


def busy_until() -> int:
    """The latest end of the trial that runs, or the end of the last one, in nanoseconds of ``clock.now``."""
    return _busy_until


def import_elsewhere(source: Source) -> ImportRefusal | None:
    """Try the import in a process of its own; return why the source cannot be imported, or None if it can."""
    global _busy_until  # noqa: PLW0603 - whoever waits for the thread that is here asks from another
    _busy_until = clock.now() + int(SECONDS * NANOSECONDS)
    try:
        return _tried(source)
    finally:
        _busy_until = clock.now()


def _tried(source: Source) -> ImportRefusal | None:
    import subprocess  # noqa: PLC0415 - seldom needed

    if not hasattr(os, "killpg"):  # on Windows profiles are only checked and tried; the service does not run there
        return None
    reading, writing = os.pipe()
    with open(reading, "rb") as word:  # noqa: PTH123 - a descriptor
        try:
            process = subprocess.Popen(  # noqa: S603 - this Python, and a program of ours
                [sys.executable, "-I", "-c", _CHILD],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=(writing,),
                start_new_session=True,
            )
        except OSError as error:
            why = f"no process could be had to try it in: {(error.strerror or str(error)).lower()}"
            return ImportRefusal(why, may_pass=True)
        finally:
            os.close(writing)
        limits = {"seconds": PROCESSOR_SECONDS, "memory": MEMORY}
        told = json.dumps({"path": sys.path, "to": writing, **limits, **asdict(source)}).encode()
        try:
            process.communicate(told, timeout=SECONDS)
        except subprocess.TimeoutExpired:
            return ImportRefusal(f"importing it does not come back within {SECONDS:g} s", may_pass=True)
        finally:
            with contextlib.suppress(OSError):  # whatever it has started goes with it
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        said = word.read(WORD).decode("utf-8", "replace")
    if process.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
        why = f"importing it does not come back within {PROCESSOR_SECONDS} s of the processor's time"
        return ImportRefusal(why, may_pass=True)
    if not said.endswith("\n"):
        return ImportRefusal(f"importing it ends the whole program (status {process.returncode})")
    return ImportRefusal(why) if (why := said.strip()) else None


def child(told: dict[str, Any]) -> None:
    """Run in the child process: set its limits, import, and write one line saying why it failed; empty: it did not."""
    bound(told["seconds"], told["memory"])
    importlib.import_module("router.core.contract")  # ours, so that its memory and time are not the rule's
    source = Source(told["file"], told["module"], told["attribute"])
    _, why = attempt(
        (lambda: load_file(Path(source.file))) if source.file else lambda: load_module(source.module, source.attribute)
    )
    os.write(told["to"], " ".join((why or "").split())[: WORD // 4].encode("utf-8", "replace") + b"\n")
    os._exit(0)  # no thread, exit handler or destructor of the rule's has a word
