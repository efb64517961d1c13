"""A sound file of what was played, by the built-in instrument, as loud as music that is heard by itself.

The silence before the first note is cut to ``BEFORE``; the pauses between notes are as long as they were.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import BinaryIO

from router.core.units import NANOSECONDS
from router.devices.outputs import loudness
from router.devices.outputs.instrument import SoundFile
from router.keep.midi import Timed, messages
from router.keep.played import Played

BEFORE = NANOSECONDS // 2
"""Silence before the first note. Our choice."""


def write(played: Played, file: BinaryIO, rendered: Callable[[int], None] = lambda _second: None) -> None:
    """Write the file; ``rendered`` is told of each second, by its number: all is rendered some three times.

    Raises:
        OutputError: the synth, its sounds or the loudness meter are not installed; the text says how to install them.
    """
    loudness.ready()
    sound = SoundFile(file, mastered=True, rendered=rendered)
    first = min((note.start for track in played.tracks for note in track.notes), default=0)
    skipped = max(0, first - BEFORE)
    synths: dict[str, list[Timed]] = {}
    for track in played.tracks:
        synths.setdefault(f"{track.seat}/{track.wire[0]}", []).extend(messages(track))
    for name, sent in synths.items():
        output = sound.output(name)
        for now, data in sorted(sent, key=lambda one: one[0]):
            output.send(data, max(0, now - skipped))
    sound.close()
