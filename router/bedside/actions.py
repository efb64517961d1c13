"""Do what people ask of the seats, by a button, a program change or the control socket.

Invariants: each request is answered once, here or when what it asks for is done; what names a seat that is not there
changes nothing; a panic for all seats ends the keyboard's notes, too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from router.bedside.control import Reply
from router.bedside.served_seat import ServedSeat
from router.core.units import nearest
from router.files.configuration import Button
from router.live.daemon import Daemon
from router.live.status import Status
from router.live.surroundings import EventLog
from router.system import clock


class Actions:
    """Does what is asked of the seats ``places``. ``status``: the status of the whole router."""

    def __init__(
        self, places: Mapping[str, ServedSeat], daemon: Daemon, log: EventLog, status: Callable[[], Status]
    ) -> None:
        self._places, self._daemon, self._log, self._status = places, daemon, log, status

    def press(self, button: Button) -> None:
        """Do what a button of the room is for."""
        self._log.info("button", button=button.name, does=button.does)
        if button.does == "tap":
            self._daemon.room.tap(clock.now())
            return
        if button.does == "panic":
            self._panic(self._of(button.seat))
            return
        for place in self._of(button.seat):
            match button.does:
                case "next":
                    _step(place, 1)
                case "previous":
                    _step(place, -1)
                case "mark":
                    _mark(place, button.name)

    def choose(self, number: int) -> None:
        """Ask for the child at this place, from 0 on, of each seat's list: a program change chose it."""
        for place in self._places.values():
            if number < len(place.plan.list):
                place.folder.ask(place.plan.list[number])

    def answer(self, request: Mapping[str, Any], reply: Reply) -> None:
        """Answer a request that has been checked already."""
        seat = request.get("seat")
        if seat is not None and seat not in self._places:
            near = nearest(seat, self._places)
            hint = f'Did you mean "{near}"?  ' if near else ""
            seats = ", ".join(self._places)
            reply({"ok": False, "problem": f'there is no seat called "{seat}"\n{hint}The seats: {seats}.'})
            return
        places = self._of(seat)
        match request["do"]:
            case "status":
                reply({"ok": True, "status": self._status()})
            case "panic":
                self._panic(places)
                reply({"ok": True})
            case "mark":
                for place in places:
                    _mark(place, request["text"])
                reply({"ok": True})
            case "use" | "level" if len(places) > 1:
                seats = ", ".join(place.plan.name for place in places)
                reply({"ok": False, "problem": f"there are several seats: {seats}; say which with --seat"})
            case "use":
                places[0].folder.ask(request["child"], reply)
            case "level":
                self._daemon.room.set_level(places[0].plan.name, request["level"], clock.now())
                reply({"ok": True})

    def _panic(self, places: list[ServedSeat]) -> None:
        """Silence all seats: whatever sounds at their synths, the keyboard's notes too. Or one: only its own notes."""
        everything = len(places) == len(self._places)
        if everything:
            self._daemon.ports.silence(clock.now())
        for place in places:
            if place.seat is not None:
                place.seat.panic(clock.now(), everything)

    def _of(self, seat: str | None) -> list[ServedSeat]:
        return [place for name, place in self._places.items() if seat in (None, name)]


def _step(place: ServedSeat, steps: int) -> None:
    """Ask for the child that many places further in the seat's list."""
    children = place.plan.list
    if children:
        here = children.index(place.offer.child) if place.offer.child in children else -1 if steps > 0 else 0
        place.folder.ask(children[(here + steps) % len(children)])


def _mark(place: ServedSeat, text: str) -> None:
    if place.seat is not None:
        place.seat.mark(text, clock.now())
