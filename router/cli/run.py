"""``router run``: the daemon. It plays until it is stopped.

With a profile, in a terminal, for that profile alone. Without one it is the service of the small PC, as its
configuration says: the profile folder, the control socket, the session logs.
"""

from __future__ import annotations

import argparse
import contextlib
import logging
import os
import platform
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn, TextIO, cast

from router.cli import say
from router.devices.descriptions import TerminalKey
from router.devices.names import as_json
from router.devices.outputs.base import Output
from router.files import configuration, profile
from router.files.plugins import installed

NAME = "run"
HELP = "play: from the movements of a child to music, until it is stopped"
EXAMPLE = "router run wren\n  router run --config /etc/router/router.yaml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "profile",
        metavar="PROFILE",
        nargs="?",
        help="the profile, or the name of a shipped one; without it the configuration says what plays",
    )
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help=f"the configuration of this PC (default: {configuration.PATH})"
    )
    parser.add_argument(
        "--log", type=Path, metavar="OUT.jsonl", help="add what is heard and played to this file, one event a line"
    )
    parser.add_argument("--verbose", action="store_true", help="say every note, too")


def run(args: argparse.Namespace) -> int:
    """Play until a signal comes: 0 if it was told to stop, 130 after Ctrl-C."""
    if args.profile is not None and args.config is not None:
        say("router run: give either a PROFILE or --config FILE", file=sys.stderr)
        return 2
    if platform.system() != "Linux":
        say(
            f"router run needs Linux, and this is {platform.system()}. Here you can check, play and hear profiles: "
            "router check, router play, router demo.",
            file=sys.stderr,
        )
        return 1
    ended_by = _play_profile(args) if args.profile is not None else _serve(args)
    if isinstance(ended_by, int) and not isinstance(ended_by, signal.Signals):
        return ended_by
    return 130 if ended_by is signal.SIGINT else 0


def _play_profile(args: argparse.Namespace) -> signal.Signals | int | None:
    """One profile, in a terminal."""
    loaded = profile.load(profile.find(args.profile))
    if _only_keys(loaded) and not sys.stdin.isatty():
        say(
            f"{loaded.path}: it is played with the terminal's keys alone, and the router does not run in a terminal.\n"
            "Start it in one (over SSH: ssh -t), or give its inputs another device; router devices lists them.",
            file=sys.stderr,
        )
        return 1
    # Here and not above: only Linux has all that these need.
    from router.devices.ports import give_back
    from router.live.daemon import Daemon
    from router.records.session_log import BackgroundLog
    from router.system import clock

    with contextlib.ExitStack() as stack:
        try:
            file = stack.enter_context(args.log.open("a", encoding="utf-8", newline="\n")) if args.log else None
        except OSError as error:
            say(f"router run: {args.log}: {(error.strerror or str(error)).lower()}", file=sys.stderr)
            return 1
        log, _lost = _log(args.verbose, stack)
        stack.callback(give_back)
        record = None
        if file is not None:
            record = BackgroundLog(
                file, clock.now(), lambda error: log.error("log_file_fault", file=file.name, why=str(error.strerror))
            )
            stack.callback(record.close)
        keep = _outliving(stack, log)
        return Daemon({"": loaded}, log, record, keep=keep).run(lambda: _ready(_how_to_play(loaded)))


def _outliving(stack: contextlib.ExitStack, log: Any) -> Callable[[Output], Output]:
    """Return a wrapper of outputs that records which notes are on.

    Another process ends these notes however this one ends: killed, or lost in a rule's C.
    """
    from router.bedside.hush import watched
    from router.bedside.sounding import Sounding

    in_memory = [Path(folder) for folder in (os.environ.get("XDG_RUNTIME_DIR"), "/dev/shm") if folder]  # noqa: S108 - not for long
    folder = next((each for each in in_memory if os.access(each, os.W_OK)), None)
    try:
        file, name = tempfile.mkstemp(".sounding", "router-run-", folder)
        os.close(file)
        stack.callback(Path(name).unlink, missing_ok=True)
        stack.enter_context(watched(Path(name)))
        sounding = Sounding(Path(name))
    except OSError as error:
        log.warning("no_record_of_what_sounds", why=f"a crash may leave a note on: {error}")
        return lambda output: output
    stack.callback(sounding.close)

    def keep(output: Output) -> Output:
        try:
            return sounding.marked(output)
        except OSError as error:
            log.warning(
                "no_record_of_what_sounds", output=output.description, why=f"a crash may leave a note on: {error}"
            )
            return output

    return keep


def _serve(args: argparse.Namespace) -> signal.Signals | int | None:
    """The service of a small PC."""
    path = args.config or configuration.PATH
    if args.log is not None:
        say("router run: --log goes with a PROFILE; the configuration says where records are kept", file=sys.stderr)
        return 2
    if args.config is None and not path.exists():
        say(
            f"router run: say which profile, as in: router run wren\n(There is no {path}, so this PC is not set up to "
            "play by itself. systemd/README.md says how, router demo needs no hardware.)",
            file=sys.stderr,
        )
        return 2
    from router.bedside.configuration_file import settled
    from router.bedside.deaths import Deaths
    from router.bedside.lock import AlreadyRunning, Lock
    from router.bedside.service import Service
    from router.devices.ports import give_back

    with contextlib.ExitStack() as stack:
        log, lost = _log(args.verbose, stack)
        stack.callback(give_back)
        chosen, refused = settled(path, log)
        try:
            stack.callback(Lock(chosen.folders.runtime).close)
        except AlreadyRunning as held:
            say(f"router run: {held}.\nSee it: router status. Stop it: sudo systemctl stop router", file=sys.stderr)
            return 1
        except OSError as error:  # the folder cannot be written: it plays all the same
            log.warning("no_lock", why=str(error))
        signal.signal(signal.SIGTERM, _leave)  # until the loop takes it
        try:
            return Service(chosen, log, refused, lost).run(lambda: _ready(""))
        except (SystemExit, KeyboardInterrupt):  # told to stop before it played: that is no death
            Deaths((chosen.folders.state, chosen.folders.runtime)).ended()
            raise


def _leave(_number: int, _frame: FrameType | None) -> NoReturn:
    sys.exit(0)


def _log(verbose: bool, stack: contextlib.ExitStack) -> tuple[Any, Callable[[], int]]:
    """The daemon's own log, on standard error, written by a thread of its own.

    It counts the lines that are missing.
    """
    from router.records.session_log import BackgroundWriter

    file = _standard_error()
    writer = BackgroundWriter(file, lambda missing: f"({missing} lines did not fit and are missing here)\n")

    def close() -> None:
        if writer.close() and file is not sys.stderr:
            with contextlib.suppress(OSError):  # whoever read it has gone
                file.close()

    stack.callback(close)
    log = _logger(lambda text: writer.put(lambda: text + "\n"), verbose)
    for out in installed().refused:
        log.warning("rule_left_out", origin=out.origin, why=out.why)
    return log, lambda: writer.lost


def _standard_error() -> TextIO:
    """Standard error as a file of its own.

    Python flushes sys.stderr as it ends, and would wait for a thread that waits for its reader.
    """
    try:
        return os.fdopen(os.dup(sys.stderr.fileno()), "w", encoding=sys.stderr.encoding, errors="backslashreplace")
    except (AttributeError, OSError):  # somebody has put another object there
        return sys.stderr


def _ready(how_to_play: str) -> None:
    with contextlib.suppress(OSError):  # whoever started us may listen no more; the music goes on
        if how_to_play:
            say(how_to_play)
        print("ready", flush=True)


def _only_keys(loaded: profile.Profile) -> bool:
    return all(isinstance(device, TerminalKey) for device in loaded.devices.values())


def _how_to_play(loaded: profile.Profile) -> str:
    """One line for whoever plays with the terminal's keys."""
    keys = []
    for name, device in loaded.devices.items():
        if isinstance(device, TerminalKey):
            parts = [part.name for part in loaded.plan.parts if name in part.sources]
            keys.append(f"{device.key} plays {' and '.join(parts)}")
    return f"Keys: {', '.join(keys)}. Ctrl-C stops." if keys else ""


class _Lines:
    """The receiver of structlog's finished lines."""

    def __init__(self, put: Callable[[str], None]) -> None:
        self.debug = self.info = self.warning = self.error = put


def _logger(put: Callable[[str], None], verbose: bool) -> Any:
    """structlog: one line an event; for people on a terminal, as JSON for the journal."""
    import structlog  # slow to load, and only this needs it

    processors: list[Any] = [structlog.processors.add_log_level]
    if sys.stderr.isatty():
        processors += [
            structlog.processors.TimeStamper("%H:%M:%S", utc=False),
            # Its own way to show a fault's trace is handsome and slow.
            structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback),
        ]
    else:
        processors += [
            structlog.processors.TimeStamper("iso"),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(as_json),
        ]
    level = logging.DEBUG if verbose else logging.INFO
    return structlog.wrap_logger(
        cast("Any", _Lines(put)), processors=processors, wrapper_class=structlog.make_filtering_bound_logger(level)
    )
