"""The rules that a profile may use: the router's own, those of installed packages, and those of the administrator's folder.

    installed().rules      every rule, by name, the router's own first
    installed().origins    where each rule comes from that is not the router's own
    installed().left_out   what was found and cannot be used, and why

A package offers a rule through an entry point of the group ``router.rules``; the folder is ``/etc/router/rules``, or what
the environment variable ``ROUTER_RULES`` names, and each ``.py`` file in it holds a rule. A rule is code that runs with all
that the router may do. So the folder is read only if nobody but the administrator, or whoever runs the router, can
write it, what is in it, or any folder above it.

Whatever is wrong with one costs that one only. Of two rules of one name the first stays: the router's own, then
packages in the order of their names, then files in theirs.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import Any

from router.profile.declared import fault
from router.rules import RULES
from router.rules.base import Rule

GROUP = "router.rules"
FOLDER = Path("/etc/router/rules")
VARIABLE = "ROUTER_RULES"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A plug-in that cannot be used: where it comes from, the names a profile might call it by, and why not."""

    origin: str
    names: tuple[str, ...]
    why: str

    def __str__(self) -> str:
        return f"{self.origin}: left out, because {self.why}"


@dataclass(frozen=True, eq=False)
class Installed:
    """See the module's docstring. It is compared by identity: nothing in it changes."""

    rules: Mapping[str, type[Rule]]
    origins: Mapping[str, str]
    left_out: tuple[LeftOut, ...]

    def why_not(self, name: str) -> str:
        """Why a rule of this name was left out, as a sentence; empty if none was."""
        return next((f"{out}." for out in self.left_out if name in out.names), "")


def installed() -> Installed:
    """All rules there are. Packages and folder are looked through once; the router must be started anew to look again."""
    return _installed(os.environ.get(VARIABLE))


@lru_cache(maxsize=8)
def _installed(chosen: str | None) -> Installed:
    rules, origins, left_out = dict(RULES), dict[str, str](), list[LeftOut]()
    for origin, called, thing in _found(chosen):
        why = thing.why if isinstance(thing, _Broken) else fault(thing)
        if why is None and (name := thing.name) in rules:
            why = f'there is a rule "{name}" already, {_whose(origins.get(name))}'
        if why is not None:
            names = dict.fromkeys((called, str(getattr(thing, "name", called))))
            left_out.append(LeftOut(origin, tuple(names), why))
            continue
        rules[thing.name] = thing
        origins[thing.name] = origin
    return Installed(MappingProxyType(rules), MappingProxyType(origins), tuple(left_out))


@dataclass(frozen=True, slots=True)
class _Broken:
    why: str


def _whose(origin: str | None) -> str:
    return "the router's own" if origin is None else f"of {origin}"


def _found(chosen: str | None) -> Iterator[tuple[str, str, Any]]:
    """Where it comes from, what it is called there, and the rule itself or what is broken."""
    points = metadata.entry_points(group=GROUP)
    for point in sorted(points, key=lambda point: (point.dist.name if point.dist else "", point.name)):
        origin = f"package {point.dist.name} {point.dist.version}" if point.dist else point.value
        yield origin, point.name, _loaded(point)
    if chosen != "":
        yield from _in_folder(Path(chosen or FOLDER).absolute(), named=chosen is not None)


def _loaded(point: metadata.EntryPoint) -> Any:
    try:
        return point.load()
    except (Exception, SystemExit) as error:  # noqa: BLE001 - it is somebody else's file, and anything may be in it
        return _Broken(_why(error))


def _why(error: BaseException) -> str:
    if isinstance(error, SyntaxError):
        return f"it cannot be read: line {error.lineno}: {error.msg}"
    return f"it cannot be imported: {type(error).__name__}: {error}"


# --- the folder -------------------------------------------------------------------------------------------------


def _in_folder(folder: Path, *, named: bool) -> Iterator[tuple[str, str, Any]]:
    try:
        if not folder.is_dir():
            if named:
                yield str(folder), "", _Broken(f"there is no such folder ({VARIABLE} names it)")
            return
        if why := _others_can_write(folder):
            yield str(folder), "", _Broken(why)
            return
        files = sorted(path for path in folder.glob("*.py") if not path.name.startswith(("_", ".")))
    except OSError as error:
        yield str(folder), "", _Broken(f"it cannot be read: {(error.strerror or str(error)).lower()}")
        return
    for path in files:
        for thing in _in_file(path):
            yield str(path), path.stem, thing


def _in_file(path: Path) -> list[Any]:
    """The rules that a file defines; not read through Python's own import, which trusts what it once compiled and stored."""
    module = ModuleType(f"router_rules_folder.{path.stem}")
    module.__file__ = str(path)
    try:
        if why := _others_can_write(path):
            return [_Broken(why)]
        code = compile(path.read_bytes(), str(path), "exec", dont_inherit=True)
        sys.modules[module.__name__] = module  # the manual is looked for by the module's name
        exec(code, module.__dict__)  # noqa: S102 - only the administrator can have written it: that was just made sure of
    except OSError as error:
        return [_Broken(f"it cannot be read: {(error.strerror or str(error)).lower()}")]
    except (Exception, SystemExit) as error:  # noqa: BLE001 - as in _loaded
        return [_Broken(_why(error))]
    mine = [thing for thing in vars(module).values() if getattr(thing, "__module__", "") == module.__name__]
    rules = [thing for thing in mine if isinstance(thing, type) and issubclass(thing, Rule) and "name" in vars(thing)]
    return rules or [_Broken("there is no rule in it: a class made from router.rules.base.Rule that has a name")]


def _others_can_write(path: Path) -> str | None:
    """Who else could change what stands at a path, and what to do about it; None if nobody could."""
    if not hasattr(os, "geteuid"):
        return "on this system it cannot be told who may write it; install rules as packages instead"
    whole = path.resolve(strict=True)
    for there in dict.fromkeys((path, whole, *path.parents, *whole.parents)):
        about = there.lstat()
        if about.st_uid not in (0, os.geteuid()):
            return f"{there} belongs to {_user(about.st_uid)}, not to the administrator; as administrator: chown root {there}"
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
