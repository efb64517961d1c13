r"""Tunes in ABC notation (the ABC standard 2.1, an open standard): typed into a profile, or in a file.

    melody("K:G\nG2 A2 B2 c2 | d4 d4", "evening")          a Song

Read are the fields X T C M L Q K P V and w (and the ones for people, which say nothing of the music), notes with
accidentals, octaves and lengths, rests, bar lines with repeats and endings, ties, slurs, tuplets, broken rhythm, grace
notes, notes that sound together, chord symbols ("Am"), breath marks, and the words. All fields may be left out: then it
is in C major and 4/4 (or what ``M:`` says) with eighth notes as the unit, as the standard says. What is not understood
is refused, with its line and column; what only a printer needs is passed over. Sections of the standard are cited from
memory.

Where there are chord symbols and one voice only, two parts are added that play them, as players of ABC do:
``accompaniment.py``.

What each part keeps:

* ``text``: lines and lengths, with their places.  ``fields``: key, metre, unit, tempo, order.
* ``body``: signs to measures.  ``unfold``: measures as they are played.
* ``accompaniment``: chord symbols to a bass and chords.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from router.core.music import SCALES, TimeSignature, signature
from router.core.song import ChordAt, MetreAt, Section, Song, SongNote, TempoAt
from router.songs.abc import fields
from router.songs.abc.accompaniment import accompaniment
from router.songs.abc.body import Body, Measure, Sound, Voice
from router.songs.abc.fields import VoiceKey
from router.songs.abc.text import Line, lines, readable
from router.songs.abc.unfold import played
from router.songs.error import SongError
from router.songs.score import KeyAt, ScorePart, WrittenScore
from router.songs.understanding import understand

__all__ = ["melody", "score", "title"]

UNWRITTEN_TEMPO = Fraction(90)
"""Quarter notes a minute where there is no Q: field, as in a profile without a tempo. Our choice."""

MELODY = "Melody"
"""The name of the one voice of a tune that names none."""

GRACE = Fraction(1, 8)
"""Quarter notes that a grace note lasts, on the beat; all of them together at most half of the note they stand before.
Our choice."""


def melody(text: str, name: str, which: str | int | None = None) -> Song:
    """Read a tune. ``which``: the name or number of the voice that has the melody; None: it is found.

    Raises:
        SongError: a mistake, with its line and column in the text.
    """
    return understand(score(text), name, which)


def title(text: str) -> str:
    """The title in the header, "" if there is none."""
    return next((readable(line.text) for line in lines(text) if line.field == "T"), "")


def score(text: str) -> WrittenScore:
    """Read a tune as it is played out, before it is understood.

    Raises:
        SongError: a mistake, with its line and column in the text.
    """
    header, body_lines = _divided(text)
    metre = fields.metre(header["M"], header["M"].text) if "M" in header else TimeSignature()
    unit = fields.unit(header["L"], header["L"].text) if "L" in header else fields.default_unit(metre)
    key = fields.key(header["K"], header["K"].text, 0, VoiceKey()) if "K" in header else VoiceKey()
    tempo = fields.tempo(header["Q"], header["Q"].text, unit) if "Q" in header else None
    order = fields.order(header["P"]) if "P" in header else ()
    body = Body(key, metre, unit)
    for line in body_lines:
        if line.field:
            body.field(line)
        else:
            body.music(line)
    voices = [voice for voice in body.voices.values() if any(measure.sounds for measure in voice.measures)]
    if not any(sound.tones for voice in voices for measure in voice.measures for sound in measure.sounds):
        raise SongError("this tune has no notes", "Write for example: C D E F | G4 z4 |", 1, 1)
    return _played_out(voices, key, metre or TimeSignature(), tempo or UNWRITTEN_TEMPO, order)


def _divided(text: str) -> tuple[dict[str, Line], list[Line]]:
    """The fields of the header, by letter, and the lines after it; of voices that the header names, too."""
    header: dict[str, Line] = {}
    after: list[Line] = []
    in_header = True
    tunes = 0
    for line in lines(text):
        if line.field == "X":
            tunes += 1
            if tunes > 1:
                hint = "Leave one of them, from its X: to the next, and put the others into files of their own."
                raise line.wrong("a second tune begins here, and a song is one tune", hint)
        if not line.field or line.field == "w":
            in_header = False
        if in_header and line.field != "V":
            if line.field not in fields.KNOWN:
                raise line.wrong(f'there is no field "{line.field}:"', fields.KNOWN_HINT)
            header.setdefault(line.field, line)
            in_header = line.field != "K"
        else:
            after.append(line)
    return header, after


def _played_out(
    voices: list[Voice], key: VoiceKey, metre: TimeSignature, tempo: Fraction, order: Sequence[str]
) -> WrittenScore:
    signs = _signs(voices)
    turns = played(signs, order)
    parts = [
        _PlayedVoice(voice, f"Voice {number}" if len(voices) > 1 else MELODY) for number, voice in enumerate(voices, 1)
    ]
    bars, metres, tempos, sections, chords = [Fraction(0)], [MetreAt(Fraction(0), metre)], [], [], []
    now = Fraction(0)
    for index, turn in turns:
        measures = [voice.measures[index] for voice in voices]
        if (changed := next((each.metre for each in measures if each.metre is not None), None)) is not None:
            if metres[-1].at == now:
                metres.pop()
            if not metres or metres[-1].signature != changed:
                metres.append(MetreAt(now, changed))
        if signs[index].section:
            sections.append(Section(now, signs[index].section))
        for part, measure in zip(parts, measures, strict=True):
            at = now
            for sound in measure.sounds:
                part.add(sound, at, turn)
                if sound.symbol:
                    chords.append(ChordAt(at, sound.chord))
                if sound.tempo is not None:
                    tempos.append(TempoAt(at, sound.tempo))
                at += sound.lasts
        now += max(measure.lasts for measure in measures)
        if now > bars[-1]:
            bars.append(now)
    tempos.sort(key=lambda each: each.at)
    if not tempos or tempos[0].at > 0:
        tempos.insert(0, TempoAt(Fraction(0), tempo))
    chords.sort(key=lambda each: each.at)
    made = [part.made for part in parts]
    joined = _joined(bars, metres)
    if len(made) == 1 and chords:
        made += accompaniment(chords, joined, metres)
    sharps = signature(key.tonic, key.scale).sharps
    mode = next((name for name, _ in fields.MODES.values() if SCALES[name] == key.scale), "")
    return WrittenScore(made, metres, tempos, joined, [KeyAt(Fraction(0), sharps, mode)], chords, sections)


def _signs(voices: Sequence[Voice]) -> list[Measure]:
    """Find how all voices together say that their measures are repeated.

    Raises:
        SongError: they have not as many measures.
    """
    for voice in voices:
        while voice.measures and not voice.measures[-1].sounds:
            voice.measures.pop()
    first = voices[0].measures
    for number, voice in enumerate(voices[1:], 2):
        if len(voice.measures) != len(first):
            raise SongError(
                f"voice {number} has {len(voice.measures)} bars, and the first voice has {len(first)}",
                "Every voice needs as many bars; a bar of rest is Z.",
            )
    return [_merged(together) for together in zip(*(voice.measures for voice in voices), strict=True)]


def _merged(together: Sequence[Measure]) -> Measure:
    """Return the signs of one measure in all voices."""
    return Measure(
        section=next((measure.section for measure in together if measure.section), ""),
        begins_repeat=any(measure.begins_repeat for measure in together),
        times=max(measure.times for measure in together),
        endings=frozenset().union(*(measure.endings for measure in together)),
        closes=any(measure.closes for measure in together),
    )


def _joined(bars: Sequence[Fraction], metres: Sequence[MetreAt]) -> list[Fraction]:
    """The bar lines without the ones that stand within a bar, as at a repeat that begins with an upbeat."""
    found = list(bars[:2])
    for at in bars[2:]:
        metre = next(each for each in reversed(metres) if each.at < at or not each.at).signature.quarters
        changes = any(each.at == found[-1] for each in metres)
        if len(found) > 2 and not changes and found[-1] - found[-2] < metre and at - found[-2] == metre:
            found.pop()
        found.append(at)
    return found


class _PlayedVoice:
    """A part as it is played out: ties are joined, grace notes have a length."""

    def __init__(self, voice: Voice, name: str) -> None:
        self.made = ScorePart(voice.name or name, program=voice.program, drums=voice.drums)
        self._slurs: list[Fraction] = []  # when each that is open began
        self._tied: dict[int, int] = {}  # pitch to the index of the note that goes on
        self._sung = any(sound.verses for measure in voice.measures for sound in measure.sounds)
        self._breaths = any("breath" in sound.begins for measure in voice.measures for sound in measure.sounds)

    def add(self, sound: Sound, at: Fraction, turn: int) -> None:
        """Add a sound that begins at ``at``, in this pass of a repeat."""
        notes = self.made.notes
        if not sound.tones:
            self._tied.clear()
            return
        if notes and ("breath" in sound.begins or ("line" in sound.begins and self._sung and not self._breaths)):
            self.made.breaks.append(at)
        self._slurs += [at] * sound.opens
        for _ in range(min(sound.closes, len(self._slurs))):
            self.made.slurs.append((self._slurs.pop(), at))
        lasts = sound.lasts
        for pitch in sound.grace:
            grace = min(GRACE, sound.lasts / 2 / len(sound.grace))
            notes.append(SongNote(at, grace, pitch))
            at, lasts = at + grace, lasts - grace
        tied, self._tied = self._tied, {}
        lyric = sound.verses.get(min(turn, sound.sung - 1), "")
        for tone in sorted(sound.tones, key=lambda tone: tone.pitch):
            index = tied.get(tone.pitch)
            if index is not None and notes[index].end == at:
                before = notes[index]
                notes[index] = SongNote(before.at, before.lasts + lasts, before.pitch, lyric=before.lyric)
            else:
                index = len(notes)
                notes.append(SongNote(at, lasts, tone.pitch, lyric=lyric))
                lyric = ""
            if tone.tied:
                self._tied[tone.pitch] = index
