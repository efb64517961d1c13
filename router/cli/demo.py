"""``router demo``: three simulated children play three shipped profiles, one after another. It needs no hardware.

With ``--together`` three play at once, and a specialist leads them from a keyboard: see ``demo_together.py``. With
``--song`` one child plays a song with pauses, and the band waits: see ``hesitant.py``.

On a terminal it is real time, with meters and a piano roll; elsewhere one line says each thing that happens, at once.
What is written to the files is the same either way: the music is made on virtual time, the terminal only keeps pace.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from router.cli import say
from router.cli.demo_together import play_together
from router.cli.hesitant import hesitant
from router.cli.screen import drawable
from router.cli.simulated import simulated
from router.cli.stage import (
    TAIL,
    Files,
    Interrupt,
    LinesShow,
    Pace,
    ScreenShow,
    Show,
    event_in_words,
    filled,
    headline,
    speaker,
)
from router.core.engine import Engine
from router.core.events import Route
from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.devices.outputs import loudness
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
        "pipit",
        "Pipit is twelve and can turn the head, with tremor. Eight places, eight notes: staying in one plays it.",
    ),
)

SINGER = Act(
    "bullfinch",
    "Bullfinch is five and knows this song. One hand, one switch: each press plays the next note, in her own time, and"
    " she hesitates. Bass and chords wait for her, and go on with her.",
)
"""The child of ``--song``."""

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


NEXT_SONG = """\
Next:
  router songs                        the songs that there are
  router songs little-star            this one, with its words and chords
  router play TRACE --profile FILE    a profile of yours over a recording
  profiles/README.md                  how a song comes into a profile"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("--out", type=Path, default=Path("demo-output"), metavar="FOLDER", help="where the files go")
    parser.add_argument(
        "--together",
        action="store_true",
        help="three children at once, who follow a specialist's keyboard; and a picture",
    )
    parser.add_argument("--song", action="store_true", help="a child that hesitates plays a song, and the band waits")
    parser.add_argument(
        "--seconds", type=_seconds, metavar="N", help="how long each child plays (20), or all together or a song (60)"
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
    if args.together and args.song:
        say("router demo: choose one of --together and --song", file=sys.stderr)
        return 2
    play = play_together if args.together else _one_after_another
    try:
        args.out.mkdir(parents=True, exist_ok=True)
        files, then = play(args, console, interrupt)
    except OSError as error:
        interrupt.look()  # what was broken off may fail as it ends
        place = "" if error.filename is None else f"{error.filename}: "  # a full disk has no name
        say(f"router demo: {place}{(error.strerror or str(error)).lower()}", file=sys.stderr)
        return 1
    for what, path in files.written:
        say(f"{what:7} {path}" if args.together else f"{what:6} {path}")
    if files.no_sound:
        say(f"\nNo sound file: {files.no_sound}")
    if files.unmastered:
        say(f"\nThe sound file is not at {loudness.LOUDNESS:g} LUFS: {files.unmastered}")
    say(f"\n{then}\n\n{CARE}", flush=True)
    return 0


def _one_after_another(args: argparse.Namespace, console: Console, interrupt: Interrupt) -> tuple[Files, str]:
    """The children of ``ACTS``, or ``SINGER``; the files that were written, and what to say then."""
    acts, seconds = ((SINGER,), args.seconds or 60) if args.song else (ACTS, args.seconds or 20)
    real_time = console.is_terminal and not args.fast
    live = real_time and drawable(console)
    profiles = [profile.load(profile.find(act.child)) for act in acts]
    with contextlib.ExitStack() as stack:
        files = Files(
            args.out, "demo-song" if args.song else "demo", profiles[0].plan.music.tempo, _tracks(profiles), stack
        )
        aloud = speaker(stack) if args.aloud else None
        offset = 0
        for number, (act, loaded) in enumerate(zip(acts, profiles, strict=True), 1):
            takers = {name: files.takers(f"{loaded.child}/{name}", device) for name, device in loaded.outputs.items()}
            if aloud is not None:
                takers = {name: [*taking, aloud] for name, taking in takers.items()}
            files.midi.music(loaded.plan.music, offset)
            if not live:
                say(filled(act.about, console))
            show: Show = (
                DemoScreen(console, act, f"child {number} of {len(acts)}", loaded, seconds)
                if live
                else DemoLines(loaded)
            )
            with contextlib.closing(show):
                show.begin()
                samples = _samples(loaded, seconds * NANOSECONDS, hesitates=args.song)
                end, tally = _act(loaded, samples, takers, show, pace=Pace(interrupt, waits=real_time), offset=offset)
            if live:
                say(filled(act.about, console))
            say(f"{tally.presses.total()} efforts heard, {tally.notes.total()} notes played.\n")
            offset = end + BETWEEN
        files.close()
        interrupt.look()
    return files, NEXT_SONG if args.song else NEXT


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


class DemoLines(LinesShow):
    """Writes each thing that happens on a line of its own."""

    def __init__(self, loaded: profile.Profile) -> None:
        self._types, self._names = loaded.types, loaded.plan.music.names

    def event(self, name: str, now: int, event: str, fields: dict[str, Any]) -> None:
        if words := event_in_words(event, fields, self._types, self._names):
            say(f"{now / NANOSECONDS:7.2f} s  {words}", flush=True)


class DemoScreen(ScreenShow):
    """Shows a child of the demo: who that is, the meters of its inputs and its piano roll."""

    def __init__(self, console: Console, act: Act, place: str, loaded: profile.Profile, seconds: int) -> None:
        super().__init__(console, {loaded.child: loaded}, seconds, beside=8)
        self._act, self._place = act, place

    def lines(self, now: int, width: int) -> Iterator[Text]:
        yield headline(self._act.child, f"{self._place}   {self._done(now)}", width)
        yield from (Text(f" {line}") for line in textwrap.wrap(self._act.about, width - 2))
        yield Text()
        yield Text(" heard", "bold")
        for shown in self._meters.values():
            yield from shown.lines(width)
        yield Text()
        yield Text(" played", "bold")
        yield from self._roll.lines(now, width)


def _samples(loaded: profile.Profile, until: int, *, hesitates: bool) -> Iterator[Stamped]:
    """The samples of a child, until a time in nanoseconds."""
    made = ((hesitant if hesitates else simulated)(loaded, name, until) for name in loaded.plan.inputs)
    return simulate.together(*made)


def _act(
    loaded: profile.Profile,
    samples: Iterator[Stamped],
    takers: dict[str, list[Output]],
    show: Show,
    *,
    pace: Pace,
    offset: int,
) -> tuple[int, Tally]:
    """Let a child play, from ``offset`` on in the files; return when it ended, and what was played."""
    plan = loaded.plan
    waiting: list[tuple[int, str, dict[str, Any]]] = []  # told by the engine before its time has come for the eye
    tally = Tally(lambda now, event, fields: waiting.append((now, event, fields)))
    pace.begin()
    now = 0
    for now, sample, messages in steps(Engine(plan, tally), samples, min(plan.limits.note_length, TAIL)):
        pace.until(now, show.picture)
        for message in messages:
            for taker in takers[message.output]:
                taker.send(message.data, offset + now)
        if sample is not None:
            show.sample(loaded.child, sample, now)
        for told in waiting:
            show.event(loaded.child, *told)
        waiting.clear()
        show.picture(now)
    return offset + now, tally
