"""The notes of other seats or parts as presses: one with a pitch for each note, and one for a whole phrase.

    NAME          a press for each note that is heard, as from a MIDI keyboard
    NAME.phrase   pressed from the first note until nothing has sounded for the time ``quiet``

Two players may play the same note of the same channel: it is pressed again each time, and released with the last.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass

from router.core.conditioning.base import Conditioner, Gestures
from router.core.events import Gesture, MidiSample, Press, Release
from router.core.midi import NOTE_OFF, NOTE_ON
from router.core.timers import Alarm

PHRASE = "phrase"


@dataclass(frozen=True, slots=True)
class ListenSettings:
    """``quiet``: nanoseconds without any note that end a phrase; None: no part uses phrases."""

    quiet: int | None = None


@dataclass(slots=True)
class _Heard:
    """A note that sounds: the voice of its press, and the number of players."""

    voice: int
    players: int


class ListenConditioner(Conditioner):
    """Turns the notes that an input hears into presses."""

    def __init__(self, name: str, settings: ListenSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self._quiet = settings.quiet
        self._on: dict[tuple[int, int], _Heard] = {}  # by channel and note
        self._phrase: int | None = None  # the voice of its press, while it goes on

    @property
    def sounding(self) -> bool:
        """Tell whether a note that is heard sounds now."""
        return bool(self._on)

    def handle(self, sample: MidiSample, now: int) -> Gestures:
        if len(sample.data) != 3:
            return ()
        status, note, velocity = sample.data
        kind, wire = status & 0xF0, (status & 0x0F, note)
        if kind == NOTE_ON and velocity > 0:
            return self._begins(wire, velocity / 127)
        if kind in (NOTE_OFF, NOTE_ON):
            return self._ends(wire, now)
        return ()

    def wake(self, now: int, tag: Hashable) -> Gestures:
        return self._end_phrase()

    def lost(self, now: int) -> Gestures:
        on, self._on = self._on, {}
        return [*(Release(self.name, heard.voice) for heard in on.values()), *self._end_phrase()]

    def _begins(self, wire: tuple[int, int], strength: float) -> Gestures:
        gestures: list[Gesture] = []
        if self._quiet is not None:
            self.alarm.cancel()
            if self._phrase is None:
                self._phrase = self.new_voice()
                gestures.append(Press(f"{self.name}.{PHRASE}", self._phrase, strength))
        before = self._on.get(wire)
        if before is not None:
            gestures.append(Release(self.name, before.voice))
        heard = self._on[wire] = _Heard(self.new_voice(), before.players + 1 if before else 1)
        return [*gestures, Press(self.name, heard.voice, strength, pitch=wire[1])]

    def _ends(self, wire: tuple[int, int], now: int) -> Gestures:
        heard = self._on.get(wire)
        if heard is None:
            return ()
        heard.players -= 1
        if heard.players:
            return ()
        del self._on[wire]
        if self._phrase is not None and not self._on and self._quiet is not None:
            self.alarm.at(now + self._quiet)
        return (Release(self.name, heard.voice),)

    def _end_phrase(self) -> list[Gesture]:
        self.alarm.cancel()
        voice, self._phrase = self._phrase, None
        return [] if voice is None else [Release(f"{self.name}.{PHRASE}", voice)]
