"""A seat: a place in the room that one child plays from. One profile as one engine, its devices and its outputs.

    open   ->  feed, wake (again and again)  ->  close
               play: another profile, between two events

Invariants:
  * samples reach the engine in the order of their stamps, and its time never goes back;
  * before another profile plays, and before any port is closed, every note of the one before has ended;
  * a device or an output that the next profile needs just as it is stays open.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Sequence
from functools import partial, wraps
from typing import Any, TypeVar, cast

from router.core.engine import Engine, Plan
from router.core.events import Found, Lost, Mark, Message, Route, Sample, SwitchSample
from router.core.midi import NOTE_OFF, NOTE_ON, silencing
from router.core.music import Chord, Music
from router.devices.descriptions import OutputDevice
from router.devices.inputs import Devices, by_device
from router.devices.inputs.base import Stamped
from router.files.profile.model import Profile
from router.live import chime
from router.live.attached import AttachedInput, AttachedOutput
from router.live.budget import Budget
from router.live.flood import SHARE, Waiting
from router.live.seat_events import SeatEvents
from router.live.status import Dropped, Lateness
from router.live.surroundings import Surroundings
from router.live.turn import SEAT
from router.live.watching import Watching
from router.records.recorder import BASELINE, PLAYING, SessionRecorder
from router.room.room import Room
from router.system import clock
from router.system.agenda import Rank

CHATTERS = "this input chatters: it says more than anybody can play, and of it only where it is now counts"

_NO_READING = (Mark, Lost, Found)


_Method = TypeVar("_Method", bound=Callable[..., Any])


def _in_turn(method: _Method) -> _Method:
    """Mark that it is the seat's turn while this method runs, for the start after a death (``router.live.turn``)."""

    @wraps(method)
    def marked(seat: Seat, *args: Any, **kwargs: Any) -> Any:
        memory = seat.turns.memory
        before = memory[SEAT]
        memory[SEAT] = seat.number
        try:
            return method(seat, *args, **kwargs)
        finally:
            memory[SEAT] = before

    return cast("_Method", marked)


class Seat:
    """A place that one child plays from. ``name`` is empty where there is only one and nobody gave it a name.

    ``session``: a record of the child who plays that is given what the sensors say, too, if one is kept.
    """

    def __init__(self, name: str, profile: Profile, around: Surroundings, budget: Budget, room: Room) -> None:
        self.name = name
        self.session: SessionRecorder | None = None
        self.now = 0  # the engine's time
        agenda = around.loop.agenda
        self.reminder = agenda.reminder(self.wake, Rank.SEAT)
        self._due: int | None = None  # when the engine wanted to be woken, at the end of the last ``wake``
        self.lateness = Lateness()
        self.last: dict[str, tuple[int, Sample]] = {}  # by input: when something was heard, and what
        self.muted = False
        self._dropped = Dropped(log_lines=0, samples=0, messages=0)  # by what has been closed since
        self.watching = Watching()
        self._around, self._budget = around, budget
        self.turns, self.number = around.turn, around.turn.seat(name)
        self._room = room
        self._fields: dict[str, Any] = {"seat": name} if name else {}
        self._stale: dict[str, bool] = {}  # by input: what a switch said last to the profile before
        self.events = SeatEvents(
            name,
            room,
            around.log,
            self.watching,
            mutes=lambda: self.muted,
            hearing=agenda.reminder(lambda _now: self.events.pass_on(), Rank.HEARING),
            telling=agenda.reminder(lambda _now: self.tell()),
        )
        self.waiting = Waiting()
        self.on_chatter: Callable[[], None] = lambda: None
        self._chime: deque[tuple[int, Message]] = deque()
        self._chime_goes_on = agenda.reminder(self._play_on, Rank.SEAT)
        self._fill(profile)
        self.devices = [self._attached(devices) for devices in by_device(profile.devices)]
        self.outputs = {name: self._attached_output(name, device) for name, device in profile.outputs.items()}

    def _attached(self, devices: Devices) -> AttachedInput:
        types, number = self.profile.types, self.number
        return AttachedInput(
            devices, types, self._around, self._fields, self.reminder.soon, number=number, rank=Rank.SEAT
        )

    def _attached_output(self, name: str, device: OutputDevice) -> AttachedOutput:
        return AttachedOutput(name, device, self._around, self._fields, found=self._found, rank=Rank.SEAT)

    def touch(self) -> None:
        """Ask for ``wake`` in this pass, as something has come, or was done from outside."""
        self.reminder.soon()

    @_in_turn
    def _fill(self, profile: Profile) -> None:
        self.profile = profile
        share = self._room.balance.share(self.name, self._give_way)
        self._shared_routes: frozenset[Route] = frozenset()
        self.engine = Engine(self._budget.held(profile.plan, self.name), self.events.observe, share)
        self.watching.plays(profile, self.engine.inputs)

    # --- begin, another profile, end --------------------------------------------------------------------------

    @_in_turn
    def open(self, now: int) -> None:
        """Open all that is there, and begin."""
        self.now = max(self.now, now)
        for out in self.outputs.values():
            if out.there is None and out.search.at is None:
                out.open(now)
        self._begin()
        for device in self.devices:
            if device.there is None and not device.open(now):
                device.absent(now)
        self.feed(now)
        self.touch()

    @_in_turn
    def play(self, profile: Profile, now: int, session: SessionRecorder | None = None) -> None:
        """Play another profile from now on, with another session log if one is given.

        What sounds ends first; a hand that lies on a switch begins no note of the next one.
        """
        self.now = max(self.now, now)
        self.silence()
        self.tell()
        if session is not None:
            self.keep_record(session)
        self._fill(profile)
        self._give_up_waiting(now)
        devices, wanted = [*self.devices], list[AttachedInput]()
        stale: dict[str, bool] = {}
        for group in by_device(profile.devices):
            kept = next((device for device in devices if device.same(group, profile.types)), None)
            if kept is not None:
                devices.remove(kept)
                if kept.there is not None:
                    stale |= {name: said for name in group if (said := self._switch_says(name)) is not None}
            wanted.append(kept or self._attached(group))
        outputs, sounding = {**self.outputs}, dict[str, AttachedOutput]()
        for name, description in profile.outputs.items():
            if name in outputs and outputs[name].device == description:
                sounding[name] = outputs.pop(name)
            else:
                sounding[name] = self._attached_output(name, description)
        leaving: list[AttachedInput | AttachedOutput] = [*devices, *outputs.values()]
        self._stale, self.devices, self.outputs = stale, wanted, sounding  # all or nothing: memory may be short before
        for gone in leaving:  # first what goes, as what comes may want the same device
            with self._around.contained():
                gone.close()
            self._dropped["samples" if isinstance(gone, AttachedInput) else "messages"] += gone.dropped
        for out in self.outputs.values():
            if out.there is None:
                out.open_after(now)
        self.muted = False
        self.events.begin_profile()
        self.last.clear()
        self.open(now)

    def _give_up_waiting(self, now: int) -> None:
        """Leave out what was said to the profile before; where its switches are now is known all the same."""
        self._gather(now)
        for _stamp, sample in self.waiting.clear():
            if not isinstance(sample, _NO_READING):
                self.last[sample.input] = (self.now, sample)
        self.waiting.forget()

    def dropped(self) -> Dropped:
        """Return what was lost on the way in and out since the daemon began; ``log_lines`` is not counted here."""
        return {
            **self._dropped,
            "samples": self._dropped["samples"] + self.waiting.dropped + sum(device.dropped for device in self.devices),
            "messages": self._dropped["messages"] + sum(out.dropped for out in self.outputs.values()),
        }

    def keep_record(self, session: SessionRecorder) -> None:
        """Use this session log from now on."""
        self.events.record = self.session = session

    @_in_turn
    def silence(self) -> None:
        """Let everything go. The engine rests until it is started again."""
        with self._around.contained():
            self._send(self.engine.stop(self.now))
        self._end_chime()

    def cut_off(self) -> None:
        """Silence the outputs without asking the engine to do anything.

        A rule of the engine may be in the middle of a call.
        """
        for name, out in self.outputs.items():
            for data in self._silencing(name):
                out.send(data, self.now)

    @_in_turn
    def panic(self, now: int, everything: bool = True) -> None:
        """Silence what sounds here, or every channel of every output, and play on with what comes next."""
        self.now = max(self.now, now)
        self.silence()
        for out in self.outputs.values():
            for data in silencing((), range(1, 17)) if everything else self._silencing(out.name):
                out.send(data, self.now)
        with self._around.contained():
            self._begin()
        self.touch()

    def _begin(self) -> None:
        """Start the engine, in the music of the room as far as the profile follows it."""
        self._send(self.engine.start(self.now))
        self._room.join(self.name, self, self.now)

    def _mute(self, muted: bool) -> None:
        """Begin or end a time in which movements are detected and recorded, and nothing sounds."""
        if muted and not self.muted:
            for out in self.outputs.values():
                for data in self._silencing(out.name):
                    out.send(data, self.now)
        self.muted = muted

    @_in_turn
    def close(self, now: int) -> None:
        """Silence first; then whatever can fail, each for itself."""
        self.now = max(self.now, now)
        self.silence()
        with self._around.contained():
            self._room.leave(self.name, self.now)
        everything: list[AttachedInput | AttachedOutput] = [*self.outputs.values(), *self.devices]
        for attached in everything:
            with self._around.contained():
                attached.close()

    # --- a pass of the loop -----------------------------------------------------------------------------------

    def wake(self, now: int, share: int = 0) -> None:
        """Do all that is due, after all that was readable has been read; of a flood as much as ``share`` allows.

        Without a share it is ``SHARE``, but a seat that is behind then only asks to be woken after the others.
        """
        if not share and self.waiting.behind(now):
            self._around.flooded(self.wake)
            return
        memory = self.turns.memory
        before = memory[SEAT]
        memory[SEAT] = self.number  # as ``_in_turn``, whose wrapper is a call more
        try:
            if self._due is not None and self._due <= now:
                self.lateness.add(now - self._due)
            self.feed(now, share or SHARE)
            due = self.engine.next_deadline()
            if due is not None and due <= now:
                self.now = max(self.now, now)  # a sample that comes later with an earlier stamp is played now
                self._send(self.engine.wake(self.now))
        finally:
            self.rest()
            memory[SEAT] = before

    def rest(self) -> None:
        """Ask for ``wake`` when the engine wants it; at once if samples wait to be played."""
        due = self._due = self.engine.next_deadline()
        if self.waiting.samples:
            self.reminder.soon()
        elif due is None:
            self.reminder.clear()
        else:
            self.reminder.set(due)

    @_in_turn
    def _play_on(self, now: int) -> None:
        """Play what is due of the chime."""
        while self._chime and self._chime[0][0] <= now:
            self._send([self._chime.popleft()[1]])
        if self._chime:
            self._chime_goes_on.set(self._chime[0][0])

    @_in_turn
    def _found(self, out: AttachedOutput, _now: int) -> None:
        """Choose the sounds at an output that has just been opened."""
        self._send([message for message in self.engine.programs() if message.output == out.name])

    def feed(self, now: int, share: int = SHARE) -> None:
        """Play what was read, oldest first, until this time.

        A driver's stamp may be a little earlier than what has been played already.
        """
        self._gather(now)
        samples = self.waiting.samples
        if len(samples) == 1:  # nearly always: nobody waits for it, so no time is looked at
            self._play(*samples.popleft(), now)
            return
        until = clock.now() + share if samples else 0
        while samples and clock.now() < until:
            self._play(*samples.popleft(), now)

    def _gather(self, now: int) -> None:
        """Take over what the devices have said."""
        came: list[Stamped] = []
        for device in self.devices:
            if device.came:
                came += device.came
                device.came = []
        if came:
            for name in self.waiting.add(came, now):
                self._chatters(name, now)

    def _chatters(self, name: str, now: int) -> None:
        self.events.observe(now, "fault", {"input": name, "error": CHATTERS})
        with self._around.contained():
            self.on_chatter()

    def _play(self, stamp: int, sample: Sample, now: int) -> None:
        """Play one sample that was taken at this time."""
        self.now = max(self.now, min(stamp, now))
        if not isinstance(sample, _NO_READING):
            self.last[sample.input] = (self.now, sample)
        if self._stale and self._is_stale(sample):
            return
        if self.watching.until >= self.now:
            self.watching.sample(sample, self.now)
        if self.session is not None and self.session.record_raw:
            self.session.sample(self.now, sample)
        try:
            self._send(self.engine.handle(sample, self.now))
        except Exception as error:  # noqa: BLE001 - one sample's fault must not cost those after it
            self._around.fault(error)

    def _switch_says(self, name: str) -> bool | None:
        _when, sample = self.last.get(name, (0, None))
        return sample.pressed if isinstance(sample, SwitchSample) else None

    def _is_stale(self, sample: Sample) -> bool:
        """True if a switch only repeats what it said before this profile began: a hand that has not moved since."""
        if not isinstance(sample, SwitchSample) or sample.input not in self._stale:
            return False
        if sample.pressed == self._stale[sample.input]:
            return True
        del self._stale[sample.input]
        return False

    @_in_turn
    def mark(self, text: str, now: int) -> None:
        """Put a remark on the time line; some remarks begin a phase of the session."""
        self.now = max(self.now, now)
        phase = text.strip().casefold()
        if phase in (BASELINE, PLAYING):
            self._mute(phase == BASELINE)
        with self._around.contained():
            self._send(self.engine.handle(Mark(text), self.now))
        self.touch()

    @_in_turn
    def plugged(self, now: int) -> None:
        """Look for devices soon, as something has been plugged in."""
        for device in self.devices:
            device.plugged(now)

    @_in_turn
    def look(self, now: int) -> None:
        """Check devices and outputs, as MIDI ports have come or gone."""
        for out in self.outputs.values():
            with self._around.contained():
                out.look(now, partial(self._silencing, out.name))
        for device in self.devices:
            device.look(now)
        self.feed(now)
        self.touch()

    @_in_turn
    def tell(self) -> None:
        """Write down what has happened since the last time."""
        self.events.tell()

    def missing(self) -> list[str]:
        """Inputs and outputs of the profile whose device is not there; a port of our own only waits for one."""
        inputs = [name for device in self.devices if device.there is None for name in device.devices]
        return inputs + [out.name for out in self.outputs.values() if not out.leads_on]

    # --- what the room says (``router.room.room.Member``) ----------------------------------------------------------

    @property
    def plan(self) -> Plan:
        """The plan that plays here now."""
        return self.profile.plan

    @property
    def chord(self) -> Chord | None:
        """The current chord here; None if there is none."""
        return self.engine.music.chord

    @_in_turn
    def follow(self, music: Music, now: int) -> None:
        """Follow this music of the room from now on."""
        self.now = max(self.now, now)
        self._send(self.engine.follow(music, self.now))
        self.touch()

    @_in_turn
    def hear(self, sample: Sample, now: int) -> None:
        """Take what another seat has played."""
        self._play(now, sample, now)
        self.touch()

    @_in_turn
    def turn(self, mine: bool, now: int) -> None:
        """Set whether it is this seat's turn from now on."""
        self.now = max(self.now, now)
        self.engine.turn(mine, self.now)
        self.touch()

    @_in_turn
    def level(self, level: float, now: int) -> None:
        """Set how loud the seat is from now on, 0 to 1."""
        self.now = max(self.now, now)
        self._send(self.engine.set_level(level, self.now))

    @_in_turn
    def share_routes(self, routes: frozenset[Route], now: int) -> None:
        """Set the routes on which other seats play as well: none of them is silenced as a whole."""
        if routes == self._shared_routes:
            return
        self.now = max(self.now, now)
        self._shared_routes = routes
        with self._around.contained():
            self._send(self.engine.share_routes(routes, self.now))
        self.touch()

    @_in_turn
    def _give_way(self, now: int) -> None:
        """End the oldest note at once: another seat begins one, and it is too many for the room."""
        self.now = max(self.now, now)
        with self._around.contained():
            self._send(self.engine.give_way(self.now))
        self.touch()

    # --- what leaves ------------------------------------------------------------------------------------------

    def play_chime(self, notes: Sequence[int], now: int, others: Collection[int] = ()) -> None:
        """Play a few soft notes for the people in the room, on a channel of no part and none of the ``others``."""
        self._end_chime()
        routes = [part.route for part in self.profile.plan.parts]
        there = [route for route in routes if self.outputs[route.output].there is not None]
        route = chime.route(there or routes, others)
        if route is not None and not self.muted:
            loudest = self.profile.plan.limits.velocity
            self._chime.extend((now + after, message) for after, message in chime.messages(notes, route, loudest))
            self._chime_goes_on.soon()

    def _end_chime(self) -> None:
        """End the chime: no more of it begins, and what sounds of it ends."""
        rest = [message for _when, message in self._chime if message.data[0] & 0xF0 == NOTE_OFF]
        self._chime.clear()
        self._send(rest)

    def _send(self, messages: Iterable[Message]) -> None:
        for message in messages:
            if not self.muted or message.data[0] & 0xF0 != NOTE_ON:
                self.outputs[message.output].send(message.data, self.now)

    def _silencing(self, output: str) -> Sequence[tuple[int, ...]]:
        """Return the messages that end all that sounds at an output, whatever its part does next."""
        sounding = [wire for wire in self.engine.sounding if wire[0] == output]
        channels = {part.route.channel for part in self.profile.plan.parts if part.route.output == output}
        channels |= {channel for _output, channel, _note in sounding}
        channels -= {route.channel for route in self._shared_routes if route.output == output}
        return silencing([(channel, note) for _output, channel, note in sounding], sorted(channels))
