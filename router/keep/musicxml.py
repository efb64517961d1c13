"""A score as MusicXML 4.0 (W3C Community Group), so that notation programs and engravers show it as it is meant.

No document type is named, as some readers would fetch it. Everything that is seen is written out: accidentals, beams,
tuplets, ties, chord symbols. The key spells the notes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import BinaryIO
from xml.etree import ElementTree as ET

from router.core.midi import PROGRAMS
from router.core.music import LETTERS, Chord, spelt
from router.keep.rhythm import TICKS, bar_ticks, beat_ticks
from router.keep.score import NOTATED, THIRDS, Bar, Sheet, Staff, Value

KINDS: Mapping[tuple[int, ...], tuple[str, tuple[tuple[int, int, str], ...]]] = MappingProxyType(
    {
        (0, 7): ("power", ()),
        (0, 4, 7): ("major", ()),
        (0, 3, 7): ("minor", ()),
        (0, 3, 6): ("diminished", ()),
        (0, 4, 8): ("augmented", ()),
        (0, 2, 7): ("suspended-second", ()),
        (0, 5, 7): ("suspended-fourth", ()),
        (0, 4, 7, 9): ("major-sixth", ()),
        (0, 3, 7, 9): ("minor-sixth", ()),
        (0, 4, 7, 10): ("dominant", ()),
        (0, 4, 7, 11): ("major-seventh", ()),
        (0, 3, 7, 10): ("minor-seventh", ()),
        (0, 3, 6, 9): ("diminished-seventh", ()),
        (0, 3, 6, 10): ("half-diminished", ()),
        (0, 3, 7, 11): ("major-minor", ()),
        (0, 4, 8, 10): ("augmented-seventh", ()),
        (0, 4, 8, 11): ("major-seventh", ((5, 1, "alter"),)),
        (0, 4, 7, 14): ("major", ((9, 0, "add"),)),
        (0, 4, 7, 10, 14): ("dominant-ninth", ()),
        (0, 3, 7, 10, 14): ("minor-ninth", ()),
        (0, 4, 7, 11, 14): ("major-ninth", ()),
        (0, 4, 7, 9, 14): ("major-sixth", ((9, 0, "add"),)),
        (0, 5, 7, 10): ("suspended-fourth", ((7, -1, "add"),)),
        (0, 4, 7, 10, 13): ("dominant", ((9, -1, "add"),)),
        (0, 4, 7, 10, 15): ("dominant", ((9, 1, "add"),)),
    }
)
"""MusicXML's kind of a chord by its shape, and the degrees that it has besides (degree, alteration, how)."""

DRUM_PLACES: Mapping[int, str] = MappingProxyType(
    {35: "F4", 36: "F4", 38: "C5", 40: "C5", 37: "C5", 39: "C5", 42: "G5", 44: "D4", 46: "G5", 49: "A5", 57: "A5"}
    | {51: "F5", 59: "F5", 53: "F5", 41: "G4", 43: "A4", 45: "B4", 47: "B4", 48: "D5", 50: "E5", 54: "B5", 56: "B5"}
)
"""Where drums stand in a staff with a percussion clef. Source, from memory: Weinberg, Drumset Notation (1998)."""
OTHER_DRUM = "B4"
_CYMBALS = frozenset({42, 44, 46, 49, 51, 53, 57, 59})

_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_SHARPS, _FLATS = "FCGDAEB", "BEADGCF"


def write(sheet: Sheet, file: BinaryIO) -> None:
    """Write the score.

    Raises:
        OSError: ``file`` cannot be written.
    """
    root = ET.Element("score-partwise", version="4.0")
    if sheet.title:
        _add(_add(root, "work"), "work-title", sheet.title)
    names = _add(root, "part-list")
    for number, staff in enumerate(sheet.staves, 1):
        part = _add(names, "score-part", id=f"P{number}")
        _add(part, "part-name", staff.name)
        _add(_add(part, "score-instrument", id=f"P{number}-I1"), "instrument-name", _instrument(staff))
        midi = _add(part, "midi-instrument", id=f"P{number}-I1")
        _add(midi, "midi-channel", 10 if staff.drums else (number - 1) % 9 + 1)
        _add(midi, "midi-program", staff.program + 1)
    for number, staff in enumerate(sheet.staves, 1):
        part = _add(root, "part", id=f"P{number}")
        _PartWriter(sheet, staff, first=number == 1).write(part)
    ET.indent(root)
    file.write(b'<?xml version="1.0" encoding="UTF-8"?>\n')
    file.write(ET.tostring(root, encoding="utf-8"))
    file.write(b"\n")


def _instrument(staff: Staff) -> str:
    return "drums" if staff.drums else PROGRAMS[staff.program]


def _add(parent: ET.Element, tag: str, text: object = None, **attributes: str) -> ET.Element:
    child = ET.SubElement(parent, tag, {name.replace("_", "-"): value for name, value in attributes.items()})
    if text is not None:
        child.text = str(text)
    return child


class _PartWriter:
    """Writes one part."""

    def __init__(self, sheet: Sheet, staff: Staff, *, first: bool) -> None:
        self._sheet, self._staff, self._first = sheet, staff, first
        self._key = sheet.music
        self._shown: dict[tuple[str, int], int] = {}  # accidentals of this bar

    def write(self, part: ET.Element) -> None:
        number = 0 if self._sheet.bars[0].upbeat else 1
        for i, bar in enumerate(self._sheet.bars):
            measure = _add(part, "measure", number=str(number))
            if bar.upbeat:
                measure.set("implicit", "yes")
            self._bar(measure, bar, i)
            number += 1

    def _bar(self, measure: ET.Element, bar: Bar, i: int) -> None:
        self._shown.clear()
        if bar.key is not None:
            self._key = bar.key
        if bar.after_gap:  # bars of silence were left out: a double line
            _add(_add(measure, "barline", location="left"), "bar-style", "light-light")
        self._attributes(measure, bar, i)
        if self._first and i == 0:
            self._tempo(measure)
        events = [(at, chord) for at, chord in bar.chords] if self._first else []
        voices = [voice[i] for voice in self._staff.voices]
        voices = [voice for voice in voices if voice] or [[]]
        for number, values in enumerate(voices, 1):
            if number > 1:
                _add(_add(measure, "backup"), "duration", bar.ticks)
            self._voice(measure, bar, values, number, events if number == 1 else [])
        if i == len(self._sheet.bars) - 1:
            _add(_add(measure, "barline", location="right"), "bar-style", "light-heavy")

    def _attributes(self, measure: ET.Element, bar: Bar, i: int) -> None:
        if i and not bar.new_metre and (bar.key is None or self._staff.drums):
            return
        attributes = _add(measure, "attributes")
        if i == 0:
            _add(attributes, "divisions", TICKS)
        if bar.key is not None and not self._staff.drums:
            key = _add(attributes, "key")
            _add(key, "fifths", bar.key.signature.sharps)
            _add(key, "mode", "minor" if bar.key.signature.minor else "major")
        if bar.new_metre:
            time = _add(attributes, "time")
            _add(time, "beats", bar.metre.beats)
            _add(time, "beat-type", bar.metre.beat_type)
        if i == 0:
            clef = _add(attributes, "clef")
            sign, line = self._clef()
            _add(clef, "sign", sign)
            if line:
                _add(clef, "line", line)

    def _clef(self) -> tuple[str, int]:
        if self._staff.drums:
            return "percussion", 0
        pitches = [pitch for voice in self._staff.voices for bar in voice for value in bar for pitch in value.pitches]
        return ("F", 4) if sum(pitches) < 57 * len(pitches) else ("G", 2)

    def _tempo(self, measure: ET.Element) -> None:
        direction = _add(measure, "direction", placement="above")
        metronome = _add(_add(direction, "direction-type"), "metronome")
        dotted = self._sheet.bars[0].metre.compound
        _add(metronome, "beat-unit", "quarter")
        if dotted:
            _add(metronome, "beat-unit-dot")
        _add(metronome, "per-minute", round(self._sheet.tempo / (1.5 if dotted else 1)))
        _add(direction, "sound", tempo=f"{self._sheet.tempo:.2f}")

    def _voice(
        self, measure: ET.Element, bar: Bar, values: Sequence[Value], number: int, chords: list[tuple[int, Chord]]
    ) -> None:
        waiting = [*chords]
        if not values:
            for at, chord in waiting:
                self._harmony(measure, chord, at)
            note = _add(measure, "note")
            _add(note, "rest", measure="yes")
            _add(note, "duration", bar.ticks)
            _add(note, "voice", number)
            return
        beams = _beams(values, bar)
        for i, value in enumerate(values):
            while waiting and waiting[0][0] < value.at + value.lasts:
                at, chord = waiting.pop(0)
                self._harmony(measure, chord, at - value.at)
            bracket = _bracket(values, i)
            for k, pitch in enumerate(value.pitches or (None,)):
                self._note(
                    measure, value, pitch, number, chord=k > 0, beams=beams[i], bracket=bracket if k == 0 else ""
                )

    def _note(
        self,
        measure: ET.Element,
        value: Value,
        pitch: int | None,
        voice: int,
        *,
        chord: bool,
        beams: Sequence[tuple[int, str]],
        bracket: str,
    ) -> None:
        note = _add(measure, "note")
        if chord:
            _add(note, "chord")
        accidental = ""
        if pitch is None:
            _add(note, "rest")
        elif self._staff.drums:
            place = _add(note, "unpitched")
            shown = DRUM_PLACES.get(pitch, OTHER_DRUM)
            _add(place, "display-step", shown[0])
            _add(place, "display-octave", shown[1])
        else:
            accidental = self._pitch(note, pitch, tied=value.tied_from)
        _add(note, "duration", value.lasts)
        for tied, kind in ((value.tied_from, "stop"), (value.tied_to, "start")):
            if tied and pitch is not None:
                _add(note, "tie", type=kind)
        _add(note, "voice", voice)
        kind, dots = (THIRDS[value.lasts], 0) if value.third and value.lasts in THIRDS else NOTATED[value.lasts]
        _add(note, "type", kind)
        for _ in range(dots):
            _add(note, "dot")
        if accidental:
            _add(note, "accidental", accidental)
        if value.third:
            ratio = _add(note, "time-modification")
            _add(ratio, "actual-notes", 3)
            _add(ratio, "normal-notes", 2)
            _add(ratio, "normal-type", "eighth")
        if len(self._staff.voices) > 1 and pitch is not None:
            _add(note, "stem", "up" if voice == 1 else "down")
        if pitch is not None and self._staff.drums and pitch in _CYMBALS:
            _add(note, "notehead", "x")
        if not chord:
            for level, state in beams:
                _add(note, "beam", state, number=str(level))
        ties = [(value.tied_from, "stop"), (value.tied_to, "start")]
        if (pitch is not None and any(tied for tied, _ in ties)) or bracket:
            notations = _add(note, "notations")
            for tied, kind in ties:
                if tied and pitch is not None:
                    _add(notations, "tied", type=kind)
            if bracket:
                _add(notations, "tuplet", type=bracket, bracket="yes" if bracket == "start" else "no")

    def _pitch(self, note: ET.Element, pitch: int, *, tied: bool) -> str:
        """Write a pitch as the key spells it; the accidental that must be shown, if any."""
        name = spelt(self._key.tonic, self._key.scale)[pitch % 12]
        step, alter = name[0], name.count("#") - name.count("b")
        octave = (pitch - alter - LETTERS[step]) // 12 - 1
        place = _add(note, "pitch")
        _add(place, "step", step)
        if alter:
            _add(place, "alter", alter)
        _add(place, "octave", octave)
        sharps = self._key.signature.sharps
        signed = 1 if step in _SHARPS[: max(sharps, 0)] else -1 if step in _FLATS[: max(-sharps, 0)] else 0
        before = self._shown.get((step, octave), signed)
        if alter == before or tied:
            return ""
        self._shown[step, octave] = alter
        return _ACCIDENTALS[alter]

    def _harmony(self, measure: ET.Element, chord: Chord, offset: int) -> None:
        kind, degrees = KINDS.get(chord.shape, ("other", ()))
        harmony = _add(measure, "harmony")
        names = self._key.names
        _root(_add(harmony, "root"), "root", names[chord.root])
        _add(harmony, "kind", kind)
        if chord.bass is not None:
            _root(_add(harmony, "bass"), "bass", names[chord.bass])
        for value, alter, how in degrees:
            degree = _add(harmony, "degree")
            _add(degree, "degree-value", value)
            _add(degree, "degree-alter", alter)
            _add(degree, "degree-type", how)
        if offset > 0:
            _add(harmony, "offset", offset)


def _root(place: ET.Element, prefix: str, name: str) -> None:
    _add(place, f"{prefix}-step", name[0])
    if len(name) > 1:
        _add(place, f"{prefix}-alter", name.count("#") - name.count("b"))


def _bracket(values: Sequence[Value], i: int) -> str:
    """Tell whether a triplet begins or ends with this value."""
    value = values[i]
    if not value.third:
        return ""
    if value.at % TICKS == 0:
        return "start"
    return "stop" if (value.at + value.lasts) % TICKS == 0 else ""


_FLAGS = {"eighth": 1, "16th": 2, "32nd": 3}


def _flags(value: Value) -> int:
    """The beams that a value has; 0 for a rest and for what has none."""
    if not value.pitches:
        return 0
    kind = THIRDS.get(value.lasts, "") if value.third else NOTATED[value.lasts][0]
    return _FLAGS.get(kind, 0)


def _beams(values: Sequence[Value], bar: Bar) -> list[list[tuple[int, str]]]:
    """The beams of each value: notes of one beat share them."""
    beat = beat_ticks(bar.metre)
    shift = bar_ticks(bar.metre) - bar.ticks if bar.upbeat else 0
    found: list[list[tuple[int, str]]] = [[] for _ in values]
    for group in _groups(values, beat, shift):
        for level in (1, 2, 3):
            for i in group:
                if _flags(values[i]) < level:
                    continue
                before = i - 1 in group and _flags(values[i - 1]) >= level
                after = i + 1 in group and _flags(values[i + 1]) >= level
                state = ("continue" if after else "end") if before else "begin" if after else ""
                if not state and level > 1:
                    state = "backward hook" if i - 1 in group else "forward hook"
                if state:
                    found[i].append((level, state))
    return found


def _groups(values: Sequence[Value], beat: int, shift: int) -> Iterator[list[int]]:
    group: list[int] = []
    for i, value in enumerate(values):
        new_beat = group and (value.at + shift) // beat != (values[group[-1]].at + shift) // beat
        if not _flags(value) or new_beat:
            if len(group) > 1:
                yield group
            group = []
        if _flags(value):
            group.append(i)
    if len(group) > 1:
        yield group
