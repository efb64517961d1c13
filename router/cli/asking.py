"""Ask the running router: where it listens, how a problem is said, and the commands that send it one request.

``router use``, ``panic``, ``mark`` and ``level`` do nothing else: each answers 0 when it is done, and 1 after saying
why not. ``status`` and ``watch`` ask in the same way.
"""

from __future__ import annotations

import argparse
import json
import platform
import re
import sys
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from router.cli import say
from router.core.units import nearest
from router.files import pseudonym
from router.files.diagnostics import listed, tidy
from router.live.status import SeatStatus

SLOW_DISK = 30.0
"""Seconds for ``use``: a file on a slow USB stick is waited for."""

PANIC = 2.0
"""Seconds for ``panic``; it takes some milliseconds."""

PATIENCE = 5.0
"""Seconds for the others."""

WORDS = """\
baseline          movements make no sound: how often they come anyway
playing           they sound again, and are compared with the baseline
cue               the child is asked, or shown, to play now
record            keep what the sensors say, for router play and router fit
record off        keep it no longer
goal NAME SCORE   how far a goal is reached: -2 to +2, 0 as expected

Every other text is a remark; the report shows it at its moment."""


def add_arguments(parser: argparse.ArgumentParser, *, seat: bool = False) -> None:
    """Declare where to ask, and how to answer."""
    parser.add_argument(
        "--socket",
        type=Path,
        metavar="PATH",
        help="where the router listens (default: the environment variable ROUTER_SOCKET, or /run/router/control)",
    )
    if seat:
        parser.add_argument("--seat", metavar="NAME", help="which seat, where there are several")
    parser.add_argument("--json", action="store_true", help="for a program to read")


def can(args: argparse.Namespace) -> bool:
    """Return True if the router plays on this system; say so if not."""
    if platform.system() == "Linux":
        return True
    say_problem(args, f"the router plays on Linux only, and this is {platform.system()}")
    return False


def ask(args: argparse.Namespace, request: Mapping[str, Any], timeout: float) -> dict[str, Any] | None:
    """The daemon's answer within ``timeout`` seconds, or None after saying why there is none that will do."""
    if not can(args):
        return None
    from router.bedside import control_client  # only Linux has all that it needs
    from router.bedside.control_request import ControlError

    try:
        answer = control_client.ask(args.socket or control_client.default_path(), request, timeout)
    except ControlError as error:
        say_problem(args, str(error))
        return None
    if answer.get("ok") is not True:
        say_problem(args, str(answer.get("problem")))
        return None
    return answer


def seat_field(args: argparse.Namespace) -> dict[str, str]:
    """The seat of a request, if one was named."""
    return {} if args.seat is None else {"seat": args.seat}


def seat_statuses(args: argparse.Namespace, timeout: float) -> dict[str, SeatStatus] | None:
    """The status of the seat that was named, or of all; None after saying why it cannot be known."""
    answer = ask(args, {"do": "status"}, timeout)
    if answer is None:
        return None
    found: dict[str, SeatStatus] = answer["status"]["seats"]
    if args.seat is not None and args.seat not in found:
        say_problem(args, no_such("seat", args.seat, found))
        return None
    return {name: one for name, one in found.items() if args.seat in (None, name)}


def say_problem(args: argparse.Namespace, problem: str) -> None:
    """Say what is wrong: on standard error, or as JSON."""
    if args.json:
        print(json.dumps({"ok": False, "problem": problem}, ensure_ascii=False))
    else:
        say("\n".join(map(tidy, problem.split("\n"))), file=sys.stderr)


def no_such(what: str, name: str, names: Collection[str]) -> str:
    """The message that there is no seat or input of this name, and which there are."""
    near = nearest(name, list(names))
    hint = f' Did you mean "{near}"?' if near else ""
    return f'there is no {what} called "{name}".{hint} There is {listed(names) if names else "none"}.'


class RequestCommand(NamedTuple):
    """A command of this file: what a module is for the others."""

    NAME: str
    HELP: str
    EXAMPLE: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]


# --- router use: play another child's profile from now on; without a child it lists those whose profiles are there ---


def _use_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("child", metavar="CHILD", nargs="?", help="whose profile; without it, whose there are")
    add_arguments(parser, seat=True)


def _use(args: argparse.Namespace) -> int:
    """Swap: the profile is checked first, and if anything is wrong with it, the old one plays on."""
    if args.child is None:
        return _list_children(args)
    answer = ask(args, {"do": "use", "child": args.child, **seat_field(args)}, SLOW_DISK)
    if answer is None:
        return 1
    print(json.dumps(answer) if args.json else f"{answer.get('child', args.child)} plays now")
    return 0


def _list_children(args: argparse.Namespace) -> int:
    seats = seat_statuses(args, SLOW_DISK)
    if seats is None:
        return 1
    if args.json:
        children = {name: {"plays": seat["child"], "children": seat["children"]} for name, seat in seats.items()}
        print(json.dumps(children, ensure_ascii=False))
        return 0
    for name, seat in seats.items():
        if len(seats) > 1:
            say(f"{name}:")
        for child in sorted({*seat["children"], seat["child"]}):
            say(f"{child}  (plays)" if child == seat["child"] else child)
    return 0


# --- router panic: every note off, at every output of the running router, now ---


def _panic(args: argparse.Namespace) -> int:
    answer = ask(args, {"do": "panic"}, PANIC)
    if answer is None:
        say("If anything still sounds: sudo systemctl restart router", file=sys.stderr)
        return 1
    print(json.dumps(answer) if args.json else "every note is off")
    return 0


# --- router mark: a remark into the session log, at this moment; router report shows it where it belongs ---


def _mark_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("text", metavar="TEXT", nargs="+", help="the remark: no names, as the log has none")
    parser.add_argument(
        "--names-nobody", action="store_true", help="write it although it looks like a name, a date or a number"
    )
    add_arguments(parser, seat=True)
    parser.add_argument_group("texts with a meaning", WORDS)


def _mark(args: argparse.Namespace) -> int:
    from router.report.session import goal  # not needed to silence a room

    text = " ".join(args.text)
    sure = args.names_nobody or (sys.stdin.isatty() and _is_meant(text))
    asked = {"do": "mark", "text": text, **({"names_nobody": True} if sure else {}), **seat_field(args)}
    answer = ask(args, asked, PATIENCE)
    if answer is None:
        return 1
    print(json.dumps(answer) if args.json else f"marked: {text}")
    if text.casefold().lstrip().startswith("goal") and goal(text) is None:
        say(
            "This is a remark, and scores no goal. A score: router mark goal reach +1 (from -2 to +2).", file=sys.stderr
        )
    return 0


def _is_meant(text: str) -> bool:
    """Ask at the keyboard about what looks like a name, and return True if it is none."""
    like = pseudonym.in_text(text)
    if like is None:
        return False
    say(f"This remark seems to hold {like}, and what is marked stays in the record.", file=sys.stderr)
    return input("It names nobody, write it [y/N]? ").strip().casefold() in ("y", "yes")


# --- router level: how loud a seat is beside the others, from now on; without a number, how loud each is ---


def _level_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "percent",
        metavar="PERCENT",
        nargs="?",
        type=_percent,
        help="0 (silent) to 100 (as its profile is); without it, how loud each seat is",
    )
    add_arguments(parser, seat=True)


def _level(args: argparse.Namespace) -> int:
    if args.percent is None:
        return _list_levels(args)
    answer = ask(args, {"do": "level", "level": args.percent / 100, **seat_field(args)}, PATIENCE)
    if answer is None:
        return 1
    where = "" if args.seat is None else f"{args.seat} is "
    print(json.dumps(answer) if args.json else f"{where}at {args.percent:g} % now")
    return 0


def _percent(text: str) -> float:
    """0 to 100, with or without the sign."""
    found = re.fullmatch(r"\s*([0-9]{1,3}(\.[0-9]{1,9})?)\s*%?\s*", text)
    if found is None or float(found[1]) > 100:
        raise argparse.ArgumentTypeError(f"a level is a number from 0 to 100, not {text!r}")
    return float(found[1])


def _list_levels(args: argparse.Namespace) -> int:
    seats = seat_statuses(args, PATIENCE)
    if seats is None:
        return 1
    levels = {name: seat["level"] for name, seat in seats.items()}
    if args.json:
        print(json.dumps(levels))
        return 0
    for name, level in levels.items():
        say(f"{name}: {100 * level:.3g} %")
    return 0


COMMANDS = {
    command.NAME: command
    for command in (
        RequestCommand("use", "play another child's profile", "router use wren", _use_arguments, _use),
        RequestCommand("panic", "every note off, now", "router panic", add_arguments, _panic),
        RequestCommand("mark", "write a remark into the session log", 'router mark "smiled"', _mark_arguments, _mark),
        RequestCommand(
            "level", "how loud a seat is beside the others", "router level 70 --seat window", _level_arguments, _level
        ),
    )
}
