"""Ask the running daemon: where it listens, and how a problem is said; shared by the commands."""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from router.cli import say
from router.core.units import nearest
from router.files.diagnostics import listed, tidy
from router.live.status import SeatStatus


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
    refused(args, f"the router plays on Linux only, and this is {platform.system()}")
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
        refused(args, str(error))
        return None
    if answer.get("ok") is not True:
        refused(args, str(answer.get("problem")))
        return None
    return answer


def seat(args: argparse.Namespace) -> dict[str, str]:
    """The seat of a request, if one was named."""
    return {} if args.seat is None else {"seat": args.seat}


def seats(args: argparse.Namespace, timeout: float) -> dict[str, SeatStatus] | None:
    """The status of the seat that was named, or of all; None after saying why it cannot be known."""
    answer = ask(args, {"do": "status"}, timeout)
    if answer is None:
        return None
    found: dict[str, SeatStatus] = answer["status"]["seats"]
    if args.seat is not None and args.seat not in found:
        refused(args, unknown("seat", args.seat, found))
        return None
    return {name: one for name, one in found.items() if args.seat in (None, name)}


def refused(args: argparse.Namespace, problem: str) -> None:
    """Say what is wrong: on standard error, or as JSON."""
    if args.json:
        print(json.dumps({"ok": False, "problem": problem}, ensure_ascii=False))
    else:
        say("\n".join(map(tidy, problem.split("\n"))), file=sys.stderr)


def unknown(what: str, name: str, names: Collection[str]) -> str:
    """The message that there is no seat or input of this name, and which there are."""
    near = nearest(name, list(names))
    hint = f' Did you mean "{near}"?' if near else ""
    return f'there is no {what} called "{name}".{hint} There is {listed(names) if names else "none"}.'
