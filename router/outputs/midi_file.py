"""A standard MIDI file of what every output of a profile was sent.

Type 1: the first track holds the name and the tempo, then comes one track for each channel of each output, called by the
parts that play there; that is how notation programs want it. Times are rounded to ticks from the beginning of the
file, never from note to note, so they do not drift; a tick is at most a millisecond. The same messages give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import BinaryIO

import mido

from router.engine import PartPlan
from router.events import Route
from router.outputs.base import Output

DRUMS = 10
"""The channel for percussion. Source: General MIDI System Level 1."""


def track_names(parts: Iterable[PartPlan], prefix: str = "") -> dict[Route, str]:
    """What to call the track of each route: the parts that play there."""
    names: dict[Route, str] = {}
    for part in parts:
        route = Route(prefix + part.route.output, part.route.channel)
        names[route] = f"{names[route]}, {part.name}" if route in names else part.name
    return names


class MidiFile:
    """A MIDI file that is written to ``file`` on ``close``. ``output(name)`` is what a profile's output sends to.

    ``tempo`` in quarter notes a minute is that of the whole file; ``names`` says what to call a route's track.
    """

    def __init__(self, file: BinaryIO, tempo: Fraction, title: str, names: Mapping[Route, str]) -> None:
        self._file, self._title, self._names = file, title, names
        self._quarter = round(60_000_000 / tempo)  # microseconds, as the file's tempo has them: times are counted in it
        self.ticks_per_quarter = next(t for t in (240, 480, 960, 1920, 3840) if self._quarter <= 1000 * t)
        self._tracks: dict[Route, list[tuple[int, tuple[int, ...]]]] = {}  # in ticks from the start
        self._channels: dict[Route, int] = {}
        self._marks: list[tuple[int, str]] = []

    def mark(self, text: str, now: int) -> None:
        """A marker on the time line, such as a chord: programs show it above the notes. In the order of time."""
        self._marks.append((self.ticks(now), text))

    def output(self, name: str) -> Output:
        """Takes the messages of one output of the profile."""
        return _FileOutput(self, name)

    def take(self, name: str, data: tuple[int, ...], now: int) -> None:
        """A message of output ``name``; messages without a channel have no place in a file of notes."""
        if data[0] >= 0xF0:
            return
        route = Route(name, (data[0] & 0x0F) + 1)
        self._tracks.setdefault(route, []).append((self.ticks(now), data))

    def ticks(self, now: int) -> int:
        """A time in nanoseconds from the start, in ticks from the start."""
        return (now * self.ticks_per_quarter + 500 * self._quarter) // (1000 * self._quarter)

    def close(self) -> None:
        """Write it all."""
        written = mido.MidiFile(type=1, ticks_per_beat=self.ticks_per_quarter, charset="utf-8")
        ends = [track[-1][0] for track in self._tracks.values()] + [ticks for ticks, _text in self._marks]
        end = max(ends, default=0)
        head = mido.MidiTrack(
            [
                mido.MetaMessage("track_name", name=self._title),
                mido.MetaMessage("set_tempo", tempo=self._quarter),
            ]
        )
        before = 0
        for ticks, text in self._marks:
            head.append(mido.MetaMessage("marker", text=text, time=ticks - before))
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
        for ticks, data in messages:
            track.append(mido.Message.from_bytes((data[0] & 0xF0 | channel - 1, *data[1:]), time=ticks - before))
            before = ticks
        track.append(mido.MetaMessage("end_of_track", time=end - before))
        return track

    def _channel(self, route: Route) -> int:
        """The route's own channel, or a free one: in a file the outputs share 16 channels, and two sounds on one clash."""
        taken = self._channels.values()
        channel = route.channel
        if channel != DRUMS and channel in taken:
            free = [c for c in range(1, 17) if c != DRUMS and c not in taken and not self._wanted(c)]
            channel = free[0] if free else channel
        self._channels[route] = channel
        return channel

    def _wanted(self, channel: int) -> bool:
        return any(route.channel == channel for route in self._tracks)


class _FileOutput(Output):
    def __init__(self, file: MidiFile, name: str) -> None:
        self._midi_file, self._name = file, name
        self.description = "a MIDI file"

    def send(self, data: tuple[int, ...], now: int) -> None:
        self._midi_file.take(self._name, data, now)

    def close(self) -> None:
        """The file is written when the last output has ended: see ``MidiFile.close``."""
