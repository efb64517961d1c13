"""The daemon: opens what the profiles name, feeds the engines, sends what they say, and stops with every note off.

Its life is three functions: ``_open``, the loop, ``_close``. It holds a list of seats, each with one child's profile as
one engine, and whatever else lives in its loop beside the music: the service's parts (``service.py``).

Invariants:
  * a device, an output or an engine that fails costs itself only; each failure is said once;
  * however the loop ends, every engine is stopped and its note-offs are sent before any port is closed;
  * the watchdog hears of us only after a whole pass, from this loop: who feeds it plays.
"""

from __future__ import annotations

import gc
import os
import signal
import socket
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any

from router.core.ledger import Observe
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.devices.descriptions import SerialDevice
from router.devices.inputs.base import DeviceBusy, Input
from router.devices.inputs.shared import Sharing
from router.devices.outputs import Output
from router.devices.outputs.shared import SharedOutputs
from router.devices.plugged import Plugged
from router.devices.ports import MidiSystem, current
from router.files.configuration import Ports
from router.files.profile.model import Profile
from router.live.attached import SETTLE, tried
from router.live.budget import Budget, Culprit
from router.live.flood import SHARE
from router.live.room_ports import RoomPorts
from router.live.seat import Seat
from router.live.surroundings import EventLog, LoopPart
from router.live.turn import Turn
from router.live.worker import Job, Worker, WorkerThread
from router.records.recorder import SessionRecorder
from router.room.room import Room, RoomPlan
from router.system import clock
from router.system.agenda import Agenda, Rank
from router.system.loop import Loop

STOPPED_BY = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

QUIET = NANOSECONDS // 10
"""How long nothing may be due when the collector runs: nobody then misses a few milliseconds."""

TIDY = NANOSECONDS
"""After another profile has begun, and again until it is quiet: the collector runs then. Our choice."""

LAST_LINES = NANOSECONDS // 4
"""Time for the threads beside the loop to write what was said before a rule ends the process."""


class Daemon:
    """The seats in one loop, and all beside them. ``profiles``: by the seat's name, "" if the only one has none.

    ``record`` is told what ``router play`` would write into its log; ``keep`` returns an output with a record of what
    sounds there. ``parts`` live in the loop beside the seats. ``room`` and ``ports``: what the children share, and the
    room's own devices. ``turn`` keeps whose turn it is for the next start; ``left_out``: rules of others that are not
    to be used, by name and origin, and why.
    """

    def __init__(
        self,
        profiles: Mapping[str, Profile],
        log: EventLog,
        record: Observe | None = None,
        *,
        keep: Callable[[Output], Output] = lambda output: output,
        room: RoomPlan | None = None,
        ports: Ports | None = None,
        turn: Turn | None = None,
        left_out: Mapping[tuple[str, str], str] | None = None,
        loop: Loop | None = None,
    ) -> None:
        self.log = log
        self.loop = loop or Loop(self.fault)
        agenda = self.loop.agenda
        self.inputs = Sharing(lambda work: self.beside(work, self._given_back), keep=True)
        self._worker: Worker | None = None  # while the loop runs
        self.outputs = SharedOutputs(keep)
        self.parts: list[LoopPart] = []
        self.turn = turn or Turn()
        self._budget = Budget(lost=self._lost, turn=self.turn, left_out=left_out)
        now = clock.now()
        self._room_due = agenda.reminder(self._room_wakes, Rank.ROOM)
        self.room = Room(room or RoomPlan(), now, self._room_says, self._room_due.soon)
        self.ports = RoomPorts(ports or Ports(), self.room, self, now)
        with self._budget:
            self.seats = [Seat(name, profile, self, self._budget, self.room) for name, profile in profiles.items()]
        for seat in self.seats:
            seat.events.record = record
        self._plugged: Plugged | None = None
        self._paths: set[Path] = set()  # of devices that are named by a path of their own
        self._midi: MidiSystem | None = None
        self._looking = agenda.reminder(self._look)  # whether the ports that we use are still there
        self._flood: list[Callable[[int, int], None]] = []  # seats that are behind in this pass
        self._flood_due = agenda.reminder(self._wake_flooded, Rank.FLOODED)
        self._watchdog = Watchdog(agenda)
        self._tidying = agenda.reminder(self._tidy)  # what was dropped and only the collector can give back

    @property
    def hears_of_devices(self) -> bool:
        return self._plugged is not None

    def run(
        self,
        ready: Callable[[], None],
        calls: Mapping[signal.Signals, Callable[[], None]] | None = None,
        silent: Callable[[], None] | None = None,
    ) -> signal.Signals | None:
        """Play until a signal of ``STOPPED_BY`` comes, and return it.

        ``ready`` is called when all is open that is there.

        A signal of ``calls`` does not stop it: what it names is called between two passes. ``silent`` is called when it
        was told to stop and all notes have ended, before the ports are closed, in which a driver may crash.
        """
        told = None
        stops = [number for number in STOPPED_BY if number not in (calls or {})]
        try:
            with self.loop.stopped_by(stops, calls), self._budget:
                try:
                    self._open()
                    self._begin_worker()
                    _lean_collector()
                    notify("READY=1")
                    ready()
                    self.loop.run(self.loop.agenda.next, self.loop.agenda.ring)
                    told = silent
                finally:
                    notify("STOPPING=1")
                    self._close(told)
        finally:
            self.loop.close()
        return self.loop.stopping_signal

    def play(self, seat: Seat, profile: Profile, session: SessionRecorder | None = None) -> None:
        """Play another profile at a seat, between two events, with a session log of its own if one is given."""
        seat.play(profile, clock.now(), session)
        self._watch_folders()
        self._tidying.set(clock.now() + TIDY)

    # --- begin and end ----------------------------------------------------------------------------------------

    def _open(self) -> None:
        self._watch_folders()
        now = clock.now()
        with self.contained():
            self.ports.open(now)
        for seat in self.seats:
            with self.contained():
                seat.open(now)
            seat.tell()
        for part in self.parts:
            with self.contained():
                part.open(now)
        self._room_due.soon()

    def _close(self, silent: Callable[[], None] | None) -> None:
        now = clock.now()
        for seat in self.seats:
            with self.contained():
                seat.close(now)
            seat.tell()
        with self.contained():
            self.ports.close(now)
        if silent is not None:
            with self.contained():
                silent()
        self.outputs.close()
        for part in self.parts:
            with self.contained():
                part.close()
        self.inputs.close()
        worker, self._worker = self._worker, None
        if worker is not None:
            self.loop.unwatch(worker.fileno())
            worker.close()
        if self._midi is not None:
            self.loop.unwatch(self._midi.fileno())
        self._unwatch_folders()

    # --- beside the loop --------------------------------------------------------------------------------------

    def _begin_worker(self) -> None:
        worker = Worker(self.loop.agenda, lambda: None, self.fault, lambda _at: None)
        self.loop.watch(worker.fileno(), lambda: worker.read(clock.now()))
        self._worker = worker

    def beside(self, work: Callable[[], object], done: Callable[[object, int], None]) -> None:
        """Do this beside the loop, or at once if it does not run; ``done`` is told what it gave or raised."""
        if self._worker is None:
            done(tried(work), clock.now())
            return
        given_up = []

        def stalled(_at: str, now: int) -> None:
            given_up.append(now)
            done(DeviceBusy("it does not answer"), now)

        def do(_worker: WorkerThread) -> object:
            result = tried(work)
            if given_up and isinstance(result, Input):  # nobody knows of it
                result.close()
            return (result,)

        self._worker.do(Job(do, lambda result, now: done(result[0], now), stalled, lasting=True))

    def _given_back(self, result: object, _now: int) -> None:
        if isinstance(result, Exception):
            self.fault(result)

    # --- a pass of the loop -----------------------------------------------------------------------------------
    #
    # All that was readable has been read. Then what is due is done, in the order of ``Rank``: first the music, then the
    # rest. Nobody else is asked: what one child plays costs the same beside fifteen others.

    def flooded(self, wake: Callable[[int, int], None]) -> None:
        """Wake a seat whose devices say more than it can play after the others.

        All such seats share ``SHARE`` of a pass.
        """
        self._flood.append(wake)
        self._flood_due.soon()

    def _wake_flooded(self, now: int) -> None:
        flood, self._flood = self._flood, []
        for wake in flood:
            with self.contained():
                wake(now, SHARE // len(flood))

    def _room_wakes(self, now: int) -> None:
        """Wake what all seats follow."""
        try:
            due = self.room.deadline()
            if due is not None and due <= now:
                self.room.wake(now)
        finally:
            due = self.room.deadline()
            if due is not None:
                self._room_due.set(due)

    def _tidy(self, now: int) -> None:
        """Collect what was dropped, once nothing sounds and nothing is due soon."""
        if self._is_quiet(now):
            gc.collect()
            gc.freeze()
        else:
            self._tidying.set(now + TIDY)

    def _is_quiet(self, now: int) -> bool:
        """True if nothing sounds and nothing is due soon."""
        deadline = earliest(seat.reminder.at for seat in self.seats)
        return not any(seat.engine.sounding for seat in self.seats) and (deadline is None or deadline > now + QUIET)

    # --- news -------------------------------------------------------------------------------------------------

    def _watch_folders(self) -> None:
        paths = {
            Path(device.pattern)
            for seat in self.seats
            for device in seat.profile.devices.values()
            if isinstance(device, SerialDevice) and Path(device.pattern).is_absolute()
        }
        if self._plugged is not None and paths == self._paths:
            return
        self._unwatch_folders()
        self._paths = paths
        try:
            self._plugged = Plugged(paths)
        except (OSError, ImportError) as error:
            self._no_news(error)
            return
        self.loop.watch(self._plugged.fileno(), self._something_plugged)

    def _no_news(self, error: Exception) -> None:
        """Warn that nobody tells us what is plugged in: missing devices are looked for every few seconds instead."""
        self._unwatch_folders()
        self.log.warning("no_news_of_devices", why=str(error))

    def _unwatch_folders(self) -> None:
        if self._plugged is not None:
            self.loop.unwatch(self._plugged.fileno())
            self._plugged.close()
            self._plugged = None

    def _look(self, now: int) -> None:
        """Check all that is attached, as MIDI ports have come or gone."""
        self.inputs.look()
        with self.contained():
            self.ports.look(now)
        for seat in self.seats:
            with self.contained():
                seat.look(now)
        for part in self.parts:
            with self.contained():
                part.look(now)

    def midi_used(self) -> None:
        """Listen to the MIDI system in use: it is another one after a JACK server has been away.

        To be done before anything that was opened with it is watched: the old one's descriptor is closed, and its
        number may be that of something new.
        """
        system = current()
        if system is self._midi:
            return
        if self._midi is not None:
            self.loop.unwatch(self._midi.fileno())
        self._midi = system
        if system is not None:
            self.loop.watch(system.fileno(), partial(self._ports_changed, system))
            self._looking.set(clock.now() + SETTLE)

    def _something_plugged(self) -> None:
        assert self._plugged is not None  # it is watched
        try:
            news = self._plugged.read()
        except OSError as error:
            self._no_news(error)
            news = True
        if news:
            now = clock.now()
            self.ports.plugged(now)
            for seat in self.seats:
                seat.plugged(now)
            for part in self.parts:
                part.plugged(now)

    def _ports_changed(self, system: MidiSystem) -> None:
        system.clear()
        if self._looking.at is None:
            self._looking.set(clock.now() + SETTLE)

    def _room_says(self, _now: int, event: str, fields: dict[str, Any]) -> None:
        """Log what happens to all seats together."""
        if event == "lost":
            self.log.warning(
                "clock_lost", of="the room", why="the MIDI clock has fallen silent; the beat goes on as it was"
            )
        elif event == "found":
            self.log.info("clock_found", of="the room")
        else:
            if event == "beat":
                self.ports.another_beat()
            self.log.debug(event, of="the room", **fields)

    # --- what goes wrong --------------------------------------------------------------------------------------

    def fault(self, error: Exception) -> None:
        """Log a fault of the program, and no more."""
        self.log.error("program_fault", exc_info=error)

    def _lost(self, culprit: Culprit) -> None:
        """Say which rule ends the process, and silence what it leaves on; nothing here may ask a rule anything.

        It has ``budget.LAST_WORDS`` seconds, and the order is that of importance.
        """
        for seat in self.seats:
            with suppress(Exception):
                seat.cut_off()
        self.log.error(
            "rule_ends_router",
            seat=culprit.seat,
            rule=culprit.rule,
            place=culprit.place,
            origin=culprit.origin,
            why=str(culprit),
        )
        with suppress(Exception):
            self.ports.close(clock.now())
        with suppress(Exception):
            self.inputs.close()  # a terminal gets its letters back
        self.loop.linger(LAST_LINES)  # the threads that write what was said, and the MIDI system, go on meanwhile

    @contextmanager
    def contained(self) -> Iterator[None]:
        """Log an exception raised inside, and let it go no further."""
        try:
            yield
        except Exception as error:  # noqa: BLE001 - whatever it is, the rest must go on
            self.fault(error)


class Watchdog:
    """The service manager's watchdog, if it keeps one on us (sd_watchdog_enabled(3)).

    Fed at half its time, after a pass.
    """

    def __init__(self, agenda: Agenda) -> None:
        ours = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        microseconds = os.environ.get("WATCHDOG_USEC", "")
        self._every = int(microseconds) * 500 if ours and microseconds.isdecimal() else 0
        self._feeding = agenda.reminder(self._feed, Rank.LAST)
        if self._every:
            self._feeding.soon()

    def _feed(self, now: int) -> None:
        self._feeding.set(now + self._every)
        notify("WATCHDOG=1")


def notify(*states: str) -> None:
    """Tell systemd, if it started us as a service that tells (sd_notify(3)); a name that begins with @ is abstract."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        sender.setblocking(False)  # it must never wait for the manager
        sender.sendto("\n".join(states).encode(), address.replace("@", "\0", 1) if address.startswith("@") else address)


def _lean_collector() -> None:
    """Keep the collector from all that is loaded, as it stays: a full collection took 3 to 8 ms, far too long here."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
