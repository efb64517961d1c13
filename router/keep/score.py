"""A score of what was played: bars, note values, rests, ties, voices, chords; what ``musicxml.py`` writes.

How a note's written length is decided: a note lasts to the next one of its part, unless there was a silence of at least
a half beat, and a fifth of the time to the next note, beyond what this part leaves between its notes anyway. A part
that plays short all the time (staccato) is written without rests, as a musician would. A note that rings on while its
part plays two or more others is a voice of its own. A value is split only at a bar's line, or where it would hide a
beat (Gould, Behind Bars, 2011: the middle of a bar in 4/4, each dotted beat in 6/8); a rest is never syncopated.

Bars in which nobody plays are left out where there are more than ``SILENT_BARS`` of them; a double line says so.
"""

from __future__ import annotations

import itertools
import math
import statistics
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from router.core.music import Chord, Music, TimeSignature
from router.keep.played import Played, Track
from router.keep.rhythm import TICKS, TOGETHER, BeatFound, Onset, bar_ticks, beat_ticks, rhythm

SILENT_BARS = 2
MOST = 20_000
"""Notes of a score; some five hundred pages. Our choice."""

NOTATED = {
    96: ("whole", 0),
    72: ("half", 1),
    48: ("half", 0),
    36: ("quarter", 1),
    24: ("quarter", 0),
    18: ("eighth", 1),
} | {
    12: ("eighth", 0),
    9: ("16th", 1),
    6: ("16th", 0),
    3: ("32nd", 0),
}
"""Values by their ticks: MusicXML's name of the type, and dots."""
LAST = (6, 12, 18, 24, 36, 48, 72, 96)
"""Values of a last note, in ticks; a longer one has whole quarters."""
THIRDS = {16: "quarter", 8: "eighth"}
"""Values within a triplet."""


class TooLongError(Exception):
    """All that was played is too long for a score; the text says how long it is."""


@dataclass(frozen=True, slots=True)
class Value:
    """A note, chord or rest as one sign: when in its bar, how long (ticks), the pitches (none for a rest), its ties."""

    at: int
    lasts: int
    pitches: tuple[int, ...] = ()
    tied_from: bool = False
    tied_to: bool = False
    third: bool = False
    """Part of a triplet."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar: its length in ticks, what changes at it, and its chords; ``upbeat``: it is shorter than the others."""

    start: int
    ticks: int
    metre: TimeSignature
    new_metre: bool
    key: Music | None
    chords: tuple[tuple[int, Chord], ...]
    upbeat: bool = False
    after_gap: bool = False
    """Bars in which nobody played were left out before it."""


@dataclass(slots=True)
class Staff:
    """A part: its voices, each a list of bars of values; a bar without any is a rest in voice 1."""

    name: str
    program: int
    drums: bool
    voices: list[list[list[Value]]]


@dataclass(slots=True)
class Sheet:
    """A whole score; ``tempo`` in quarter notes a minute; ``music`` is that of the beginning."""

    title: str
    tempo: float
    free: bool
    music: Music
    bars: list[Bar] = field(default_factory=list)
    staves: list[Staff] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Placed:
    """Notes of a part that begin together and are written with one length, in ticks from the first bar."""

    start: int
    end: int
    pitches: tuple[int, ...]


def sheet(played: Played, title: str = "") -> Sheet:
    """Make the score.

    Raises:
        TooLongError: there are more notes than ``MOST``.
    """
    if played.notes > MOST:
        raise TooLongError(f"{played.notes} notes are too many for a score, which holds {MOST}; give fewer sessions")
    onsets, number = _onsets(played)
    found = rhythm(onsets, played.music, played.song)
    lines = [_voices(track, found, number[i]) for i, track in enumerate(played.tracks)]
    end = max(note.end for voices in lines for voice in voices for note in voice)
    bars = _bars(found, end, played, {note.start for voices in lines for voice in voices for note in voice}, lines)
    music = played.music[0].music if played.song is None else played.song.music
    score = Sheet(title, found.tempo, found.free, music, bars)
    for track, voices in zip(played.tracks, lines, strict=True):
        written = [[_values(bar, voice) for bar in bars] for voice in voices]
        score.staves.append(Staff(played.name(track), track.program or 0, track.drums, written))
    return score


# --- what begins together ---------------------------------------------------------------------------------------------


def _onsets(played: Played) -> tuple[list[Onset], list[list[int]]]:
    """The onsets of all parts, and for each note of each track the number of its onset."""
    notes = sorted((note.start, i, k) for i, track in enumerate(played.tracks) for k, note in enumerate(track.notes))
    groups: list[list[tuple[int, int, int]]] = []
    for note in notes:
        last = groups[-1] if groups else []
        if last and note[0] - last[0][0] <= TOGETHER:
            last.append(note)
        else:
            groups.append([note])
    changes = [one.at for one in played.chords]
    number = [[0] * len(track.notes) for track in played.tracks]
    onsets = []
    for place, group in enumerate(groups):
        for _, i, k in group:
            number[i][k] = place
        first = group[0][0]
        tracks = {i: start for start, i, _ in reversed(group)}
        changed = any(abs(first - at) <= TOGETHER for at in changes[_near(changes, first - TOGETHER) :][:2])
        accent = (1.0 if changed else 0.0) + 0.3 * min(len(tracks) - 1, 2)
        onsets.append(Onset(round(statistics.mean(start for start, _, _ in group)), tracks, accent))
    return onsets, number


def _near(times: Sequence[int], when: int) -> int:
    return max(0, bisect_right(times, when) - 1)


# --- how long a note is written ---------------------------------------------------------------------------------------


def _voices(track: Track, found: BeatFound, number: Sequence[int]) -> list[list[Placed]]:
    """The notes of a track with their written lengths, in one voice or two."""
    chords: dict[int, dict[int, float]] = {}  # by place: pitch, and where it ended
    for note, place in zip(track.notes, number, strict=True):
        pitches = chords.setdefault(found.places[place], {})
        pitches[note.pitch] = max(found.place(note.end), pitches.get(note.pitch, 0.0))
    starts = sorted(chords)
    rings: dict[int, dict[int, float]] = {}
    for i, start in enumerate(starts[:-2]):
        last = starts[i + 2]
        ringing = {pitch: end for pitch, end in chords[start].items() if end > last + TICKS / 2}
        if (
            ringing
            and not track.drums
            and len(ringing) < len(chords[start]) + sum(len(chords[s]) for s in starts[i + 1 : i + 3])
        ):
            rings[start] = ringing
    if len(rings) > len(starts) / 3:  # all of it rings, as a harp's does: written to the next note
        rings = {}
    upper = {s: {p: e for p, e in chords[s].items() if p not in rings.get(s, {})} for s in starts}
    voices = [_line(track, found, {s: pitches for s, pitches in upper.items() if pitches})]
    if rings:
        voices.append(_line(track, found, rings))
    return [voice for voice in voices if voice]


def _line(track: Track, found: BeatFound, chords: dict[int, dict[int, float]]) -> list[Placed]:
    """One voice."""
    starts = sorted(chords)
    if not starts:
        return []
    ends = {start: statistics.median(chords[start].values()) for start in starts}
    spans = [(start, after, ends[start]) for start, after in itertools.pairwise(starts)]
    bar = bar_ticks(found.metres[0][1])
    usual = [(end - start) / (after - start) for start, after, end in spans if after - start <= bar]
    share = statistics.median(usual) if usual else 0.9
    gaps = [after - end for start, after, end in spans if after - start <= bar and end <= after]
    gap = min(statistics.median(gaps), TICKS / 2) if gaps else TICKS / 10
    line = []
    for start, after, end in spans:
        written = after
        if not track.drums and share >= 0.5:
            silence = after - end - gap
            if silence >= TICKS * 5 / 12 and silence >= (after - start) / 5:
                written = min(after, _snapped(start, end + gap, found))
        elif after - start > bar:
            written = min(after, _snapped(start, max(end, start + TICKS), found))
        line.append(Placed(start, written, tuple(sorted(chords[start]))))
    last = starts[-1]
    lasted, to_bar = max(ends[last] + gap - last, 3), _bar_end(last, found) - last
    value = min(LAST, key=lambda value: abs(math.log(value / lasted)))
    if 0.7 <= lasted / to_bar <= 1.2:  # most last notes end with their bar
        value = to_bar
    if lasted > LAST[-1]:
        value = round(lasted / TICKS) * TICKS
    if track.drums:
        value = TICKS // 2
    line.append(Placed(last, max(_snapped(last, last + value, found), last + 6), tuple(sorted(chords[last]))))
    return line


def _bar_end(place: int, found: BeatFound) -> int:
    """The end of the bar that a place is in."""
    at, metre = found.metres[_near([tick for tick, _ in found.metres], place)]
    return at + ((place - at) // bar_ticks(metre) + 1) * bar_ticks(metre)


def _snapped(start: int, end: float, found: BeatFound) -> int:
    """The place at which a note that ended here is written to end: the nearest half of a beat, after its start."""
    at, metre = found.metres[_near([tick for tick, _ in found.metres], start)]
    beat = beat_ticks(metre)
    if start % TICKS in (8, 16) and beat == TICKS and end < start - start % TICKS + TICKS + 4:
        return start - start % TICKS + (16 if start % TICKS == 8 and end < start + 12 else TICKS)  # in its triplet
    step = 12
    candidates = range((start - at) // step * step + step, math.ceil(end - at) + 2 * step, step)
    return at + min(
        candidates,
        key=lambda tick: abs(tick - (end - at)) + (0 if tick % beat == 0 else 2.5),
        default=start - at + step,
    )


# --- bars -------------------------------------------------------------------------------------------------------------


def _bars(found: BeatFound, end: int, played: Played, starts: set[int], lines: list[list[list[Placed]]]) -> list[Bar]:
    """All bars from the first note to the last, without long silences."""
    first, busy = min(starts), sorted((n.start, n.end) for voices in lines for voice in voices for n in voice)
    every: list[tuple[int, int, TimeSignature]] = []
    for i, (at, metre) in enumerate(found.metres):
        ticks = bar_ticks(metre)
        until = found.metres[i + 1][0] if i + 1 < len(found.metres) else max(end, at + 1)
        start = at + (min(first, until) - at) // ticks * ticks if i == 0 else at
        while start < until:
            every.append((start, ticks, metre))
            start += ticks
    chords = [(round(found.place(one.at)), one.chord) for one in played.chords]
    keys = [(found.place(one.at), one.music) for one in played.music]
    if played.song is not None:
        keys = [(0.0, played.song.music)]
    bars: list[Bar] = []
    silent, metre_before, key_before = 0, None, None
    k = 0
    for start, ticks, metre in every:
        after = start + ticks
        while k < len(busy) and busy[k][1] <= start:
            k += 1
        plays = any(a < after and b > start for a, b in busy[k : k + 400])
        if after <= first:
            continue
        silent = 0 if plays else silent + 1
        if silent > SILENT_BARS:
            continue
        gap = bool(bars) and start != bars[-1].start + bars[-1].ticks
        upbeat = not bars and first - start > 0
        begins = start
        if upbeat:
            beat = beat_ticks(metre)
            begins = start + (first - start) // beat * beat
            upbeat = begins > start
        music = next((music for at, music in reversed(keys) if at <= start + ticks / 2), keys[0][1])
        key = None if key_before == music.signature else music
        bars.append(
            Bar(
                *(begins, after - begins, metre, metre != metre_before, key),
                _chords_in(chords, begins, after, metre, first=not bars or gap),
                *(upbeat, gap),
            )
        )
        metre_before, key_before = metre, music.signature
    while len(bars) > 1 and not any(a < bars[-1].start + bars[-1].ticks and b > bars[-1].start for a, b in busy):
        bars.pop()
    return bars


def _chords_in(
    chords: Sequence[tuple[int, Chord | None]], start: int, after: int, metre: TimeSignature, *, first: bool
) -> tuple[tuple[int, Chord], ...]:
    """The chords that begin in a bar, each at the nearest beat; in the ``first`` bar the one that has begun before."""
    beat = beat_ticks(metre)
    found: dict[int, Chord] = {}
    before: Chord | None = None
    for at, chord in chords:
        place = start + round((at - start) / beat) * beat
        if place <= start and first:
            before = chord
        elif start <= place < after and chord is not None:
            found[place - start] = chord
        elif place < start:
            before = chord
    if first and before is not None:
        found.setdefault(0, before)
    return tuple(sorted(found.items(), key=lambda one: one[0]))


# --- values -----------------------------------------------------------------------------------------------------------


def _values(bar: Bar, voice: Sequence[Placed]) -> list[Value]:
    """The signs of a voice in a bar; none if it rests all the while."""
    start, after = bar.start, bar.start + bar.ticks
    here = [note for note in voice[_first(voice, start) :] if note.start < after and note.end > start]
    if not here:
        return []
    shift = bar_ticks(bar.metre) - bar.ticks if bar.upbeat else 0  # an upbeat stands at the end of its bar
    cuts = {tick for note in here for tick in (note.start, note.end) if start < tick < after}
    beat = beat_ticks(bar.metre)
    thirds = {(tick - start) // TICKS for tick in cuts if (tick - start) % TICKS in THIRDS} if beat == TICKS else set()
    values: list[Value] = []
    place = start
    for note in here:
        if note.start > place:
            values += _pieces(place - start, note.start - start, bar, shift=shift, thirds=thirds)
        begins, ends = max(note.start, start), min(note.end, after)
        pieces = [*_pieces(begins - start, ends - start, bar, shift=shift, thirds=thirds, pitches=note.pitches)]
        for i, piece in enumerate(pieces):
            tied_from = i > 0 or note.start < start
            tied_to = i < len(pieces) - 1 or note.end > after
            values.append(Value(piece.at, piece.lasts, piece.pitches, tied_from, tied_to, piece.third))
        place = ends
    if place < after:
        values += _pieces(place - start, bar.ticks, bar, shift=shift, thirds=thirds)
    return values


def _first(voice: Sequence[Placed], start: int) -> int:
    return max(0, bisect_right(voice, start, key=lambda note: note.end))


def _pieces(
    place: int, end: int, bar: Bar, *, shift: int, thirds: set[int], pitches: tuple[int, ...] = ()
) -> Iterator[Value]:
    """Split a stretch of a bar into values that can be read."""
    while place < end:
        beat = place // TICKS
        if beat in thirds and not (place % TICKS == 0 and end >= place + TICKS):
            lasts = min(end, (beat + 1) * TICKS) - place
            yield Value(place, lasts, pitches, third=True)
        else:
            until = end
            for third in sorted(thirds):
                if place < third * TICKS < end < (third + 1) * TICKS:
                    until = third * TICKS
            lasts = next(
                value
                for value in NOTATED
                if value <= until - place and _readable(place + shift, value, bar.metre, rest=not pitches)
            )
            yield Value(place, lasts, pitches)
        place += lasts


def _readable(place: int, lasts: int, metre: TimeSignature, *, rest: bool) -> bool:
    """Tell whether one sign for this stretch of a bar hides no beat."""
    if lasts == 3:
        return True
    ticks, beat = bar_ticks(metre), beat_ticks(metre)
    end, inner = place + lasts, place % beat
    if beat == 36 or ticks == 36:
        if inner == 0:
            return lasts in (36, 72) or (lasts < 36 and (lasts in (24, 12, 6, 18) and not (rest and lasts == 18)))
        return end <= place - inner + 36 and (
            lasts in (12, 24, 6) and (place % 12 == 0 or lasts == 6) and not (rest and lasts == 24)
        )
    middle = ticks // 2 if ticks % 48 == 0 and ticks >= 96 else 0
    crosses = bool(middle) and place < middle < end
    if rest:
        return place % lasts == 0 if lasts in (48, 24, 12, 6) else lasts == 72 == ticks
    if inner == 0:
        if lasts % beat == 0:
            return not crosses or lasts >= 72 or place % 48 == 0 or lasts == 48
        return not crosses and lasts in (36, 18, 12, 6, 9)
    if inner == beat // 2:
        return lasts in (12, 6) or (not crosses and lasts in (24, 36) and beat == TICKS)
    return end <= place - inner + beat and lasts in (6, 12, 18, 9) and (place % 6 == 0 or lasts == 9)
