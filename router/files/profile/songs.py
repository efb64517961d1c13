"""The songs of a profile: their files or typed tunes, read into ``Song`` and given to the rules that name them.

A song's file stands beside its profile, or in the folder ``songs`` there, and no link leads out of it. What was read
is kept with the profile's own text (``with_files``), so that the last good profile plays although its song has gone:

    the profile, as it was written
    #= songs: what follows was kept by the router, and is not for editing
    #= ZXZlbmluZy5taWQ= eNqz...          (the file's name, and what it holds, compressed; both in base64)
"""

from __future__ import annotations

import base64
import binascii
import errno
import hashlib
import itertools
import os
import re
import threading
import zlib
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from router.core.contract import Context
from router.core.engine import Plan
from router.core.song import Song
from router.core.timers import Alarm, Timers
from router.core.units import nearest
from router.files.diagnostics import Place, Report, quoted
from router.files.plugins import installed
from router.files.profile import schema
from router.files.profile.pieces import PartPiece, RulePiece, Sort, Values, named
from router.files.profile.validate import settings
from router.files.source import Entries, Text
from router.songs import SongError, abc, apart
from router.system.files import LeadsOut, open_beneath

FOLDER = "songs"
"""The folder beside the profiles in which songs may stand, too."""

MOST = 16
"""Songs of a profile; our choice."""

MOST_BYTES = 32 * 1024 * 1024
"""Bytes of all the files of a profile's songs together; our choice."""

_SONG = Sort("a song", ("file", "abc"), "{file: evening.mid}")


@dataclass(frozen=True, slots=True)
class ProfileSongs:
    """The songs that could be read, by name; ``names``: of all that are written; ``files``: what their files hold.

    ``example``: the song of every name that is not written, where there is no profile (the examples of rules).
    """

    songs: Mapping[str, Song] = field(default_factory=dict)
    names: Mapping[str, Place] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)
    example: Song | None = None


def read(things: Entries, folder: Path, kept: Mapping[str, bytes], report: Report) -> ProfileSongs:
    """Read the songs of a profile in this folder. ``kept``: the files that were kept with it, by name."""
    reader = _Reader(folder, kept, report)
    for count, (name, entries) in enumerate(named(things, _SONG, report).items(), 1):
        place = things.keys[name].place
        if count > MOST:
            report.add(place, f"these are too many songs: over {MOST}", "Take out those that nothing plays.")
            break
        values = settings(entries, schema.SONG, place, report)
        if values is not None:
            reader.read(name, entries, values)
    return ProfileSongs(reader.songs, {name: key.place for name, key in things.keys.items()}, reader.files)


class _Reader:
    """Reads one song after the other; what could be read stands in ``songs``, and in ``files`` what the files hold."""

    def __init__(self, folder: Path, kept: Mapping[str, bytes], report: Report) -> None:
        self._folder, self._kept, self._report = folder, kept, report
        self.songs: dict[str, Song] = {}
        self.files: dict[str, bytes] = {}

    def read(self, name: str, entries: Entries, values: Values) -> None:
        """Read one song, or report why it cannot be used."""
        typed = "abc" in values
        written = entries.values["abc" if typed else "file"]
        assert isinstance(written, Text)  # it has been read
        melody = values["melody"].strip() if "melody" in values else None
        try:
            song = (
                abc.melody(values["abc"], name, melody) if typed else self._file(name, values["file"].strip(), melody)
            )
        except SongError as error:
            asked = melody is not None and quoted(melody) in error.what
            if typed and not asked:
                self._report.add(_within(written, error, self._report), error.what, error.hint)
                return
            place = entries.values["melody"].place if asked else written.place
            where = "" if error.line is None else f", line {error.line}"
            what = error.what if typed else f"{quoted(written.text.strip())}{where}: {error.what}"
            self._report.add(place, what, error.hint, may_pass=error.may_pass)
            return
        self.songs[name] = song if values.get("key") is None else song.moved_to(values["key"])

    def _file(self, name: str, file: str, melody: str | None) -> Song:
        self._report.names_files.add(file)
        data = self._kept.get(file)
        self.files[file] = data = _contents(self._folder, file) if data is None else data
        if sum(map(len, self.files.values())) > MOST_BYTES:
            raise SongError("the songs of this profile are too large together", "Take out those that nothing plays.")
        return _read_once(data, name, melody)


def _contents(folder: Path, file: str) -> bytes:
    """Return what a song's file holds.

    Raises:
        SongError: there is none of this name beneath the folder, or it cannot be read.
    """
    if re.fullmatch(rf"(?:{FOLDER}/)?[^/\\\x00]+", file) is None or Path(file).name in (".", ".."):
        raise SongError(
            "a song's file stands beside the profile",
            f'Write its name alone, such as "evening.mid", or "{FOLDER}/evening.mid" if it is in the folder {FOLDER}.',
        )

    def opened() -> int:
        try:
            if not hasattr(os, "O_PATH"):  # Windows or a Mac, at a desk: nobody exchanges files meanwhile
                return _open_here(folder, file)
            return open_beneath(folder, file)
        except LeadsOut as error:
            hint = "Put the song's file itself into the folder."
            raise SongError("this is a link that leads out of the folder", hint) from error

    return apart.contents(folder / file, opened)


def _open_here(folder: Path, file: str) -> int:
    """Open a file in a folder where the system has no way to do so in one step."""
    path = (folder / file).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise LeadsOut(errno.EXDEV, os.strerror(errno.EXDEV), file)
    return os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))


_reads: OrderedDict[tuple[bytes, str, str | None], Song] = OrderedDict()
_reads_lock = threading.Lock()  # each seat has a thread that checks its profiles
_REMEMBERED = 8
"""Songs that are not read again: a profile is checked several times before it plays."""


def _read_once(data: bytes, name: str, melody: str | None) -> Song:
    asked = hashlib.sha256(data).digest(), name, melody
    with _reads_lock:
        song = _reads.get(asked)
    if song is None:
        song = apart.read_bytes(data, name, melody)
    with _reads_lock:
        _reads[asked] = song
        _reads.move_to_end(asked)
        while len(_reads) > _REMEMBERED:
            _reads.popitem(last=False)
    return song


def _within(written: Text, error: SongError, report: Report) -> Place:
    """The place of a mistake in a typed tune."""
    place = written.place
    if error.line is None or not 0 < place.line <= len(report.lines):
        return place
    sign = report.lines[place.line - 1][place.column - 1 : place.column]
    if sign not in "|>":
        quote = sign in "\"'"
        return Place(place.line, place.column + quote + (error.column or 1) - 1) if error.line == 1 else place
    first = next((line for line in report.lines[place.line :] if line.strip()), "")
    indent = len(first) - len(first.lstrip(" "))
    if place.line + error.line > len(report.lines):
        return place
    return Place(place.line + error.line, indent + (error.column or 1))


# --- the rules that play them ---------------------------------------------------------------------------------------


def give(parts: Sequence[PartPiece], found: ProfileSongs, report: Report) -> list[PartPiece]:
    """Return the parts with each song in the place of its name; report names that no song has."""
    used: set[str] = set()

    def look_up(step: RulePiece, setting: str, written: object) -> Any:
        if isinstance(written, list):
            return [look_up(step, setting, each) for each in written]
        if not isinstance(written, str):
            return written
        name = written.strip()
        used.add(name)
        if name not in found.names and found.example is not None:
            return found.example
        if name not in found.names:
            near = nearest(name, list(found.names))
            hint = f'Did you mean "{near}"?  ' if near else ""
            there = (
                f"The songs of this profile: {', '.join(found.names)}."
                if found.names
                else f'A song stands under songs:, for example "songs: {{{name}: {{file: {name}.mid}}}}".'
            )
            report.missing(step.at(setting), f"there is no song called {quoted(name)}", hint + there)
        return found.songs.get(name, name)

    given = []
    for part in parts:
        steps = []
        for step in part.steps:
            names = [name for name in songs_in(step.rule.settings) if name in step.settings]
            changed = {name: look_up(step, name, step.settings[name]) for name in names}
            steps.append(replace(step, settings={**step.settings, **changed}) if changed else step)
        given.append(replace(part, rules=steps) if part.rules is not None else part)
    if not len(report):
        for name, place in found.names.items():
            if name not in used:
                report.warn(place, f"no rule plays the song {quoted(name)}", f'For example "- song: {{play: {name}}}".')
    return given


def make_ready(plan: Plan) -> None:
    """Let each rule that plays a song calculate now what it needs of it; the song keeps that.

    In a swap it would be calculated in the loop, where others play: 60 ms for a song of 5,000 notes.
    """
    shared: dict[str, Any] = {}
    for rule in (rule for part in plan.parts for rule in part.rules if not rule.origin):
        if songs_in(installed().rules[rule.name].settings):
            rule.make(Context(plan.music, itertools.count(1).__next__, Alarm(Timers(), 0), shared))


def songs_in(wanted: Mapping[str, Any]) -> list[str]:
    """The settings of a rule that name a song, or several."""
    return [
        name for name, about in wanted["properties"].items() if about.get("song") or about.get("items", {}).get("song")
    ]


# --- what is kept -----------------------------------------------------------------------------------------------------

_KEPT = b"\n#= songs: what follows was kept by the router, and is not for editing\n"


def with_files(text: bytes, files: Mapping[str, bytes]) -> bytes:
    """A profile's text and behind it, as remarks, what its songs' files hold."""
    if not files:
        return text
    lines = [
        b"#= " + base64.b64encode(name.encode()) + b" " + base64.b64encode(zlib.compress(data, 6)) + b"\n"
        for name, data in sorted(files.items())
    ]
    return text + _KEPT + b"".join(lines)


def parted(kept: bytes) -> tuple[bytes, dict[str, bytes]]:
    """Part what ``with_files`` joined. A file that cannot be read is left out."""
    text, sign, rest = kept.partition(_KEPT)
    files: dict[str, bytes] = {}
    room = MOST_BYTES
    for line in rest.splitlines()[:MOST] if sign else ():
        try:
            _, name, data = line.split(b" ")
            reader = zlib.decompressobj()
            found = reader.decompress(base64.b64decode(data, validate=True), room)
            if reader.eof and found:
                files[base64.b64decode(name, validate=True).decode()] = found
                room -= len(found)
        except (ValueError, binascii.Error, zlib.error):
            continue
        if room <= 0:
            break
    return text, files
