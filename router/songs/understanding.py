"""Understand a score: which part has the melody, where its phrases are, in which key it is, which chords it has.

    melody      the part that was asked for, by its name or its number; else the one that has the words, else the one
                whose name says so, else the one that is highest for the longest time (the skyline of Uitdenbogerd and
                Zobel, Manipulation of music for melody matching, 1998; the title from memory). A part that was found
                so and plays in chords is parted: its highest line is the melody, and the rest a part of its own
    phrases     a new one begins after a breath mark, at a new line of the words, after the end of a sentence in them,
                and after a rest of a beat or more; where slurs cover most of a melody without words, at each slur.
                Without marks, and where they are more than ``LONG`` bars apart, by long notes and rests, a usual
                length, and the place in the bar (after Temperley, The Cognition of Basic Musical Structures, 2001,
                chapter 3: from memory); how often this is right says ``python -m tests.songs_beside --phrases``
    key         the key signature; by correlation with key profiles (``router.room.tonality``) major or minor, if the
                file does not say, and all of it, if there is no signature or it is not that of the notes (``DOUBTFUL``)
    chords      those that are written, else calculated: see ``router.songs.chord_finding``

All that was found, and not written, can be said otherwise in the file itself.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby, pairwise
from math import inf, log2
from statistics import StatisticsError, correlation, mean, median

from router.core.music import SCALES, signature, spelt
from router.core.song import MOST_PARTS, Phrase, Song, SongNote, SongPart, Step, latest
from router.core.units import nearest, whole_number
from router.room.tonality import MAJOR, MINOR
from router.songs.chord_finding import chords_of
from router.songs.error import SongError
from router.songs.score import KeyAt, ScorePart, WrittenScore, check_size, in_order

LONG = 5
"""Bars beyond which what is between two marks is divided. Our choice: lines of songs have two or four, some an upbeat
beside."""
USUAL, WIDEST = 10, 40
"""Notes of a usual phrase, and the most that one can have where there are no marks."""
GAP, LONGEST_GAP, LENGTH, PARALLEL = 0.8, 9.0, 1.5, 1.0
"""Weights. A wait as long as the mean one counts ``GAP`` for the beginning of a phrase, up to ``LONGEST_GAP`` times;
each doubling or halving of the usual length counts ``LENGTH`` against it; to begin in the bar as the phrase before did
counts ``PARALLEL``."""
DOUBTFUL = 0.15
"""How much better another key must fit than the one that is written: programs write C major where nobody has said a
key, and old scores leave out the last flat. In music21's corpus what is beyond it is one of the two."""
ENOUGH = 24
"""Notes from which on a key that is written is doubted. Our choice."""
MELODY_WORDS = (
    *("melod", "mélod", "vocal", "voice", "vox", "voix", "voz", "lead", "tune", "sing", "solo", "cantus", "canto"),
    *("gesang", "stimme", "sopran", "chant", "descant", "treble"),
)
"""Words in the name of a part that has the melody. Common practice, no source."""
_ENDS_SENTENCE = (".", "!", "?", ";", ":")
_MODES = {
    name: SCALES[name]
    for name in ("major", "minor", "dorian", "phrygian", "lydian", "mixolydian", "aeolian", "ionian", "locrian")
}
_TONIC_OF = {"major": 0, "ionian": 0, "dorian": 2, "phrygian": 4, "lydian": 5, "mixolydian": 7, "aeolian": 9}
_TONIC_OF |= {"minor": 9, "locrian": 11}
"""Semitones from the tonic of the major key with the same signature."""


def understand(score: WrittenScore, name: str, melody: str | int | None = None) -> Song:
    """Make a song of a score. ``melody``: the name or the number (from 1) of the part that has it.

    Raises:
        SongError: there is no such part, or none that can be a melody, or there is too much of something.
    """
    check_size(score)
    parts = [part for part in score.parts if part.notes]
    place, why = _melody(parts, score.parts, melody)
    if melody is None and len(parts) < MOST_PARTS and (upper := _upper_line(parts[place])):
        line, rest = upper
        parts[place] = line
        parts.append(rest)  # so that each part keeps its number, by which it can be asked for
        why += "; of it the highest line"
    tune = SongPart(parts[place].name, in_order(parts[place].notes))
    tonic, scale = _key(score.keys, parts)
    chords = score.chords or chords_of(parts, place, score.bars, score.metres, (tonic, scale))
    return Song(
        name=name,
        parts=tuple(SongPart(part.name, in_order(part.notes), part.program, part.drums) for part in parts),
        melody=place,
        tonic=tonic,
        scale=scale,
        metres=tuple(score.metres),
        tempos=tuple(score.tempos),
        bars=tuple(score.bars),
        phrases=_phrases(tune.steps, parts[place], score),
        chords=tuple(chords),
        sections=tuple(score.sections),
        written_chords=bool(score.chords),
        melody_by=why,
    )


def summary(song: Song) -> str:
    """Say in one line what was understood of a song."""
    others = len(song.parts) - 1
    metre = str(song.metres[0].signature) if len(song.metres) == 1 else "changing metre"
    mode = next((mode for mode, scale in SCALES.items() if scale == song.scale), "")
    notes, phrases, bars = len(song.tune.steps), len(song.phrases), len(song.bars) - 1
    said = [
        f"{bars} bar{'s' * (bars != 1)}",
        metre,
        f"{spelt(song.tonic, song.scale)[song.tonic]} {mode}".strip(),
        f"melody of {notes} note{'s' * (notes != 1)} in {phrases} phrase{'s' * (phrases != 1)}",
        f"{others or 'no'} other part{'s' * (others != 1)}",
    ]
    if song.sections:
        said.append(f"{len(song.sections)} section{'s' * (len(song.sections) != 1)}")
    if song.chords:
        said.append("chords as written" if song.written_chords else "chords calculated from the other parts")
    if song.melody_by and others:
        said.append(f'the melody is "{song.tune.name}", as {song.melody_by}')
    return f"{song.name}: {', '.join(said)}"


# --- the melody -------------------------------------------------------------------------------------------------------


def _melody(parts: Sequence[ScorePart], every: Sequence[ScorePart], asked: str | int | None) -> tuple[int, str]:
    """The index of the melody's part, and why."""
    if asked is not None:
        part = _asked(every, asked)
        if not part.notes:
            raise SongError(f'the part "{part.name}" has no notes', f"Parts with notes: {_listed(parts)}.")
        if part.drums:
            raise SongError(f'the part "{part.name}" is drums, and no melody', f"Parts: {_listed(parts)}.")
        return next(i for i, each in enumerate(parts) if each is part), "was asked for"
    pitched = [i for i, part in enumerate(parts) if not part.drums]
    if not pitched:
        what = "it has drums only, and no melody" if parts else "it has no notes"
        raise SongError(what, "Choose a file that has the melody as notes.")
    if len(pitched) == 1:
        return pitched[0], "there is no other with notes of a pitch"
    words = {i: sum(bool(note.lyric) for note in parts[i].notes) for i in pitched}
    most = max(words.values())
    if most:
        singing = [i for i in pitched if 2 * words[i] >= most]
        why = "it has the words" if len(singing) == 1 else "it is the highest of those with words"
        return max(singing, key=lambda i: mean(note.pitch for note in parts[i].notes)), why
    named = [i for i in pitched if _says_melody(parts[i].name)]
    if len(named) == 1:
        return named[0], "its name says so"
    on_top = _on_top([parts[i] for i in named or pitched])
    return (named or pitched)[max(range(len(on_top)), key=on_top.__getitem__)], "it is the highest for most of the time"


def _says_melody(name: str) -> bool:
    """Tell whether a part's name is that of a melody; the number that a reader gives to a second voice is no name."""
    plain = re.sub(r" voice \d+$", "", name).casefold()
    return any(word in plain for word in MELODY_WORDS)


def _asked(parts: Sequence[ScorePart], asked: str | int) -> ScorePart:
    names = [part.name for part in parts]
    folded = [name.casefold() for name in names]
    text = str(asked).strip()
    if text.casefold() in folded:
        return parts[folded.index(text.casefold())]
    number, heard = whole_number(text), [part for part in parts if part.notes]
    if number is not None and 1 <= number <= len(heard):
        return heard[number - 1]
    starting = [i for i, name in enumerate(folded) if name.startswith(text.casefold())] if text else []
    if len(starting) == 1:
        return parts[starting[0]]
    near = nearest(text, names)
    hint = f'Did you mean "{near}"?  ' if near else ""
    raise SongError(f'it has no part "{text}"', f"{hint}Its parts: {_listed(heard)}.")


def _listed(parts: Sequence[ScorePart]) -> str:
    """The parts by number and name: the first twelve."""
    shown = ", ".join(f"{number} {part.name}" for number, part in enumerate(parts[:12], 1))
    return f"{shown} and {len(parts) - 12} more" if len(parts) > 12 else shown or "none"


def _upper_line(part: ScorePart) -> tuple[ScorePart, ScorePart] | None:
    """A part's highest line and the rest, if a quarter of its notes or more lie under others.

    Of notes that begin together the highest is of the line, unless a higher one of the line still sounds.
    """
    line: list[SongNote] = []
    rest: list[SongNote] = []
    sounding: list[SongNote] = []
    for _, together in groupby(in_order(part.notes), key=lambda note: note.at):
        *lower, top = together
        rest += lower
        sounding = [note for note in sounding if note.end > top.at]
        if any(note.pitch >= top.pitch for note in sounding):
            rest.append(top)
        else:
            line.append(top)
            sounding.append(top)
    if 4 * len(rest) < len(part.notes):
        return None
    return replace(part, notes=line), replace(part, name=f"{part.name}, the rest", notes=rest, breaks=[], slurs=[])


def _on_top(parts: Sequence[ScorePart]) -> list[Fraction]:
    """For how long each part has the highest note that sounds; where two share it, the first part has it."""
    top = [Fraction(0)] * len(parts)
    events = sorted(
        ((at, starts, part, note.pitch) for part, each in enumerate(parts) for note in each.notes
         for at, starts in ((note.at, True), (note.end, False))),
        key=lambda event: event[:2],
    )  # fmt: skip
    sounding: dict[tuple[int, int], int] = {}
    before = Fraction(0)
    for at, starts, part, pitch in events:
        if at > before and sounding:
            top[-max(sounding)[1]] += at - before
        before = max(at, before)
        voice = (pitch, -part)
        count = sounding.get(voice, 0) + (1 if starts else -1)
        if count:
            sounding[voice] = count
        else:
            sounding.pop(voice, None)
    return top


# --- the key ----------------------------------------------------------------------------------------------------------


def _key(keys: Sequence[KeyAt], parts: Sequence[ScorePart]) -> tuple[int, tuple[int, ...]]:
    """The tonic and scale at the beginning."""
    weights = [0.0] * 12
    for part in parts:
        if not part.drums:
            for note in part.notes:
                weights[note.pitch % 12] += min(float(note.lasts), 4.0)
    fits = {
        (tonic, scale): _fit(weights, profile, tonic)
        for profile, scale in ((MAJOR, SCALES["major"]), (MINOR, SCALES["minor"]))
        for tonic in range(12)
    }
    found = max(fits, key=fits.__getitem__)
    first = min(keys, key=lambda key: key.at, default=None)
    if first is None:
        return found
    if first.mode in _MODES:
        written = [((first.sharps * 7 + _TONIC_OF[first.mode]) % 12, _MODES[first.mode])]
    else:
        written = [((first.sharps * 7 + _TONIC_OF[mode]) % 12, SCALES[mode]) for mode in ("major", "minor")]
    as_written = max(written, key=lambda key: fits.get(key, 1.0))
    notes = sum(len(part.notes) for part in parts)
    relatives = [fits[key] for key in fits if signature(*key).sharps == signature(*as_written).sharps]
    doubtful = notes >= ENOUGH and fits[found] - max(relatives, default=1.0) > DOUBTFUL
    return found if doubtful and as_written in fits else as_written


def _fit(weights: Sequence[float], profile: Sequence[float], tonic: int) -> float:
    try:
        return correlation(weights, [profile[(note - tonic) % 12] for note in range(12)])
    except StatisticsError:  # all twelve sound for as long
        return 0.0


# --- phrases ----------------------------------------------------------------------------------------------------------


def _phrases(steps: Sequence[Step], part: ScorePart, score: WrittenScore) -> tuple[Phrase, ...]:
    """The phrases of a melody: one after the other, every step in one of them."""
    onsets = [step.at for step in steps]
    marks = {bisect_left(onsets, at) % len(onsets) for at in part.breaks}
    marks |= {i for i, step in enumerate(steps[:-1], 1) if _sentence_ends(step.notes)}
    if not any(note.lyric for note in part.notes):
        marks |= _of_slurs(onsets, part)
    begins = {0} | marks
    for i, (step, after) in enumerate(pairwise(steps), 1):
        if after.at - step.end >= _beat(score, step.at):
            begins.add(i)
    for first, end in pairwise([*sorted(begins), len(steps)]):
        bar = (latest(score.metres, onsets[first]) or score.metres[0]).signature.quarters
        if not marks - {0} or steps[end - 1].end - onsets[first] > LONG * bar:
            begins |= _divided(steps, first, end, score)
    return tuple(Phrase(first, end) for first, end in pairwise([*sorted(begins), len(steps)]))


def _beat(score: WrittenScore, at: Fraction) -> Fraction:
    return (latest(score.metres, at) or score.metres[0]).signature.beat


def _sentence_ends(notes: Sequence[SongNote]) -> bool:
    return any(note.lyric.rstrip("\"'\u201d\u2019)").endswith(_ENDS_SENTENCE) for note in notes)


def _of_slurs(onsets: Sequence[Fraction], part: ScorePart) -> set[int]:
    """Where slurs begin, if they are phrase marks: three notes in four are under one, and one has five or more."""
    spans = sorted(
        (bisect_left(onsets, begins), -bisect_right(onsets, ends)) for begins, ends in part.slurs if begins <= ends
    )
    outer: list[tuple[int, int]] = []
    covered = reach = 0
    for first, after in ((first, -after) for first, after in spans):
        if after > reach:  # else it is within another one
            outer.append((first, after))
            covered += after - max(first, reach)
            reach = after
    if 4 * covered < 3 * len(onsets) or not outer or median(after - first for first, after in outer) < 5:
        return set()
    return {first for first, _ in outer if first < len(onsets)}


def _divided(steps: Sequence[Step], first: int, after: int, score: WrittenScore) -> set[int]:
    """Where the phrases begin within some steps that have no marks; ``first`` is not among them.

    A phrase begins after a long note or a rest, is about ``USUAL`` notes long, and begins where in the bar the one
    before it began. Of all ways to divide the steps the one is taken whose sums of these three add up to most.
    """
    count = after - first
    if count < 4:
        return set()
    onsets = [float(step.at) for step in steps[first:after]]
    ends = [float(step.end) for step in steps[first:after]]
    to_bar = [score.bars[bisect_right(score.bars, step.at)] - step.at for step in steps[first:after]]
    mean_wait = (onsets[-1] - onsets[0]) / (count - 1)
    gaps = [0.0]
    for i in range(1, count):
        wait = onsets[i] - onsets[i - 1] + max(onsets[i] - ends[i - 1], 0.0)
        gaps.append(GAP * min(wait / mean_wait, LONGEST_GAP))
    lengths = [0.0, *(LENGTH * abs(log2(notes / USUAL)) for notes in range(1, WIDEST + 1))]
    best = [0.0] + [-inf] * count
    came_from = [0] * (count + 1)
    for i in range(1, count + 1):
        ends_here = gaps[i] if i < count else 0.0
        for j in range(max(0, i - WIDEST), i):
            value = best[j] - lengths[i - j] + ends_here
            if i < count and to_bar[i] == to_bar[j]:
                value += PARALLEL
            if value > best[i]:
                best[i], came_from[i] = value, j
    begins = set()
    place = came_from[count]
    while place:
        begins.add(first + place)
        place = came_from[place]
    return begins
