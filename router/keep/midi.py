"""A MIDI file of what was played: tempo, metre and key with their changes, chords as markers, a track for each part.

Tempo, metre and key are those of the song, if one was played, else of the profile or the room.
Notes stand at the log's own times, to the millisecond: nothing is moved onto a beat.
"""

from __future__ import annotations

from typing import BinaryIO

from router.core.events import Route
from router.core.midi import NOTE_OFF, NOTE_ON
from router.devices.outputs.midi_file import MidiFile
from router.keep.played import MusicFrom, Played, Track

Timed = tuple[int, tuple[int, ...]]
"""A time in nanoseconds and the bytes of a message."""


def write(played: Played, file: BinaryIO, title: str = "") -> None:
    """Write the file. Nobody is named in it but by ``title``.

    Raises:
        OSError: ``file`` cannot be written.
    """
    routes = {id(track): Route(f"{track.seat}/{track.part}", track.wire[1]) for track in played.tracks}
    names = {routes[id(track)]: played.name(track) for track in played.tracks}
    wires = {routes[id(track)]: Route(f"{track.seat}/{track.wire[0]}", track.wire[1]) for track in played.tracks}
    music = played.music if played.song is None else [MusicFrom(0, played.song.music)]
    midi = MidiFile(file, music[0].music.tempo, title, names, wires)
    for one in music:
        midi.music(one.music, one.at)
    for chord in played.chords:
        if chord.chord is not None:
            midi.mark(chord.chord.name, chord.at)
    for track in played.tracks:
        output = midi.output(routes[id(track)].output)
        for now, data in messages(track):
            output.send(data, now)
    midi.close()


def messages(track: Track) -> list[Timed]:
    """All that a part sent, in the order of time, on its own channel: a note's end before another's beginning."""
    channel = track.wire[1] - 1
    found = [(now, 1, (data[0] | channel, *data[1:])) for now, data in track.changes]
    for note in track.notes:
        found.append((note.start, 2, (NOTE_ON | channel, note.pitch, note.velocity)))
        found.append((note.end, 0 if note.end > note.start else 3, (NOTE_OFF | channel, note.pitch, 0)))
    return [(now, data) for now, _order, data in sorted(found, key=lambda one: one[:2])]
