"""The chord that a song has where it is now, for whoever follows the harmony.

The song is where the part is that moved last. A song that waits has the chord that it had, and not yet the one at which
it waits.
"""

from __future__ import annotations

from bisect import bisect_right

from router.core.music import Chord, Coming
from router.core.playing.transport import Stage
from router.core.song import Song
from router.core.timers import Alarm


class SongChords:
    """The current chord of a song in one engine; its first one before it has begun."""

    def __init__(self, song: Song, stage: Stage, alarm: Alarm) -> None:
        self._song, self._stage, self._alarm = song, stage, alarm
        self._index = 0
        stage.listeners.append(alarm)

    @property
    def chord(self) -> Chord | None:
        """The chord; None where the song has none."""
        chords = self._song.chords
        return chords[self._index].chord if chords else None

    @property
    def coming(self) -> Coming | None:
        """The next chord that is another; nobody knows when it comes, as the song may wait before."""
        later = (one.chord for one in self._song.chords[self._index + 1 :])
        chord = next((chord for chord in later if chord is not None and chord != self.chord), None)
        return None if chord is None else Coming(chord, None)

    def wake(self, now: int) -> bool:
        """Take the chord of the place where the song is; tell whether it is another."""
        transport = self._stage.latest
        if transport is None or not self._song.chords:
            return False
        before = self.chord
        place = min(transport.at(now), transport.limit - 1)
        self._index = max(0, bisect_right(self._places, place) - 1)
        later = self._index + 1
        if later < len(self._places) and self._places[later] < transport.limit:
            self._alarm.at(transport.when(self._places[later]))
        else:
            self._alarm.cancel()
        return self.chord != before

    def stop(self) -> None:
        """Forget where the song was."""
        self._alarm.cancel()
        self._index = 0

    @property
    def _places(self) -> tuple[int, ...]:
        transport = self._stage.latest
        return self._song.chord_places(by_quarters=transport is not None and transport.by_quarters)
