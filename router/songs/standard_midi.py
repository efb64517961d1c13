"""Read a Standard MIDI File, type 0 or 1, as a score.

    times       ticks of a quarter note, exact; time in film frames (SMPTE) is refused, as it has no bars
    parts       one for each channel of each track; channel 10 is drums
    notes       a note-off ends each note of its pitch that began before it, as one key cannot be down twice; what
                nobody ends lasts ``UNENDED``
    words       lyric events, or the text events of karaoke files: spaces or hyphens say which syllables are one word
                (The MIDI Association, RP-017 and RP-026); a slash or a backslash begins a line; words of a track
                without notes belong to the part that most of them fall together with
    sections    markers

Source: The MIDI Association, Standard MIDI Files 1.0 (RP-001). mido reads the tracks.
"""

from __future__ import annotations

import contextlib
import io
import struct
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import zip_longest
from typing import Any

import mido
from mido.midifiles.meta import KeySignatureError, MetaSpec_key_signature, add_meta_spec

from router.core.midi import PROGRAMS
from router.core.song import MOST_NOTES, MetreAt, Section, SongNote, TempoAt
from router.songs.error import SongError
from router.songs.score import (
    STANDARD_TEMPO,
    KeyAt,
    ScorePart,
    WrittenScore,
    barlines,
    believable,
    check_size,
    in_order,
    signature,
)

BROKEN = "this MIDI file is broken"
AGAIN = "Copy it again from where it came from, or open it in the program that wrote it and export it again."
DRUM_CHANNEL = 9
"""Channel 10, counted from 0 (General MIDI)."""
UNENDED = 4
"""Quarter notes that a note lasts which nobody ends, if its track goes on for so long. Our choice."""
BESIDE = Fraction(1, 4)
"""Farthest that a syllable stands from its note, in quarter notes. Our choice."""


class _AnyKeySignature(MetaSpec_key_signature):  # type: ignore[misc]  # mido has no types
    """A key signature that no key has is passed over; mido would refuse the whole file for it."""

    def decode(self, message: Any, data: Any) -> None:
        message.key = None
        with contextlib.suppress(KeySignatureError, IndexError):
            super().decode(message, data)

    def check(self, name: str, value: Any) -> None:
        if value is not None:
            super().check(name, value)


add_meta_spec(_AnyKeySignature)

_SHARPS = {key: 7 - i for i, key in enumerate(("C#", "F#", "B", "E", "A", "D", "G", "C", "F", "Bb", "Eb", "Ab"))}
_SHARPS |= {"Db": -5, "Gb": -6, "Cb": -7}
_SHARPS_OF_MINOR = {key: 7 - i for i, key in enumerate(("A#", "D#", "G#", "C#", "F#", "B", "E", "A", "D", "G", "C"))}
_SHARPS_OF_MINOR |= {"F": -4, "Bb": -5, "Eb": -6, "Ab": -7}


@dataclass(frozen=True, slots=True)
class _Text:
    """A piece of the words: its time in ticks, and the text as it is written."""

    tick: int
    text: str


class _Track:
    """All that a track says, times in ticks."""

    def __init__(self, messages: Iterable[Any], longest: int) -> None:
        """``longest``: ticks of a note that nobody ends."""
        self.name = ""
        self.notes: dict[int, list[list[int]]] = defaultdict(list)  # by channel: on, off, pitch, velocity
        self.programs: dict[int, int] = {}
        self.lyrics: list[_Text] = []
        self.texts: list[_Text] = []
        self.markers: list[_Text] = []
        self.tempos: list[tuple[int, int]] = []
        self.metres: list[tuple[int, int, int]] = []
        self.keys: list[tuple[int, str]] = []
        sounding: dict[tuple[int, int], list[list[int]]] = defaultdict(list)
        ended: dict[tuple[int, int], int] = {}
        """When a pitch was ended that did not sound."""
        now = 0
        for message in messages:
            now += message.time
            kind = message.type
            if kind == "note_on" and message.velocity:
                note = [now, -1, message.note, message.velocity]
                self.notes[message.channel].append(note)
                if ended.get((message.channel, message.note)) == now:  # of no length, and its end stands before it
                    note[1] = now
                else:
                    sounding[message.channel, message.note].append(note)
            elif kind in ("note_on", "note_off"):
                held = sounding[message.channel, message.note]
                if not held:
                    ended[message.channel, message.note] = now
                for note in held:
                    if note[0] < now or held[0][0] == now:
                        note[1] = now
                held[:] = [note for note in held if note[1] < 0]
            elif kind == "program_change":
                if not self.notes[message.channel]:
                    self.programs[message.channel] = message.program
            elif kind == "track_name":
                self.name = self.name or " ".join(_decoded(message.name).split())[:60]
            elif kind == "lyrics":
                self.lyrics.append(_Text(now, _decoded(message.text)))
            elif kind == "text":
                self.texts.append(_Text(now, _decoded(message.text)))
            elif kind == "marker":
                self.markers.append(_Text(now, _decoded(message.text)))
            elif kind == "set_tempo":
                self.tempos.append((now, message.tempo))
            elif kind == "time_signature":
                self.metres.append((now, message.numerator, message.denominator))
            elif kind == "key_signature" and message.key:
                self.keys.append((now, message.key))
        for held in sounding.values():
            for note in held:
                note[1] = min(now, note[0] + longest)
        for notes in self.notes.values():
            for note in notes:
                note[1] = max(note[1], note[0] + 1)  # a note of no length is a note all the same


def read(data: bytes) -> WrittenScore:
    """Read the bytes of a Standard MIDI File.

    Raises:
        SongError: it is broken, or of a kind that cannot be played; with what to do.
    """
    data = _unwrapped(data)
    if len(data) < 14:
        raise SongError(f"{BROKEN}: it ends within its first line", AGAIN)
    size, kind, count, division = struct.unpack(">4xLHHH", data[:14])
    if kind == 2:
        raise SongError(
            "this is a MIDI file of type 2, which holds separate patterns and no song", "Export it as type 1 or type 0."
        )
    if kind > 2 or size < 6:
        raise SongError(f"{BROKEN}: its header is wrong", AGAIN)
    if division & 0x8000:
        raise SongError(
            "this MIDI file counts time in film frames (SMPTE), so it has no beats and bars",
            "Export it with a time base of ticks per quarter note, for example 480.",
        )
    if not division:
        raise SongError(f"{BROKEN}: its quarter note has no length", AGAIN)
    tracks = [_track(number, chunk, division) for number, chunk in enumerate(_tracks(data[8 + size :]), 1)]
    if len(tracks) < count:
        missing = count - len(tracks)
        raise SongError(f"{BROKEN}: {missing} of its {count} tracks are not there, as if it had been cut off", AGAIN)
    return _score(tracks, division)


def _unwrapped(data: bytes) -> bytes:
    """The file itself, if it stands in a RIFF file (.rmi), as some programs write it."""
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":
        at = data.find(b"MThd", 12, 4096)
        data = data[at:] if at > 0 else data
    if data[:4] != b"MThd":
        raise SongError("this is not a MIDI file, whatever its name says", AGAIN)
    return data


def _tracks(data: bytes) -> Iterator[bytes]:
    """The tracks, each with its length; chunks of another kind are passed over, as the standard asks."""
    while len(data) >= 8:
        name, size = struct.unpack(">4sL", data[:8])
        if name == b"MTrk":
            if len(data) < 8 + size:
                raise SongError(f"{BROKEN}: it ends within a track, as if it had been cut off", AGAIN)
            yield data[: 8 + size]
        data = data[8 + size :]


def _track(number: int, chunk: bytes, division: int) -> _Track:
    """Read one track; mido reads files, so the track is given a header of its own."""
    if chunk.count(b"\x90") > 20 * MOST_NOTES:  # far too many notes: not worth the time
        raise SongError(f"track {number} has far too many notes", "Cut out the song that you want.")
    header = struct.pack(">4sLHHH", b"MThd", 6, 1, 1, 480)
    try:
        file = mido.MidiFile(file=io.BytesIO(header + chunk), clip=True)
        return _Track(file.tracks[0], UNENDED * division)
    except (EOFError, OSError, ValueError, LookupError, TypeError) as error:
        raise SongError(f"{BROKEN}: track {number} cannot be read", AGAIN) from error


def _decoded(text: str) -> str:
    """A text of the file, which mido takes for Latin-1: UTF-8 if it can be, else what Windows writes."""
    data = text.encode("latin1", "replace")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    return text.replace("\0", "")


def _score(tracks: Sequence[_Track], division: int) -> WrittenScore:
    parts: list[ScorePart] = []
    of_track: list[list[ScorePart]] = []
    for track in tracks:
        own = [_part(track, channel, notes, division) for channel, notes in sorted(track.notes.items()) if notes]
        of_track.append(own)
        parts += own
    _name_apart(parts)
    if not parts:
        raise SongError(
            "there are no notes in this MIDI file", "Choose another one, or export it again with its notes."
        )
    end = max(note.end for part in parts for note in part.notes)
    metres = _metres(tracks, division, end)
    tempos = _tempos(tracks, division)
    bars = barlines(metres, end)
    sections = [
        Section(Fraction(marker.tick, division), name)
        for marker in sorted((marker for track in tracks for marker in track.markers), key=lambda text: text.tick)
        if (name := " ".join(marker.text.split())[:60]) and Fraction(marker.tick, division) < bars[-1]
    ]
    keys = [
        _key(Fraction(tick, division), key) for tick, key in sorted(pair for track in tracks for pair in track.keys)
    ]
    _give_words(tracks, of_track, division)
    for part in parts:
        part.notes = list(in_order(part.notes))
    score = WrittenScore(parts, metres, tempos, bars, keys, sections=sections)
    check_size(score)
    return score


def _part(track: _Track, channel: int, notes: Sequence[Sequence[int]], division: int) -> ScorePart:
    program = track.programs.get(channel)
    drums = channel == DRUM_CHANNEL
    several = sum(map(bool, track.notes.values())) > 1
    named = "Drums" if drums else PROGRAMS[program].capitalize() if program is not None else f"Channel {channel + 1}"
    name = named if several or not track.name else track.name
    return ScorePart(
        name,
        [
            SongNote(Fraction(on, division), Fraction(off - on, division), pitch, velocity)
            for on, off, pitch, velocity in notes
        ],
        None if drums else program,
        drums,
    )


def _name_apart(parts: Sequence[ScorePart]) -> None:
    """Number the names that several parts have."""
    seen: dict[str, int] = defaultdict(int)
    for part in parts:
        seen[part.name] += 1
        if seen[part.name] > 1:
            part.name = f"{part.name} {seen[part.name]}"


def _metres(tracks: Sequence[_Track], division: int, end: Fraction) -> list[MetreAt]:
    found = {tick: (beats, unit) for track in tracks for tick, beats, unit in track.metres}
    metres = [MetreAt(Fraction(0), signature(*found.pop(0, (4, 4))))]
    for tick, (beats, unit) in sorted(found.items()):
        at, now = Fraction(tick, division), signature(beats, unit)
        if now != metres[-1].signature and at < end:
            metres.append(MetreAt(at, now))
    return metres


def _tempos(tracks: Sequence[_Track], division: int) -> list[TempoAt]:
    found = {tick: tempo for track in tracks for tick, tempo in track.tempos}
    tempos = [] if 0 in found else [TempoAt(Fraction(0), STANDARD_TEMPO)]
    for tick, micros in sorted(found.items()):
        if not micros:
            raise SongError(
                "it has a tempo of 0 microseconds a quarter note, in which nothing can be played",
                "Correct the tempo in the program that wrote it, and export it again.",
            )
        tempo = believable(Fraction(60_000_000, micros))
        if not tempos or tempo != tempos[-1].tempo:
            tempos.append(TempoAt(Fraction(tick, division), tempo))
    return tempos


def _key(at: Fraction, key: str) -> KeyAt:
    if key.endswith("m"):
        return KeyAt(at, _SHARPS_OF_MINOR[key[:-1]], "minor")
    return KeyAt(at, _SHARPS[key], "major")


# --- words ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Syllable:
    at: Fraction
    text: str
    begins_line: bool


def _give_words(tracks: Sequence[_Track], of_track: Sequence[Sequence[ScorePart]], division: int) -> None:
    """Give each syllable to its note."""
    texts = [track.lyrics for track in tracks]
    if not any(texts):
        texts = [track.texts if _is_karaoke(track) else [] for track in tracks]
    every = [part for parts in of_track for part in parts if not part.drums]
    for written, own in zip(texts, of_track, strict=True):
        syllables = list(_syllables(written, division))
        parts = [part for part in own if not part.drums] or every
        if syllables and parts:
            part = max(parts, key=lambda part: sum(note is not None for _, note in _sung(part, syllables)))
            _sing(part, syllables)


def _is_karaoke(track: _Track) -> bool:
    """Tell whether a track's text events are the words: each line of them begins with a slash."""
    return track.name.casefold() == "words" or sum(text.text[:1] in ("/", "\\") for text in track.texts) > 1


def _syllables(written: Sequence[_Text], division: int) -> Iterator[_Syllable]:
    texts = [text for text in written if text.text and not text.text.startswith(("@", "%"))]
    spaced = any(text.text.strip("\r\n").endswith(" ") or text.text.startswith(" ") for text in texts)
    line = True
    for text, after in zip_longest(texts, texts[1:]):
        shown = text.text
        if shown[0] in "/\\\r\n":
            line = True
        word = shown.strip("/\\\r\n")
        then = " " if after is None else after.text[0]
        ends = not spaced or word.endswith(" ") or shown.endswith(("\r", "\n")) or then in " /\\\r\n"
        if clean := " ".join(word.split())[:58]:
            yield _Syllable(Fraction(text.tick, division), clean if ends or clean.endswith("-") else f"{clean}-", line)
            line = False
        if shown.endswith(("\r", "\n")):
            line = True


def _sung(part: ScorePart, syllables: Sequence[_Syllable]) -> Iterator[tuple[_Syllable, int | None]]:
    """Each syllable with the index of its note in the part, None where none begins near it; no note has two."""
    notes = sorted(range(len(part.notes)), key=lambda i: (part.notes[i].at, -part.notes[i].pitch))
    place = 0
    for syllable in syllables:
        while place < len(notes) and part.notes[notes[place]].at < syllable.at - BESIDE:
            place += 1
        best = None
        for i in range(place, len(notes)):
            away = abs(part.notes[notes[i]].at - syllable.at)
            if part.notes[notes[i]].at > syllable.at + BESIDE:
                break
            if best is None or away < abs(part.notes[notes[best]].at - syllable.at):
                best = i
        yield syllable, None if best is None else notes[best]
        if best is not None:
            at = part.notes[notes[best]].at
            while place < len(notes) and part.notes[notes[place]].at <= at:
                place += 1


def _sing(part: ScorePart, syllables: Sequence[_Syllable]) -> None:
    for syllable, note in _sung(part, syllables):
        if note is not None:
            part.notes[note] = replace(part.notes[note], lyric=syllable.text)
            if syllable.begins_line:
                part.breaks.append(part.notes[note].at)
