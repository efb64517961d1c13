"""The stage of both demos: the size and pace of the picture, Ctrl-C, the loudspeaker, and the files left behind."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from types import FrameType
from typing import Any

from router.core.events import Route
from router.core.music import NAMES, pitch_name
from router.core.units import NANOSECONDS
from router.devices.descriptions import Instrument, OutputDevice
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.instrument import InstrumentOutput, SoundFile, ready
from router.devices.outputs.midi_file import MidiFile
from router.system import clock
from router.system.files import replacing

WIDTH, HEIGHT = 80, 24
"""Columns and lines of the smallest terminal that everything fits into."""
FRAME = NANOSECONDS // 20
"""Between two pictures on the terminal."""
TAIL = 2 * NANOSECONDS
"""How long the last notes of a child may go on."""


def speaker(stack: contextlib.ExitStack) -> Output | None:
    """The instrument through the loudspeaker, if there is a way to one."""
    try:
        output = InstrumentOutput(Instrument())
    except OutputError as error:
        print(f"Not aloud: {error}", file=sys.stderr)
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
        try:
            ready(Instrument())
        except OutputError as error:
            self.no_sound = str(error)
        else:
            path = folder / f"{stem}.wav"
            self._sound = SoundFile(stack.enter_context(replacing(path)))
            self.written.append(("sound", path))

    def takers(self, whose: str, device: OutputDevice | None = None) -> list[Output]:
        """Who takes what an output is sent; each has tracks and a synth of its own."""
        takers = [self.midi.output(whose)]
        if self._sound is not None:
            takers.append(self._sound.output(whose, device if isinstance(device, Instrument) else None))
        return takers

    def close(self) -> None:
        """Write them."""
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
        """Time 0 is now."""
        self._start = clock.now()

    def until(self, when: int, meanwhile: Callable[[int], None]) -> None:
        """Wait for a time in nanoseconds from the beginning, and show a picture now and then."""
        self._interrupt.look()
        while self._waits and (left := when + self._start - clock.now()) > 0:
            time.sleep(min(left, FRAME) / NANOSECONDS)  # for the eye only: the music's times are in the messages
            self._interrupt.look()
            meanwhile(min(clock.now() - self._start, when))


def said(event: str, fields: dict[str, Any], types: Mapping[str, str], names: Sequence[str] = NAMES) -> str:
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
