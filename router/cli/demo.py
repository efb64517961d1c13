"""``router demo``: three simulated children play three shipped profiles, one after another. It needs no hardware.

With ``--together`` three play at once, and a specialist leads them from a keyboard: see ``demo_together.py``.

On a terminal it is real time, with meters and a piano roll; elsewhere one line says each thing that happens, at once.
What is written to the files is the same either way: the music is made on virtual time, the terminal only keeps pace.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from router.cli.demo_together import play_together
from router.cli.meters import Meter, Roll, meter, signs_for
from router.cli.simulated import simulated
from router.cli.stage import FRAME, HEIGHT, TAIL, WIDTH, Files, Interrupt, Pace, said, speaker
from router.core.engine import Engine
from router.core.events import Mark, Route, Sample
from router.core.music import NAMES
from router.core.units import NANOSECONDS
from router.devices.outputs.base import Output
from router.devices.outputs.midi_file import track_names
from router.files import profile
from router.offline import simulate
from router.offline.player import Tally, steps

NAME = "demo"
HELP = "hear three simulated children play; needs no hardware"
EXAMPLE = "router demo --seconds 20 --out demo-output"

BETWEEN = 2 * NANOSECONDS
"""From one child's end to the next one's beginning, in the files."""


@dataclass(frozen=True, slots=True)
class Act:
    """A child of the demo: the name of a shipped profile, and who that is."""

    child: str
    about: str


ACTS = (
    Act(
        "wren",
        "Wren is seven. Muscles that tire leave one finger, on a light switch: each press plays the next note of a"
        " tune.",
    ),
    Act(
        "lark",
        "Lark is three and lies on one side. A push of the cheek on a soft air pad plays on; a harder push is louder.",
    ),
    Act(
        "robin",
        "Robin is twelve and can turn the head, with tremor. Eight places, eight notes: staying in one plays it.",
    ),
)

NEXT = """\
Next:
  router run starling                 play yourself, on this keyboard
  router demo --together              three children at once, and a keyboard
  router new kite --input pad=switch  begin a profile
  router check kite.yaml              every mistake in it, with line and column
  profiles/README.md                  the therapist's page"""
CARE = """\
Not a medical device. Ask clinical engineering before anything is used near a
patient, and infection control before anything touches a mouth. Keep the sound
gentle, and measure it at the child's ear."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("--out", type=Path, default=Path("demo-output"), metavar="FOLDER", help="where the files go")
    parser.add_argument(
        "--together",
        action="store_true",
        help="three children at once, who follow a specialist's keyboard; and a picture",
    )
    parser.add_argument(
        "--seconds", type=_seconds, metavar="N", help="how long each child plays (20), or all together (60)"
    )
    parser.add_argument("--fast", action="store_true", help="do not wait: one line for each thing that happens")
    parser.add_argument("--aloud", action="store_true", help="play through the loudspeaker as well")


def run(args: argparse.Namespace) -> int:
    """Let the children play, write the files, say where they are and what to try next."""
    with contextlib.ExitStack() as stack:
        interrupt = Interrupt(stack)
        done = _run(args, interrupt)
        interrupt.look()  # whatever it came in, and whatever came of that: Ctrl-C is what happened
    return done


def _run(args: argparse.Namespace, interrupt: Interrupt) -> int:
    console = Console(highlight=False)
    play = play_together if args.together else _one_after_another
    try:
        args.out.mkdir(parents=True, exist_ok=True)
        files, then = play(args, console, interrupt)
    except OSError as error:
        interrupt.look()  # what was broken off may fail as it ends
        place = "" if error.filename is None else f"{error.filename}: "  # a full disk has no name
        print(f"router demo: {place}{(error.strerror or str(error)).lower()}", file=sys.stderr)
        return 1
    for what, path in files.written:
        print(f"{what:7} {path}" if args.together else f"{what:6} {path}")
    if files.no_sound:
        print(f"\nNo sound file: {files.no_sound}")
    print(f"\n{then}\n\n{CARE}", flush=True)
    return 0


def _one_after_another(args: argparse.Namespace, console: Console, interrupt: Interrupt) -> tuple[Files, str]:
    """The children of ``ACTS``; the files that were written, and what to say then."""
    seconds = args.seconds or 20
    real_time = console.is_terminal and not args.fast
    screen = DemoScreen(console, seconds) if real_time and not console.is_dumb_terminal else None
    profiles = [profile.load(profile.find(act.child)) for act in ACTS]
    with contextlib.ExitStack() as stack:
        files = Files(args.out, "demo", profiles[0].plan.music.tempo, _tracks(profiles), stack)
        aloud = speaker(stack) if args.aloud else None
        if screen is not None:
            stack.callback(screen.close)
        offset = 0
        for act, loaded in zip(ACTS, profiles, strict=True):
            takers = {name: files.takers(f"{loaded.child}/{name}", device) for name, device in loaded.outputs.items()}
            if aloud is not None:
                takers = {name: [*taking, aloud] for name, taking in takers.items()}
            files.midi.music(loaded.plan.music, offset)
            show: DemoShow = screen or DemoLines()
            show.begin(act, loaded)
            end = _act(loaded, seconds, takers, show, pace=Pace(interrupt, waits=real_time), offset=offset)
            offset = end + BETWEEN
        files.close()
        interrupt.look()
    return files, NEXT


def _tracks(profiles: list[profile.Profile]) -> dict[Route, str]:
    """Names for the tracks: each child has tracks and a synth of its own."""
    names: dict[Route, str] = {}
    for loaded in profiles:
        parts = track_names(loaded.plan.parts, f"{loaded.child}/")
        names |= {route: f"{loaded.child}: {name}" for route, name in parts.items()}
    return names


def _seconds(text: str) -> int:
    number = int(text) if text.isdecimal() else 0
    if not 5 <= number <= 600:
        raise argparse.ArgumentTypeError(f'"{text}" is not a whole number of seconds from 5 to 600')
    return number


class DemoShow(Protocol):
    """The view that a person has. Times are nanoseconds from the child's beginning."""

    def begin(self, act: Act, loaded: profile.Profile) -> None:
        """A child begins."""

    def sample(self, sample: Sample, now: int) -> None:
        """A sample came."""

    def event(self, now: int, event: str, fields: dict[str, Any]) -> None:
        """The engine tells what happened."""

    def picture(self, now: int) -> None:
        """Time has gone on."""

    def end(self, tally: Tally) -> None:
        """The child has ended."""


class DemoLines:
    """One line of plain text for each thing that happens."""

    def __init__(self) -> None:
        self._types: dict[str, str] = {}
        self._names: Sequence[str] = NAMES

    def begin(self, act: Act, loaded: profile.Profile) -> None:
        self._types, self._names = loaded.types, loaded.plan.music.names
        print(textwrap.fill(act.about, WIDTH - 2))

    def sample(self, sample: Sample, now: int) -> None:
        """Samples are too many for lines."""

    def picture(self, now: int) -> None:
        """Lines do not move."""

    def event(self, now: int, event: str, fields: dict[str, Any]) -> None:
        if words := said(event, fields, self._types, self._names):
            print(f"{now / NANOSECONDS:7.2f} s  {words}", flush=True)

    def end(self, tally: Tally) -> None:
        print(f"{_summary(tally)}\n")


class DemoScreen:
    """Meters of the inputs and a piano roll, at the pace of life; 80 columns and 24 lines are enough."""

    def __init__(self, console: Console, seconds: int) -> None:
        self._console, self._seconds = console, seconds
        self._signs = signs_for(console.encoding)
        self._live: Live | None = None
        self._act, self._number = ACTS[0], 0
        self._meters: dict[str, Meter] = {}
        self._roll = Roll([], self._signs, 0)
        self._drawn = 0

    def begin(self, act: Act, loaded: profile.Profile) -> None:
        self._act, self._number, self._drawn = act, self._number + 1, -FRAME
        plan = loaded.plan
        self._meters = {name: meter(name, make, self._signs) for name, make in plan.inputs.items()}
        heard = sum(len(meter.lines()) for meter in self._meters.values())
        self._roll = Roll(
            [part.name for part in plan.parts], self._signs, max(4, min(10, HEIGHT - 8 - heard)), plan.music.names
        )
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._live.start()
        self.picture(0)

    def sample(self, sample: Sample, now: int) -> None:
        if not isinstance(sample, Mark) and sample.input in self._meters:
            self._meters[sample.input].sample(sample, now)

    def event(self, now: int, event: str, fields: dict[str, Any]) -> None:
        if event in ("press", "release"):
            source = fields["input"]
            shown = self._meters[source.partition(".")[0]]
            if event == "press":
                shown.press(source, fields.get("zone"))
            else:
                shown.release(source)
        elif event == "note_on":
            self._roll.note_on(fields["part"], fields["note"], now)
        elif event == "note_off":
            self._roll.note_off(fields["part"], fields["note"], now)

    def picture(self, now: int) -> None:
        if self._live is None or 0 <= now - self._drawn < FRAME:
            return
        self._drawn = now
        done = min(now // NANOSECONDS, self._seconds)
        title = f" {self._act.child}"
        place = f"child {self._number} of {len(ACTS)}   {done:2} of {self._seconds} s "
        width = min(self._console.width, WIDTH)
        lines = [
            Text(f"{title}{place:>{width - len(title)}}", "bold reverse"),
            *(Text(f" {line}") for line in textwrap.wrap(self._act.about, width - 2)),
            Text(),
            Text(" heard", "bold"),
            *(line for meter in self._meters.values() for line in meter.lines()),
            Text(),
            Text(" played", "bold"),
            *self._roll.lines(now),
        ]
        self._live.update(Group(*lines), refresh=True)

    def end(self, tally: Tally) -> None:
        self.close()
        self._console.print(f"{textwrap.fill(self._act.about, WIDTH - 2)}\n{_summary(tally)}\n")

    def close(self) -> None:
        """Give the terminal back; no harm if it was."""
        if self._live is not None:
            self._live.stop()
            self._live = None


def _summary(tally: Tally) -> str:
    heard, played = tally.presses.total(), tally.notes.total()
    return f"{heard} efforts heard, {played} notes played."


def _act(
    loaded: profile.Profile, seconds: int, takers: dict[str, list[Output]], show: DemoShow, *, pace: Pace, offset: int
) -> int:
    """One child plays. ``offset`` is when in the files it begins; returns when it ended."""
    plan = loaded.plan
    waiting: list[tuple[int, str, dict[str, Any]]] = []  # told by the engine before its time has come for the eye
    tally = Tally(lambda now, event, fields: waiting.append((now, event, fields)))
    samples = simulate.together(*(simulated(loaded, name, seconds * NANOSECONDS) for name in plan.inputs))
    pace.begin()
    now = 0
    for now, sample, messages in steps(Engine(plan, tally), samples, min(plan.limits.note_length, TAIL)):
        pace.until(now, show.picture)
        for message in messages:
            for taker in takers[message.output]:
                taker.send(message.data, offset + now)
        if sample is not None:
            show.sample(sample, now)
        for told in waiting:
            show.event(*told)
        waiting.clear()
        show.picture(now)
    show.end(tally)
    return offset + now
