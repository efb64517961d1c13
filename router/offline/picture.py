"""A picture (SVG) of who played what.

Time runs from left to right, with the chords and a lane for each player with notes and efforts.

A note of the chord of its moment is filled, another one is hollow; so it reads in grey, too. Colours are those of Okabe
and Ito, Color Universal Design (2008): told apart by all eyes. The picture stands alone: nothing is fetched, nothing
runs, and it has a background of its own, dark where the reader's screen is. A screen reader is given its title and a
description.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from html import escape

from router.core.music import Grid, Music, Span, pitch_name
from router.core.units import NANOSECONDS

COLOURS = (("#0072B2", "#56B4E9"), ("#C44F00", "#E69F00"), ("#00795A", "#2BC79A"), ("#A34C80", "#CC79A7"))
"""One for each lane of a child, on light and on dark ground: blue, vermillion, bluish green and reddish purple, of
Okabe and Ito, the last three of the first kind a little darker, and the third of the second lighter, for contrast.
Lanes after the last begin again."""
PLAIN = ("#404040", "#C8C8C8")
"""The colours of the keyboard."""

SECOND = 22.0
"""How wide a second is."""
ROW = 3.6
"""How high a semitone is."""
LEFT, RIGHT = 150.0, 24.0
NARROWEST = 1000.0
"""Room for the legend, however short the piece is."""
TITLE, BAND, GAP = 92.0, 26.0, 20.0
EFFORTS = 14.0
FEWEST = 14
"""Semitones of a lane at least, so that its words have room."""


@dataclass(slots=True)
class DrawnNote:
    """A note in nanoseconds; ``fits``: whether it belongs to the chord of its beginning, None where there is none."""

    part: str
    pitch: int
    start: int
    end: int | None = None
    fits: bool | None = None


@dataclass(slots=True)
class DrawnEffort:
    """A press of a source."""

    source: str
    start: int
    end: int | None = None


@dataclass(slots=True)
class Lane:
    """A player: the notes by part, and the efforts behind them. ``plain``: no child, so without a colour."""

    name: str
    about: tuple[str, ...] = ()
    plain: bool = False
    notes: list[DrawnNote] = field(default_factory=list)
    efforts: list[DrawnEffort] = field(default_factory=list)

    def note_on(self, part: str, pitch: int, now: int, *, fits: bool | None = None) -> None:
        """A note begins."""
        self.notes.append(DrawnNote(part, pitch, now, fits=fits))

    def note_off(self, part: str, pitch: int, now: int) -> None:
        """End a note; no harm if there is none."""
        for note in reversed(self.notes):
            if (note.part, note.pitch, note.end) == (part, pitch, None):
                note.end = now
                return

    def press(self, source: str, now: int) -> None:
        """An effort begins."""
        self.efforts.append(DrawnEffort(source, now))

    def release(self, source: str, now: int) -> None:
        """End an effort; no harm if there is none."""
        for effort in reversed(self.efforts):
            if (effort.source, effort.end) == (source, None):
                effort.end = now
                return

    @property
    def parts(self) -> list[str]:
        """In the order in which they began."""
        return list(dict.fromkeys(note.part for note in self.notes))


@dataclass(slots=True)
class Picture:
    """All that is drawn, with its times in nanoseconds. ``music`` is that of the first bar.

    ``end`` is where the picture ends, and ``last_bar`` where the last bar does: what follows rings on. ``chords`` and
    ``keys``: what holds from a time on. ``held``: from when to when the chord was held fast.
    """

    title: str
    music: Music
    end: int
    last_bar: int
    lanes: list[Lane]
    chords: list[tuple[int, str]] = field(default_factory=list)
    keys: list[tuple[int, str]] = field(default_factory=list)
    held: list[tuple[int, int]] = field(default_factory=list)


def svg(picture: Picture) -> str:
    """The picture as a file."""
    drawing = _Drawing(picture)
    return "\n".join(drawing.lines()) + "\n"


class _Drawing:
    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._seconds = picture.end / NANOSECONDS
        self._width = max(NARROWEST, LEFT + RIGHT + SECOND * self._seconds)
        self._spans = [_range(lane) for lane in picture.lanes]
        self._heights = [
            (high - low + 1) * ROW + (EFFORTS if lane.efforts else 0)
            for lane, (low, high) in zip(picture.lanes, self._spans, strict=True)
        ]
        self._top = TITLE + BAND + 8
        self._bottom = self._top + sum(self._heights) + GAP * len(self._heights)
        self._height = self._bottom + 66

    def lines(self) -> Iterator[str]:
        width, height = _number(self._width), _number(self._height)
        yield '<?xml version="1.0" encoding="UTF-8"?>'
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
            'role="img" aria-labelledby="title desc">'
        )
        yield f'<title id="title">{escape(self._picture.title)}</title>'
        yield f'<desc id="desc">{escape(self._described())}</desc>'
        yield f"<style>{self._style()}</style>"
        yield (
            '<defs><pattern id="held" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
            '<path class="hatch" d="M0 0V6"/></pattern></defs>'
        )
        yield f'<rect class="paper" width="{width}" height="{height}"/>'
        yield f'<text class="big" x="16" y="28">{escape(self._picture.title)}</text>'
        yield from self._legend()
        yield from self._grid()
        yield from self._harmony()
        top = self._top
        for i, lane in enumerate(self._picture.lanes):
            yield from self._lane(lane, i, top)
            top += self._heights[i] + GAP
        yield from self._axis()
        yield "</svg>"

    def _described(self) -> str:
        picture = self._picture
        said = [
            (
                f"Time runs from left to right over {self._seconds:.0f} seconds, {float(picture.music.tempo):g} quarter"
                " notes a minute."
            )
        ]
        if picture.keys:
            said.append("Keys: " + "; ".join(f"{name} from {_at(when)}" for when, name in picture.keys) + ".")
        if picture.chords:
            said.append("Chords: " + ", ".join(f"{name} at {_at(when)}" for when, name in picture.chords) + ".")
        for lane in picture.lanes:
            fit = sum(note.fits is True for note in lane.notes)
            words = f"{lane.name}: {len(lane.notes)} notes ({', '.join(lane.parts)})"
            if any(note.fits is not None for note in lane.notes):
                words += f", {fit} of them of the chord of their moment"
            said.append(words + (f", from {len(lane.efforts)} efforts." if lane.efforts else "."))
        return " ".join(said)

    def _style(self) -> str:
        def colours(dark: int) -> str:
            lanes = "".join(f".lane{i}{{color:{pair[dark]}}}" for i, pair in enumerate(COLOURS))
            return f"{lanes}.plain{{color:{PLAIN[dark]}}}"

        return (
            "text{font-family:system-ui,sans-serif;font-size:13px;fill:#222}.big{font-size:18px;font-weight:bold}.bold{font-weight:bold}"
            ".small{font-size:11px}.faint{fill:#555}.mid{text-anchor:middle}.end{text-anchor:end}"
            ".paper{fill:#fff}.lane{fill:#f6f6f6}.box{fill:#fff;stroke:#555}.held{fill:url(#held)}"
            ".line{stroke:#bbb;stroke-width:.6;fill:none}.hatch{stroke:#777;stroke-width:1.6}.beat{stroke:#e6e6e6;stroke-width:.6}.bar{stroke:#888;stroke-width:.9}"
            ".key{stroke:#222;stroke-width:1;stroke-dasharray:4 4}"
            ".on{fill:currentColor;stroke:currentColor;stroke-width:.7}.off{fill:#fff;stroke:currentColor;stroke-width:.9}"
            ".effort{stroke:currentColor;stroke-width:2}.tick{stroke:currentColor;stroke-width:1.4}"
            f"{colours(0)}"
            "@media screen and"
            " (prefers-color-scheme:dark){text{fill:#eee}.faint{fill:#bbb}.paper{fill:#161616}.lane{fill:#202020}"
            ".box,.off{fill:#161616}.box{stroke:#aaa}.line{stroke:#555}.beat{stroke:#2c2c2c}.bar{stroke:#777}.key{stroke:#eee}"
            f"{colours(1)}}}"
        )

    def _legend(self) -> Iterator[str]:
        y = 50.0
        filled = any(note.fits for lane in self._picture.lanes for note in lane.notes)
        x = 16.0
        shown: list[tuple[str, str]] = []
        if filled:
            shown = [
                ("on", "a note of the chord of its moment"),
                ("off", "another note (of the key)"),
            ]
        for kind, words in shown:
            yield f'<rect class="{kind} lane0" x="{_number(x)}" y="{y - 7}" width="22" height="7"/>'
            yield f'<text class="small" x="{_number(x + 28)}" y="{y}">{words}</text>'
            x += 50 + 5.9 * len(words)
        if any(lane.efforts for lane in self._picture.lanes):
            yield (
                f'<path class="tick lane0" d="M{_number(x)} {y - 9}v9"/><path class="effort lane0" d="M{_number(x)}'
                f' {y - 3}h22"/>'
            )
            words = "an effort, from its press to its release"
            yield f'<text class="small" x="{_number(x + 28)}" y="{y}">{words}</text>'
            x += 50 + 5.9 * len(words)
        if self._picture.held:
            yield f'<rect class="held" x="{_number(x)}" y="{y - 9}" width="22" height="10"/>'
            yield f'<text class="small" x="{_number(x + 28)}" y="{y}">the chord is held fast by a pedal</text>'

    def _grid(self) -> Iterator[str]:
        music, bottom = self._picture.music, _number(self._bottom)
        beats, bars = music.grid(Span(whole=music.time_signature.beat / 4)), music.grid(Span(bars=Fraction(1)))
        path = "".join(f"M{_number(self._x(t))} {TITLE}V{bottom}" for t in self._places(beats) if not self._is_bar(t))
        yield f'<path class="beat" d="{path}"/>'
        path = "".join(f"M{_number(self._x(t))} {TITLE - 4}V{bottom}" for t in self._places(bars))
        yield f'<path class="bar" d="{path}"/>'
        for number, t in enumerate(self._places(bars), 1):
            if t < self._picture.last_bar:
                yield f'<text class="small faint" x="{_number(self._x(t) + 3)}" y="{TITLE - 6}">{number}</text>'
        yield f'<text class="small faint end" x="{LEFT - 8}" y="{TITLE - 6}">bar</text>'

    def _is_bar(self, t: int) -> bool:
        bars = self._picture.music.grid(Span(bars=Fraction(1)))
        return bars.at(bars.nearest(t)) == t

    def _places(self, grid: Grid) -> Iterator[int]:
        place = 0
        while (t := grid.at(place)) <= self._picture.end:
            yield t
            place += 1

    def _harmony(self) -> Iterator[str]:
        chords, keys, end = self._picture.chords, self._picture.keys, self._picture.end
        y = TITLE + 2
        if chords:
            yield f'<text class="bold end" x="{LEFT - 8}" y="{y + 16}">chord</text>'
        for (start, name), (until, _) in zip(chords, [*chords[1:], (end, "")], strict=False):  # there may be no chords
            x, width = self._x(start), self._x(until) - self._x(start)
            yield f'<rect class="box" x="{_number(x)}" y="{y}" width="{_number(width)}" height="{BAND}"/>'
            if width > 8 * len(name):
                yield f'<text class="bold mid" x="{_number(x + width / 2)}" y="{y + 16}">{escape(name)}</text>'
        for start, until in self._picture.held:
            x, width = self._x(start), self._x(until) - self._x(start)
            yield f'<rect class="held" x="{_number(x)}" y="{y + BAND - 8}" width="{_number(width)}" height="8"/>'
        for i, (start, name) in enumerate(keys):
            x = self._x(start)
            if i:
                yield (
                    f'<path class="key" d="M{_number(x)} {TITLE - 26}V{TITLE + 2}M{_number(x)}'
                    f' {TITLE + BAND + 2}V{_number(self._bottom)}"/>'
                )
            yield (
                f'<text class="small bold" x="{_number(x + (4 if i else 0))}" y="{TITLE - 19}">key:'
                f" {escape(name)}</text>"
            )

    def _lane(self, lane: Lane, place: int, top: float) -> Iterator[str]:
        low, high = self._spans[place]
        rows = (high - low + 1) * ROW
        number = sum(not other.plain for other in self._picture.lanes[:place]) % len(COLOURS)
        yield f'<g class="{"plain" if lane.plain else f"lane{number}"}">'
        right = self._x(self._picture.end)
        yield (
            f'<rect class="lane" opacity=".55" x="{LEFT}" y="{_number(top)}" width="{_number(right - LEFT)}"'
            f' height="{_number(rows)}"/>'
        )
        yield f'<text class="bold" x="16" y="{_number(top + 13)}">{escape(lane.name)}</text>'
        for i, words in enumerate(lane.about):
            yield f'<text class="small faint" x="16" y="{_number(top + 28 + 13 * i)}">{escape(words)}</text>'
        for pitch in range(low, high + 1):
            if pitch % 12 == 0:
                y = top + (high - pitch + 0.5) * ROW
                yield f'<path class="line" d="M{LEFT} {_number(y)}H{_number(right)}"/>'
                yield (
                    f'<text class="small faint end" x="{LEFT - 6}"'
                    f' y="{_number(y + 3.5)}">{pitch_name(pitch, self._picture.music.names)}</text>'
                )
        parts = lane.parts
        for note in lane.notes:
            yield self._note(note, top + (high - note.pitch) * ROW, thin=parts.index(note.part) % 2 == 1)
        y = top + rows + EFFORTS / 2 + 2
        for effort in lane.efforts:
            x, until = self._x(effort.start), self._x(self._picture.end if effort.end is None else effort.end)
            yield (
                f'<path class="effort" d="M{_number(x)} {_number(y)}H{_number(until)}"><title>{escape(effort.source)}, '
                f"{_at(effort.start)}</title></path>"
            )
            yield f'<path class="tick" d="M{_number(x)} {_number(y - 5)}v10"/>'
        yield "</g>"

    def _note(self, note: DrawnNote, y: float, *, thin: bool) -> str:
        end = self._picture.end if note.end is None else min(note.end, self._picture.end)
        x, width = self._x(note.start), max(1.2, self._x(end) - self._x(note.start))
        high = ROW * (0.5 if thin else 0.9)
        said = f"{note.part} {pitch_name(note.pitch, self._picture.music.names)}, {_at(note.start)}"
        return (
            f'<rect class="note {"off" if note.fits is False else "on"}" x="{_number(x)}"'
            f' y="{_number(y + (ROW - high) / 2)}" width="{_number(width)}"'
            f' height="{_number(high)}"><title>{escape(said)}</title></rect>'
        )

    def _axis(self) -> Iterator[str]:
        y = self._bottom
        yield f'<path class="bar" d="M{LEFT} {_number(y)}H{_number(self._x(self._picture.end))}"/>'
        step = 5 if self._seconds <= 120 else 15
        for second in range(0, int(self._seconds) + 1, step):
            x = self._x(second * NANOSECONDS)
            yield f'<path class="bar" d="M{_number(x)} {_number(y)}v6"/>'
            yield f'<text class="small mid" x="{_number(x)}" y="{_number(y + 18)}">{second}</text>'
        yield f'<text class="small end" x="{LEFT - 8}" y="{_number(y + 18)}">seconds</text>'
        yield (
            f'<text class="small faint" x="16" y="{_number(y + 46)}">Thin lines up and down are beats, stronger ones'
            " bars. In a lane, higher is a higher note; C4 is middle C.</text>"
        )

    def _x(self, when: int) -> float:
        return LEFT + SECOND * when / NANOSECONDS


def _range(lane: Lane) -> tuple[int, int]:
    """The lowest and the highest note that a lane has room for."""
    pitches: Sequence[int] = [note.pitch for note in lane.notes] or [60]
    low, high = min(pitches) - 1, max(pitches) + 1
    more = max(0, FEWEST - (high - low + 1))
    return max(0, low - more // 2), min(127, high + more - more // 2)


def _at(when: int) -> str:
    return f"{when / NANOSECONDS:.2f} s"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


__all__ = ["DrawnEffort", "DrawnNote", "Lane", "Picture", "svg"]
