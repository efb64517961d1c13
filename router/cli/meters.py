"""Meters for a terminal: what an input says, with its thresholds or zones drawn in, and a piano roll of what sounds.

Each meter is told what happens and gives lines of text when asked. Everything can be read without colour.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar

from rich.text import Text

from router.conditioning.base import Conditioner
from router.conditioning.pointer import PointerConditioner
from router.conditioning.pressure import PressureConditioner
from router.engine import MakeConditioner
from router.events import Lost, PointerSample, PressureSample, Sample
from router.music import pitch_name
from router.timers import Alarm, Timers
from router.units import NANOSECONDS

COLOURS = ("cyan", "magenta", "yellow", "green", "blue", "red")
"""One for each part; parts after the last begin again."""


@dataclass(frozen=True, slots=True)
class Signs:
    """The characters to draw with; a terminal that knows only ASCII gets its own."""

    full: str
    empty: str
    threshold: str
    begins: str
    holds: str
    pointer: str
    down: str
    across: str
    corner: str
    arrow: str
    levels: str


BLOCKS = Signs("█", "·", "│", "●", "━", "◆", "│", "─", "┼", "→", "▁▂▃▄▅▆▇█")
ASCII = Signs("#", ".", "|", "o", "=", "X", "|", "-", "+", "->", "0123456789")


def signs_for(encoding: str | None) -> Signs:
    """The signs that this encoding can write."""
    try:
        "".join(getattr(BLOCKS, name) for name in BLOCKS.__slots__).encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


class Meter:
    """What one input says. Subclasses draw it."""

    width: ClassVar[int] = 46

    def __init__(self, name: str, conditioner: Conditioner, signs: Signs) -> None:
        self.name, self.signs = name, signs
        self.pressed: set[str] = set()  # sources
        self.presses = 0
        self.zone: int | None = None

    def sample(self, sample: Sample, now: int) -> None:
        """A sample of this input."""

    def press(self, source: str, zone: int | None) -> None:
        """The engine heard a press; ``zone`` counts from 1."""
        self.pressed.add(source)
        self.presses += 1
        self.zone = zone

    def release(self, source: str) -> None:
        """The engine heard the release."""
        self.pressed.discard(source)
        self.zone = None

    def lines(self) -> list[Text]:
        """The meter as it stands."""
        raise NotImplementedError

    def _row(self, text: Text, said: str = "") -> Text:
        return Text.assemble(f" {self.name[:10]:<10} ", text, f" {said}")

    @property
    def _style(self) -> str:
        return "bold green" if self.pressed else "dim"


class SwitchMeter(Meter):
    """On or off: a switch, or whether any key of a MIDI keyboard is down."""

    def lines(self) -> list[Text]:
        sign = self.signs.full if self.pressed else self.signs.empty
        return [self._row(Text(sign * self.width, self._style), "pressed" if self.pressed else "up")]


class PressureMeter(Meter):
    """A bar from rest to full effort, with the thresholds in it; one for each side."""

    def __init__(self, name: str, conditioner: PressureConditioner, signs: Signs) -> None:
        super().__init__(name, conditioner, signs)
        self._conditioner = conditioner  # its own, so that rest is known: the engine's is nobody else's business
        settings = conditioner.settings
        self._sides = [
            (word, sign, side)
            for word, sign, side in (("above", 1, settings.above), ("below", -1, settings.below))
            if side
        ]
        self._pascal = 0.0

    def sample(self, sample: Sample, now: int) -> None:
        if isinstance(sample, PressureSample):
            self._conditioner.handle(sample, now)
            rest = self._conditioner.rest
            self._pascal = 0.0 if rest is None else sample.pascal - rest
        elif isinstance(sample, Lost):
            self._conditioner.lost(now)

    def lines(self) -> list[Text]:
        drawn = []
        for word, sign, side in self._sides:
            whole = side.full * 1.25
            places = {
                label: self._place(value, whole)
                for label, value in (("on", side.on), ("full", side.full), ("off", side.off))
            }
            filled = self._place(sign * self._pascal, whole)
            bar = Text()
            for i in range(self.width):
                full = i < filled
                if i in places.values():
                    bar.append(self.signs.threshold, "bold")
                else:
                    bar.append(
                        self.signs.full if full else self.signs.empty, "green" if full and self.pressed else "dim"
                    )
            drawn.append(self._row(bar, f"{sign * self._pascal:5.0f} Pa {word}"))
            drawn.append(Text(" " * 12 + _labels(places, self.width), "dim"))
        return drawn

    def _place(self, pascal: float, whole: float) -> int:
        return min(self.width, max(0, round(self.width * pascal / whole)))


class PointerMeter(Meter):
    """The grid of zones, with the pointer in it; the zone that plays is filled."""

    def __init__(self, name: str, conditioner: PointerConditioner, signs: Signs) -> None:
        super().__init__(name, conditioner, signs)
        self._grid = conditioner.settings.grid
        self._cell = max(2, min(11, (self.width - 1) // self._grid.columns - 1))
        self._place: tuple[float, float] | None = None

    def sample(self, sample: Sample, now: int) -> None:
        if isinstance(sample, PointerSample):
            self._place = (sample.x, sample.y)
        elif isinstance(sample, Lost):
            self._place = None

    def lines(self) -> list[Text]:
        grid, signs = self._grid, self.signs
        lines_a_row = 2 if grid.rows <= 2 else 1
        edge = Text(signs.corner + (signs.across * self._cell + signs.corner) * grid.columns, "dim")
        pointer = self._at(lines_a_row)
        drawn = [edge]
        for line in range(grid.rows * lines_a_row):
            text = Text(signs.down, "dim")
            for column in range(grid.columns):
                plays = self.zone == line // lines_a_row * grid.columns + column + 1
                for i in range(self._cell):
                    here = pointer == (line, column, i)
                    text.append(
                        signs.pointer if here else signs.full if plays else " ",
                        "bold" if here else "green" if plays else "",
                    )
                text.append(signs.down, "dim")
            drawn.append(text)
            if line % lines_a_row == lines_a_row - 1:
                drawn.append(edge)
        said = f"plays zone {self.zone}" if self.zone is not None else ""
        first, *others = drawn
        return [self._row(first, said), *(Text(" " * 12) + line for line in others)]

    def _at(self, lines_a_row: int) -> tuple[int, int, int] | None:
        """Where the pointer is: the line, the column of zones, and the place within the cell."""
        if self._place is None:
            return None
        x, y = self._place
        column = min(int(x * self._grid.columns), self._grid.columns - 1)
        inside = int((x * self._grid.columns - column) * self._cell)
        lines = self._grid.rows * lines_a_row
        return min(int(y * lines), lines - 1), column, min(inside, self._cell - 1)


METERS: dict[type[Conditioner], Callable[..., Meter]] = {
    PressureConditioner: PressureMeter,
    PointerConditioner: PointerMeter,
}


def meter(name: str, make: MakeConditioner, signs: Signs) -> Meter:
    """The meter for an input of a plan."""
    conditioner = make(itertools.count(1).__next__, Alarm(Timers(), 0))
    return METERS.get(type(conditioner), SwitchMeter)(name, conditioner, signs)


@dataclass(slots=True)
class _Note:
    part: str
    pitch: int
    begin: int
    end: int | None = None


class Roll:
    """A piano roll that scrolls to the left; now is at its right edge. Drums and notes alike, by name."""

    width: ClassVar[int] = 62
    span: ClassVar[int] = 9 * NANOSECONDS

    def __init__(self, parts: list[str], signs: Signs, height: int) -> None:
        self._signs, self._height = signs, height
        self._colours = {part: COLOURS[i % len(COLOURS)] for i, part in enumerate(parts)}
        self._notes: list[_Note] = []
        self._rows: list[int] = []  # pitches that have a line, the latest last

    def note_on(self, part: str, pitch: int, now: int) -> None:
        self._notes.append(_Note(part, pitch, now))
        if pitch in self._rows:
            self._rows.remove(pitch)
        self._rows = [*self._rows, pitch][-self._height :]

    def note_off(self, part: str, pitch: int, now: int) -> None:
        for note in self._notes:
            if (note.part, note.pitch, note.end) == (part, pitch, None):
                note.end = now

    def lines(self, now: int) -> list[Text]:
        """As many lines as the roll is high."""
        self._notes = [note for note in self._notes if note.end is None or note.end > now - self.span]
        drawn = []
        for pitch in sorted(self._rows, reverse=True):
            cells = [(" ", "")] * self.width
            sounds = False
            for note in self._notes:
                if note.pitch != pitch:
                    continue
                first, last = self._cell(note.begin, now), self._cell(note.end if note.end is not None else now, now)
                sounds = sounds or note.end is None
                for i in range(max(first, 0), min(last, self.width - 1) + 1):
                    cells[i] = (self._signs.begins if i == first else self._signs.holds, self._colours[note.part])
            line = Text(f" {pitch_name(pitch):>10} ", "bold" if sounds else "dim")
            for sign, style in cells:
                line.append(sign, style)
            drawn.append(line.append(self._signs.down, "dim"))
        return [*drawn, *[Text("")] * (self._height - len(drawn))]

    def _cell(self, t: int, now: int) -> int:
        """The column of a time; cells stand still on the time line, so that notes do not flicker as they move."""
        return self.width - 1 - (now * self.width // self.span - t * self.width // self.span)


def _labels(places: Mapping[str, int], width: int) -> str:
    """Labels below their places, the most important first; one that has no room beside them is left out."""
    line = " " * (width + 8)
    for label, place in places.items():
        end = place + len(label)
        if not line[max(0, place - 1) : end + 1].strip():
            line = line[:place] + label + line[end:]
    return line.rstrip()
