"""A MIDI keyboard, pad or controller: keys are presses with a pitch, controllers are levels.

Follows MIDI 1.0: a note-on with velocity 0 is a note-off; a note-off for a key that is not down is ignored; all
notes off (123 to 127) and all sound off (120) release what is down.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from router.core.conditioning.base import Conditioner, Gestures
from router.core.events import Gesture, Level, MidiSample, Press, Release
from router.core.timers import Alarm


@dataclass(frozen=True, slots=True)
class MidiSettings:
    """Messages that count: ``channel`` 1 to 16 (None: any), keys ``lowest`` to ``highest``, and ``levels``."""

    channel: int | None = None
    lowest: int = 0
    highest: int = 127
    levels: frozenset[str] = frozenset()


class MidiConditioner(Conditioner):
    """Turns the messages of a MIDI keyboard, pad or controller into gestures."""

    def __init__(self, name: str, settings: MidiSettings, new_voice: Callable[[], int], alarm: Alarm) -> None:
        super().__init__(name, new_voice, alarm)
        self._settings = settings
        self._down: dict[tuple[int, int], int] = {}  # channel and key -> voice
        self._level: dict[str, float] = {}

    def handle(self, sample: MidiSample, now: int) -> Gestures:
        if len(sample.data) != 3:
            return ()
        status, number, value = sample.data
        kind, channel = status & 0xF0, (status & 0x0F) + 1
        settings = self._settings
        if settings.channel is not None and channel != settings.channel:
            return ()
        if kind == 0x90 and value > 0:
            return self._key_down(channel, number, value)
        if kind in (0x80, 0x90):
            voice = self._down.pop((channel, number), None)
            return () if voice is None else (Release(self.name, voice),)
        if kind == 0xB0:
            if number == 120 or number >= 123:
                return [self._let_go(key) for key in list(self._down) if key[0] == channel]
            return self._controller(f"{self.name}.cc{number}", value / 127)
        return ()

    def lost(self, now: int) -> Gestures:
        gestures: list[Gesture] = [self._let_go(key) for key in list(self._down)]
        gestures += [Level(source, 0.0) for source, value in self._level.items() if value]
        self._level.clear()
        return gestures

    def _key_down(self, channel: int, key: int, velocity: int) -> Gestures:
        if not self._settings.lowest <= key <= self._settings.highest:
            return ()
        gestures: list[Gesture] = [self._let_go((channel, key))] if (channel, key) in self._down else []
        voice = self._down[channel, key] = self.new_voice()
        return [*gestures, Press(self.name, voice, velocity / 127, pitch=key)]

    def _let_go(self, key: tuple[int, int]) -> Release:
        return Release(self.name, self._down.pop(key))

    def _controller(self, source: str, value: float) -> Gestures:
        if source not in self._settings.levels or self._level.get(source, 0.0) == value:
            return ()
        self._level[source] = value
        return (Level(source, value),)
