"""The stage of both demos: what is shown and its pace, Ctrl-C, the loudspeaker, and the files left behind."""

from __future__ import annotations

import contextlib
import itertools
import signal
import sys
import textwrap
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from types import FrameType
from typing import Any, Protocol

from rich.console import Console
from rich.text import Text

from router.cli import say
from router.cli.meters import COLOURS, Meter, Roll, meter
from router.cli.screen import HEIGHT, WIDTH, Screen, signs_for
from router.core.events import Mark, Route, Sample
from router.core.music import NAMES, pitch_name
from router.core.units import NANOSECONDS
from router.devices.descriptions import Instrument, OutputDevice
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.instrument import InstrumentOutput, SoundFile, ready
from router.devices.outputs.midi_file import MidiFile
from router.files.profile import Profile
from router.system import clock
from router.system.files import replacing

FRAME = NANOSECONDS // 20
"""Between two pictures on the terminal."""
TAIL = 2 * NANOSECONDS
"""How long the last notes of a child may go on."""


def speaker(stack: contextlib.ExitStack) -> Output | None:
    """The instrument through the loudspeaker, if there is a way to one."""
    try:
        output = InstrumentOutput(Instrument())
    except OutputError as error:
        say(f"Not aloud: {error}", file=sys.stderr)
        return None
    stack.callback(output.close)
    return output


class Files:
    """The files that a demo leaves behind: a MIDI file, and a sound file if the instrument is there."""

    def __init__(
        self, folder: Path, stem: str, tempo: Fraction, names: Mapping[Route, str], stack: contextlib.ExitStack
    ) -> None:
        path = folder / f"{stem}.mid"
        self.midi = MidiFile(stack.enter_context(replacing(path)), tempo, "router demo", names)
        self.written = [("MIDI", path)]
        self._sound: SoundFile | None = None
        self.no_sound = ""
        """Why there is no sound file, and what to install."""
        self.unmastered = ""
        """Why the sound file is as the synth gave it, and what to install."""
        try:
            ready(Instrument())
        except OutputError as error:
            self.no_sound = str(error)
        else:
            path = folder / f"{stem}.wav"
            self._sound = SoundFile(stack.enter_context(replacing(path)), mastered=True)
            self.unmastered = self._sound.unmastered
            self.written.append(("sound", path))

    def takers(self, whose: str, device: OutputDevice | None = None) -> list[Output]:
        """The files that take what an output is sent, in which it has tracks and a synth of its own."""
        takers = [self.midi.output(whose)]
        if self._sound is not None:
            takers.append(self._sound.output(whose, device if isinstance(device, Instrument) else None))
        return takers

    def close(self) -> None:
        """Write the files."""
        self.midi.close()
        if self._sound is not None:
            self._sound.close()


class Interrupt:
    """Ctrl-C, remembered: what runs when it comes may swallow it, as a destructor or a library's callback does."""

    def __init__(self, stack: contextlib.ExitStack) -> None:
        self._came = False
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, self._come)
            stack.callback(signal.signal, signal.SIGINT, signal.default_int_handler)

    def look(self) -> None:
        """Raise it again if it has come."""
        if self._came:
            raise KeyboardInterrupt

    def _come(self, _number: int, _frame: FrameType | None) -> None:
        self._came = True
        raise KeyboardInterrupt


class Pace:
    """Keeps the demo at the pace of life, or lets it run."""

    def __init__(self, interrupt: Interrupt, *, waits: bool) -> None:
        self._interrupt, self._waits, self._start = interrupt, waits, 0

    def begin(self) -> None:
        """Take now as time 0."""
        self._start = clock.now()

    def until(self, when: int, meanwhile: Callable[[int], None]) -> None:
        """Wait for a time in nanoseconds from the beginning, and show a picture now and then."""
        self._interrupt.look()
        while self._waits and (left := when + self._start - clock.now()) > 0:
            time.sleep(min(left, FRAME) / NANOSECONDS)  # for the eye only: the music's times are in the messages
            self._interrupt.look()
            meanwhile(min(clock.now() - self._start, when))


def event_in_words(event: str, fields: dict[str, Any], types: Mapping[str, str], names: Sequence[str] = NAMES) -> str:
    """An event in words; nothing for those that say nothing to a listener.

    ``types``: of the inputs, by name; ``names``: of the twelve notes, in the key.
    """
    if event == "press":
        source = fields["input"]
        graded = types[source.partition(".")[0]] in ("pressure", "midi")  # a switch is only on or off
        place = f", zone {fields['zone']}" if "zone" in fields else ""
        return f"heard   {source} pressed" + (f", strength {fields['strength']:.2f}" if graded else place)
    if event == "release":
        return f"heard   {fields['input']} let go"
    if event == "note_on":
        return f"played  {fields['part']} {pitch_name(fields['note'], names)}, velocity {fields['velocity']}"
    if event == "note_off":
        return f"ended   {fields['part']} {pitch_name(fields['note'], names)}"
    return ""


class Show(Protocol):
    """The view that a person has of players, each of whom has a name. Times are nanoseconds from the beginning."""

    def begin(self) -> None:
        """Now it begins; what was begun needs ``close``."""

    def sample(self, name: str, sample: Sample, now: int) -> None:
        """A sample came."""

    def event(self, name: str, now: int, event: str, fields: dict[str, Any]) -> None:
        """The engine of a player, or the room (""), tells what happened."""

    def picture(self, now: int) -> None:
        """Time has gone on."""

    def close(self) -> None:
        """Give the terminal back; no harm if it was."""


class LinesShow:
    """Writes lines of plain text. Subclasses say in ``event`` which."""

    def begin(self) -> None:
        """Lines need no beginning."""

    def sample(self, name: str, sample: Sample, now: int) -> None:
        """Samples are too many for lines."""

    def picture(self, now: int) -> None:
        """Lines do not move."""

    def close(self) -> None:
        """Nothing is open."""


class ScreenShow:
    """Shows meters of all inputs and a piano roll, at the pace of life; 80 columns and 24 lines are enough.

    ``beside``: lines that stand above and between them. Subclasses say what is written there.
    """

    def __init__(self, console: Console, profiles: Mapping[str, Profile], seconds: int, beside: int) -> None:
        self._seconds = seconds
        self._console, self._screen = console, Screen(console)
        signs = signs_for(console.encoding)
        self._meters: dict[tuple[str, str], Meter] = {
            (name, source): meter(source, make, signs)
            for name, loaded in profiles.items()
            for source, make in loaded.plan.inputs.items()
        }
        parts = [(name, part.name) for name, loaded in profiles.items() for part in loaded.plan.parts]
        heard = sum(len(shown.lines()) for shown in self._meters.values())
        names = next(iter(profiles.values())).plan.music.names
        self._roll = Roll([" ".join(part) for part in parts], signs, max(4, HEIGHT - beside - heard), names)
        colours = itertools.cycle(COLOURS)
        self._legend = Text.assemble((" played ", "bold"), *((f" {' '.join(part)} ", next(colours)) for part in parts))
        self._drawn = -FRAME

    def begin(self) -> None:
        self._screen.start()
        self.picture(0)

    def sample(self, name: str, sample: Sample, now: int) -> None:
        if not isinstance(sample, Mark) and (name, sample.input) in self._meters:
            self._meters[name, sample.input].sample(sample, now)

    def event(self, name: str, now: int, event: str, fields: dict[str, Any]) -> None:
        if event in ("press", "release"):
            shown = self._meters[name, fields["input"].partition(".")[0]]
            if event == "press":
                shown.press(fields["input"], fields.get("zone"))
            else:
                shown.release(fields["input"])
        elif event == "note_on":
            self._roll.note_on(f"{name} {fields['part']}", fields["note"], now)
        elif event == "note_off":
            self._roll.note_off(f"{name} {fields['part']}", fields["note"], now)

    def picture(self, now: int) -> None:
        if 0 <= now - self._drawn < FRAME:
            return
        self._drawn = now
        columns, _rows = self._screen.size
        self._screen.show([*self.lines(now, min(columns, WIDTH))])

    def lines(self, now: int, width: int) -> Iterator[Text]:
        """The whole picture."""
        raise NotImplementedError

    def close(self) -> None:
        self._screen.close()

    def _wrapped(self, text: Text, width: int) -> Iterator[Text]:
        yield from text.wrap(self._console, width)

    def _done(self, now: int) -> str:
        return f"{min(now // NANOSECONDS, self._seconds):2} of {self._seconds} s "


def headline(title: str, place: str, width: int) -> Text:
    """The first line of a picture: a title at the left, and how far it has come at the right if there is room."""
    title = f" {title}"[: max(0, width - len(place) - 1)] if len(place) < width else ""
    return Text(f"{title}{place:>{max(0, width - len(title))}}", "bold reverse")


def filled(text: str, console: Console) -> str:
    """A paragraph, as wide as the terminal and no wider than is easy to read."""
    return textwrap.fill(text, max(20, min(console.width, WIDTH) - 2))
