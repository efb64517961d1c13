"""Songs, read from files and from typed melodies into ``router.core.song.Song``.

Invariants:
  * a song is read whole or not at all: what is wrong raises ``SongError`` and says what helps;
  * no text and no file costs more than its bounds, whatever it says.
"""

from __future__ import annotations

from router.songs.error import SongError

__all__ = ["SongError"]
