"""Meters for a terminal: an input as it is and as it was in the last seconds, with its thresholds or zones drawn in.

An input is drawn from its frame (``router/live/watching.py``), which a daemon sends or a ``Meter`` makes of samples
that are heard here, in as many lines as there is room for. And a piano roll of what sounds. Everything can be read
without colour.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

from rich.text import Text

from router.cli.screen import WIDTH, Signs
from router.core.conditioning.base import Conditioner
from router.core.conditioning.pointer import PointerConditioner
from router.core.conditioning.pressure import PressureConditioner
from router.core.engine import MakeConditioner
from router.core.events import Lost, PointerSample, PressureSample, Sample
from router.core.music import NAMES, pitch_name
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.live.watching import InputFrame, SideFrame, look

COLOURS = ("cyan", "magenta", "yellow", "green", "blue", "red")
"""One for each part; parts after the last begin again."""

NAME_WIDTH = 12
"""Columns before a meter, for the input's name."""
SAID_WIDTH, SAID_SHORT = 19, 12
"""Columns after a meter, for what it says in words; of few columns it gets fewer, and its last word may be cut."""
NARROW = 60


def room_for(columns: int) -> int:
    """The columns of a drawing between its name and its words, on a terminal of this many columns."""
    return max(8, columns - NAME_WIDTH - (SAID_SHORT if columns < NARROW else SAID_WIDTH))


# --- as it is ---------------------------------------------------------------------------------------------------


def drawn_meter(name: str, shown: InputFrame, signs: Signs, width: int, height: int = 100) -> list[Text]:
    """An input as it stands, its drawing ``width`` columns wide, in at most ``height`` lines (one at least)."""
    if not shown["there"]:
        return [_row(name, Text(signs.empty * width, "dim"), "missing", "yellow")]
    if shown["type"] == "pressure":
        return _pressure(name, shown, signs, width, height)
    if shown["type"] == "pointer":
        return _pointer(name, shown, signs, width, height)
    return [_contact(name, shown, signs, width)]


def _contact(name: str, shown: InputFrame, signs: Signs, width: int) -> Text:
    """On or off: a switch, or whether any key of a MIDI keyboard is down."""
    closed = bool(shown.get("high"))
    said = "pressed" if shown["pressed"] else "closed" if closed else "up"
    sign = signs.full if shown["pressed"] or closed else signs.empty
    return _row(name, Text(sign * width, "bold green" if shown["pressed"] else "dim"), said)


def _pressure(name: str, shown: InputFrame, signs: Signs, width: int, height: int) -> list[Text]:
    """A bar from rest to full effort, with the thresholds in it; one for each side."""
    sides = _sides(shown)
    lines = []
    for word, sign, side in sides:
        whole = side["full"] * 1.25
        places = {label: _place(value, whole, width) for label, value in _thresholds(side)}
        beyond = _beyond(shown, sign)
        filled = _place(beyond, whole, width)
        style = "green" if f"{name}.{word}" in shown["pressed"] else "dim"
        cells = [(signs.full, style)] * filled + [(signs.empty, "dim")] * (width - filled)
        for place in places.values():
            cells[min(place, width - 1)] = (signs.threshold, "bold")
        said = (
            "no rest yet" if shown.get("rest") is None else f"{_number(sign * beyond, side)} {shown.get('unit')} {word}"
        )
        lines.append(_row(name, _joined(cells), said))
        if height >= 2 * len(sides):
            lines.append(Text(" " * NAME_WIDTH + _labels(places, width), "dim"))
    return lines[:height]


def _pointer(name: str, shown: InputFrame, signs: Signs, width: int, height: int) -> list[Text]:
    """The grid of zones, with the pointer in it.

    The zone that plays is filled, and one where the head may rest is dotted.
    """
    columns, rows = shown.get("columns", 1), shown.get("rows", 1)
    cell = max(1, min(11, (width - 1) // columns - 1))
    lines_a_row = 2 if rows <= 2 and height >= 3 * rows + 1 else 1
    # Lines between zones, if there is room for them.
    across, down = height >= (lines_a_row + 1) * rows + 1, width >= (cell + 1) * columns + 1
    corner, wall = (signs.corner, signs.down) if down else ("", "")
    edge = Text(signs.corner + corner.join([signs.across * cell] * columns) + signs.corner, "dim")
    pointer = _at(shown, lines_a_row, cell)
    grid = [edge]
    for line in range(rows * lines_a_row):
        cells = [(signs.down, "dim")]
        for column in range(columns):
            cells.append((wall if column else "", "dim"))
            zone = line // lines_a_row * columns + column + 1
            inside = (signs.empty if zone in shown.get("resting", ()) else " ", "dim")
            inside = (signs.full, "green") if shown.get("zone") == zone else inside
            cells += [(signs.pointer, "bold") if pointer == (line, column, i) else inside for i in range(cell)]
        cells.append((signs.down, "dim"))
        grid.append(_joined(cells))
        if line == rows * lines_a_row - 1 or (across and line % lines_a_row == lines_a_row - 1):
            grid.append(edge)
    zone_now = shown.get("zone")
    first, *others = grid
    said = "" if zone_now is None else f"plays zone {zone_now}"
    return [_row(name, first, said), *(Text(" " * NAME_WIDTH) + line for line in others)][:height]


def _at(shown: InputFrame, lines_a_row: int, cell: int) -> tuple[int, int, int] | None:
    """Where the pointer is: the line, the column of zones, and the place within the cell."""
    place = shown.get("place")
    if place is None:
        return None
    x, y = place
    columns = shown.get("columns", 1)
    column = min(int(x * columns), columns - 1)
    inside = int((x * columns - column) * cell)
    lines = shown.get("rows", 1) * lines_a_row
    return min(int(y * lines), lines - 1), column, min(inside, cell - 1)


def _joined(cells: Iterable[tuple[str, str]]) -> Text:
    """Signs and their styles as one text, with each style written once for all that stand together."""
    runs = itertools.groupby(cells, key=lambda cell: cell[1])
    return Text.assemble(*(("".join(sign for sign, _ in run), style) for style, run in runs))


def _row(name: str, text: Text, said: str = "", style: str = "") -> Text:
    return Text.assemble(f" {name[:10]:<10} ", text, (f" {said}", style))


def _sides(shown: InputFrame) -> list[tuple[Literal["above", "below"], int, SideFrame]]:
    above, below = shown.get("above"), shown.get("below")
    sides: list[tuple[Literal["above", "below"], int, SideFrame]] = []
    if above is not None:
        sides.append(("above", 1, above))
    if below is not None:
        sides.append(("below", -1, below))
    return sides


def _thresholds(side: SideFrame) -> Iterable[tuple[str, float]]:
    """The most important first."""
    yield "on", side["on"]
    yield "full", side["full"]
    if "firm" in side:
        yield "firm", side["firm"]
    yield "off", side["off"]


def _beyond(shown: InputFrame, sign: int) -> float:
    """The farthest from rest that a pressure went to one side since the last frame."""
    rest = shown.get("rest")
    extreme = shown.get("high") if sign > 0 else shown.get("low")
    return 0.0 if rest is None or extreme is None else sign * (extreme - rest)


def _place(value: float, whole: float, width: int) -> int:
    return min(width, max(0, round(width * value / whole)))


def _number(value: float, side: SideFrame) -> str:
    """With as many decimals as this sensor's efforts are worth, so that the number does not jump about."""
    decimals = 0 if side["full"] >= 100 else 1 if side["full"] >= 10 else 2
    return f"{value:5.{decimals}f}"


def _labels(places: Mapping[str, int], width: int) -> str:
    """Labels below their places, the most important first; one that has no room beside them is left out."""
    line = " " * (width + 8)
    for label, place in places.items():
        end = place + len(label)
        if not line[max(0, place - 1) : end + 1].strip():
            line = line[:place] + label + line[end:]
    return line.rstrip()


class Meter:
    """An input that is heard here and not by a daemon. Subclasses make a frame of what it says."""

    type: ClassVar[str]
    width: ClassVar[int] = 46

    def __init__(self, name: str, conditioner: Conditioner, signs: Signs) -> None:
        self.name, self.signs = name, signs
        self._shown: InputFrame = {
            "type": self.type,
            "there": True,
            "now": None,
            "heard": None,
            "pressed": [],
            "presses": 0,
            **look(conditioner, "Pa"),  # type: ignore[typeddict-item]  # a part of this very form
        }

    def sample(self, sample: Sample, now: int) -> None:
        """A sample of this input."""

    def press(self, source: str, zone: int | None) -> None:
        """The engine heard a press; ``zone`` counts from 1."""
        self._shown["pressed"].append(source)
        self._shown["presses"] += 1
        self._shown["zone"] = zone

    def release(self, source: str) -> None:
        """The engine heard the release."""
        if source in self._shown["pressed"]:
            self._shown["pressed"].remove(source)
        self._shown["zone"] = None

    def lines(self, columns: int = WIDTH) -> list[Text]:
        """The meter as it stands, on a terminal of this many columns."""
        return drawn_meter(self.name, self._shown, self.signs, min(self.width, room_for(columns)))


class SwitchMeter(Meter):
    """On or off: a switch, or whether any key of a MIDI keyboard is down."""

    type = "switch"


class PressureMeter(Meter):
    """A bar from rest to full effort, with the thresholds in it; one for each side."""

    type = "pressure"

    def __init__(self, name: str, conditioner: PressureConditioner, signs: Signs) -> None:
        super().__init__(name, conditioner, signs)
        self._conditioner = conditioner  # its own, so that rest is known: the engine's is nobody else's business

    def sample(self, sample: Sample, now: int) -> None:
        if isinstance(sample, PressureSample):
            self._conditioner.handle(sample, now)
            self._shown["rest"] = self._conditioner.rest
            self._shown["low"] = self._shown["high"] = sample.pascal
        elif isinstance(sample, Lost):
            self._conditioner.lost(now)


class PointerMeter(Meter):
    """The grid of zones, with the pointer in it; the zone that plays is filled."""

    type = "pointer"

    def sample(self, sample: Sample, now: int) -> None:
        if isinstance(sample, PointerSample):
            self._shown["place"] = [sample.x, sample.y]
        elif isinstance(sample, Lost):
            self._shown["place"] = None


METERS: dict[type[Conditioner], Callable[..., Meter]] = {
    PressureConditioner: PressureMeter,
    PointerConditioner: PointerMeter,
}


def meter(name: str, make: MakeConditioner, signs: Signs) -> Meter:
    """The meter for an input of a plan."""
    conditioner = make(itertools.count(1).__next__, Alarm(Timers(), 0))
    return METERS.get(type(conditioner), SwitchMeter)(name, conditioner, signs)


# --- as it was --------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Column:
    """A tenth of a second: how far a pressure was from rest, and what was pressed."""

    when: int
    low: float = 0.0
    high: float = 0.0
    pressed: bool = False
    begins: str = ""  # a press began: the last figure of its zone, or a star


def _root(value: float) -> float:
    return math.copysign(math.sqrt(abs(value)), value)


class StripChart:
    """A chart of an input's last seconds; scrolls to the left, now is at its right edge.

    A column is a tenth of a second.
    """

    longest: ClassVar[int] = 400

    def __init__(self) -> None:
        self._columns: deque[_Column] = deque(maxlen=self.longest)
        self._presses = 0
        self._now = 0

    def add(self, shown: InputFrame, seconds: float) -> None:
        """A frame, and the time of it."""
        self._now = int(seconds * 10)
        if not self._columns or self._columns[-1].when != self._now:
            self._columns.append(_Column(self._now))
            fresh = True
        else:
            fresh = False
        column = self._columns[-1]
        low, high = -_beyond(shown, -1), _beyond(shown, 1)
        column.low, column.high = (low, high) if fresh else (min(column.low, low), max(column.high, high))
        if shown["presses"] > self._presses:
            zone = shown.get("zone")
            column.begins = "*" if zone is None else str(zone % 10)
        self._presses = shown["presses"]
        column.pressed |= bool(shown["pressed"]) or bool(column.begins)

    def presses(self, signs: Signs, width: int) -> Text:
        """One line: where something was pressed; of a pointer, the last figure of the zone."""
        cells = [(signs.empty, "dim")] * width
        for i, column in self._shown(width):
            if column.begins:
                cells[i] = (signs.begins if column.begins == "*" else column.begins, "bold green")
            elif column.pressed:
                cells[i] = (signs.holds, "green")
        return Text.assemble(f" {'presses':<10} ", _joined(cells))

    def pressure(self, shown: InputFrame, signs: Signs, width: int, height: int) -> list[Text]:
        """How far from rest the pressure was, over the thresholds as they are now.

        The scale is that of the square root: near rest, where it is decided what counts, it is wider.
        """
        sides = _sides(shown)
        reach = {sign: 1.1 * side["full"] for _, sign, side in sides}
        least = min(side["off"] for _, _, side in sides)  # of a side that is not asked for
        top, bottom = _root(reach.get(1, least)), _root(-reach.get(-1, least))

        def row(value: float) -> int:
            return round((top - min(top, max(bottom, _root(value)))) / (top - bottom) * (height - 1))

        levels = [("rest", 0.0)]
        levels += [(label, sign * value) for _, sign, side in sides for label, value in _thresholds(side)]
        lines: dict[int, str] = {}
        for label, value in levels:
            lines.setdefault(row(value), label)
        cells = [[(signs.across if y in lines else " ", "dim")] * width for y in range(height)]
        for i, column in self._shown(width):
            for y in range(row(column.high), row(column.low) + 1):
                cells[y][i] = (signs.full, "green" if column.pressed else "")
        return [
            Text.assemble(" " * NAME_WIDTH, _joined(cells[y]), (f" {lines.get(y, '')}", "dim")) for y in range(height)
        ]

    def _shown(self, width: int) -> Iterable[tuple[int, _Column]]:
        for column in self._columns:
            i = width - 1 - (self._now - column.when)
            if 0 <= i < width:
                yield i, column


def block(name: str, shown: InputFrame, trace: StripChart, signs: Signs, size: tuple[int, int]) -> list[Text]:
    """An input as it is and as it was, in at most so many columns and lines: the most telling ones."""
    columns, height = size
    width = room_for(columns)
    lines = drawn_meter(name, shown, signs, width, height)
    if shown["type"] == "pressure" and shown["there"] and height - len(lines) >= 4:
        lines += trace.pressure(shown, signs, width, min(height - len(lines) - 1, 11))
    if len(lines) < height:
        lines.append(trace.presses(signs, width))
    for line in lines:
        line.truncate(columns)
    return lines


# --- what sounds ------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _RollNote:
    part: str
    pitch: int
    begin: int
    end: int | None = None


class Roll:
    """A piano roll that scrolls to the left; now is at its right edge. Drums and notes alike, by name."""

    width: ClassVar[int] = 62
    span: ClassVar[int] = 9 * NANOSECONDS

    def __init__(self, parts: list[str], signs: Signs, height: int, names: Sequence[str] = NAMES) -> None:
        """``names``: of the twelve notes, as the key spells them."""
        self._signs, self._height, self._names = signs, height, names
        self._colours = {part: COLOURS[i % len(COLOURS)] for i, part in enumerate(parts)}
        self._notes: list[_RollNote] = []
        self._rows: list[int] = []  # pitches that have a line, the latest last

    def note_on(self, part: str, pitch: int, now: int) -> None:
        self._notes.append(_RollNote(part, pitch, now))
        if pitch in self._rows:
            self._rows.remove(pitch)
        self._rows = [*self._rows, pitch][-self._height :]

    def note_off(self, part: str, pitch: int, now: int) -> None:
        for note in self._notes:
            if (note.part, note.pitch, note.end) == (part, pitch, None):
                note.end = now

    def lines(self, now: int, columns: int = WIDTH) -> list[Text]:
        """As many lines as the roll is high."""
        width = max(8, min(self.width, columns - NAME_WIDTH - 1))
        self._notes = [note for note in self._notes if note.end is None or note.end > now - self.span]
        drawn = []
        for pitch in sorted(self._rows, reverse=True):
            cells = [(" ", "")] * width
            sounds = False
            for note in self._notes:
                if note.pitch != pitch:
                    continue
                end = now if note.end is None else note.end
                first, last = self._cell(note.begin, now, width), self._cell(end, now, width)
                sounds = sounds or note.end is None
                for i in range(max(first, 0), min(last, width - 1) + 1):
                    cells[i] = (self._signs.begins if i == first else self._signs.holds, self._colours[note.part])
            line = Text(f" {pitch_name(pitch, self._names):>10} ", "bold" if sounds else "dim")
            for sign, style in cells:
                line.append(sign, style)
            drawn.append(line.append(self._signs.down, "dim"))
        return [*drawn, *[Text("")] * (self._height - len(drawn))]

    def _cell(self, t: int, now: int, width: int) -> int:
        """The column of a time; cells stand still on the time line, so that notes do not flicker as they move."""
        return width - 1 - (now * width // self.span - t * width // self.span)
