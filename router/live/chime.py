"""A few soft notes that tell the room what happened where there is no screen.

rising                      done
falling                     refused
falling, and up again       something else plays in place of what should: it is left out, as the router died of it
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass

from router.core.events import Message, Route
from router.core.midi import DRUM_CHANNEL, NOTE_OFF, NOTE_ON, PROGRAM_CHANGE, program_number
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.system import clock
from router.system.agenda import Agenda

DONE = (67, 72, 76)
"""G4, C5, E5, rising. Our choice, as is all of it."""

REFUSED = (64, 60, 55)
"""E4, C4, G3, falling."""

FIRST = (*DONE, 76)
"""And E5 again."""

MISSING = (*DONE, 60)
"""And C4."""

INSTEAD = (64, 60, 55, 67)
"""E4, C4, G3, and G4."""

EVERY = NANOSECONDS * 3 // 20
"""From note to note."""

LOOK = NANOSECONDS // 10
"""Time between two checks whether the devices of a new profile are there: opening one takes half of that."""

LOUDNESS = 55
"""Velocity: below what a child plays at, and never above the child's own limit."""

_SOUND = program_number("vibraphone")


def route(used: Iterable[Route], others: Collection[int] = ()) -> Route | None:
    """Where to play it: the output of the first part, on the highest channel that no part uses; None if all are used.

    ``others``: the channels of other seats, 1 to 16, wherever they are.
    """
    routes = [*used]
    if not routes:
        return None
    output = routes[0].output
    taken = {DRUM_CHANNEL, *others, *(route.channel for route in routes if route.output == output)}
    free = next((channel for channel in range(16, 0, -1) if channel not in taken), None)
    return None if free is None else Route(output, free)


def messages(notes: Sequence[int], where: Route, loudest: int) -> list[tuple[int, Message]]:
    """The messages, each with its time in nanoseconds from the beginning. ``loudest``: the highest velocity allowed."""
    output, channel = where
    row = [(0, Message(output, (PROGRAM_CHANGE | channel - 1, _SOUND)))]
    for index, note in enumerate(notes):
        begin = index * EVERY
        row.append((begin, Message(output, (NOTE_ON | channel - 1, note, min(LOUDNESS, loudest)))))
        row.append((begin + EVERY, Message(output, (NOTE_OFF | channel - 1, note, 0))))
    return sorted(row, key=lambda timed: timed[0])


class WaitingChimes:
    """The chimes that wait until the devices of their seat are there, or are known to be missing; one a seat.

    ``play`` is given the name of the seat and the notes.
    """

    def __init__(self, agenda: Agenda, play: Callable[[str, tuple[int, ...]], None]) -> None:
        self._play = play
        self._waiting: list[_WaitingChime] = []
        self._looking = agenda.reminder(self._look)

    def play(self, seat: str, missing: Callable[[], Collection[str]], notes: tuple[int, ...], until: int) -> None:
        """Play these notes as soon as nothing is ``missing``; at ``until`` play ``MISSING`` if something still is."""
        self._waiting = [each for each in self._waiting if each.seat != seat]
        self._waiting.append(_WaitingChime(seat, missing, notes, clock.now() + LOOK, until))
        self._plan()

    def _plan(self) -> None:
        if (at := earliest(each.at for each in self._waiting)) is not None:
            self._looking.set(at)

    def _look(self, now: int) -> None:
        for each in [each for each in self._waiting if each.at <= now]:
            missing = each.missing()
            if missing and now < each.until:
                each.at = now + LOOK
                continue
            self._waiting.remove(each)
            notes = MISSING if missing else each.notes
            if notes:
                self._play(each.seat, notes)
        self._plan()


@dataclass(eq=False, slots=True)
class _WaitingChime:
    seat: str
    missing: Callable[[], Collection[str]]
    notes: tuple[int, ...]
    at: int
    until: int
