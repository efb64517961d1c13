"""A standard MIDI file of what every output of a profile was sent.

Type 1: the first track holds the name, and tempo, metre and key with their changes (FF 51, FF 58 and FF 59 of RP-001).
Then comes one track for each channel of each output, called by the parts that play there, as notation programs want it.
Times are rounded to ticks from the beginning of the file or the last change of tempo, never from note to note, so they
do not drift; a tick is at most a millisecond. The same messages give the same bytes.

A key signature knows major and minor only (``router.core.music.Signature``): a mode has the signature of its notes, and
its third makes it major or minor.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import BinaryIO

import mido

from router.core.engine import PartPlan
from router.core.events import Route
from router.core.music import Music, TimeSignature
from router.devices.outputs.base import Output

DRUMS = 10
"""The channel for percussion. Source: General MIDI System Level 1."""


def track_names(parts: Iterable[PartPlan], prefix: str = "") -> dict[Route, str]:
    """Name the track of each route after the parts that play there."""
    names: dict[Route, str] = {}
    for part in parts:
        route = Route(prefix + part.route.output, part.route.channel)
        names[route] = f"{names[route]}, {part.name}" if route in names else part.name
    return names


class MidiFile:
    """A MIDI file that is written to ``file`` on ``close``; a profile's output sends to ``output(name)``.

    ``tempo``: quarter notes a minute until ``music`` sets another. ``names``: the track's name for each route.
    ``wires``: the route on the wire of a route that is not one itself; those of one wire share a channel of the file.
    """

    def __init__(
        self,
        file: BinaryIO,
        tempo: Fraction,
        title: str,
        names: Mapping[Route, str],
        wires: Mapping[Route, Route] = MappingProxyType({}),
    ) -> None:
        self._file, self._title, self._names, self._wires = file, title, names, wires
        self._tempi = [(0, _microseconds(tempo))]  # since when a quarter has so many microseconds
        self._music: Music | None = None
        self._tracks: dict[Route, list[tuple[int, tuple[int, ...]]]] = {}  # in nanoseconds from the start
        self._channels: dict[Route, int] = {}
        self._head: list[tuple[int, mido.MetaMessage]] = []  # the same

    @property
    def ticks_per_quarter(self) -> int:
        """Ticks of a quarter note, enough for a tick to be at most a millisecond at the slowest tempo."""
        slowest = max(quarter for _, quarter in self._tempi)
        return next(t for t in (240, 480, 960, 1920, 3840) if slowest <= 1000 * t)

    def mark(self, text: str, now: int) -> None:
        """Add a marker, such as a chord, which programs show above the notes. To be called in the order of time."""
        self._head.append((now, mido.MetaMessage("marker", text=text)))

    def music(self, music: Music, now: int) -> None:
        """Set tempo, metre and key from ``now`` on; only changes are written. To be called in the order of time."""
        before, self._music = self._music, music
        quarter = _microseconds(music.tempo)
        if now == 0:
            self._tempi = [(0, quarter)]
        elif quarter != self._tempi[-1][1]:
            self._tempi.append((now, quarter))
            self._head.append((now, mido.MetaMessage("set_tempo", tempo=quarter)))
        if before is None or before.time_signature != music.time_signature:
            self._head.append((now, _metre(music.time_signature)))
        key = mido.MetaMessage("key_signature", key=music.signature.key)
        if before is None or before.signature != music.signature:
            self._head.append((now, key))

    def output(self, name: str) -> Output:
        """Return the output that takes the messages of one output of the profile."""
        return _FileOutput(self, name)

    def take(self, name: str, data: tuple[int, ...], now: int) -> None:
        """Take a message of output ``name``; one without a channel is left out of a file of notes."""
        if data[0] >= 0xF0:
            return
        route = Route(name, (data[0] & 0x0F) + 1)
        self._tracks.setdefault(route, []).append((now, data))

    def ticks(self, now: int) -> int:
        """A time in nanoseconds from the start, in ticks from the start."""
        ticks_per_quarter, before, since, quarter = self.ticks_per_quarter, Fraction(0), 0, self._tempi[0][1]
        for start, after in self._tempi[1:]:
            if now < start:
                break
            before += Fraction((start - since) * ticks_per_quarter, 1000 * quarter)
            since, quarter = start, after
        return math.floor(before + Fraction((now - since) * ticks_per_quarter, 1000 * quarter) + Fraction(1, 2))

    def close(self) -> None:
        """Write the whole file."""
        written = mido.MidiFile(type=1, ticks_per_beat=self.ticks_per_quarter, charset="utf-8")
        ends = [track[-1][0] for track in self._tracks.values()] + [now for now, _ in self._head]
        end = self.ticks(max(ends, default=0))
        head = mido.MidiTrack(
            [
                mido.MetaMessage("track_name", name=self._title),
                mido.MetaMessage("set_tempo", tempo=self._tempi[0][1]),
            ]
        )
        before = 0
        for now, message in self._head:
            ticks = self.ticks(now)
            head.append(message.copy(time=ticks - before))
            before = ticks
        head.append(mido.MetaMessage("end_of_track", time=end - before))
        written.tracks.append(head)
        for route, messages in self._tracks.items():
            written.tracks.append(self._track(route, messages, end))
        written.save(file=self._file)

    def _track(self, route: Route, messages: list[tuple[int, tuple[int, ...]]], end: int) -> mido.MidiTrack:
        channel = self._channel(route)
        track = mido.MidiTrack(
            [mido.MetaMessage("track_name", name=self._names.get(route, f"{route.output} {route.channel}"))]
        )
        before = 0
        for now, data in messages:
            ticks = self.ticks(now)
            track.append(mido.Message.from_bytes((data[0] & 0xF0 | channel - 1, *data[1:]), time=ticks - before))
            before = ticks
        track.append(mido.MetaMessage("end_of_track", time=end - before))
        return track

    def _channel(self, route: Route) -> int:
        """The route's own channel, or a free one: all outputs share the file's 16, and two sounds on one clash."""
        route = self._wires.get(route, route)
        if route in self._channels:
            return self._channels[route]
        taken = self._channels.values()
        channel = route.channel
        if channel != DRUMS and channel in taken:
            free = [c for c in range(1, 17) if c != DRUMS and c not in taken and not self._wanted(c)]
            channel = free[0] if free else channel
        self._channels[route] = channel
        return channel

    def _wanted(self, channel: int) -> bool:
        return any(route.channel == channel for route in self._tracks)


def _microseconds(tempo: Fraction) -> int:
    """The length of a quarter note in whole microseconds, as the file holds it."""
    return round(60_000_000 / tempo)


def _metre(time_signature: TimeSignature) -> mido.MetaMessage:
    """The time signature, a metronome click on each of its beats; a quarter has 24 clocks and eight 32nd notes."""
    return mido.MetaMessage(
        "time_signature",
        numerator=time_signature.beats,
        denominator=time_signature.beat_type,
        clocks_per_click=int(24 * time_signature.beat),
        notated_32nd_notes_per_beat=8,
    )


class _FileOutput(Output):
    def __init__(self, file: MidiFile, name: str) -> None:
        self._midi_file, self._name = file, name
        self.description = "a MIDI file"

    def send(self, data: tuple[int, ...], now: int) -> None:
        self._midi_file.take(self._name, data, now)

    def close(self) -> None:
        """Do nothing: ``MidiFile.close`` writes the file."""
