"""Read MusicXML, by parts or by measures, as a score.

    measures    as long as what stands in them, so a pickup is short; where only some parts have more than the time
                signature says, as long as it says; played out with repeats, endings, D.C. and D.S.
    parts       one for each voice of each staff; the first has the part's own name
    pitches     as they sound: transposing instruments are transposed; parts without pitch are drums
    notes       a tie joins its note to the next of its pitch that follows at once; cue notes are left out; a grace note
                takes ``GRACE`` of the note before it
    words       the first verse, and in the second pass of a repeat the second, if there is one
    phrases     breath marks, caesuras, fermatas and the ends of lines break; slurs are kept
    chords      harmony elements; sections: rehearsal marks; tempo: sound elements, else metronome marks

Source: MusicXML 4.0.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import floor

from router.core.music import LETTERS, Chord, TimeSignature
from router.core.song import MOST_BARS, MOST_NOTES, ChordAt, MetreAt, Section, SongNote, TempoAt
from router.songs.chord_kinds import chord_of
from router.songs.error import SongError
from router.songs.repeats import MeasureSigns, play_order
from router.songs.score import (
    STANDARD_TEMPO,
    KeyAt,
    ScorePart,
    WrittenScore,
    believable,
    check_size,
    in_order,
    signature,
    too_long,
)
from router.songs.xml_tree import Element, parse

UNNEEDED = frozenset(
    {
        *("print", "defaults", "credit", "identification", "work", "movement-title", "movement-number", "beam"),
        *("stem", "notehead", "notehead-text", "accidental", "technical", "ornaments", "dynamics-text", "wedge"),
        *("figured-bass", "listening", "listen", "play", "midi-device", "part-group", "clef", "staff-details"),
        *("accidental-mark", "tuplet", "glissando", "slide", "arpeggiate", "non-arpeggiate", "frame", "measure-style"),
        *("part-name-display", "part-abbreviation", "part-abbreviation-display", "footnote", "level", "bar-style"),
        *("type", "dot", "time-modification", "display-step", "display-octave", "instrument-sound", "ensemble", "solo"),
        *("bracket", "dashes", "octave-shift", "pedal", "words", "image", "level", "appearance", "virtual-instrument"),
    }
)
"""Elements that say nothing about what sounds."""
GRACE = Fraction(1, 8)
"""Quarter notes that a grace note lasts, and at most half of the note before it, from which it is taken. Our choice."""
AGAIN = "Open it in a notation program, correct it there, and export it again."
LONGEST_MEASURE = 256
"""Quarter notes. Our choice: four times the longest time signature, for music without measure."""
_QUARTERS = {
    word: Fraction(32, 2**i)
    for i, word in enumerate(
        ("maxima", "long", "breve", "whole", "half", "quarter", "eighth", "16th", "32nd", "64th", "128th")
    )
}
_DYNAMICS = {mark: 16 * (i + 1) for i, mark in enumerate(("ppp", "pp", "p", "mp", "mf", "f", "ff"))} | {"fff": 127}
"""Velocities of dynamic marks, 16 apart. Common practice, no source."""
_VELOCITY = 80
_SNARE = 38
"""A drum whose file does not say which it is: acoustic snare (General MIDI)."""


@dataclass(slots=True)
class _WrittenNote:
    """A note as it is written: ``at`` in its measure, all in quarter notes."""

    at: Fraction
    lasts: Fraction
    pitch: int
    velocity: int
    voice: tuple[int, str]
    grace: bool = False
    tied_on: bool = False
    verses: dict[str, tuple[str, bool]] = field(default_factory=dict)
    """The syllable of each verse, and whether a line ends with it."""
    breaks: bool = False
    slurs_on: tuple[str, ...] = ()
    slurs_off: tuple[str, ...] = ()


@dataclass(slots=True)
class _Measure:
    """All that a part says in a measure; times in the measure."""

    notes: list[_WrittenNote] = field(default_factory=list)
    length: Fraction = Fraction(0)
    metre: TimeSignature | None = None
    keys: list[KeyAt] = field(default_factory=list)
    tempos: list[tuple[Fraction, Fraction]] = field(default_factory=list)
    chords: list[tuple[Fraction, Chord | None]] = field(default_factory=list)
    sections: list[tuple[Fraction, str]] = field(default_factory=list)
    signs: MeasureSigns = field(default_factory=MeasureSigns)


@dataclass(slots=True)
class _FilePart:
    """A part of the file."""

    name: str
    program: int | None
    drums: bool
    unpitched: dict[str, int]
    """The drum of each instrument."""
    measures: list[_Measure] = field(default_factory=list)


def read(data: bytes) -> WrittenScore:
    """Read the bytes of a MusicXML file.

    Raises:
        SongError: it is malformed, or there is too much of something; with what to do.
    """
    root = parse(data, UNNEEDED)
    if root.tag not in ("score-partwise", "score-timewise"):
        raise SongError(
            f'this XML file is no score: it begins with "{root.tag[:40]}"',
            "Export the score as MusicXML.",
            root.line,
        )
    parts = _parts(root)
    if not parts:
        raise SongError("there are no parts in this score", AGAIN)
    return _played_out(parts)


# --- what is written --------------------------------------------------------------------------------------------------


def _parts(root: Element) -> list[_FilePart]:
    written = _by_part(root)
    listed = root.find("part-list")
    about = {each.get("id"): each for each in listed.all("score-part")} if listed else {}
    found = []
    for number, (name, measures) in enumerate(written.items(), 1):
        if len(measures) > MOST_BARS:
            raise too_long()
        part = _described(about.get(name), number)
        reader = _PartReader(part)
        for measure in measures:
            part.measures.append(reader.measure(measure))
        found.append(part)
    return found


def _by_part(root: Element) -> dict[str, list[Element]]:
    """The measures of each part, however the file is ordered."""
    found: dict[str, list[Element]] = defaultdict(list)
    if root.tag == "score-partwise":
        for part in root.all("part"):
            found[part.get("id")] += part.all("measure")
    else:
        for measure in root.all("measure"):
            for part in measure.all("part"):
                found[part.get("id")].append(part)
    return found


def _described(about: Element | None, number: int) -> _FilePart:
    """A part as the list of parts describes it."""
    if about is None:
        return _FilePart(f"Part {number}", None, drums=False, unpitched={})
    name = " ".join((about.text_of("part-name") or about.text_of("score-instrument", "instrument-name")).split())
    unpitched, program, drums = {}, None, False
    for instrument in about.all("midi-instrument"):
        drums = drums or instrument.text_of("midi-channel") == "10"
        sound = _number(instrument, "midi-program", 1, 128)
        program = program if sound is None or program is not None else sound - 1
        drum = _number(instrument, "midi-unpitched", 1, 128)
        if drum is not None:
            unpitched[instrument.get("id")] = drum - 1
    return _FilePart(name[:60] or f"Part {number}", None if drums else program, drums, unpitched)


def _number(element: Element, tag: str, least: int, most: int) -> int | None:
    """A whole number in a child, None if it is not there or is none."""
    text = element.text_of(tag)
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 and least <= int(text) <= most else None


class _PartReader:
    """Reads the measures of a part one after the other, and remembers what goes on from one to the next."""

    def __init__(self, part: _FilePart) -> None:
        self._part = part
        self._divisions = Fraction(1)
        self._transpose = 0
        self._sharps_off = 0
        self._velocity = _VELOCITY
        self._metre = TimeSignature()
        self._into = _Measure()
        self._now = Fraction(0)
        self._last = Fraction(0)
        """When the note before began: where a note of a chord does."""
        self._graces = 0

    def measure(self, measure: Element) -> _Measure:
        """Read a measure."""
        self._into = into = _Measure()
        self._now = self._last = Fraction(0)
        for child in measure.children:
            self._read(child)
            into.length = max(into.length, self._now)
            if into.length > LONGEST_MEASURE:
                raise SongError(
                    f"a measure is longer than {LONGEST_MEASURE} quarter notes", "Divide it into measures.", child.line
                )
        if not into.length and not into.notes:
            into.length = self._metre.quarters
        return into

    def _read(self, child: Element) -> None:
        tag = child.tag
        if tag == "note":
            self._note(child)
        elif tag == "backup":
            self._now = max(self._now - self._duration(child), Fraction(0))
        elif tag == "forward":
            self._now += self._duration(child)
        elif tag == "attributes":
            self._attributes(child)
        elif tag == "direction":
            self._direction(child)
        elif tag == "harmony":
            self._harmony(child)
        elif tag == "sound":
            self._sound(child, self._at(child))
        elif tag == "barline":
            self._barline(child)

    def _duration(self, element: Element) -> Fraction:
        text = element.text_of("duration")
        duration = _fraction(text, element)
        if not 0 <= duration <= 1_000_000_000:
            raise SongError(f'a duration cannot be "{text[:20]}"', AGAIN, element.line)
        return duration / self._divisions

    def _at(self, element: Element) -> Fraction:
        """When a direction takes effect."""
        text = element.text_of("offset")
        offset = _fraction(text, element) / self._divisions if text else Fraction(0)
        return max(self._now + offset, Fraction(0))

    def _attributes(self, attributes: Element) -> None:
        if text := attributes.text_of("divisions"):
            self._divisions = _fraction(text, attributes)
            if not 0 < self._divisions <= 1_000_000:
                raise SongError(f'a quarter note cannot have "{text[:20]}" divisions', AGAIN, attributes.line)
        if (transpose := attributes.find("transpose")) is not None:
            chromatic = _fraction(transpose.text_of("chromatic") or "0", transpose)
            octaves = _fraction(transpose.text_of("octave-change") or "0", transpose)
            self._transpose = round(max(min(chromatic + 12 * octaves, Fraction(60)), Fraction(-60)))
            self._sharps_off = round(chromatic) * 7 % 12
        if (key := attributes.find("key")) is not None and key.text_of("fifths"):
            sharps = (round(_fraction(key.text_of("fifths"), key)) + self._sharps_off + 5) % 12 - 5
            self._into.keys.append(KeyAt(self._now, sharps, key.text_of("mode").lower()))
        if (time := attributes.find("time")) is not None and time.text_of("beats"):
            self._metre = self._into.metre = _metre(time)

    def _note(self, note: Element) -> None:
        grace = note.find("grace") is not None
        chord = note.find("chord") is not None
        lasts = Fraction(0) if grace else self._duration(note)
        at = self._last if chord else self._now
        if not chord:
            self._last = self._now
            self._now += lasts
        if note.find("cue") is not None or note.find("rest") is not None or not (grace or lasts):
            return
        pitch = self._pitch(note)
        if pitch is None:
            return
        self._into.notes.append(self._written(note, at, lasts, pitch, grace=grace))
        if len(self._into.notes) > MOST_NOTES:
            raise SongError("a measure has far too many notes", AGAIN, note.line)

    def _pitch(self, note: Element) -> int | None:
        pitch = note.find("pitch")
        if pitch is None:
            if note.find("unpitched") is None:
                return None
            self._part.drums = True
            used = note.find("instrument")
            drums = self._part.unpitched
            return drums.get(used.get("id") if used else "", next(iter(drums.values()), _SNARE))
        step, octave = pitch.text_of("step"), _number(pitch, "octave", 0, 10)
        if step not in LETTERS or octave is None:
            raise SongError("a note has no pitch that can be read", AGAIN, pitch.line)
        alter = floor(_fraction(pitch.text_of("alter") or "0", pitch) + Fraction(1, 2))  # quarter tones go up
        sounding = LETTERS[step] + alter + 12 * (octave + 1) + self._transpose
        if not 0 <= sounding <= 127:
            raise SongError("a note is outside the range of MIDI", AGAIN, pitch.line)
        return sounding

    def _written(self, note: Element, at: Fraction, lasts: Fraction, pitch: int, *, grace: bool) -> _WrittenNote:
        tied = any(tie.get("type") == "start" for tie in note.all("tie"))
        staff = _number(note, "staff", 1, 99) or 1
        loud = note.get("dynamics")
        velocity = _velocity(loud) or self._velocity
        written = _WrittenNote(at, lasts, pitch, velocity, (staff, note.text_of("voice")), grace, tied)
        for lyric in note.all("lyric"):
            if text := _syllable(lyric):
                ends = lyric.find("end-line") is not None or lyric.find("end-paragraph") is not None
                written.verses.setdefault(lyric.get("number") or "1", (text, ends))
        for notations in note.all("notations"):
            slurs = list(notations.all("slur"))
            written.slurs_on += tuple(slur.get("number") or "1" for slur in slurs if slur.get("type") == "start")
            written.slurs_off += tuple(slur.get("number") or "1" for slur in slurs if slur.get("type") == "stop")
            articulations = notations.find("articulations")
            breathes = articulations is not None and any(
                each.tag in ("breath-mark", "caesura") for each in articulations.children
            )
            written.breaks = written.breaks or breathes or notations.find("fermata") is not None
        return written

    def _direction(self, direction: Element) -> None:
        at = self._at(direction)
        sound = direction.find("sound")
        for kind in direction.all("direction-type"):
            for mark in kind.children:
                if mark.tag == "rehearsal" and mark.text.strip():
                    self._into.sections.append((at, " ".join(mark.text.split())[:60]))
                elif mark.tag == "dynamics" and mark.children:
                    self._velocity = _DYNAMICS.get(mark.children[0].tag, self._velocity)
                elif mark.tag == "metronome" and not (sound and sound.get("tempo")):
                    self._metronome(mark, at)
        if sound is not None:
            self._sound(sound, at + (self._at(sound) - self._now))

    def _metronome(self, mark: Element, at: Fraction) -> None:
        """A mark such as a dotted quarter = 60; one of two note values is of no tempo and is passed over."""
        units = [child for child in mark.children if child.tag == "beat-unit"]
        number = re.search(r"[0-9]{1,4}(\.[0-9]{1,6})?", mark.text_of("per-minute"))
        if len(units) != 1 or not number or units[0].text.strip() not in _QUARTERS:
            return
        unit = _QUARTERS[units[0].text.strip()]
        dots = sum(child.tag == "beat-unit-dot" for child in mark.children[:8])
        tempo = Fraction(number[0]) * unit * (2 - Fraction(1, 2**dots))
        if tempo:
            self._into.tempos.append((at, believable(tempo)))

    def _sound(self, sound: Element, at: Fraction) -> None:
        signs = self._into.signs
        if tempo := sound.get("tempo"):
            self._into.tempos.append((max(at, Fraction(0)), believable(_fraction(tempo, sound))))
        self._velocity = _velocity(sound.get("dynamics")) or self._velocity
        for word, labels in (
            ("segno", signs.segno),
            ("coda", signs.coda),
            ("tocoda", signs.to_coda),
            ("dalsegno", signs.dal_segno),
        ):
            if label := sound.get(word):
                labels.add(label)
        signs.da_capo = signs.da_capo or sound.get("dacapo") == "yes"
        signs.fine = signs.fine or bool(sound.get("fine"))

    def _harmony(self, harmony: Element) -> None:
        try:
            chord = chord_of(harmony, self._transpose)
        except (ValueError, OverflowError) as error:
            raise SongError("a chord symbol cannot be read", AGAIN, harmony.line) from error
        if chord is not None or harmony.text_of("kind") == "none":
            self._into.chords.append((self._at(harmony), chord))

    def _barline(self, barline: Element) -> None:
        signs = self._into.signs
        if (repeat := barline.find("repeat")) is not None:
            if repeat.get("direction") == "forward":
                signs.forward = True
            else:
                times = repeat.get("times")
                signs.backward = int(times) if times.isascii() and times.isdigit() and len(times) < 3 else 2
                signs.after_jump = repeat.get("after-jump") == "yes"
        if (ending := barline.find("ending")) is not None:
            if ending.get("type") == "start":
                words = ending.get("number").replace(",", " ").split()
                numbers = frozenset(int(word) for word in words if word.isascii() and word.isdigit() and len(word) < 3)
                signs.ending_starts = numbers or frozenset({1})
            else:
                signs.ending_stops = True
        labels = ((barline.get("segno"), signs.segno), (barline.get("coda"), signs.coda))
        for label, where in labels:
            if label:
                where.add(label)
        if (sound := barline.find("sound")) is not None:
            self._sound(sound, self._now)


def _fraction(text: str, element: Element) -> Fraction:
    """A decimal number, exact."""
    try:
        if len(text) > 30 or "/" in text or "e" in text.lower():
            raise ValueError(text)
        return Fraction(text.strip())
    except (ValueError, ZeroDivisionError) as error:
        raise SongError(f'"{text[:20]}" is not a number', AGAIN, element.line) from error


def _velocity(text: str) -> int:
    """A velocity from a percentage of forte, which is 90; 0 if there is none."""
    try:
        return max(1, min(127, round(float(text) * 0.9))) if text else 0
    except (ValueError, OverflowError):
        return 0


def _metre(time: Element) -> TimeSignature:
    """A time signature; 3+2/8 is 5/8, and of several one after the other the sum."""
    beats = [child.text for child in time.children if child.tag == "beats"]
    types = [child.text for child in time.children if child.tag == "beat-type"]
    length, finest = Fraction(0), 1
    for numbers, unit in zip(beats, types, strict=False):
        parts = [part.strip() for part in numbers.split("+")]
        if not all(part.isascii() and part.isdigit() and len(part) < 5 for part in (*parts, unit.strip())):
            raise SongError(f'a time signature cannot be "{numbers[:20]}/{unit[:20]}"', AGAIN, time.line)
        if not int(unit):
            raise SongError("a time signature has a beat of no length", AGAIN, time.line)
        length += Fraction(sum(map(int, parts)), int(unit))
        finest = max(finest, int(unit))
    if not length:
        raise SongError("a time signature has no beats", AGAIN, time.line)
    scaled = length * finest
    return signature(scaled.numerator, finest * scaled.denominator)


def _syllable(lyric: Element) -> str:
    """The syllable of a lyric, ending in "-" if its word goes on; syllables joined on one note belong together."""
    texts = [child.text.strip() for child in lyric.children if child.tag in ("text", "elision")]
    text = " ".join(" ".join(texts).split())[:60]
    going_on = [child.text.strip() for child in lyric.children if child.tag == "syllabic"][-1:]
    return f"{text}-" if text and going_on and going_on[0] in ("begin", "middle") else text


# --- played out -------------------------------------------------------------------------------------------------------


def _played_out(parts: Sequence[_FilePart]) -> WrittenScore:
    count = max(len(part.measures) for part in parts)
    columns = [[part.measures[i] for part in parts if i < len(part.measures)] for i in range(count)]
    order = play_order([_signs(column) for column in columns])
    metres, metre_of = [], TimeSignature()
    for column in columns:
        metre_of = next((measure.metre for measure in column if measure.metre), metre_of)
        metres.append(metre_of)
    lengths = [_length(column, metre) for column, metre in zip(columns, metres, strict=True)]
    bars, at = [Fraction(0)], Fraction(0)
    places: list[tuple[int, int, Fraction]] = []
    for measure, count_of in order:
        if lengths[measure]:
            places.append((measure, count_of, at))
            at += lengths[measure]
            bars.append(at)
    if len(bars) < 2:
        raise SongError("there are no measures in this score", AGAIN)
    score = WrittenScore([], [], [], bars)
    for part in parts:
        score.parts += _laid_out(part, places)
        if sum(len(each.notes) for each in score.parts) > 2 * MOST_NOTES:
            break  # check_size says so
    check_size(score)
    for measure, _, begins in places:
        _take_marks(score, columns[measure], begins, metres[measure])
    _finish(score)
    return score


def _length(column: Sequence[_Measure], metre: TimeSignature) -> Fraction:
    """The length of a measure: of the longest part, but one that is too long does not delay those that are right."""
    lengths = [measure.length for measure in column]
    longest = max(lengths)
    return metre.quarters if longest > metre.quarters and metre.quarters in lengths else longest


def _signs(column: Sequence[_Measure]) -> MeasureSigns:
    """The signs of a measure, in whichever part they stand."""
    found = MeasureSigns()
    for measure in column:
        signs = measure.signs
        found.forward |= signs.forward
        found.backward = max(found.backward, signs.backward)
        found.ending_starts |= signs.ending_starts
        found.ending_stops |= signs.ending_stops
        found.segno |= signs.segno
        found.coda |= signs.coda
        found.to_coda |= signs.to_coda
        found.dal_segno |= signs.dal_segno
        found.da_capo |= signs.da_capo
        found.fine |= signs.fine
        found.after_jump |= signs.after_jump
    return found


def _take_marks(score: WrittenScore, column: Sequence[_Measure], begins: Fraction, metre: TimeSignature) -> None:
    """Add to the score what the parts say of all in a measure that begins here."""
    if not score.metres or score.metres[-1].signature != metre:
        score.metres.append(MetreAt(begins, metre))
    score.tempos += [TempoAt(begins + at, tempo) for measure in column for at, tempo in measure.tempos]
    if keys := next((measure.keys for measure in column if measure.keys), None):
        score.keys += [replace(key, at=begins + key.at) for key in keys]
    if sections := next((measure.sections for measure in column if measure.sections), None):
        score.sections += [Section(begins + at, name) for at, name in sections]
    if chords := next((measure.chords for measure in column if measure.chords), None):
        score.chords += [ChordAt(begins + at, chord) for at, chord in chords]


def _finish(score: WrittenScore) -> None:
    """Put the marks in order: the last of what stands at one time counts, and what changes nothing is left out."""
    end = score.bars[-1]
    tempos = {tempo.at: tempo for tempo in score.tempos}
    score.tempos = []
    for at in sorted({Fraction(0), *tempos}):
        tempo = tempos.get(at, TempoAt(at, STANDARD_TEMPO))
        if at < end and (not score.tempos or tempo.tempo != score.tempos[-1].tempo):
            score.tempos.append(tempo)
    chords = {chord.at: chord for chord in score.chords}
    score.chords = [chords[at] for at in sorted(chords) if at < end]
    sections = {section.at: section for section in score.sections}
    score.sections = [sections[at] for at in sorted(sections) if at < end]


def _laid_out(part: _FilePart, places: Sequence[tuple[int, int, Fraction]]) -> list[ScorePart]:
    """The part's voices with the notes of each measure at each of its times."""
    voices: dict[tuple[int, str], ScorePart] = {}
    tied: dict[tuple[int, Fraction], list[tuple[ScorePart, int]]] = defaultdict(list)
    """By pitch and end: the part and the index in it of each note that goes on."""
    slurs: dict[str, tuple[ScorePart, Fraction]] = {}
    count = 0
    for measure, time, begins in places:
        if measure >= len(part.measures):
            continue
        notes = part.measures[measure].notes
        count += len(notes)
        if count > 2 * MOST_NOTES:
            break
        graces: list[_WrittenNote] = []
        for written in notes:
            if written.grace:
                graces.append(written)
                continue
            into = voices.setdefault(written.voice, ScorePart(""))
            at = begins + written.at
            if graces and graces[0].voice == written.voice:
                _add_graces(into, graces, at)
                graces = []
            for slur in written.slurs_off:
                if slur in slurs:
                    where, since = slurs.pop(slur)
                    where.slurs.append((since, at))
            slurs |= dict.fromkeys(written.slurs_on, (into, at))
            if written.breaks:
                into.breaks.append(at + written.lasts)
            if going_on := tied.get((written.pitch, at)):
                where, index = next((each for each in going_on if each[0] is into), going_on[0])
                going_on.remove((where, index))
                where.notes[index] = replace(where.notes[index], lasts=where.notes[index].lasts + written.lasts)
            else:
                where, index = into, len(into.notes)
                into.notes.append(_note(written, at, time, into))
            if written.tied_on:
                tied[written.pitch, at + written.lasts].append((where, index))
    return _named(part, voices)


def _note(written: _WrittenNote, at: Fraction, time: int, into: ScorePart) -> SongNote:
    text, ends = written.verses.get(str(time)) or next(iter(written.verses.values()), ("", False))
    if ends:
        into.breaks.append(at + written.lasts)
    return SongNote(at, written.lasts, written.pitch, written.velocity, text)


def _add_graces(into: ScorePart, graces: Sequence[_WrittenNote], at: Fraction) -> None:
    """Add grace notes before a note; the note before them gives the time."""
    groups = [[grace] for grace in graces]
    before = [i for i, note in enumerate(into.notes[-8:], max(0, len(into.notes) - 8)) if note.at < at <= note.end]
    free = min((at - into.notes[i].at for i in before), default=min(at, Fraction(1)))
    if not before and into.notes:
        free = min(at - max(note.at for note in into.notes[-8:]), free)
    length = min(GRACE, free / 2 / len(groups)) if free > 0 else Fraction(0)
    if not length:
        return
    first = at - length * len(groups)
    for i in before:
        into.notes[i] = replace(into.notes[i], lasts=first - into.notes[i].at)
    for number, group in enumerate(groups):
        for grace in group:
            into.notes.append(SongNote(first + number * length, length, grace.pitch, grace.velocity))


def _named(part: _FilePart, voices: dict[tuple[int, str], ScorePart]) -> list[ScorePart]:
    """The voices with their names, from the first staff down."""
    staves = sorted({staff for staff, _ in voices})
    found = []
    for staff in staves:
        own = [voice for voice in voices if voice[0] == staff]
        for number, voice in enumerate(sorted(own, key=_by_number), 1):
            into = voices[voice]
            suffix = f" staff {staff}" if staff != staves[0] else ""
            suffix += f" voice {number}" if number > 1 else ""
            into.name = f"{part.name}{suffix}"
            into.program = None if part.drums else part.program
            into.drums = part.drums
            into.notes = list(in_order(into.notes))
            found.append(into)
    return found


def _by_number(voice: tuple[int, str]) -> tuple[int, str]:
    """Order voices by their numbers."""
    number = voice[1]
    return (int(number) if number.isascii() and number.isdigit() and len(number) < 9 else 0, number)
