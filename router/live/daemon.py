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
from router.live.attached import SETTLE, EventLog, tried
from router.live.budget import Budget, Culprit
from router.live.flood import SHARE
from router.live.loop_part import Companion
from router.live.room_ports import RoomPorts
from router.live.seat import Seat
from router.live.turn import Turn
from router.live.worker import Errands, Job, Worker
from router.records.recorder import SessionRecorder
from router.room.room import Room, RoomPlan
from router.system import clock
from router.system.loop import Loop

STOPPED_BY = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

QUIET = NANOSECONDS // 10
"""How long nothing may be due when the collector runs: nobody then misses a few milliseconds."""


LAST_LINES = NANOSECONDS // 4
"""Time for the threads beside the loop to write what was said before a rule ends the process."""


class Daemon:
    """The seats in one loop, and all beside them. ``profiles``: by the seat's name, "" if the only one has none.

    ``record`` is told what ``router play`` would write into its log; ``keep`` returns an output with a record of what
    sounds there. ``companions`` are woken in each pass. ``room`` and ``ports``: what the children share, and the room's
    own devices. ``turn`` keeps whose turn it is for the next start; ``left_out``: rules of others that are not to be
    used, by name and origin, and why.
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
    ) -> None:
        self.log = log
        self.loop = Loop(self.fault)
        self.inputs = Sharing(lambda work: self.beside(work, self._given_back), keep=True)
        self._errands: Errands | None = None  # while the loop runs
        self.outputs = SharedOutputs(keep)
        self.companions: list[Companion] = []
        self.turn = turn or Turn()
        self._budget = Budget(lost=self._lost, turn=self.turn, left_out=left_out)
        now = clock.now()
        self.room = Room(room or RoomPlan(), now, self._room_says)
        self.ports = RoomPorts(ports or Ports(), self.room, self, now)
        with self._budget:
            self.seats = [Seat(name, profile, self, self._budget, self.room) for name, profile in profiles.items()]
        for seat in self.seats:
            seat.record = record
        self._plugged: Plugged | None = None
        self._paths: set[Path] = set()  # of devices that are named by a path of their own
        self._midi: MidiSystem | None = None
        self._look_at: int | None = None  # when to look whether the ports that we use are still there
        self._watchdog = Watchdog()
        self._litter = False  # what was dropped and only the collector can give back

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
                    self._begin_errands()
                    _lean_collector()
                    notify("READY=1")
                    ready()
                    self.loop.run(self._deadline, self._pass)
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
        self._litter = True

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
        for companion in self.companions:
            with self.contained():
                companion.open(now)

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
        for companion in self.companions:
            with self.contained():
                companion.close()
        self.inputs.close()
        errands, self._errands = self._errands, None
        if errands is not None:
            self.loop.unwatch(errands.fileno())
            errands.close()
        if self._midi is not None:
            self.loop.unwatch(self._midi.fileno())
        self._unwatch_folders()

    # --- beside the loop --------------------------------------------------------------------------------------

    def _begin_errands(self) -> None:
        errands = Errands(lambda: None, self.fault, lambda _at: None)
        self.loop.watch(errands.fileno(), lambda: errands.read(clock.now()))
        self._errands = errands

    def beside(self, work: Callable[[], object], done: Callable[[object, int], None]) -> None:
        """Do this beside the loop, or at once if it does not run; ``done`` is told what it gave or raised."""
        if self._errands is None:
            done(tried(work), clock.now())
            return
        given_up = []

        def stalled(_at: str, now: int) -> None:
            given_up.append(now)
            done(DeviceBusy("it does not answer"), now)

        def do(_worker: Worker) -> object:
            result = tried(work)
            if given_up and isinstance(result, Input):  # nobody knows of it
                result.close()
            return (result,)

        self._errands.do(Job(do, lambda result, now: done(result[0], now), stalled, lasting=True))

    def _given_back(self, result: object, _now: int) -> None:
        if isinstance(result, Exception):
            self.fault(result)

    # --- a pass of the loop -----------------------------------------------------------------------------------

    def _deadline(self) -> int | None:
        times = [seat.due for seat in self.seats]
        times += [companion.deadline() for companion in self.companions]
        times += [self.ports.deadline(), self.room.deadline(), self._look_at, self._watchdog.deadline()]
        times += [self._errands.deadline() if self._errands is not None else None]
        return earliest(times)

    def _pass(self, now: int) -> None:
        """Do all that is due, after all that was readable has been read: first all the music, then the rest.

        The room comes first: a chord that changes on the beat is there for the notes of that beat. A seat with nothing
        to do is not asked: what one child plays costs the same beside fifteen others. Seats whose devices say more than
        they can play (``flood.py``) come after the others, and share one allowance of time.
        """
        try:
            now = self.ports.tick(now)
        except Exception as error:  # noqa: BLE001 - whatever it is, the seats must play on
            self.fault(error)
        self._room_wakes(now)
        behind = []
        for seat in self.seats:
            if seat.due is None or seat.due > now:
                continue
            if seat.waiting.behind(now):
                behind.append(seat)
            else:
                self._seat_wakes(seat, now, SHARE)
        for seat in behind:
            self._seat_wakes(seat, now, SHARE // len(behind))
        if self.room.listens:
            for seat in self.seats:
                with self.contained():
                    seat.pass_on()
        if self._look_at is not None and now >= self._look_at:
            self._look_at = None
            self._look(now)
        for companion in self.companions:
            due = companion.deadline()
            if due is not None and due <= now:
                with self.contained():
                    companion.wake(now)
        if self._errands is not None:
            self._errands.wake(now)
        for seat in self.seats:
            if seat.told:
                with self.contained():
                    seat.tell()
        if self._litter and self._is_quiet(now):
            self._litter = False
            gc.collect()
            gc.freeze()
        self._watchdog.feed(now)

    def _seat_wakes(self, seat: Seat, now: int, share: int) -> None:
        try:
            seat.wake(now, share)
        except Exception as error:  # noqa: BLE001 - whatever it is, the other seats must play on
            self.fault(error)

    def _room_wakes(self, now: int) -> None:
        """Wake the clock for others and the keyboard, then what all seats follow."""
        due = self.ports.deadline()
        if due is not None and due <= now:
            with self.contained():
                self.ports.wake(now)
        due = self.room.deadline()
        if due is not None and due <= now:
            with self.contained():
                self.room.wake(now)

    def _is_quiet(self, now: int) -> bool:
        """True if nothing sounds and nothing is due soon."""
        deadline = earliest(seat.due for seat in self.seats)
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
        for companion in self.companions:
            with self.contained():
                companion.look(now)

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
            self._look_at = clock.now() + SETTLE

    def _something_plugged(self) -> None:
        assert self._plugged is not None  # noqa: S101 - it is watched
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
            for companion in self.companions:
                companion.plugged(now)

    def _ports_changed(self, system: MidiSystem) -> None:
        system.clear()
        if self._look_at is None:
            self._look_at = clock.now() + SETTLE

    def _room_says(self, _now: int, event: str, fields: dict[str, Any]) -> None:
        """Log what happens to all seats together."""
        if event == "lost":
            self.log.warning(
                "clock_lost", of="the room", why="the MIDI clock has fallen silent; the beat goes on as it was"
            )
        elif event == "found":
            self.log.info("clock_found", of="the room")
        else:
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
    """The service manager's watchdog, if it keeps one on us (sd_watchdog_enabled(3)): fed at half its time."""

    def __init__(self) -> None:
        ours = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        microseconds = os.environ.get("WATCHDOG_USEC", "")
        self._every = int(microseconds) * 500 if ours and microseconds.isdecimal() else None
        self._at = 0

    def deadline(self) -> int | None:
        return None if self._every is None else self._at

    def feed(self, now: int) -> None:
        """Feed the watchdog if it is time, as a pass is done."""
        if self._every is not None and now >= self._at:
            notify("WATCHDOG=1")
            self._at = now + self._every


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
