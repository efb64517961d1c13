"""Songs: read from files, and understood.

    song = read(folder / "evening.mid", "Voice", name="evening")
    summary(song)       "evening: 16 bars, 3/4, G major, melody of 38 notes in 8 phrases, 4 other parts, ..."

What each part keeps:

* ``standard_midi``: reads a Standard MIDI File as a ``score``. Kept: exact times; a broken file is told, never half
  read.
* ``musicxml``: reads MusicXML as a ``score``; ``xml_tree`` the XML, ``compressed`` the archive (.mxl), ``repeats`` the
  order in which measures are played, ``chord_kinds`` chord symbols. Kept: nothing is fetched, no entity is defined.
* ``understanding``, ``chord_finding``: makes a song of a score. Kept: what was found by itself is said, and why.
* ``apart``, ``plain``: a file of somebody else is read in a process of its own, and what comes back is plain data.
  Kept: whatever the file says, it costs itself only; limits of time, memory and size.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from router.core.song import Song
from router.songs import apart
from router.songs.error import SongError
from router.songs.understanding import summary

__all__ = ["SongError", "read", "summary"]


def read(path: Path, melody: str | int | None = None, *, name: str, opened: Callable[[], int] | None = None) -> Song:
    """Read a song's file, in a process of its own: a Standard MIDI File or MusicXML.

    ``melody``: the name or the number (from 1) of the part that has it; None: it is found. ``opened``: opens the file
    and returns the descriptor (``open_beneath``); by default the path is opened.

    Raises:
        SongError: the file cannot be used; with what to do.
    """
    return apart.read(path, name, melody, opened)
