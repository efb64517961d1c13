"""The router as a service on the small PC: a daemon, and around it all that a bedside without a screen needs.

    seats        from the configuration; each with its folder (``profile_folder.py``) and session log (``recorder.py``)
    sounding     a record of the notes that are on, which outlives this process (``sounding.py``, ``hush.py``)
    control      the local socket (``control.py``): status, use, panic, mark, watch
    buttons      of the room (``buttons.py``)

Work that may wait is done in threads of these parts, and comes back as an offer that the loop takes between two events.
Each part that cannot be had (a folder that is read-only, a socket that is taken) costs itself only, and is reported.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from router import __version__
from router.bedside.actions import Actions
from router.bedside.buttons import Buttons
from router.bedside.configuration_file import ConfigurationFile
from router.bedside.control import ControlServer
from router.bedside.control_request import ControlError
from router.bedside.deaths import SAFE, Deaths, StartVerdict, ToldDeaths
from router.bedside.hush import end_what_was_left
from router.bedside.memory import Proven
from router.bedside.profile_folder import Offer, ProfileFolder
from router.bedside.served_seat import Fitted, ServedSeat, fit, moved, plays_elsewhere, share_channels, taken_beside
from router.bedside.service_status import (
    folder_warnings,
    record_warnings,
    refusal,
    refusal_in_words,
    room_status,
    seat_status,
    seconds,
)
from router.bedside.sounding import Sounding
from router.core.units import NANOSECONDS
from router.devices.outputs import Output
from router.files.configuration import Configuration, SeatPlan
from router.files.profile import Profile
from router.live import chime
from router.live.daemon import Daemon
from router.live.seat import CHATTERS
from router.live.status import Status
from router.live.surroundings import EventLog
from router.live.turn import Turn, left_behind
from router.live.worker import Worker
from router.records.recorder import Records, SessionRecorder
from router.system import clock, realtime
from router.system.loop import Loop

TRY_AGAIN = 5 * NANOSECONDS
"""How long until what could not be had at the start is tried again."""

_NO_CONTROL = "router status, use, panic and mark cannot reach this router"

HUSHING = 5.0
"""Seconds to end what an earlier router left sounding, before this one begins."""

AFTER_A_SWAP, AT_START = 3 * NANOSECONDS // 2, 5 * NANOSECONDS
"""How long devices are waited for before the room hears that one is missing; at the start all is slower."""

SWITCH = 0.0001
"""Seconds after which a thread that works must let another one go on: the loop runs in one, and must not wait."""


class Service:
    """The daemon, with the parts around it that a bedside without a screen needs.

    Args:
        chosen: the configuration.
        log: the daemon's own log; it must never wait, and may be used from any thread.
        refused: why the configuration's file was not taken, and what holds instead; empty if it was.
        lost: how many lines of the daemon's own log are missing by now.
    """

    def __init__(self, chosen: Configuration, log: EventLog, refused: str = "", lost: Callable[[], int] = int) -> None:
        self.configuration, self._log = chosen, log
        self._lost = lost
        self._warnings: list[str] = []
        self._up = 0
        sys.setswitchinterval(SWITCH)
        self._loop = Loop(self._fault)
        self._alarm = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._worker = Worker(self._loop.agenda, lambda: None, self._fault, self._stalled)
        self._file = ConfigurationFile(chosen.path, log, self._worker, self._follow, refused)
        self._sounding = self._begin_sounding()
        self._deaths = ToldDeaths(Deaths((chosen.folders.state, chosen.folders.runtime)), log, self._worker)
        self._verdict = self._begin_deaths()
        try:
            self._begin_all()
        except (OSError, RuntimeError) as error:
            self._deaths.excuse(error)
            self._loop.close()
            raise

    def _begin_all(self) -> None:
        chosen, log = self.configuration, self._log
        self._turn = self._begin_turn()
        self._places: dict[str, ServedSeat] = {}
        self._records = Records(
            chosen.folders.records,
            self._records_say,
            keep=chosen.records.keep,
            sessions=chosen.records.sessions,
            notes=chosen.records.notes,
        )
        for plan in chosen.seats:
            self._places[plan.name] = self._place(plan)
        self.daemon = Daemon(
            {name: self._plays(place, self._fitted(place)) for name, place in self._places.items()},
            log,
            keep=self._keep,
            room=chosen.room,
            ports=chosen.ports,
            turn=self._turn,
            left_out=self._verdict.rules_left_out(),
            loop=self._loop,
        )
        self.daemon.ports.on_chatter = self._refusal_everywhere
        for seat in self.daemon.seats:
            place = self._places[seat.name]
            place.seat = seat
            seat.on_chatter = partial(self._chime, place, chime.REFUSED)
            seat.keep_record(self._session(place))
            self._loop.watch(place.folder.fileno(), partial(self._news, place))
        self._loop.watch(self._alarm, self._alarmed)
        share_channels(self._places, self.configuration.ports)
        self._loop.watch(self._worker.fileno(), lambda: self._worker.read(clock.now()))
        self._chimes = chime.WaitingChimes(
            self._loop.agenda, lambda seat, notes: self._chime(self._places[seat], notes)
        )
        self._actions = Actions(self._places, self.daemon, log, self.status)
        self._trying_control = self._loop.agenda.reminder(self._control_again)
        self._control = self._begin_control()
        if self._control is None:
            self._trying_control.set(clock.now() + TRY_AGAIN)
        self._buttons = self._begin_buttons()

    def run(self, ready: Callable[[], None]) -> signal.Signals | None:
        """Play until told to stop; a hang-up (SIGHUP) reads the configuration again."""

        def begun() -> None:
            realtime.ask(self._log)
            self._up = clock.now()
            self._tell_the_room()
            self._deaths.ready()
            ready()

        def silent() -> None:
            self._deaths.ended()  # it was told to stop: that is no death, whatever comes of closing
            self._worker.finish()

        try:
            return self.daemon.run(begun, {signal.SIGHUP: self._file.read_again}, silent)
        except (OSError, RuntimeError) as error:
            self._deaths.excuse(error)
            raise
        finally:
            self._close()

    # --- what it begins with ----------------------------------------------------------------------------------

    def _begin_sounding(self) -> Sounding | None:
        path = self.configuration.folders.runtime / "sounding"
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            ended = end_what_was_left(path, HUSHING)
            if ended.said:
                (self._log.info if ended.wholly else self._log.warning)("hushed", what=ended.said)
            return Sounding(path)
        except OSError as error:
            self._warn("no record of the notes that sound can be kept, so a crash may leave one on", error)
            return None

    def _begin_deaths(self) -> StartVerdict:
        """Find out how the router before ended, and what is left out because of it."""
        state = self.configuration.folders.state
        seats = {plan.name: Proven(state / plan.name) for plan in self.configuration.seats}
        verdict = self._deaths.begin(left_behind(self._turn_path), seats)
        for (rule, _origin), why in verdict.rules_left_out().items():
            self._warnings.append(f'the rule "{rule}" is not used: {why}')
        return verdict

    @property
    def _turn_path(self) -> Path:
        return self.configuration.folders.runtime / "turn"

    def _begin_turn(self) -> Turn:
        try:
            return Turn(self._turn_path)
        except OSError as error:
            self._warn("whose turn it is cannot be kept, so after a crash nobody can say what was at work", error)
            return Turn()

    def _tell_the_room(self) -> None:
        """Let the room hear if at the start the wrong profile plays, nobody has chosen, or a device is missing."""
        for name, place in self._places.items():
            if name in self._verdict.struck:
                self._chime(place, chime.INSTEAD)
            else:
                notes = chime.FIRST if place.offer.among > 1 else chime.DONE if place.offer.among else ()
                self._chime_when_there(place, notes, clock.now() + AT_START)

    def _begin_control(self) -> ControlServer | None:
        path = self.configuration.folders.runtime / "control"
        try:
            control = ControlServer(
                path,
                self.configuration.control_group,
                self.daemon.loop,
                self._actions.answer,
                on_fault=self.daemon.fault,
                frame=self._frame,
            )
        except (ControlError, OSError) as error:
            self._warn(_NO_CONTROL, error)
            return None
        if control.warning:
            self._warnings.append(control.warning)
            self._log.warning("control", why=control.warning)
        self.daemon.parts.append(control)
        return control

    def _control_again(self, now: int) -> None:
        """Try again to make the control socket."""
        self._control = self._begin_control()
        if self._control is None:
            self._trying_control.set(now + TRY_AGAIN)
            return
        self._warnings = [warning for warning in self._warnings if not warning.startswith(_NO_CONTROL)]
        self._log.info("control_again")

    def _begin_buttons(self) -> Buttons:
        chosen = self.configuration
        buttons = Buttons(chosen.buttons, chosen.program_change, self.daemon, self._actions.press, self._actions.choose)
        self.daemon.parts.append(buttons)
        return buttons

    def _place(self, plan: SeatPlan) -> ServedSeat:
        folder = ProfileFolder(
            plan.folder,
            self.configuration.folders.state,
            plan.name,
            plan.follow,
            plan.profile,
            partial(self._folder_says, plan.name),
            self._loop.agenda,
            lambda offer: self._offered(place, offer),
            runtime=self.configuration.folders.runtime,
            suspected=self._verdict.suspected(plan.name),
            only_safe=self._verdict.fallen(plan.name) >= SAFE,
            elsewhere=[place.offer.child for place in self._places.values()],
        )
        place = ServedSeat(plan, folder, folder.at_start(), since=clock.now())
        place.telling = self._loop.agenda.reminder(partial(place.tell_unsaid, self._log))
        self._log.info("profile", seat=plan.name, child=place.offer.child, why=place.offer.because)
        if place.offer.problems:
            self._log.warning("profile_refused", seat=plan.name, why=refusal_in_words(place.offer.problems))
            place.refused = (place.since, place.offer)
        return place

    def _session(self, place: ServedSeat) -> SessionRecorder:
        place.session = self._records.begin(place.plan.name, place.offer.child, place.offer.digest, clock.now())
        return place.session

    def _keep(self, output: Output) -> Output:
        if self._sounding is None:
            return output
        try:
            return self._sounding.marked(output)
        except OSError as error:
            self._warn(f"no record of what sounds at {output.description}", error)
            return output

    def _fitted(self, place: ServedSeat) -> Fitted:
        return fit(place, self._places, self.configuration)

    def _plays(self, place: ServedSeat, fitted: Fitted) -> Profile:
        """Note that this plays at the seat from now on; return its profile."""
        for warning in fitted.warnings:
            self._log.warning("channels", seat=place.plan.name, child=place.offer.child, why=warning)
        place.fitted = fitted
        self._turn.plays(place.plan.name, place.offer.path.name, place.offer.digest)
        return fitted.profile

    def _play(self, place: ServedSeat, fitted: Fitted, session: SessionRecorder | None = None) -> None:
        """Play this at a seat from now on."""
        assert place.seat is not None  # it was given its seat at the beginning
        self.daemon.play(place.seat, self._plays(place, fitted), session)
        share_channels(self._places, self.configuration.ports)

    # --- what goes wrong beside the music -----------------------------------------------------------------------

    def _folder_says(self, seat: str, event: str, **fields: Any) -> None:
        """Pass on what a seat's profile folder says; the room hears that what plays cannot be remembered."""
        self._log.warning(event, seat=seat, **fields)
        place = self._places.get(seat)
        if event == "profile_not_remembered" and place is not None and event in place.folder.troubles():
            self._chime(place, chime.REFUSED)

    def _records_say(self, event: str, **fields: Any) -> None:
        """Pass on what the thread that writes the records says.

        The loop tells the room that nothing is recorded.
        """
        self._log.warning(event, **fields)
        if event == "records_fault":
            os.eventfd_write(self._alarm, 1)

    def _alarmed(self) -> None:
        """Let the room hear that the records have failed."""
        os.eventfd_read(self._alarm)
        self._refusal_everywhere()

    def _refusal_everywhere(self) -> None:
        """Let the room hear that something is wrong which is no seat's own."""
        for place in self._places.values():
            self._chime(place, chime.REFUSED)

    # --- another profile --------------------------------------------------------------------------------------

    def _news(self, place: ServedSeat) -> None:
        place.folder.read(clock.now())

    def _offered(self, place: ServedSeat, offer: Offer) -> None:
        """Play what is offered, or say why not; answer the request for it."""
        if offer.profile is None:
            place.refuse(offer, refusal_in_words(offer.problems), self._log, clock.now())
            self._chime(place, chime.REFUSED)
            answer = {"ok": False, "problem": refusal(offer)}
        elif self._swap(place, offer):
            answer = {"ok": True, "child": offer.child, "file": str(offer.path)}
        else:
            problem = (
                f"the router could not change to {offer.child}, and its log says why; {place.offer.child} plays on"
            )
            answer = {"ok": False, "problem": problem}
        if callable(offer.asker):
            offer.asker(answer)

    def _swap(self, place: ServedSeat, offer: Offer) -> bool:
        """Play what is offered, if need be at the second try.

        Where that fails (memory is short), what played plays on.
        """
        played, sessions = place.offer, [place.session]
        for chosen in (offer, offer, played):
            try:
                place.offer, place.since = chosen, clock.now()
                fitted = self._fitted(place)
                sessions.append(self._session(place))
                self._play(place, fitted, place.session)
                place.folder.chosen(chosen)
                break
            except Exception as error:  # noqa: BLE001 - whatever it is, somebody plays on
                self._fault(error)
        if place.seat is not None and place.session is not None:
            place.seat.keep_record(place.session)
        for session in sessions:
            self._end(place, session)
        if place.offer is not offer:
            self._chime(place, chime.REFUSED)
            return False
        self._log.info("swap", seat=place.plan.name, child=offer.child, why=offer.because)
        self._chime_when_there(place, chime.DONE, clock.now() + AFTER_A_SWAP)
        return True

    def _end(self, place: ServedSeat, session: SessionRecorder | None) -> None:
        """Close a session that another has followed."""
        if session is None or session is place.session:
            return
        with self.daemon.contained():
            session.close(clock.now())
        place.log_lines += place.ended.lost if place.ended is not None else 0
        place.ended = session  # what is missing there is not all known yet

    def _chime(self, place: ServedSeat, notes: tuple[int, ...]) -> None:
        if self.configuration.chime and place.seat is not None:
            others = taken_beside(place, self._places, self.configuration.ports)
            place.seat.play_chime(notes, clock.now(), [one.channel for one in others])

    def _chime_when_there(self, place: ServedSeat, notes: tuple[int, ...], until: int) -> None:
        """Play these notes when the devices of the seat are there; at ``until`` others, if one is missing."""
        if place.seat is not None:
            self._chimes.play(place.plan.name, place.seat.missing, notes, until)

    # --- what is told --------------------------------------------------------------------------------------------

    def _frame(self, now: int) -> dict[str, Any]:
        """Make the next frame for those who watch, by seat."""
        return {seat.name: seat.watching.frame(now, seat.last) for seat in self.daemon.seats}

    def status(self) -> Status:
        """Return the status of the whole router."""
        now = clock.now()
        return {
            "router": __version__,
            "pid": os.getpid(),
            "up": seconds(now - self._up),
            "seats": {
                name: seat_status(place, self._places, self._verdict, self.daemon.room.levels, now)
                for name, place in self._places.items()
            },
            "room": room_status(self.daemon),
            "warnings": [*self._warnings, *self._passing_warnings()],
        }

    def _passing_warnings(self) -> Iterator[str]:
        """Yield the warnings that may be over by the next time."""
        if self._file.refused:
            yield self._file.refused
        yield from self._deaths.troubles
        yield from (f"the room's {name}: {CHATTERS}" for name in self.daemon.ports.waiting.chattering(clock.now()))
        yield from record_warnings(self._records)
        yield from folder_warnings(self._places)
        if lost := self._lost():
            yield f"{lost} lines of the router's own log are missing: what takes them is too slow, or fails"

    # --- the configuration again ------------------------------------------------------------------------------

    def _stalled(self, _at: str) -> None:
        self._log.warning("configuration_stalled", why=f"{self.configuration.path} cannot be read: its disk stalls")

    def _follow(self, fresh: Configuration) -> None:
        """Use the new outputs, limits, chime, lists and buttons; report what else has changed and needs a restart."""
        before = self.configuration
        again = [
            part
            for part in ("folders", "control_group", "records", "room", "ports")
            if getattr(fresh, part) != getattr(before, part)
        ]
        plans = {plan.name: plan for plan in fresh.seats}
        if [*plans] != [*self._places] or any(moved(place.plan, plans[name]) for name, place in self._places.items()):
            again.append("seats")
        if again:
            self._log.warning("restart_needed", why=f"changed, and read only at the start: {', '.join(again)}")
        self.configuration = replace(before, **{part: getattr(fresh, part) for part in ("outputs", "chime", "limits")})
        for name, place in self._places.items():
            if name in plans:
                place.plan = replace(place.plan, list=plans[name].list)
            fitted = self._fitted(place)
            if place.fitted is None or plays_elsewhere(fitted.profile, place.fitted.profile):
                self._play(place, fitted)
        if (fresh.buttons, fresh.program_change) != (before.buttons, before.program_change):
            self.configuration = replace(self.configuration, buttons=fresh.buttons, program_change=fresh.program_change)
            self.daemon.parts.remove(self._buttons)
            self._buttons.close()
            self._buttons = self._begin_buttons()
            self._buttons.open(clock.now())
        self._log.info("configuration_read")

    # --- the end ----------------------------------------------------------------------------------------------

    def _close(self) -> None:
        now = clock.now()
        for place in self._places.values():
            if place.session is not None:
                place.session.close(now)
            place.folder.close()
        self._worker.close()
        self._records.close()
        os.close(self._alarm)
        if self._sounding is not None:
            self._sounding.close()
        self._turn.close()

    def _fault(self, error: Exception) -> None:
        self._log.error("program_fault", exc_info=error)

    def _warn(self, what: str, error: Exception) -> None:
        warning = f"{what}: {error}"
        if warning not in self._warnings:  # an output may come back again and again
            self._warnings.append(warning)
            self._log.warning("warning", why=warning)
