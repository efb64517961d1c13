"""The rules that a profile may use: the router's own, those of packages, and those of the administrator's folder.

    installed().rules["shadow"]   a rule by its name; nothing else is imported
    installed().names             names of all rules; of one that is not imported, as far as its file shows them
    installed().left_out          rules that cannot be used, and why; imports everything, as listing all rules does

A package offers a rule through an entry point of the group ``router.rules``; the folder is ``/etc/router/rules``, or
the one that the environment variable ``ROUTER_RULES`` names, and each ``.py`` file in it holds a rule. A rule is code
that may do all that the router may do. So the folder is read only if nobody but the administrator, or the user who runs
the router, can write it, what is in it, or any folder above it.

A faulty rule costs itself only: it is imported when a profile names it and not before, and first in a process of its
own (``router.files.trying``), so that it may hang, end its process or fill the memory. A rule is found by the name of
its entry point, or by a ``name = "..."`` in its file. Of two rules of one name the first stays: the router's own, then
packages in the order of their names, then files in theirs.
"""

from __future__ import annotations

import ast
import os
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from threading import RLock
from types import MappingProxyType
from typing import Any, NamedTuple

from router.core.contract import Rule
from router.core.rules import RULES
from router.core.units import NANOSECONDS
from router.files.declared import fault
from router.files.trying import ImportRefusal, Source, attempt, import_elsewhere, load_file, load_module
from router.system import clock

GROUP = "router.rules"
FOLDER = Path("/etc/router/rules")
VARIABLE = "ROUTER_RULES"

REST = 10 * NANOSECONDS
"""Nanoseconds between two trials of a rule that ran out of time, or got no process; however many profiles name it."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A plug-in that cannot be used: where it comes from, the names a profile might call it by, and why not.

    ``may_pass``: it may be usable when it is tried again.
    """

    origin: str
    names: tuple[str, ...]
    why: str
    may_pass: bool = False

    def __str__(self) -> str:
        return f"{self.origin}: left out, because {self.why}"


class Plugin(NamedTuple):
    """A source that may hold rules: its origin, the names a profile might use, and why it must not be imported."""

    origin: str
    called: str
    names: frozenset[str]
    source: Source
    why: str | None = None


class Installed:
    """All rules that a profile may use. The methods may be called from any thread."""

    def __init__(self, candidates: Iterable[Plugin]) -> None:
        self._lock = RLock()
        self._waiting = list[Plugin]()
        self._too_slow = list[Plugin]()  # of those that are left out, what may be tried again
        self._rest_until = 0
        self._rules = dict[str, type[Rule]](RULES)
        self._origins = dict[str, str]()
        self._left_out = list[LeftOut]()
        self._sources = dict[str, Source]()
        self._kept_out: dict[str, str] | None = None
        for candidate in candidates:
            if candidate.why is None:
                self._waiting.append(candidate)
            else:
                self._leave_out(candidate, candidate.why)

    @property
    def rules(self) -> Mapping[str, type[Rule]]:
        """Every rule, by name, the router's own first. Asking for a rule imports it; listing imports all."""
        return _Rules(self)

    @property
    def names(self) -> list[str]:
        """The names of the rules, the router's own first, without importing any."""
        with self._lock:
            return list(dict.fromkeys([*self._rules, *(name for one in self._waiting for name in sorted(one.names))]))

    @property
    def imported(self) -> Mapping[str, type[Rule]]:
        """The router's own rules, and those that somebody has asked for."""
        with self._lock:
            return dict(self._rules)

    @property
    def refused(self) -> tuple[LeftOut, ...]:
        """Rules left out so far, without importing anything more."""
        with self._lock:
            return tuple(self._left_out)

    @property
    def origins(self) -> Mapping[str, str]:
        """The origin of each rule that is not the router's own; imports all."""
        self.import_all()
        return MappingProxyType(self._origins)

    @property
    def left_out(self) -> tuple[LeftOut, ...]:
        """Rules that were found and cannot be used, and why; imports all."""
        self.import_all()
        return self.refused

    def find(self, name: str) -> type[Rule] | None:
        """The rule of this name, imported if it was not yet; None if there is none that can be used."""
        with self._lock:
            for candidate in [one for one in self._waiting if name in one.names]:
                if self._kept_out is not None:
                    self._kept_out[name] = candidate.origin
                elif name not in self._rules:
                    self._import(candidate)
            return self._rules.get(name)

    def origin(self, name: str) -> str:
        """Where a rule that is imported comes from; empty for the router's own."""
        return self._origins.get(name, "")

    def source(self, name: str) -> Source | None:
        """The file or module of a rule that is imported and not the router's own."""
        return self._sources.get(name)

    def why_not(self, name: str) -> str:
        """Why a rule of this name was left out, as a sentence; empty if none was."""
        self.find(name)
        return next((f"{out}." for out in self.refused if name in out.names), "")

    def may_pass(self, name: str) -> bool:
        """Tell whether a rule of this name was left out only because the PC was too busy."""
        return any(out.may_pass for out in self.refused if name in out.names)

    def try_again(self, now: int) -> None:
        """Let rules left out as in ``may_pass`` be imported when next asked for, unless they were tried just now."""
        with self._lock:
            if not self._too_slow or now < self._rest_until:
                return
            self._left_out = [out for out in self._left_out if not out.may_pass]
            self._waiting += self._too_slow
            self._too_slow = []

    @contextmanager
    def kept_out(self) -> Iterator[Mapping[str, str]]:
        """Import nothing meanwhile; give the rules that would have been imported, by name, with their origins."""
        with self._lock:  # for its whole length: another thread would be told that a rule is not there
            before, self._kept_out = self._kept_out, {}
            try:
                yield self._kept_out
            finally:
                self._kept_out = before

    def import_all(self) -> None:
        """Import what nobody has asked for yet."""
        with self._lock:
            if self._kept_out is not None:
                self._kept_out.update({one.called: one.origin for one in self._waiting})
            while self._waiting and self._kept_out is None:
                self._import(self._waiting[0])

    def _import(self, candidate: Plugin) -> None:
        self._waiting.remove(candidate)
        found, refusal = _imported(candidate.source)
        if refusal is not None:
            self._leave_out(candidate, refusal.why, may_pass=refusal.may_pass)
            if refusal.may_pass:
                self._too_slow.append(candidate)
                self._rest_until = clock.now() + REST
        for thing in found:
            name = getattr(thing, "name", candidate.called)
            wrong = fault(thing)
            if wrong is None and name in self._rules:
                wrong = f'there is a rule "{name}" already, {_whose(self._origins.get(name))}'
            if wrong is not None:
                self._leave_out(candidate, wrong, str(name))
                continue
            self._rules[name] = thing
            self._origins[name] = candidate.origin
            self._sources[name] = candidate.source

    def _leave_out(self, candidate: Plugin, why: str, name: str | None = None, *, may_pass: bool = False) -> None:
        names = [candidate.called, *sorted(candidate.names)] if name is None else [candidate.called, name]
        self._left_out.append(LeftOut(candidate.origin, tuple(dict.fromkeys(names)), why, may_pass))


class _Rules(Mapping[str, type[Rule]]):
    """All rules, imported as late as can be."""

    def __init__(self, installed: Installed) -> None:
        self._installed = installed

    def __getitem__(self, name: str) -> type[Rule]:
        if (rule := self._installed.find(name)) is None:
            raise KeyError(name)
        return rule

    def __iter__(self) -> Iterator[str]:
        self._installed.import_all()
        return iter(self._installed.imported)

    def __len__(self) -> int:
        return len(list(iter(self)))


def installed() -> Installed:
    """All rules there are. Packages and folder are looked through once; the router must be restarted to look again.

    Only a rule for which the PC was too slow is tried again (``Installed.try_again``).
    """
    return _installed(os.environ.get(VARIABLE))


@lru_cache(maxsize=8)
def _installed(chosen: str | None) -> Installed:
    return Installed(_candidates(chosen))


def _whose(origin: str | None) -> str:
    return "the router's own" if origin is None else f"of {origin}"


def _candidates(chosen: str | None) -> Iterator[Plugin]:
    points = metadata.entry_points(group=GROUP)
    for point in sorted(points, key=lambda point: (point.dist.name if point.dist else "", point.name)):
        origin = f"package {point.dist.name} {point.dist.version}" if point.dist else point.value
        yield Plugin(
            origin, point.name, frozenset({point.name}), Source(module=point.module, attribute=point.attr or "")
        )
    if chosen != "":
        yield from _in_folder(Path(chosen or FOLDER).absolute(), named=chosen is not None)


def _imported(source: Source) -> tuple[list[Any], ImportRefusal | None]:
    """Import a source's rules, after a trial in another process; return them, or why they cannot be imported."""
    if refusal := import_elsewhere(source):
        return [], refusal
    if not source.file:
        thing, why = attempt(lambda: load_module(source.module, source.attribute))
        return ([thing], None) if why is None else ([], ImportRefusal(why))
    module, why = attempt(lambda: load_file(Path(source.file)))
    if why is not None:
        return [], ImportRefusal(why)
    mine = [thing for thing in vars(module).values() if getattr(thing, "__module__", "") == module.__name__]
    rules = [thing for thing in mine if isinstance(thing, type) and issubclass(thing, Rule) and "name" in vars(thing)]
    none = ImportRefusal("there is no rule in it: a class made from router.rule.Rule that has a name")
    return rules, None if rules else none


# --- the folder -------------------------------------------------------------------------------------------------


def _in_folder(folder: Path, *, named: bool) -> Iterator[Plugin]:
    def refused(why: str) -> Plugin:
        return Plugin(str(folder), "", frozenset(), Source(), why)

    try:
        if not folder.is_dir():
            if named:
                yield refused(f"there is no such folder ({VARIABLE} names it)")
            return
        if why := others_can_write(folder):
            yield refused(why)
            return
        files = sorted(path for path in folder.glob("*.py") if not path.name.startswith(("_", ".")))
    except OSError as error:
        yield refused(f"it cannot be read: {(error.strerror or str(error)).lower()}")
        return
    for path in files:
        why = None
        names = {path.stem}
        try:
            why = others_can_write(path)
            if why is None:
                names |= _names_in(path.read_bytes())
        except OSError as error:
            why = f"it cannot be read: {(error.strerror or str(error)).lower()}"
        yield Plugin(str(path), path.stem, frozenset(names), Source(file=str(path)), why)


def _names_in(text: bytes) -> set[str]:
    """The names of the rules in a file, as far as can be seen without running it."""
    try:
        whole = ast.parse(text)
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return set()
    lines = [line for one in ast.walk(whole) if isinstance(one, ast.ClassDef) for line in one.body]
    values = [
        line.value
        for line in lines
        if (isinstance(line, ast.Assign) and any(isinstance(to, ast.Name) and to.id == "name" for to in line.targets))
        or (isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name) and line.target.id == "name")
    ]
    return {value.value for value in values if isinstance(value, ast.Constant) and isinstance(value.value, str)}


def others_can_write(path: Path) -> str | None:
    """Say who else could change the file or folder at a path, and how to prevent it; None if nobody could."""
    if not hasattr(os, "geteuid"):
        return "on this system it cannot be told who may write it; install rules as packages instead"
    whole = path.resolve(strict=True)
    for there in dict.fromkeys((path, whole, *path.parents, *whole.parents)):
        about = there.lstat()
        if about.st_uid not in (0, os.geteuid()):
            return (
                f"{there} belongs to {_user(about.st_uid)}, not to the administrator; as administrator: chown root"
                f" {there}"
            )
        mode = about.st_mode
        if stat.S_ISLNK(mode):
            continue  # everybody can "write" a link; who can put another in its place is seen from its folder
        if mode & stat.S_ISVTX and there not in (path, whole):
            continue  # such as /tmp: all may add to it, and nobody can touch what is another's
        if mode & (stat.S_IWGRP | stat.S_IWOTH):
            who = "everybody" if mode & stat.S_IWOTH else "a whole group of users"
            return f"{who} can write {there}; as administrator: chmod go-w {there}"
    return None


def _user(number: int) -> str:
    import pwd  # noqa: PLC0415 - not on every system, and seldom needed

    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"user {number}"
