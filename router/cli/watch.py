"""``router watch``: live meters of what the running router hears, with thresholds, zones, rest levels and presses.

It goes on when the router is started again. Where there is no terminal that can draw, it writes one line a second. With
``--trace`` a recording is shown in the same way, at the pace at which it came, and no router is needed.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from rich.console import Console
from rich.text import Text

from router.cli import asking
from router.cli.meters import StripChart, block
from router.cli.screen import Screen, Signs, drawable, keys_at_once, signs_for
from router.core.engine import Engine
from router.core.events import Mark, Sample
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.devices.names import as_json
from router.files import profile
from router.files.diagnostics import tidy
from router.files.profile import Profile
from router.live.status import SeatStatus, value_in_words
from router.live.watching import Happened, InputFrame, SeatFrame, Watching
from router.offline.player import steps
from router.records import trace

if TYPE_CHECKING:
    from router.bedside.control_client import Connection

NAME = "watch"
HELP = "live meters of what the running router hears"
EXAMPLE = "router watch cheek"

PATIENCE = 2.0
"""Seconds for an answer; keys wait meanwhile."""
RETRY = NANOSECONDS // 2
"""Between two attempts to reach a router that is away."""
SILENT = 2 * NANOSECONDS
"""Nanoseconds without a frame until that is said; 25 a second should come."""
EACH = NANOSECONDS // 25
"""From one frame of a recording to the next."""
RECORDING = "recording"
"""The name that stands in the place of a seat's."""
ENDS = (b"q", b"Q", b"\x03", b"\x04")
"""Keys that end it."""

Frame = dict[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("input", metavar="INPUT", nargs="?", help="only this input (default: all)")
    parser.add_argument("--plain", action="store_true", help="one line a second, as where there is no terminal")
    asking.add_arguments(parser, seat=True)
    recorded = parser.add_argument_group("a recording in place of the running router")
    recorded.add_argument("--trace", metavar="TRACE", help="show this recording, at the pace at which it came")
    recorded.add_argument("--profile", metavar="FILE", help="the profile that hears it, or the name of a shipped one")


def run(args: argparse.Namespace) -> int:
    """Show until q or Ctrl-C, a recording until its end: 0, or 1 if there is nothing to show."""
    if (args.trace is None) is not (args.profile is None) or (args.trace and args.seat):
        print("router watch: --trace and --profile go together, and without --seat", file=sys.stderr)
        return 2
    try:
        return _recorded(args) if args.trace else _live(args)
    except trace.TraceError as error:
        asking.say_problem(args, str(error))
    except OSError as error:
        if error.filename != args.trace or error.strerror is None:
            raise
        asking.say_problem(args, f"{error.filename}: {error.strerror.lower()}")
    return 1


def _live(args: argparse.Namespace) -> int:
    answer = asking.ask(args, {"do": "status"}, PATIENCE)
    if answer is None:
        return 1
    problem = _not_there(args, answer["status"]["seats"])
    if problem:
        asking.say_problem(args, problem)
        return 1
    _show(args, None)
    return 0


def _recorded(args: argparse.Namespace) -> int:
    loaded = profile.load(profile.find(args.profile))
    if args.input is not None and args.input not in loaded.types:
        asking.say_problem(args, asking.no_such("input", args.input, loaded.types))
        return 1
    if not asking.can(args):
        return 1
    with Path(args.trace).open("rb") as file:
        _show(args, frames(loaded, trace.Trace(file, args.trace, loaded.types), args.input))
    return 0


def frames(loaded: Profile, samples: Iterable[Stamped], name: str | None = None) -> Iterator[Frame]:
    """Yield what a router that plays this profile would have shown of these samples, 25 times a second.

    ``name``: only of this input.
    """
    watching = Watching()
    told: list[tuple[int, str, dict[str, Any]]] = []
    engine = Engine(loaded.plan, lambda *happened: told.append(happened))
    watching.plays(loaded, engine.inputs)
    last: dict[str, tuple[int, Sample]] = {}
    at = EACH

    def until(when: int) -> Iterator[Frame]:
        nonlocal at
        while at <= when:
            shown = watching.frame(at, last)
            shown["inputs"] = {each: heard for each, heard in shown["inputs"].items() if name in (None, each)}
            yield {"frame": at / NANOSECONDS, "seats": {RECORDING: shown}}
            at += EACH

    for now, sample, _messages in steps(engine, samples, 0):
        for (
            when,
            event,
            fields,
        ) in told:  # after the frames before it: in a long silence nothing is lost to a gap in them
            yield from until(when - 1)
            watching.event(when, event, fields)
        told.clear()
        yield from until(now)
        if sample is not None and not isinstance(sample, Mark):
            last[sample.input] = now, sample
            watching.sample(sample, now)


def _show(args: argparse.Namespace, recorded: Iterator[Frame] | None) -> None:
    """On the terminal, or in lines: a recording, or what the router sends."""
    console = Console(highlight=False)
    with ExitStack() as stack:
        view: View
        keys: int | None = None
        if args.json:
            view = Documents()
        elif args.plain or not drawable(console):
            view = WatchLines()
        else:
            view = Pictures(stack.enter_context(Screen(console)), signs_for(console.encoding))
            if sys.stdin.isatty():
                keys = stack.enter_context(keys_at_once())
        shows = _Watch(args, view, keys) if recorded is None else _Replay(recorded, view, keys)
        shows.run()


def _not_there(args: argparse.Namespace, seats: Mapping[str, SeatStatus]) -> str:
    """Say what was asked for and is not there; "" if all is."""
    if args.seat is not None and args.seat not in seats:
        return asking.no_such("seat", args.seat, seats)
    inputs = [name for seat, plays in seats.items() if args.seat in (None, seat) for name in plays["inputs"]]
    if args.input is not None and args.input not in inputs:
        return asking.no_such("input", args.input, dict.fromkeys(inputs))
    return ""


class View(Protocol):
    """Shows frames as they come."""

    def frame(self, frame: Frame) -> None:
        """A frame has come."""

    def away(self, why: str) -> None:
        """No frames come."""


class _Shows:
    """A loop with the keyboard, until a key ends it. Subclasses say what else happens, and when."""

    def __init__(self, view: View, keys_at_once: int | None) -> None:
        from router.system.loop import Loop  # only Linux has all that it needs

        self._view, self._keyboard = view, keys_at_once
        self._at: int | None = 0
        """When ``_due`` is to be called next; None: never more."""
        self._fault: Exception | None = None
        self._loop = Loop(self._failed)

    def run(self) -> None:
        """Until a key or a signal ends it, or whoever reads it has gone."""
        try:
            with self._loop.stopped_by((signal.SIGINT, signal.SIGTERM, signal.SIGHUP)):
                if self._keyboard is not None:
                    self._loop.watch(self._keyboard, self._typed)
                self._loop.run(lambda: self._at, self._wake)
        finally:
            self._close()
            self._loop.close()
        if self._fault is not None:
            raise self._fault

    def _due(self, now: int) -> None:
        raise NotImplementedError

    def _close(self) -> None:
        """Give back what was taken."""

    def _wake(self, now: int) -> None:
        if self._at is not None and now >= self._at:
            self._due(now)

    def _typed(self) -> None:
        assert self._keyboard is not None  # it is watched
        typed = os.read(self._keyboard, 64)
        if not typed or any(key in typed for key in ENDS):
            self._loop.stop()

    def _failed(self, error: Exception) -> None:
        self._fault = error
        self._loop.stop()


class _Replay(_Shows):
    """A recording. At its end its last picture stays for whoever can end it with a key."""

    def __init__(self, recorded: Iterator[Frame], view: View, keys_at_once: int | None) -> None:
        super().__init__(view, keys_at_once)
        self._recorded = recorded
        self._begun: int | None = None

    def _due(self, now: int) -> None:
        frame = next(self._recorded, None)
        if frame is None:
            self._at = None
            if self._keyboard is None:
                self._loop.stop()
            else:
                self._view.away("that was all")
            return
        at = round(frame["frame"] * NANOSECONDS)
        self._begun = now - at if self._begun is None else self._begun
        self._view.frame(frame)
        self._at = self._begun + at + EACH


class _Watch(_Shows):
    """The line to the router, which is made anew when it breaks."""

    def __init__(self, args: argparse.Namespace, view: View, keys_at_once: int | None) -> None:
        super().__init__(view, keys_at_once)
        self._args = args
        self._connection: Connection | None = None

    def _due(self, now: int) -> None:
        """Call, or say that nothing comes."""
        self._at = now + SILENT
        if self._connection is None:
            self._call(now)
        else:
            self._view.away("the router says nothing")

    def _call(self, now: int) -> None:
        from router.bedside import control_client
        from router.bedside.control_request import ControlError

        args = self._args
        request: dict[str, Any] = {"do": "watch"} | ({} if args.input is None else {"inputs": [args.input]})
        try:
            self._connection = control_client.Connection(args.socket or control_client.default_path(), PATIENCE)
            self._connection.send(request)
            self._take(self._connection.receive(PATIENCE))
            self._loop.watch(self._connection.fileno(), self._arrived)
        except ControlError as error:
            self._lose(error, now)

    def _arrived(self) -> None:
        from router.bedside.control_request import ControlError
        from router.system import clock

        assert self._connection is not None  # it is watched
        self._at = clock.now() + SILENT
        try:
            for document in self._connection.arrived():
                self._take(document)
        except ControlError as error:
            self._lose(error, clock.now())

    def _take(self, document: dict[str, Any]) -> None:
        from router.bedside.control_request import ControlError

        if document.get("ok") is False:
            raise ControlError(str(document.get("problem")))
        if "frame" in document:
            self._view.frame(_wanted(document, self._args.seat))

    def _lose(self, error: Exception, now: int) -> None:
        self._close()
        self._view.away(str(error).partition("\n")[0])
        self._at = now + RETRY

    def _close(self) -> None:
        if self._connection is not None:
            self._loop.unwatch(self._connection.fileno())
            self._connection.close()
            self._connection = None


def _wanted(frame: Frame, seat: str | None) -> Frame:
    return {**frame, "seats": {name: shown for name, shown in frame["seats"].items() if seat in (None, name)}}


# --- for programs and files -------------------------------------------------------------------------------------


class Documents:
    """Each frame as it comes, one a line."""

    def frame(self, frame: Frame) -> None:
        print(as_json(frame), flush=True)

    def away(self, why: str) -> None:
        print(tidy(why), file=sys.stderr, flush=True)


class WatchLines:
    """One line a second: each input as it is, its extremes in this second, and how often it was pressed in it."""

    def __init__(self) -> None:
        self._second: int | None = None
        self._extremes: dict[tuple[str, str], tuple[float, float]] = {}
        self._presses: dict[tuple[str, str], int] = {}
        self._away = ""

    def frame(self, frame: Frame) -> None:
        self._away = ""
        for seat, shown in frame["seats"].items():
            for name, heard in shown["inputs"].items():
                if heard["type"] == "pressure" and "low" in heard:
                    low, high = self._extremes.get((seat, name), (heard["low"], heard["high"]))
                    self._extremes[seat, name] = (min(low, heard["low"]), max(high, heard["high"]))
        second = int(frame["frame"])
        if second != self._second:
            if self._second is not None:
                said = [self._said(seat, shown) for seat, shown in frame["seats"].items()]
                print(time.strftime("%H:%M:%S"), "; ".join(said), flush=True)
                self._extremes.clear()
            self._second = second
            self._presses = {
                (seat, name): heard["presses"]
                for seat, shown in frame["seats"].items()
                for name, heard in shown["inputs"].items()
            }

    def away(self, why: str) -> None:
        if why != self._away:  # said once
            self._away = why
            print(time.strftime("%H:%M:%S"), f"no news: {tidy(why)}", flush=True)

    def _said(self, seat: str, shown: SeatFrame) -> str:
        inputs = [self._input(seat, name, heard) for name, heard in shown["inputs"].items()]
        return f"{seat} {shown['child']}: {', '.join(inputs) or 'nothing called that here'}"

    def _input(self, seat: str, name: str, heard: InputFrame) -> str:
        if not heard["there"]:
            return f"{name} missing"
        said = f"{name} {value_in_words(heard['type'], heard['now'], heard.get('unit', ''))}"
        if (seat, name) in self._extremes:
            low, high = self._extremes[seat, name]
            said += f" ({low:g} to {high:g})"
        presses = max(0, heard["presses"] - self._presses.get((seat, name), heard["presses"]))
        return said + (f" {presses} press{'es' if presses > 1 else ''}" if presses else "")


# --- for people -------------------------------------------------------------------------------------------------


class Pictures:
    """The whole terminal, 25 times a second."""

    def __init__(self, screen: Screen, signs: Signs) -> None:
        self._screen, self._signs = screen, signs
        self._frame: Frame = {"frame": 0.0, "seats": {}}
        self._history = LastSeconds()

    def frame(self, frame: Frame) -> None:
        self._frame = frame
        self._history.add(frame)
        self._draw("")

    def away(self, why: str) -> None:
        self._draw(f"no news: {tidy(why)}")

    def _draw(self, away: str) -> None:
        self._screen.show(whole_screen(self._frame, self._history, self._signs, self._screen.size, away))


class LastSeconds:
    """The last seconds of each input, and what happened last."""

    def __init__(self) -> None:
        self.happened = ""
        self._children: dict[str, str] = {}
        self._traces: dict[tuple[str, str], StripChart] = {}

    def add(self, frame: Frame) -> None:
        """Another frame."""
        for seat, shown in frame["seats"].items():
            if self._children.get(seat) != shown["child"]:
                if seat in self._children:
                    self.happened = f"{shown['child']} plays now"
                self._children[seat] = shown["child"]
                self._traces = {key: trace for key, trace in self._traces.items() if key[0] != seat}
            for name, heard in shown["inputs"].items():
                self.trace(seat, name).add(heard, frame["frame"])
            for happened in shown["events"]:
                self.happened = _in_words(happened)

    def trace(self, seat: str, name: str) -> StripChart:
        """The chart of one input."""
        return self._traces.setdefault((seat, name), StripChart())


def whole_screen(frame: Frame, history: LastSeconds, signs: Signs, size: tuple[int, int], away: str) -> list[Text]:
    """As many lines as the terminal has: the seats, their inputs, and what happened last."""
    columns, rows = size
    lines: list[Text] = []
    seats: Mapping[str, SeatFrame] = frame["seats"]
    left = sum(len(shown["inputs"]) for shown in seats.values())
    hidden = 0
    for seat, shown in seats.items():
        inputs = shown["inputs"]
        if len(lines) > rows - 3:  # no room for the seat and for what is heard there
            hidden += len(inputs)
            continue
        lines.append(Text(f" {seat}: {shown['child']}".ljust(columns)[:columns], "bold reverse"))
        if not inputs:
            lines.append(Text(" nothing called that here"[:columns], "dim"))
        for name, heard in inputs.items():
            room = rows - 1 - len(lines)
            if room:
                lines += block(name, heard, history.trace(seat, name), signs, (columns, max(1, room // left)))
            else:
                hidden += 1
            left -= 1
    lines += [Text("")] * (rows - 1 - len(lines))
    more = f"{hidden} more: router watch INPUT; " if hidden else ""
    end = f"{more}q ends "
    said = (away or history.happened)[: max(0, columns - len(end) - 2)]
    lines.append(Text(f" {said:<{max(0, columns - len(end) - 1)}}{end}"[:columns], "reverse" if away else "dim"))
    return lines[:rows]


def _in_words(happened: Happened) -> str:
    """Say on one line what happened."""
    event, fields = happened["event"], happened["fields"]
    source = fields.get("input", fields.get("part", ""))
    match event:
        case "press":
            zone = f", zone {fields['zone']}" if "zone" in fields else ""
            said = f"{source} pressed, strength {fields.get('strength', 0):.2f}{zone}"
        case "release":
            said = f"{source} let go"
        case "reject":
            said = f"{source}: not counted ({fields.get('by', '')})"
        case "fault":
            said = f"{source}: {fields.get('error', '')}"
        case "mark":
            said = f"marked: {fields.get('text', '')}"
        case "lost":
            said = f"{source} has gone"
        case "found":
            said = f"{source} is there"
        case _:
            said = f"{event} {source}"
    return tidy(said)
