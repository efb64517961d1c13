"""The room's own buttons, not a child's: what each one does when it is held, and programs that choose a child.

A button is a switch like any other, with its contact bounce taken out; it counts once it has been held for its time, so
that nobody silences a room by brushing against it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.events import Gesture, Lost, MidiSample, Press, Sample, SwitchSample
from router.core.midi import PROGRAM_CHANGE
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.devices.inputs import by_device
from router.files.configuration import Button, ProgramChange
from router.live.attached import AttachedInput
from router.live.surroundings import LoopPart, Surroundings

DEBOUNCE = NANOSECONDS * 3 // 100
"""As long as a profile's switches have by default."""

_PROGRAM = "program_change"
_OF = {"of": "the room"}


class Buttons(LoopPart):
    """The room's buttons and program changes. ``pressed`` is given the button; ``chosen`` the program, 0 to 127."""

    def __init__(
        self,
        buttons: Sequence[Button],
        programs: ProgramChange | None,
        room: Surroundings,
        pressed: Callable[[Button], None],
        chosen: Callable[[int], None],
    ) -> None:
        self._buttons = {button.name: button for button in buttons}
        self._programs = programs
        self._pressed, self._chosen = pressed, chosen
        agenda = room.loop.agenda
        self._working = agenda.reminder(self._work)
        self._timers = Timers()
        new_voice = itertools.count(1).__next__
        self._names = [*self._buttons]
        self._conditioners = [
            SwitchConditioner(
                button.name, SwitchSettings(DEBOUNCE, accept=button.hold), new_voice, Alarm(self._timers, index)
            )
            for index, button in enumerate(buttons)
        ]
        devices = {button.name: button.device for button in buttons}
        types = dict.fromkeys(self._names, "switch")
        self._inputs = [AttachedInput(group, types, room, _OF, self._touch) for group in by_device(devices)]
        if programs is not None:
            self._inputs.append(AttachedInput({_PROGRAM: programs.device}, {_PROGRAM: "midi"}, room, _OF, self._touch))

    def open(self, now: int) -> None:
        """Open what is there."""
        for attached in self._inputs:
            attached.open(now)
        self._touch()

    def _work(self, now: int) -> None:
        """Take what has come, and do what is due."""
        for attached in self._inputs:
            came, attached.came = attached.came, []
            for _stamp, sample in came:
                self._heard(sample, now)
        while (key := self._timers.pop(now)) is not None:
            assert isinstance(key, tuple)  # an alarm's key is its owner and a tag
            index, tag = key
            self._act(index, self._conditioners[index].wake(now, tag))
        if (due := self._timers.next()) is not None:
            self._working.set(due)

    def plugged(self, now: int) -> None:
        for attached in self._inputs:
            attached.plugged(now)

    def look(self, now: int) -> None:
        for attached in self._inputs:
            attached.look(now)
        self._touch()

    def close(self) -> None:
        self._working.clear()
        for attached in self._inputs:
            attached.close()

    def _touch(self) -> None:
        self._working.soon()

    def _heard(self, sample: Sample, now: int) -> None:
        if isinstance(sample, MidiSample):
            status, *data = sample.data
            wanted = self._programs.channel if self._programs is not None else None
            if status & 0xF0 == PROGRAM_CHANGE and wanted in (None, (status & 0x0F) + 1):
                self._chosen(data[0])
        elif isinstance(sample, SwitchSample):
            index = self._names.index(sample.input)
            self._act(index, self._conditioners[index].handle(sample, now))
        elif isinstance(sample, Lost) and sample.input in self._names:  # a hold that was begun does not count
            index = self._names.index(sample.input)
            self._conditioners[index].lost(now)

    def _act(self, index: int, gestures: Iterable[Gesture]) -> None:
        if any(isinstance(gesture, Press) for gesture in gestures):
            self._pressed(self._buttons[self._names[index]])
