"""A drummer plays a pattern of the General MIDI kit with the child, bar after bar; it belongs on channel 10.

With the first effort the drummer begins, at once; the bars are counted from there, or as the room counts them. While
efforts follow one another the drummer goes on, and ``linger`` after the last has ended ends with a stroke on the next
bar. Behind a ``latch`` a press is for on, and one for off. A part without an input goes with every movement of the
others; ``starts: by itself`` needs none, and plays as long as the profile does.

``style`` is a pattern that every drummer knows: ``beat`` plays the metre itself, whatever it is, and stresses its
groups of beats (2+2+3/8); ``waltz`` is for 3/4, ``six eight`` for 6/8, all others for 4/4. ``one drop`` is that of
reggae: the first beat stays free, bass drum and side stick come on the third. A ``pattern`` of your own has a line for
each drum, its name and then a mark for each step of ``rate``: ``x`` a stroke, ``X`` an accent, ``g`` a ghost note,
``-`` a rest; spaces and ``|`` are for the eye. A line that is shorter than a bar begins again within it, one of several
bars goes on.

With ``fill_every: 4`` each fourth bar has a fill, the style's own or the lines under ``fill``; one that is shorter than
a bar is the end of the bar. ``crash`` has a crash cymbal after a fill, and at the end.

Example::

    rules:
      - drums:
          pattern:
            - closed hi-hat xxxxxxxx
            - acoustic snare --X---X-
            - bass drum 1 X---xx--
          rate: 1/8
          swing: "3:2"
          fill_every: 4
          fill: [acoustic snare xx-X, low floor tom --x-]
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any, ClassVar, NamedTuple

from router.rule import (
    ACCENT,
    DRUMS,
    ENDING,
    LINGER,
    PLAIN,
    STARTS,
    SWING,
    VELOCITY,
    Accompanies,
    Bars,
    Context,
    DrumStrokes,
    Span,
    Stroke,
    Strokes,
    TimeSignature,
    drum_strokes,
    longest,
    within,
)

OWN_SWING = {
    **{word: said for word, said in SWING.items() if word != "default"},
    "description": f"{SWING['description']}; if left out, as the style has it",
}
_CRASH = DRUMS["crash cymbal 1"]
_SOUNDS = Fraction(1, 2)
"""How long a drum's note lasts, in steps: most drums do not mind, and the others are over before the next stroke."""


class Style(NamedTuple):
    """A pattern that is known by name: its step, the lines of the pattern and the fill, its metre and its swing."""

    rate: Fraction
    lines: str
    fill: str
    metre: TimeSignature = TimeSignature()
    swing: Fraction = Fraction(1, 2)


_EIGHTH, _TRIPLET_FEEL = Fraction(1, 8), Fraction(2, 3)
STYLES: Mapping[str, Style] = {
    "rock": Style(
        _EIGHTH,
        "closed hi-hat XxXxXxXx, acoustic snare --X---X-, bass drum 1 X---xx--",
        "closed hi-hat XxXx----, acoustic snare --X-Xx--, low-mid tom ------x-, low floor tom -------x,"
        " bass drum 1 X---x-x-",
    ),
    "four on the floor": Style(
        _EIGHTH,
        "open hi-hat -x-x-x-x, hand clap --X---X-, bass drum 1 X-X-X-X-",
        "open hi-hat -x-x----, hand clap --X---X-, acoustic snare ----xxxX, bass drum 1 X-X-X-X-",
    ),
    "shuffle": Style(
        _EIGHTH,
        "ride cymbal 1 XxXxXxXx, acoustic snare --X---X-, bass drum 1 X---x---, pedal hi-hat --x---x-",
        "ride cymbal 1 XxXx----, acoustic snare --X-Xxx-, low-mid tom -------x, bass drum 1 X---x-x-",
        swing=_TRIPLET_FEEL,
    ),
    "swing": Style(
        _EIGHTH,
        "ride cymbal 1 x-Xxx-Xx, pedal hi-hat --x---x-, bass drum 1 g-g-g-g-",
        "ride cymbal 1 x-Xx----, acoustic snare ----gxgX, pedal hi-hat --x---x-, bass drum 1 g-g-g---",
        swing=_TRIPLET_FEEL,
    ),
    "waltz": Style(
        Fraction(1, 4),
        "bass drum 1 X--, acoustic snare -gg, pedal hi-hat -xx",
        "bass drum 1 X--, acoustic snare -xX, pedal hi-hat -xx",
        metre=TimeSignature(3, 4),
    ),
    "six eight": Style(
        _EIGHTH,
        "closed hi-hat XxxXxx, acoustic snare ---X--, bass drum 1 X----x",
        "closed hi-hat Xxx---, acoustic snare ---Xxx, bass drum 1 X-----",
        metre=TimeSignature(6, 8),
    ),
    "march": Style(
        _EIGHTH,
        "bass drum 1 X---X---, acoustic snare --x-gxx-, pedal hi-hat --x---x-",
        "bass drum 1 X---X---, acoustic snare gxX-XxXx, pedal hi-hat --x---x-",
    ),
    "one drop": Style(
        _EIGHTH,
        "closed hi-hat x-Xgx-Xg, side stick ----X---, bass drum 1 ----X---",
        "closed hi-hat x-Xg----, side stick ----X---, high timbale -----xxx, bass drum 1 ----X---",
        swing=Fraction(3, 5),
    ),
    "bossa nova": Style(
        _EIGHTH,
        "closed hi-hat xxxxxxxx, side stick x--x--x- --x--x--, bass drum 1 x--xx--x",
        "closed hi-hat xxxx----, side stick x--x----, low-mid tom ----x-x-, bass drum 1 x--xx--x",
    ),
}
"""Drummers of many places play these under these names: common practice, no source. The fills are our choice."""
BEAT = "beat"


class DrumsRule(Accompanies):
    """The rule ``drums``; the module's docstring is its manual."""

    name = "drums"
    together = True
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "style": {
                "enum": [BEAT, *STYLES],
                "default": BEAT,
                "description": "a pattern by name; beat plays the metre itself, with its groups of beats",
            },
            "pattern": {
                "type": "array",
                "minItems": 1,
                "maxItems": 16,
                "items": {"quantity": "drum strokes"},
                "description": "a pattern of your own instead: a line for each drum, its name and then its strokes",
                "examples": ["[closed hi-hat x-x-x-x-, bass drum 1 X---X---]"],
            },
            "rate": {
                "quantity": "note value",
                "least": "1/64",
                "default": "1/8",
                "description": "how long a step of your own pattern is",
            },
            "swing": OWN_SWING,
            "fill_every": {
                "type": "integer",
                "minimum": 2,
                "maximum": 64,
                "description": "one bar of so many has a fill, the last; if left out, none has",
            },
            "fill": {
                "type": "array",
                "minItems": 1,
                "maxItems": 16,
                "items": {"quantity": "drum strokes"},
                "description": "a fill of your own, written as a pattern",
                "examples": ["[acoustic snare xxxX, bass drum 1 X---]"],
            },
            "crash": {
                "type": "boolean",
                "default": False,
                "description": "whether a crash cymbal comes after a fill and at the end",
            },
            "velocity": VELOCITY,
            "starts": STARTS,
            "linger": LINGER,
            "ending": ENDING,
        },
        "not": {"required": ["style", "pattern"]},
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        style = STYLES.get(settings["style"]) if "pattern" not in settings else None
        self._pattern: Sequence[DrumStrokes] | None = settings.get("pattern") or (style and _read(style.lines))
        self._fill: Sequence[DrumStrokes] = settings.get("fill") or (_read(style.fill) if style else ())
        self._fill_every: int = settings.get("fill_every", 0)
        self._rate = style.rate if style else settings["rate"]
        self._swing: Fraction = settings.get("swing", style.swing if style else Fraction(1, 2))
        self._crash: bool = settings["crash"]

    def places(self) -> Bars:
        music = self.context.music
        if self._pattern is None:
            return music.bars(Span(whole=Fraction(1, music.time_signature.beat_type)), self._swing)
        return music.bars(Span(whole=self._rate), self._swing)

    def play(self, place: int, now: int) -> Iterable[Stroke]:
        assert self.grid is not None  # it plays
        columns = self.grid.columns
        bar, column = divmod(place, columns)
        lines = self._lines()
        if self._fills(bar):
            length = longest([line.strokes for line in self._fill])
            begins = max(0, columns - length)
            if column >= begins:
                lines, bar, column, columns = self._fill, 0, column - begins, max(columns, length)
        elif self._crash and column == 0 and bar and self._fills(bar - 1):
            yield Stroke(_CRASH, PLAIN, _SOUNDS)
        for line in lines:
            if strength := within(line.strokes, bar, column, columns):
                yield Stroke(line.drum, strength, _SOUNDS)

    def last(self, place: int, now: int) -> Iterable[Stroke]:
        if self._crash:
            yield Stroke(_CRASH, PLAIN, _SOUNDS)
        yield Stroke(DRUMS["bass drum 1"], ACCENT, _SOUNDS)

    def _fills(self, bar: int) -> bool:
        """Tell whether a bar, counted from 0, has a fill."""
        return bool(self._fill_every and self._fill) and bar % self._fill_every == self._fill_every - 1

    def _lines(self) -> Sequence[DrumStrokes]:
        """The pattern; that of the metre has the bass drum on the first beat, a side stick on the other strong ones."""
        if self._pattern is not None:
            return self._pattern
        assert self.grid is not None  # it plays
        signature = self.context.music.time_signature
        strong = [int(at * signature.beat_type / 4) for at in signature.strong]
        beats = range(self.grid.columns)
        marks: Mapping[str, Strokes] = {
            "bass drum 1": tuple(ACCENT * (beat == 0) for beat in beats),
            "side stick": tuple(ACCENT * (beat in strong[1:]) for beat in beats),
            "closed hi-hat": tuple(ACCENT if beat in strong else PLAIN for beat in beats),
        }
        return [DrumStrokes(DRUMS[name], strokes) for name, strokes in marks.items()]


def _read(lines: str) -> list[DrumStrokes]:
    return [drum_strokes(line) for line in lines.split(",")]
