"""The music of an ABC text: from its signs to measures, each with what sounds in it and how it is repeated.

Nothing is played out here: a measure knows that it begins or ends a repeat, and ``unfold.py`` puts them in order.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from router.core.midi import PROGRAMS
from router.core.music import LETTERS, Chord, TimeSignature, chord_symbol
from router.core.song import MOST_BARS, MOST_NOTES, MOST_PARTS
from router.core.units import QuantityError
from router.songs.abc import fields
from router.songs.abc.text import Line, length, readable
from router.songs.error import SongError


@dataclass(slots=True)
class Tone:
    """A note of a sound: its pitch, whether it is tied to the next, and how it is written (letter and octave)."""

    pitch: int
    tied: bool
    written: tuple[str, int]


@dataclass(slots=True)
class Sound:
    """Notes that begin together, or a rest (no tones); ``lasts`` in quarter notes.

    ``verses``: its syllable in each verse; ``sung``: of how many. ``chord``: the chord symbol above it, if ``symbol``.
    ``begins``: the signs that make it the first of a phrase: "line", "breath". ``opens``, ``closes``: how many slurs.
    """

    tones: tuple[Tone, ...]
    lasts: Fraction
    line: Line
    at: int
    grace: tuple[int, ...] = ()
    verses: dict[int, str] = field(default_factory=dict)
    sung: int = 0
    symbol: bool = False
    chord: Chord | None = None
    tempo: Fraction | None = None
    begins: set[str] = field(default_factory=set)
    opens: int = 0
    closes: int = 0


@dataclass(slots=True)
class Measure:
    """A bar as written. ``times``: how often what ends here is played; ``endings``: the passes that it is in."""

    sounds: list[Sound] = field(default_factory=list)
    metre: TimeSignature | None = None
    section: str = ""
    begins_repeat: bool = False
    times: int = 1
    endings: frozenset[int] = frozenset()
    closes: bool = False

    @property
    def lasts(self) -> Fraction:
        """Its length in quarter notes."""
        return sum((sound.lasts for sound in self.sounds), Fraction(0))


@dataclass(slots=True)
class Voice:
    """One voice as it is written, and where its reading stands."""

    name: str
    key: fields.VoiceKey
    unit: Fraction
    metre: TimeSignature | None
    measures: list[Measure] = field(default_factory=lambda: [Measure()])
    program: int | None = None
    drums: bool = False
    accidentals: dict[str, int] = field(default_factory=dict)
    ties: dict[tuple[str, int], int] = field(default_factory=dict)
    dotted: Fraction | None = None  # what the next note's length is multiplied by
    tuplet: list[Fraction] = field(default_factory=list)
    sung: list[list[Sound]] = field(default_factory=list)  # by measure, of the line of music before
    verse: int = 0
    goes_on: bool = False  # the line ended in a backslash
    breath: bool = False
    slurs: int = 0  # that the next sound opens
    chord: tuple[Chord | None] | None = None
    tempo: Fraction | None = None
    grace: tuple[int, ...] = ()
    count: int = 0

    @property
    def measure(self) -> Measure:
        """The measure that is being read."""
        return self.measures[-1]


IGNORED = frozenset("ABCDFGHNORSTUWXZmrs")
"""Fields that say nothing of the music itself, or only to a printer (ABC 2.1, section 3)."""

_HOLDS = frozenset("_-*")
"""Signs for a note without a syllable of its own: the one before is held, or nothing is sung."""

_SPACE = re.compile(r"[ \t`]+")
_NOTE = re.compile(r"(\^\^|\^|__|_|=)?([A-Ga-g])([,']*)")
_REST = re.compile(r"([zxZX])")
_TUPLET = re.compile(r"\(([2-9])(?::([0-9]{0,2}))?(?::([0-9]{0,2}))?")
_DECORATION = re.compile(r"!([^!|\s][^!|]*)!|\+([^+|\s][^+|]*)\+")
_QUOTED = re.compile(r'"((?:[^"\\]|\\.)*)"')
_INLINE = re.compile(r"\[([A-Za-z]):([^\]]*)\]")
_BAR = re.compile(r"\.?(\[\||\|\]|:+\|+\]?:*|::+|\|+:*|\|+)(\[?(?=[0-9]))?")
_ENDING = re.compile(r"\[?([0-9]{1,2}(?:[,-][0-9]{1,2})*)(?![0-9/])")
_BROKEN = re.compile(r"(>{1,3}|<{1,3})")
_ORNAMENTS = frozenset(".~HLMOPSTuvJRWkK")
"""Signs for how a note is played (a dot for staccato, ~ for a roll, T for a trill): they change no note here."""

_JUMPS = frozenset({"d.c.", "d.s.", "dacapo", "dacoda", "d.c.alcoda", "d.c.alfine", "d.s.alcoda", "d.s.alfine"})
_NOTES_HINT = (
    "Notes are C to B and c to b, with , and ' for octaves, ^ sharp, _ flat, = natural; z is a rest; a number behind"
    " a note is its length."
)


class Body:
    """Reads the lines of music and of words into voices."""

    def __init__(self, key: fields.VoiceKey, metre: TimeSignature | None, unit: Fraction) -> None:
        self.voices: dict[str, Voice] = {}
        self._key, self._metre, self._unit = key, metre, unit
        self._now: Voice | None = None
        self._count = 0

    @property
    def now(self) -> Voice:
        """The voice that is being written."""
        if self._now is None:
            self._now = self.voice("1")
        return self._now

    def voice(self, identity: str) -> Voice:
        """The voice of this name; a new one if there is none yet."""
        found = self.voices.get(identity)
        if found is None:
            found = Voice("", self._key, self._unit, self._metre)
            self.voices[identity] = found
        return found

    def field(self, line: Line) -> None:
        """Read a field line in the body, or a voice's of the header.

        Raises:
            SongError: it cannot be understood.
        """
        if line.field == "w":
            self._words(line)
        else:
            self._field(line, line.field, line.text, 0)

    def _field(self, line: Line, name: str, text: str, at: int) -> None:
        if name == "V":
            self.choose(line, text, at)
        elif name == "K":
            self.now.key = fields.key(line, text, at, self.now.key)
        elif name == "M":
            self.now.metre = self.now.measure.metre = fields.metre(line, text, at)
        elif name == "L":
            self.now.unit = fields.unit(line, text, at)
        elif name == "Q":
            self.now.tempo = fields.tempo(line, text, self.now.unit, at) or self.now.tempo
        elif name == "P":
            if self.now.measure.sounds:
                self._bar_line(Measure())
            self.now.measure.section = readable(text)[:40]
        elif name == "I":
            self._instruction(text)
        elif name not in IGNORED:
            raise line.wrong(f'"{name}:" cannot be used here', "", at)

    def choose(self, line: Line, text: str, at: int) -> None:
        """Go on with the voice that a "V:" field names; what it says of clef, octave and name is kept."""
        words = text.split()
        if not words:
            raise line.wrong("a voice needs a name", "For example V:1 or V:tune.", at)
        if len(self.voices) >= MOST_PARTS and words[0] not in self.voices:
            raise line.wrong(f"these are too many voices: over {MOST_PARTS}", "", at)
        self._now = voice = self.voice(words[0])
        rest = text.strip()[len(words[0]) :]
        if found := re.search(r"\b(?:name|nm)\s*=\s*(\"[^\"]*\"|\S+)", rest):
            voice.name = readable(found[1].strip('"'))[:40]
        elif not voice.name and not words[0].isdigit():
            voice.name = words[0][:40]
        if re.search(r"(clef|octave|transpose)\s*=|(treble|bass)[+-]8", rest):
            voice.key = fields.key(line, rest, at, voice.key)
        if re.search(r"clef\s*=\s*perc", rest):
            voice.drums = True

    def _instruction(self, text: str) -> None:
        found = re.fullmatch(r"\s*MIDI\s*=?\s*program\s+(?:[0-9]{1,2}\s+)?([0-9]{1,3})\s*", text)
        if found and int(found[1]) < len(PROGRAMS):
            self.now.program = int(found[1])

    # --- words ------------------------------------------------------------------------------------------------------

    def _words(self, line: Line) -> None:
        voice = self.now
        if not voice.sung:
            raise line.wrong(
                "these words stand under no music", "Words (w:) stand below the line that they are sung to."
            )
        bars = [list(bar) for bar in voice.sung if bar]
        verse, voice.verse = voice.verse, voice.verse + 1
        for sound in (sound for bar in bars for sound in bar):
            sound.sung = voice.verse
        for at, syllable in _syllables(line.text):
            if syllable == "|":
                bars = bars[1:]
                continue
            while bars and not bars[0]:
                bars = bars[1:]
            if bars:
                sound = bars[0].pop(0)
                if syllable not in _HOLDS:
                    sound.verses[verse] = syllable
            elif syllable not in _HOLDS:
                raise line.wrong(
                    f'there is no note left for "{syllable}"',
                    "The line above has fewer notes than these words have syllables; - parts syllables, ~ joins words.",
                    at,
                )

    # --- music ------------------------------------------------------------------------------------------------------

    def music(self, line: Line) -> None:
        """Read a line of music.

        Raises:
            SongError: a sign in it cannot be understood.
        """
        voice = self.now
        if not voice.goes_on:
            voice.sung, voice.verse = [[]], 0
        first = not voice.goes_on
        text = line.text
        voice.goes_on = text.endswith("\\")
        if voice.goes_on:
            text = text[:-1]
        at, count = 0, voice.count
        while at < len(text):
            at = self._sign(line, text, at)
            voice = self.now
            if first and voice.count > count and voice.measures:
                first = False
                self._mark_line(voice)

    @staticmethod
    def _mark_line(voice: Voice) -> None:
        """Note that the latest sound begins a line of music."""
        for measure in reversed(voice.measures):
            if measure.sounds:
                measure.sounds[-1].begins.add("line")
                return

    def _sign(self, line: Line, text: str, at: int) -> int:
        """Read one sign; return where the next begins."""
        voice = self.now
        if found := _SPACE.match(text, at):
            return found.end()
        if text.startswith(("(", ")", "y", "$"), at) and not _TUPLET.match(text, at):
            self._slur(voice, text[at])
            return at + 1  # y and $ are for a printer
        if found := _INLINE.match(text, at):
            self._field(line, found[1], found[2], found.start(2))
            return found.end()
        if found := _TUPLET.match(text, at):
            self._begin_tuplet(line, found)
            return found.end()
        if found := _QUOTED.match(text, at):
            self._symbol(line, found[1], at + 1)
            return found.end()
        if found := _DECORATION.match(text, at):
            self._decoration(line, (found[1] or found[2]).strip(), at)
            return found.end()
        if text[at] == "{":
            return self._grace(line, text, at)
        if (found := _BAR.match(text, at)) and found[0]:
            self._bar(line, found[1], at)
            end = found.end()
            ending = _ENDING.match(text, end)
            return self._ending(line, ending) if ending and (found[2] or text[end - 1] != ":") else end
        if (found := _ENDING.match(text, at)) and text[at] == "[":
            if voice.measure.sounds:
                self._bar_line(Measure())
            return self._ending(line, found)
        if text[at] in ("[", *"^_=ABCDEFGabcdefg"):
            return self._notes(line, text, at)
        if found := _REST.match(text, at):
            return self._rest(line, text, found)
        if found := _BROKEN.match(text, at):
            self._break(line, found)
            return found.end()
        if text[at] == "-":  # a tie that stands apart from its note
            sounds = voice.measure.sounds or (voice.measures[-2].sounds if len(voice.measures) > 1 else [])
            if not sounds:
                raise line.wrong("a tie (-) stands behind no note", "", at)
            self._tie(voice, sounds[-1].tones)
            return at + 1
        if text[at] in _ORNAMENTS or text[at] == "!":  # alone it once was a sign for a new line
            return at + 1
        if text[at] == "&":
            raise line.wrong("two voices in one bar (&) are not read", "Give each a voice of its own, with V:.", at)
        raise line.wrong(f'"{text[at]}" cannot be understood here', _NOTES_HINT, at)

    @staticmethod
    def _slur(voice: Voice, sign: str) -> None:
        """Note that a slur begins at the next sound, or ends at the latest one."""
        if sign == "(":
            voice.slurs = min(voice.slurs + 1, MOST_SLURS)
        elif sign == ")":
            latest = next((each for each in reversed(voice.measure.sounds) if each.tones), None)
            if latest is not None:
                latest.closes += 1

    def _notes(self, line: Line, text: str, at: int) -> int:
        """Read a note, or notes in brackets that sound together."""
        voice, start = self.now, at
        tones: list[Tone] = []
        own: list[Fraction] = []
        together = text[at] == "["
        at += together
        while at < len(text) and text[at] != "]":
            if text[at] in _ORNAMENTS or text[at] in "() ":
                at += 1
                continue
            if (found := _DECORATION.match(text, at)) or (found := _QUOTED.match(text, at)):
                at = found.end()
                continue
            found = _NOTE.match(text, at)
            if not found:
                raise line.wrong(f'"{text[at]}" cannot be understood here', _NOTES_HINT, at)
            tone = self._tone(line, found, at)
            read = length(text, found.end())
            if read is None:
                raise line.wrong("a note cannot last for no time", "", found.end())
            factor, at = read
            own.append(factor)
            tones.append(tone)
            if text.startswith("-", at):
                self._tie(voice, [tone])
                at += 1
            if not together:
                break
        if together:
            if at >= len(text):
                raise line.wrong("this bracket is not closed", "Notes that sound together stand in [ ]: [CEG].", start)
            if not tones:
                raise line.wrong("these brackets hold no note", "", start)
            read = length(text, at + 1)
            if read is None:
                raise line.wrong("a note cannot last for no time", "", at + 1)
            factor, at = read[0] * own[0], read[1]
            if text.startswith("-", at):
                self._tie(voice, tones)
                at += 1
        self._add(line, start, tones, voice.unit * factor)
        return at

    @staticmethod
    def _tie(voice: Voice, tones: list[Tone] | tuple[Tone, ...]) -> None:
        for tone in tones:
            tone.tied = True
            voice.ties[tone.written] = tone.pitch

    def _tone(self, line: Line, found: re.Match[str], at: int) -> Tone:
        voice = self.now
        letter = found[2].upper()
        octave = (5 if found[2].islower() else 4) + found[3].count("'") - found[3].count(",")
        written = (letter, octave)
        plain = LETTERS[letter] + 12 * (octave + 1) + voice.key.moved
        tied = voice.ties.pop(written, None)
        if found[1]:
            voice.accidentals[letter] = fields.ALTERS[found[1]]
        elif tied is not None and letter not in voice.accidentals:
            return Tone(tied, False, written)
        alter = voice.accidentals.get(letter, voice.key.alters.get(letter, 0))
        pitch = plain + alter
        if not 0 <= pitch <= 127:
            raise line.wrong(f'"{found[0]}" is too high or too low for MIDI', "", at)
        return Tone(pitch, False, written)

    def _rest(self, line: Line, text: str, found: re.Match[str]) -> int:
        voice = self.now
        read = length(text, found.end())
        if read is None:
            raise line.wrong("a rest cannot last for no time", "", found.end())
        factor, end = read
        if found[1] in "zx":
            self._add(line, found.start(), [], voice.unit * factor)
            return end
        if factor.denominator != 1 or factor > MOST_BARS:
            raise line.wrong("Z takes a whole number of bars", "For example Z4.", found.start())
        bar = voice.metre.quarters if voice.metre is not None else Fraction(4)
        for number in range(int(factor)):
            if number:
                self._bar_line(Measure())
            self._add(line, found.start(), [], bar)
        return end

    def _add(self, line: Line, at: int, tones: list[Tone], lasts: Fraction) -> None:
        voice = self.now
        self._count += max(1, len(tones))
        if self._count > MOST_NOTES:
            raise line.wrong(f"this song has more than {MOST_NOTES} notes", "Take a shorter one.", at)
        if voice.dotted is not None:
            lasts, voice.dotted = lasts * voice.dotted, None
        if voice.tuplet:
            lasts *= voice.tuplet.pop()
        sound = Sound(tuple(tones), lasts, line, at, voice.grace if tones else ())
        voice.grace = ()
        if voice.chord is not None:
            sound.symbol, sound.chord = True, voice.chord[0]
            voice.chord = None
        if voice.tempo is not None:
            sound.tempo, voice.tempo = voice.tempo, None
        voice.measure.sounds.append(sound)
        if tones:
            voice.count += 1
            sound.opens, voice.slurs = voice.slurs, 0
            if not voice.sung:
                voice.sung = [[]]
            voice.sung[-1].append(sound)
            if voice.breath:
                sound.begins.add("breath")
                voice.breath = False

    def _begin_tuplet(self, line: Line, found: re.Match[str]) -> None:
        voice = self.now
        notes = int(found[1])
        usual = 3 if voice.metre is not None and voice.metre.compound else 2
        time = int(found[2] or 0) or {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}.get(notes, usual)
        count = int(found[3] or 0) or notes
        if voice.tuplet:
            raise line.wrong("a tuplet cannot begin within another", "", found.start())
        voice.tuplet = [Fraction(time, notes)] * count

    def _break(self, line: Line, found: re.Match[str]) -> None:
        """Lengthen the note before and shorten the note after (>), or the other way round (<)."""
        voice = self.now
        sounds = voice.measure.sounds
        if not sounds:
            raise line.wrong(f'"{found[0]}" stands behind no note', "", found.start())
        short = Fraction(1, 2 ** len(found[0]))
        before, after = (2 - short, short) if found[0][0] == ">" else (short, 2 - short)
        sounds[-1].lasts *= before
        voice.dotted = after

    def _grace(self, line: Line, text: str, at: int) -> int:
        end = text.find("}", at)
        if end < 0:
            raise line.wrong("this brace is not closed", "Grace notes stand in { }: {g}a.", at)
        pitches, here = [], at + 1
        while here < end:
            found = _NOTE.match(text, here)
            if found:
                pitches.append(self._tone(line, found, here).pitch)
                read = length(text, found.end())
                here = read[1] if read is not None else found.end()
            elif text[here] in "/ ()-<>[]" or text[here] in _ORNAMENTS:
                here += 1
            else:
                raise line.wrong(f'"{text[here]}" cannot be understood among grace notes', _NOTES_HINT, here)
        self.now.grace = tuple(pitches[:8])
        return end + 1

    def _symbol(self, line: Line, text: str, at: int) -> None:
        said = text.strip()
        if not said or said[0].upper() not in "ABCDEFGN":
            return  # a remark for the person who reads the score (^Slowly), or a fingering
        if said.upper().replace(".", "") in ("NC", "N"):
            self.now.chord = (None,)
            return
        self.now.chord = (chord(line, said, at),)

    def _decoration(self, line: Line, name: str, at: int) -> None:
        bare = name.replace(" ", "").casefold()
        if bare in _JUMPS:
            hint = 'Write the order out with sections: "P:ABA" in the header, and "P:A" and "P:B" before each.'
            raise line.wrong(f'the jump "{name}" is not played', hint, at)
        if bare in ("breath", "shortphrase", "mediumphrase", "longphrase"):
            self.now.breath = True

    # --- bars -------------------------------------------------------------------------------------------------------

    def _bar(self, line: Line, sign: str, at: int) -> None:
        voice = self.now
        core = sign.strip("[]")
        ends = len(core) - len(core.lstrip(":"))
        begins = len(core) - len(core.rstrip(":"))
        if core and not core.strip(":"):  # :: is an end and a beginning
            ends = begins = max(1, len(core) // 2)
        double = core.strip(":") not in ("", "|") or sign in ("|]", "[|")
        if ends >= MOST_PASSES:
            raise line.wrong(f"this repeat is played too often: more than {MOST_PASSES} times", "", at)
        if ends:
            voice.measure.times = ends + 1
        if ends or double:
            voice.measure.closes = True
        if voice.measure.sounds or ends:
            self._bar_line(Measure())
        if begins:
            voice.measure.begins_repeat = True
        voice.accidentals.clear()

    def _bar_line(self, after: Measure) -> None:
        voice = self.now
        voice.measures.append(after)
        if voice.sung:
            voice.sung.append([])
        if len(voice.measures) > MOST_BARS:
            raise SongError(f"this song has more than {MOST_BARS} bars", "Take a shorter one.")

    def _ending(self, line: Line, found: re.Match[str]) -> int:
        numbers: set[int] = set()
        for piece in found[1].split(","):
            first, _, last = piece.partition("-")
            numbers |= set(range(int(first), int(last or first) + 1))
        if not numbers or max(numbers) > MOST_PASSES or 0 in numbers:
            raise line.wrong(f'"{found[0]}" is not an ending', "Endings are numbered from 1: [1 and [2.", found.start())
        self.now.measure.endings = frozenset(numbers)
        return found.end()


MOST_SLURS = 4
"""Slurs that begin at one note; our choice."""
MOST_PASSES = 20
"""How often a passage can be repeated; our choice."""


def _syllables(text: str) -> Iterator[tuple[int, str]]:
    """The syllables of a line of words, and where each begins; "|", "_" and "*" as they are."""
    at = 0
    token = re.compile(r"\s*(\||\*|_|-|(?:\\-|[^\s|*_-])+-?)")
    while found := token.match(text, at):
        at = found.end()
        piece = found[1]
        yield found.start(1), readable(piece.replace("\\-", "\u2011").replace("~", " ")).replace("\u2011", "-")


_CHORDS: Mapping[str, str] = {"min": "m", "maj": "", "-": "m", "+": "aug", "sus": "sus4", "M7": "maj7", "min7": "m7"}
"""Kinds of chord as ABC writes them behind a root, by our symbols."""
_PARTS = re.compile(r"([A-G](?:#|b|\u266f|\u266d)?)([^/]*)(/[A-Ga-g](?:#|b)?)?")


def chord(line: Line, text: str, at: int) -> Chord:
    """Read a chord symbol.

    Raises:
        SongError: it is none.
    """
    bare = text.strip("()").split("(")[0].split(";")[0].strip()
    found = _PARTS.fullmatch(bare)
    tried = bare
    if found:
        bass = (found[3] or "")[:2].upper() + (found[3] or "")[2:]
        kind = found[2].strip()
        tried = found[1] + _CHORDS.get(kind, kind) + bass
    try:
        read = chord_symbol(tried)
    except QuantityError as error:
        hint = f'{error.hint}  A remark begins with ^: "^{text}".'
        raise line.wrong(f'"{text}" is not a chord', hint, at) from error
    if isinstance(read, int):
        raise line.wrong(f'"{text}" is not a chord', f'A remark begins with ^: "^{text}".', at)
    return read
