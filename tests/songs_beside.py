"""Songs as our readers and as a second library read them: onsets, lengths, pitches, words and measures.

    python -m tests.songs_beside                  120 scores of music21's corpus, drawn: some minutes
    python -m tests.songs_beside --count 600      all that are not too large
    python -m tests.songs_beside --phrases        phrases found in folk songs of the corpus, beside the lines in which
                                                  those who collected them have written them: a phrase a line
    python -m tests.songs_beside --chords         chords calculated from the four voices of chorales, beside the
                                                  analyses of them that the corpus has

MusicXML is read by music21 beside; each score is also written as MIDI by music21 and read by pretty_midi beside. A file
agrees if every note of all parts has the same onset, length and pitch, every syllable stands at the same onset, and
every measure begins at the same time, repeats played out. Otherwise the reason is looked for, and counted:

    grace notes   they have a length here and none in music21, and the note before them is shorter by it
    played order  another number of measures is played: music21 does not play jumps (D.C., D.S.) that stand in sound
                  elements, and leaves repeats out where endings are marked in part
    ties          tied chords of which not all notes go on are left in pieces by music21, and tied to another voice
    measure       a measure is not as long in all parts (a rest of a whole measure that is written as a longer one); in
                  music21 all that follows is later in that part, so that the parts are no longer together
    no length     chord symbols, which music21 writes into a MIDI file as notes of no length, and pretty_midi leaves out
    tempo track   pretty_midi reads the tempo of a MIDI file's first track only
    refused       by our reader: drums only, or too much for a small computer
    other         none of these; what the command asks for is that there is none
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import random
import re
import sys
import tempfile
import warnings
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import mido
import pretty_midi
from music21 import common, converter, harmony, repeat, roman, stream
from music21 import corpus as corpora

from router.core.song import Song
from router.songs import SongError, abc, compressed
from router.songs.reading import song_of

PER_QUARTER = 960
"""Times are compared to a 960th of a quarter note: music21 rounds those of some tuplets."""
A_MILLISECOND = 1000
LARGEST = {".mxl": 40_000, ".xml": 400_000, ".musicxml": 400_000}
"""Bytes: over these music21 takes up to minutes for a file."""
LEAST_PHRASES = 0.68
"""F1 of phrases, which the command asks for."""
LEAST_CHORDS = 0.85
"""Share of the time with the right chord, which the command asks for."""

Notes = Counter[tuple[int, int, int]]
Words = set[tuple[int, str]]


@dataclass(slots=True)
class Reading:
    """Onset, length and pitch of each note, onset and text of each syllable, onset of each measure."""

    notes: Notes
    words: Words
    measures: list[int]


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a file compares: ``why`` is empty if it agrees."""

    file: str
    why: str
    notes: int
    apart: int
    """Notes that only one of the two has."""


def corpus() -> list[Path]:
    """The MusicXML files of music21's corpus that are not too large, in an order that is the same everywhere."""
    folder = common.getCorpusFilePath()
    found = [path for path in Path(folder).rglob("*") if path.stat().st_size < LARGEST.get(path.suffix, 0)]
    return sorted(found, key=lambda path: str(path.relative_to(folder)))


def ours(song: Song) -> Reading:
    """A song, in 960ths of a quarter note."""
    notes = [note for part in song.parts for note in part.notes]
    return Reading(
        Counter((_ticks(note.at), _ticks(note.lasts), note.pitch) for note in notes),
        {(_ticks(note.at), _plain(note.lyric)) for note in notes if note.lyric},
        [_ticks(bar) for bar in song.bars[:-1]],
    )


def music21s(score: stream.Score) -> tuple[Reading, bool, bool]:
    """A score as music21 plays it; whether it has grace notes; whether a measure differs between its parts."""
    found = Reading(Counter(), set(), [])
    graces = False
    lengths: list[list[float]] = []
    for part in score.toSoundingPitch().parts:
        lengths.append([float(measure.highestTime) for measure in part.getElementsByClass(stream.Measure)])
        played = part
        with contextlib.suppress(repeat.ExpanderException):
            played = part.expandRepeats()
        measures = [_ticks(measure.offset) for measure in played.getElementsByClass(stream.Measure)]
        found.measures = max(found.measures, measures, key=len)
        for note in played.stripTies().flatten().notes:
            if isinstance(note, harmony.ChordSymbol):
                continue
            if note.duration.isGrace:
                graces = True
                continue
            at = _ticks(note.offset)
            found.notes.update((at, _ticks(note.quarterLength), pitch.midi) for pitch in note.pitches)
            found.words |= {(at, _plain(lyric.text)) for lyric in note.lyrics if lyric.text}
    uneven = any(len(set(column)) > 1 for column in zip(*lengths, strict=False))
    return found, graces, uneven


def _ticks(at: Fraction | float) -> int:
    return round(float(at) * PER_QUARTER)


def _plain(text: str) -> str:
    return " ".join(text.replace("-", " ").split())


def score_beside(path: Path) -> tuple[Verdict, stream.Score]:
    """Read a score by both readers."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = converter.parse(path, forceSource=True)
        theirs, graces, uneven = music21s(score)
    try:
        own = ours(song_of(path.read_bytes(), path.stem))
    except SongError as error:
        return Verdict(path.name, f"refused: {error.what}", 0, 0), score
    apart = sum(((own.notes - theirs.notes) + (theirs.notes - own.notes)).values())
    same = not apart and own.measures == theirs.measures and _same_words(own.words, theirs.words)
    why = ""
    if not same:
        if len(own.measures) != len(theirs.measures):
            why = "played order"
        elif own.measures != theirs.measures or (apart and uneven and not graces):
            why = "measure" if uneven else "other: measures"
        else:
            pieces = apart and _in_pieces(own, theirs)
            why = "ties" if pieces else "grace notes" if graces and apart else "other: words"
            why = "other: notes" if apart and not (graces or pieces) else why
    return Verdict(path.name, why, sum(own.notes.values()), apart), score


def _in_pieces(own: Reading, theirs: Reading) -> bool:
    """Whether the readings differ in their ties only: one has a note where the other has its pieces, one by one."""
    begins = {(at, pitch) for at, _, pitch in theirs.notes}
    sounding: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for at, lasts, pitch in own.notes:
        sounding[pitch].append((at, at + lasts))
    return all((at, pitch) in begins for at, _, pitch in own.notes) and all(
        any(first <= at < end for first, end in sounding[pitch]) for at, _, pitch in theirs.notes
    )


def _latin(text: str) -> str:
    """A text that pretty_midi has read as Latin-1, as the UTF-8 that it may be."""
    data = text.encode("latin1")
    with contextlib.suppress(UnicodeDecodeError):
        return _plain(data.decode("utf-8"))
    return _plain(data.decode("cp1252", "replace"))


def _same_words(own: Words, theirs: Words) -> bool:
    """Whether each syllable is there: ours sings the second verse in the second pass, music21 has all at all times."""
    return own <= theirs and {at for at, _ in own} == {at for at, _ in theirs}


def midi_beside(score: stream.Score, name: str) -> Verdict:
    """Write a score as MIDI, and read it by ours and by pretty_midi."""
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(folder) / "score.mid"
        try:
            score.write("midi", fp=path)
        except Exception as error:  # noqa: BLE001 - a score that music21 cannot write is none of ours
            return Verdict(name, f"not written: {type(error).__name__}", 0, 0)
        return midi_file_beside(path, name)


def midi_file_beside(path: Path, name: str) -> Verdict:
    """Read a MIDI file by ours and by pretty_midi, in seconds."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file = pretty_midi.PrettyMIDI(str(path))
    theirs = Reading(
        Counter((_ms(n.start), _ms(n.end - n.start), n.pitch) for each in file.instruments for n in each.notes),
        {(_ms(lyric.time), _latin(lyric.text)) for lyric in file.lyrics},
        [],
    )
    try:
        song = song_of(path.read_bytes(), path.stem)
    except SongError as error:
        return Verdict(name, f"refused: {error.what}", 0, 0)
    notes = [note for part in song.parts for note in part.notes]
    own = Counter(
        (_ms(seconds(song, note.at)), _ms(seconds(song, note.end) - seconds(song, note.at)), note.pitch)
        for note in notes
    )
    left, right = _unpaired(own, theirs.notes)
    words = {(_ms(seconds(song, note.at)), _plain(note.lyric)) for note in notes if note.lyric}
    why = "other: notes" if left or right else "" if not (words - theirs.words) else "other: words"
    if left and all(lasts < A_MILLISECOND // 100 for _, lasts, _ in left):
        why = "no length"
    elif why and any(message.type == "set_tempo" for track in mido.MidiFile(path).tracks[1:] for message in track):
        why = "tempo track"
    apart = len(left) + len(right)
    return Verdict(name, why, sum(own.values()), apart)


def _unpaired(own: Notes, theirs: Notes) -> tuple[list[tuple[int, int, int]], list[tuple[int, int, int]]]:
    """Notes of each that the other has not, to a millisecond."""
    left, right = [], theirs - own
    for at, lasts, pitch in (own - theirs).elements():
        near = [(at + i, lasts + j, pitch) for i in (-1, 0, 1) for j in (-1, 0, 1) if right[at + i, lasts + j, pitch]]
        if near:
            right[near[0]] -= 1
        else:
            left.append((at, lasts, pitch))
    return left, [*(+right).elements()]


def seconds(song: Song, at: Fraction) -> float:
    """When a moment of a song is, played in its tempos."""
    total = Fraction(0)
    for i, tempo in enumerate(song.tempos):
        until = song.tempos[i + 1].at if i + 1 < len(song.tempos) else at
        total += max(min(until, at) - tempo.at, Fraction(0)) * 60 / tempo.tempo
    return float(total)


def _ms(time: float) -> int:
    return round(time * A_MILLISECOND)


def midi_files() -> list[Path]:
    """The MIDI files that music21 carries for its own tests."""
    return sorted(Path(common.getSourceFilePath()).rglob("*.mid"))


def beside(count: int, seed: int, *, progress: bool = False) -> tuple[list[Verdict], list[Verdict]]:
    """Compare drawn scores, and MIDI files; return both lists of verdicts."""
    every = corpus()
    drawn = random.Random(seed).sample(every, min(count, len(every)))
    scores, midis = [], [midi_file_beside(path, path.name) for path in midi_files()] if count > 10 else []
    for number, path in enumerate(drawn, 1):
        try:
            verdict, score = score_beside(path)
        except Exception as error:  # noqa: BLE001 - music21 cannot read a few of its own
            scores.append(Verdict(path.name, f"music21 fails: {type(error).__name__}", 0, 0))
            continue
        scores.append(verdict)
        midis.append(midi_beside(score, path.name))
        if progress and (verdict.why or midis[-1].why or not number % 20):
            print(f"{number} of {len(drawn)}: {verdict}; as MIDI: {midis[-1]}", file=sys.stderr)  # noqa: T201 - how far it is
    return scores, midis


def written_once(path: Path) -> bytes:
    """A score without its repeats, as an analysis of it counts its measures."""
    data = path.read_bytes()
    data = compressed.unpacked(data) if path.suffix == ".mxl" else data
    text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8")
    text = re.sub(r"<repeat[^>]*/>|<ending[^>]*/>|<ending.*?</ending>", "", text)
    return re.sub(r"encoding=.[A-Za-z0-9-]+.", "", text, count=1).encode()


@dataclass(slots=True)
class ChordShare:
    """Half quarter notes with the analysis's root, and with its root and third; left out: files that do not line up."""

    chorales: int = 0
    compared: int = 0
    roots: int = 0
    chords: int = 0
    left_out: int = 0


def chords_beside(most: int = 1000) -> ChordShare:
    """Compare the chords calculated from chorales with the analyses that the corpus has of them.

    Left out is an analysis without its score, or of another length or key than it.
    """
    found = ChordShare()
    folder = Path(common.getCorpusFilePath()) / "bach"
    for path in sorted((folder / "choraleAnalyses").glob("*.rntxt"))[:most]:
        number = re.search(r"BWV: *([\d.]+)", path.read_text(encoding="utf-8"))
        score = folder / f"bwv{number[1] if number else ''}.mxl"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            analysis = [
                (Fraction(each.getOffsetInHierarchy(top)), Fraction(each.quarterLength), each)
                for top in [corpora.parse(path)]
                for each in top.recurse().getElementsByClass(roman.RomanNumeral)
            ]
        song = song_of(written_once(score), path.stem) if score.exists() else None
        ends, last = analysis[-1][0] + analysis[-1][1], analysis[-1][2]
        bass = None if song is None else min(song.parts, key=lambda part: part.notes[-1].pitch).notes[-1].pitch
        if song is None or bass is None or abs(song.end - ends) > 1 or bass % 12 != last.bass().pitchClass:
            found.left_out += 1
            continue
        found.chorales += 1
        for begins, lasts, numeral in analysis:
            root = numeral.root().pitchClass
            above = {(pitch.pitchClass - root) % 12 for pitch in numeral.pitches}
            for half in range(int(lasts * 2)):
                chord = song.chord(begins + Fraction(half, 2))
                same = chord is not None and chord.root == root
                found.compared += 1
                found.roots += same
                found.chords += same and chord is not None and above & {3, 4} == set(chord.shape) & {3, 4}
    return found


def phrases_beside(most: int, seed: int = 1) -> tuple[int, int, int, int]:
    """Beginnings of phrases in drawn folk songs: right, found beside the lines, missed; and how many songs.

    Left out are songs with ties, slurs, repeats or free metre, whose lines cannot be counted by letters alone.
    """
    tunes = []
    for path in sorted((Path(common.getCorpusFilePath()) / "essenFolksong").glob("*.abc")):
        tunes += [tune.strip() for tune in re.split(r"\n\s*\n", path.read_text(encoding="latin1")) if "K:" in tune]
    random.Random(seed).shuffle(tunes)
    right = too_many = missed = count = 0
    for tune in tunes[:most]:
        head, body = re.split(r"(?<=\n)(?=[^A-Z%\n][^:]|[A-G][^:])", tune, maxsplit=1)
        if "M: none" in head or re.search(r"[-(]|:\||\|:", body):
            continue
        letters = [len(re.findall("[A-Ga-g]", line)) for line in body.splitlines()]
        lines = set(itertools.accumulate(letters[:-1])) - {0}
        try:
            song = abc.melody(head + body, "tune")
        except SongError:
            continue
        if len(song.tune.steps) != sum(letters):
            continue
        found = {phrase.first for phrase in song.phrases} - {0}
        count += 1
        right += len(found & lines)
        too_many += len(found - lines)
        missed += len(lines - found)
    return right, too_many, missed, count


def said(verdicts: Sequence[Verdict]) -> str:
    """The share that agrees, and the reasons of the others."""
    judged = [each for each in verdicts if not each.why.startswith(("refused", "music21", "not written"))]
    agree = sum(not each.why for each in judged)
    notes, apart = sum(each.notes for each in judged), sum(each.apart for each in judged)
    reasons = Counter(each.why for each in verdicts if each.why)
    return (
        f"{agree} of {len(judged)} files agree ({agree / max(len(judged), 1):.0%}), {notes:,} notes, "
        f"{apart:,} in one reading only; {dict(reasons)}"
    )


def main() -> int:
    """Compare from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--chords", action="store_true")
    parser.add_argument("--phrases", action="store_true")
    args = parser.parse_args()
    if args.phrases:
        right, too_many, missed, tunes = phrases_beside(1000)
        precision, recall = right / (right + too_many), right / (right + missed)
        share = 2 * precision * recall / (precision + recall)
        print(  # noqa: T201 - what the command found
            f"{tunes} tunes, {right + missed} phrases: precision {precision:.2f}, recall {recall:.2f}, F1 {share:.2f}"
        )
        return int(share < LEAST_PHRASES)
    if args.chords:
        found = chords_beside()
        print(  # noqa: T201 - what the command found
            f"{found.chorales} chorales, {found.left_out} left out: root right {found.roots / found.compared:.1%} of "
            f"the time, root and third {found.chords / found.compared:.1%}"
        )
        return int(found.chords < LEAST_CHORDS * found.compared)
    scores, midis = beside(args.count, args.seed, progress=True)
    print("MusicXML beside music21:", said(scores))  # noqa: T201 - what the command found
    print("MIDI beside pretty_midi:", said(midis))  # noqa: T201 - as above
    return int(any(each.why.startswith("other") for each in (*scores, *midis)))


if __name__ == "__main__":
    sys.exit(main())
