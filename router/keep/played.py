"""The notes of one session or several, from their logs.

Sessions that overlap (children at several seats) are laid over each other by the time at which they began; those that
do not follow one another after ``BETWEEN``. What sounded in a baseline was not heard, and is left out.

Older logs do not hold tempo, metre, key and sounds: ``ASSUMED`` stands in their place, and the key is found from the
notes. That is said in ``Played.remarks``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from typing import Any

from router.core.midi import BEND_CENTRE, CHANNEL_PRESSURE, CONTROL_CHANGE, PITCH_BEND, PROGRAM_CHANGE
from router.core.music import SCALES, SYMBOLS, Chord, Music, TimeSignature, chord_symbol, time_signature
from router.core.units import NANOSECONDS, QuantityError
from router.records.record_files import Event, SessionLog
from router.records.recorder import BASELINE, PLAYING
from router.room.tonality import Tonality

BETWEEN = 2 * NANOSECONDS
"""From the end of a session to the beginning of the next one. Our choice."""

ASSUMED = Music(0, SCALES["major"], Fraction(90), TimeSignature())
"""The music of a log that does not say it: the profile's defaults."""

DRUMS = 10
"""The channel for percussion. Source: General MIDI System Level 1."""

MOST_NOTES = 200_000
"""Notes of all sessions together: some ten hours of a busy session. Our choice."""


@dataclass(slots=True)
class PlayedNote:
    """A note: when it began and ended, in nanoseconds; ``pitch`` and ``velocity`` as in MIDI."""

    start: int
    end: int
    pitch: int
    velocity: int


@dataclass(slots=True)
class Track:
    """All that a part of a seat played. ``wire``: the output and channel (1 to 16) that its log names."""

    seat: str
    part: str
    wire: tuple[str, int]
    program: int | None = None
    notes: list[PlayedNote] = field(default_factory=list)
    changes: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)
    """Programs, controllers, pressure and bend: when, and the bytes as on channel 1."""

    @property
    def drums(self) -> bool:
        """Tell whether its pitches are drums."""
        return self.wire[1] == DRUMS


@dataclass(frozen=True, slots=True)
class MusicFrom:
    """The music from ``at`` on; ``music.origin`` is the beginning of a bar."""

    at: int
    music: Music


@dataclass(frozen=True, slots=True)
class SongMusic:
    """The written music of the song that was played; its first note is ``begins`` quarter notes into a bar."""

    music: Music
    begins: Fraction


@dataclass(frozen=True, slots=True)
class ChordFrom:
    """The chord from ``at`` on; None: no chord."""

    at: int
    chord: Chord | None


@dataclass(slots=True)
class Played:
    """All that was played. Times are nanoseconds from the beginning of the first session."""

    tracks: list[Track] = field(default_factory=list)
    music: list[MusicFrom] = field(default_factory=list)
    songs: list[SongMusic] = field(default_factory=list)
    chords: list[ChordFrom] = field(default_factory=list)
    end: int = 0
    sessions: int = 0
    began: datetime | None = None
    """When the first session began, by the local clock; None if its log does not say."""
    seats: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def song(self) -> SongMusic | None:
        """The music of the song that was played; None if none was, or songs of different music."""
        return self.songs[0] if len(self.songs) == 1 else None

    @property
    def notes(self) -> int:
        """How many notes there are."""
        return sum(len(track.notes) for track in self.tracks)

    def name(self, track: Track) -> str:
        """The name of a track: its part's, with its seat's before it where there are several seats."""
        return f"{track.seat}: {track.part}" if len(self.seats) > 1 else track.part


def played(logs: Sequence[SessionLog]) -> Played:
    """Take what was played from session logs that were read with ``played=True``."""
    found = Played()
    for start, log in _placed(logs, found):
        found.remarks += [f"{log.name}: {remark}" for remark in log.remarks]
        _LogPlayed(found, log, start).take()
    found.tracks = [track for track in found.tracks if track.notes]
    for track in found.tracks:
        track.notes.sort(key=lambda note: (note.start, note.pitch))
        track.changes.sort(key=lambda change: change[0])
    found.music.sort(key=lambda one: one.at)
    found.chords.sort(key=lambda one: one.at)
    found.seats = list(dict.fromkeys(track.seat for track in found.tracks))
    if not found.music:
        found.music = [MusicFrom(0, _keyed(found))]
        key = found.music[0].music.signature.key
        found.remarks.append(
            "the log is of an older router and does not hold tempo, metre, key and sounds:"
            f" {float(ASSUMED.tempo):g} bpm, {ASSUMED.time_signature} and piano are assumed, and the key was found from"
            f" the notes ({key})"
        )
    elif found.music[0].at > 0:  # the first session is of an older router, or began with damage
        found.music[0] = replace(found.music[0], at=0)
    return found


def _placed(logs: Sequence[SessionLog], found: Played) -> Iterable[tuple[int, SessionLog]]:
    """Each log that has notes, and where it begins."""
    sounding = [log for log in logs if any(event.event == "note_on" for event in log.events)]
    for log in logs:
        if log not in sounding:
            found.remarks.append(f"{log.name}: nothing was played in it, and it is left out")
    dated = all(log.began is not None for log in sounding)
    if dated:
        sounding.sort(key=lambda log: (log.began, log.name))
    found.sessions = len(sounding)
    first = found.began = sounding[0].began if sounding else None
    end = shift = 0
    for i, log in enumerate(sounding):
        begins = end + BETWEEN if i else 0
        if dated and log.began is not None and first is not None:
            by_clock = round((log.began - first).total_seconds() * 1000) * (NANOSECONDS // 1000) - shift
            if by_clock >= end and i:
                shift += by_clock - begins
            else:
                begins = max(by_clock, 0)
        end = max(end, begins + _ns(log.events[-1].t))
        yield begins, log
    found.end = end


def _ns(seconds: float) -> int:
    return round(seconds * NANOSECONDS)


class _LogPlayed:
    """Takes one log's events."""

    def __init__(self, found: Played, log: SessionLog, start: int) -> None:
        self._found, self._log, self._start = found, log, start
        self._tracks = {(track.seat, track.part): track for track in found.tracks}
        self._on: dict[tuple[str, int, int], PlayedNote] = {}
        self._muted = False
        self._music = ASSUMED
        self._damaged = 0

    def take(self) -> None:
        now = self._start
        for event in self._log.events:
            now = self._start + _ns(event.t)
            try:
                self._event(now, event)
            except (KeyError, TypeError, ValueError, OverflowError):
                self._damaged += 1
        if self._on:
            self._found.remarks.append(
                f"{self._log.name}: notes without an end, which end with the log: {len(self._on)}"
            )
        self._silence(now)
        if self._damaged:
            self._found.remarks.append(
                f"{self._log.name}: lines that say what cannot be, and are left out: {self._damaged}"
            )

    def _event(self, now: int, event: Event) -> None:
        fields = event.fields
        match event.event:
            case "note_on":
                self._note_on(now, fields)
            case "note_off":
                wire = (str(fields["output"]), _number(fields["channel"], 1, 16), _number(fields["note"], 0, 127))
                if (note := self._on.pop(wire, None)) is not None:
                    note.end = now
            case "control":
                self._track(fields).changes.append((now, _change(fields)))
            case "program":
                track, program = self._track(fields), _number(fields["program"], 0, 127)
                track.changes.append((now, (PROGRAM_CHANGE, program)))
                if track.program is None or not track.notes:
                    track.program = program
            case "music":
                self._music_changes(now, fields)
            case "song":
                self._song(fields)
            case "chord":
                self._chord(now, str(fields["chord"]))
            case "mark":
                phase = str(fields["text"]).strip().casefold()
                if phase in (BASELINE, PLAYING):
                    self._muted = phase == BASELINE
                    if self._muted:
                        self._silence(now)

    def _note_on(self, now: int, fields: dict[str, Any]) -> None:
        wire = (str(fields["output"]), _number(fields["channel"], 1, 16), _number(fields["note"], 0, 127))
        velocity = _number(fields["velocity"], 1, 127)
        track = self._track(fields)
        if self._muted:
            return
        if (note := self._on.pop(wire, None)) is not None:
            note.end = now
        if sum(len(each.notes) for each in self._tracks.values()) >= MOST_NOTES:
            raise ValueError
        note = self._on[wire] = PlayedNote(now, now, wire[2], velocity)
        track.notes.append(note)

    def _silence(self, now: int) -> None:
        for note in self._on.values():
            note.end = now
        self._on.clear()

    def _track(self, fields: dict[str, Any]) -> Track:
        part = fields["part"]
        if not isinstance(part, str):
            raise TypeError
        wire = (str(fields["output"]), _number(fields["channel"], 1, 16))
        track = self._tracks.get((self._log.seat, part))
        if track is None:
            track = self._tracks[self._log.seat, part] = Track(self._log.seat, part, wire)
            self._found.tracks.append(track)
        return track

    def _song(self, fields: dict[str, Any]) -> None:
        begins = Fraction(str(float(fields["begins"]))).limit_denominator(48)
        song = SongMusic(_music(fields), begins % _music(fields).time_signature.quarters)
        if song not in self._found.songs:
            self._found.songs.append(song)

    def _music_changes(self, now: int, fields: dict[str, Any]) -> None:
        bar = _ns(float(fields["bar"]))
        self._music = replace(_music(fields), origin=now - bar)
        if not self._found.music or self._found.music[-1].music != self._music:
            self._found.music.append(MusicFrom(now, self._music))
        if "chord" in fields:
            self._chord(now, str(fields["chord"]))

    def _chord(self, now: int, name: str) -> None:
        try:
            chord = self._music.chord_on(chord_symbol(name)) if name else None
        except QuantityError:
            chord = None
        if chord is not None and chord.name.isdecimal():  # a step of the scale: its symbol is not written anywhere
            chord = named(chord, self._music)
        before = self._found.chords[-1].chord if self._found.chords else None
        if chord != before:
            self._found.chords.append(ChordFrom(now, chord))


def named(chord: Chord, music: Music) -> Chord:
    """A chord with its symbol for a name, such as "Am", spelled in the key."""
    kind = next((kind for kind, shape in SYMBOLS.items() if shape == chord.shape), "")
    return Chord(f"{music.names[chord.root]}{kind}", chord.root, chord.shape, chord.bass)


def _music(fields: dict[str, Any]) -> Music:
    """The music that a line tells of.

    Raises:
        ValueError: it cannot be.
    """
    scale = tuple(_number(step, 0, 11) for step in fields["scale"])
    tempo = Fraction(str(float(fields["tempo"]))).limit_denominator(1000)
    if not 1 <= tempo <= 1000 or not scale:
        raise ValueError
    try:
        metre = time_signature(str(fields["time_signature"]))
    except QuantityError:
        raise ValueError from None
    return Music(_number(fields["tonic"], 0, 11), scale, tempo, metre)


def _number(value: Any, low: int, high: int) -> int:
    """A whole number between two bounds.

    Raises:
        ValueError: it is none.
    """
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise ValueError
    return value


def _change(fields: dict[str, Any]) -> tuple[int, ...]:
    """The bytes of a ``control``, as on channel 1."""
    which = fields["controller"]
    if which == "bend":
        value = _number(fields["value"], 0, 2 * BEND_CENTRE - 1)
        return (PITCH_BEND, value & 0x7F, value >> 7)
    value = _number(fields["value"], 0, 127)
    if which == "pressure":
        return (CHANNEL_PRESSURE, value)
    return (CONTROL_CHANGE, _number(which, 0, 127), value)


def _keyed(found: Played) -> Music:
    """``ASSUMED`` in the key that the notes are in."""
    tonality = Tonality(half=found.end + NANOSECONDS)
    strokes = [(note.start, True, note.pitch) for track in found.tracks if not track.drums for note in track.notes]
    strokes += [(note.end, False, note.pitch) for track in found.tracks if not track.drums for note in track.notes]
    for now, down, pitch in sorted(strokes):
        (tonality.down if down else tonality.up)(pitch, now)
    if tonality.key is None:
        return ASSUMED
    return replace(ASSUMED, tonic=tonality.key.tonic, scale=SCALES["minor" if tonality.key.minor else "major"])
