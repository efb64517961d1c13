"""``router songs``: the songs beside the profiles, or one of them as a piano roll with phrases, words and chords."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from router.cli import places, say
from router.cli.screen import Signs, signs_for
from router.core.music import SCALES, pitch_name, spelt
from router.core.song import Song, Step
from router.core.units import nearest
from router.files import profile
from router.files.diagnostics import ProfileError, tidy
from router.files.profile.songs import FOLDER
from router.songs import SongError, read, summary
from router.songs.apart import SUFFIXES

NAME = "songs"
HELP = "list the songs beside the profiles, or show one as a piano roll"
EXAMPLE = "router songs little-star"

WIDEST = 100
"""Columns; longer lines are hard to read."""

LABEL = 6
"""Columns for a note's name at the left."""

MOST_COLUMNS = 8
"""Columns for a quarter note, where there is room."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "file",
        nargs="?",
        metavar="FILE",
        help="a song, a profile with songs, or a folder; the songs beside the profiles are listed without it",
    )
    parser.add_argument("--melody", metavar="WHICH", help="the part that has the melody, by its name or number")
    parser.add_argument("--json", action="store_true", help="the same for a program to read")
    parser.add_argument("--config", type=Path, metavar="FILE", help="the configuration, which says where profiles are")


def run(args: argparse.Namespace) -> int:
    """List songs, or show one: 0, or 1 if one of them cannot be used."""
    try:
        found, lists = _found(args)
    except ProfileError as error:
        say(error, file=sys.stderr)
        return 1
    songs: dict[str, Song] = {}
    wrong = False
    for name, what in found.items():
        try:
            songs[name] = what if isinstance(what, Song) else read(what, args.melody, name=tidy(what.stem))
        except SongError as error:
            say(f"{tidy(name)}: {error}", file=sys.stderr)
            wrong = True
    if args.json:
        print(json.dumps([{"file": name, **_as_json(song, brief=lists)} for name, song in songs.items()], indent=2))
    elif not found:
        say("There is no song here. A song is a MIDI, MusicXML or ABC file, beside the profiles.")
    elif lists:
        for name, song in songs.items():
            say(f"{name}\n    {summary(song)}")
    else:
        console = Console(highlight=False, markup=False, emoji=False)
        for song in songs.values():
            say(f"{summary(song)}\ntempo {float(song.tempos[0].tempo):g} quarter notes a minute; {_parts(song)}")
            for line in _roll(song, signs_for(console.encoding), min(console.width, WIDEST)):
                console.print(line, no_wrap=True, overflow="crop", crop=True)
    return 1 if wrong else 0


# --- which ones -----------------------------------------------------------------------------------------------------


def _found(args: argparse.Namespace) -> tuple[Mapping[str, Path | Song], bool]:
    """The songs that are meant, and whether they are to be listed only.

    Raises:
        ProfileError: the profile that was named, or the configuration, is wrong.
    """
    if args.file is None:
        folders = [*places.profiles(args), profile.shipped()]
        return {str(file): file for folder in folders for file in _songs_in(folder)}, True
    path = Path(args.file)
    if path.is_dir():
        return {str(file): file for file in _songs_in(path)}, True
    if path.suffix in (".yaml", ".yml"):
        songs = profile.load(path).songs
        return songs, len(songs) != 1
    if not path.exists() and len(path.parts) == 1:
        shipped = {file.stem: file for file in _songs_in(profile.shipped())}
        near = path.stem if path.stem in shipped else nearest(path.stem, list(shipped))
        if path.stem in shipped:
            return {near or "": shipped[path.stem]}, False
        if near and not path.suffix:
            say(f'There is no file and no song of the router\'s called "{tidy(path.name)}". Did you mean "{near}"?')
    return {str(path): path}, False


def _songs_in(folder: Path) -> list[Path]:
    """The songs in a folder and in its folder of songs, by name."""
    return [
        file
        for each in (folder, folder / FOLDER)
        if each.is_dir()
        for file in sorted(each.iterdir())
        if file.suffix.lower() in SUFFIXES and not file.name.startswith(".")
    ]


# --- the picture ----------------------------------------------------------------------------------------------------


def _roll(song: Song, signs: Signs, width: int) -> Iterator[Text]:
    """Draw the melody phrase by phrase, with the chords above and the words below."""
    phrases = [song.tune.steps[phrase.first : phrase.after] for phrase in song.phrases]
    longest = max(_end(steps) - steps[0].at for steps in phrases)
    columns = min(MOST_COLUMNS, max(2, int((width - LABEL - 2) / longest)))
    for number, steps in enumerate(phrases, 1):
        begin, end = steps[0].at, _end(steps)
        bars = song.bar(begin) + 1, song.bar(steps[-1].at) + 1
        where = f"bar {bars[0]}" if bars[0] == bars[1] else f"bars {bars[0]} to {bars[1]}"
        section = next((f", section {each.name}" for each in song.sections if begin <= each.at < end), "")
        yield Text()
        yield Text(f"phrase {number}, {where}{section}", "dim")
        while begin < end:
            until = min(end, begin + (width - LABEL - 2) // columns)
            yield from _system(song, _Window(begin, until, columns), steps, signs)
            begin = until
        if words := _words(steps):
            yield Text(f"{'':{LABEL + 1}}{words}", "italic")


def _end(steps: Sequence[Step]) -> Fraction:
    return max(step.end for step in steps)


@dataclass(frozen=True, slots=True)
class _Window:
    """A stretch of a song in quarter notes, and the columns that a quarter note has."""

    begin: Fraction
    end: Fraction
    columns: int

    def column(self, at: Fraction) -> int:
        return int((min(max(at, self.begin), self.end) - self.begin) * self.columns)

    def has(self, at: Fraction) -> bool:
        return self.begin <= at < self.end


def _system(song: Song, window: _Window, steps: Sequence[Step], signs: Signs) -> Iterator[Text]:
    """Draw one stretch: chords, a line for each pitch from the highest down, and the bars."""
    width = window.column(window.end)
    if chords := _placed(
        [
            (window.column(each.at), each.chord.name if each.chord else "N.C.")
            for each in song.chords
            if window.has(each.at)
        ],
        width,
    ):
        yield Text(f"{'':{LABEL + 1}}{chords}", "cyan")
    notes = [note for step in steps for note in step.notes if note.at < window.end and note.end > window.begin]
    names = spelt(song.tonic, song.scale)
    for pitch in sorted({note.pitch for note in notes}, reverse=True):
        cells = [" "] * width
        for note in notes:
            if note.pitch == pitch:
                first, last = window.column(note.at), max(window.column(note.end), window.column(note.at) + 1)
                cells[first:last] = signs.holds * (last - first)
                if window.has(note.at):
                    cells[first] = signs.begins
        yield Text(f"{pitch_name(pitch, names):>{LABEL - 1}} {signs.down}{''.join(cells[:width])}")
    ruler = [signs.across] * width
    for bar in song.bars[:-1]:
        if window.has(bar):
            ruler[window.column(bar)] = signs.corner
    yield Text(f"{'':{LABEL}}{signs.down}{''.join(ruler)}", "dim")


def _placed(texts: Sequence[tuple[int, str]], width: int) -> str:
    """Write texts at their columns on one line; what would run into the one before is left out."""
    line = ""
    for column, text in texts:
        if column >= len(line) + bool(line) or not line:
            line = line.ljust(column) + text
    return line[:width].rstrip()


def _words(steps: Sequence[Step]) -> str:
    """The words of a phrase; syllables of one word are joined."""
    syllables = [next((note.lyric for note in step.notes if note.lyric), "") for step in steps]
    return "".join(each[:-1] if each.endswith("-") else f"{each} " for each in syllables if each).strip()


def _parts(song: Song) -> str:
    return ", ".join(
        f"{number} {tidy(part.name)}{' (melody)' if number == song.melody + 1 else ' (drums)' if part.drums else ''}"
        for number, part in enumerate(song.parts, 1)
    )


# --- for programs -----------------------------------------------------------------------------------------------------


def _as_json(song: Song, *, brief: bool) -> dict[str, Any]:
    """Return what is known of a song; times are in quarter notes from its beginning."""
    found: dict[str, Any] = {
        "name": song.name,
        "summary": summary(song),
        "bars": len(song.bars) - 1,
        "metre": str(song.metres[0].signature),
        "key": spelt(song.tonic, song.scale)[song.tonic],
        "scale": next((name for name, scale in SCALES.items() if scale == song.scale), None),
        "tempo": float(song.tempos[0].tempo),
        "parts": [{"name": part.name, "notes": len(part.notes), "program": part.program} for part in song.parts],
        "melody": song.melody + 1,
    }
    if brief:
        return found
    phrases = [song.tune.steps[phrase.first : phrase.after] for phrase in song.phrases]
    return {
        **found,
        "phrases": [
            {"begins": float(steps[0].at), "ends": float(_end(steps)), "words": _words(steps)} for steps in phrases
        ],
        "chords": [{"at": float(each.at), "chord": each.chord and each.chord.name} for each in song.chords],
        "sections": [{"at": float(each.at), "name": each.name} for each in song.sections],
        "notes": [
            {"at": float(note.at), "lasts": float(note.lasts), "pitch": note.pitch, "lyric": note.lyric}
            for note in song.tune.notes
        ],
    }
