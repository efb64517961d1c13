"""Random rooms: two to sixteen children with random profiles who play together, and whatever may happen to one of them.

    python -m tests.random_rooms --examples 2000

The chains of rules are those of ``random_chains``; some of them hear others, take turns, or break. Children press,
breathe, point and play keys; profiles are swapped, inputs lost, seats stopped, left and taken again; the keyboard
leads, a clock and taps come, levels change; deadlines are served on time and late. Each session is played three times:

  * in its room: the messages alone say what is on. No stray note-off, no note-on for a note that is on, none cut by
    another seat's silencing; never more than the room's limits, and what the balance counts is what sounds; at the end
    nothing is on, nobody waits;
  * without limits of the room, each seat at a port of its own, once with and once without all that happens at one of
    the seats: every other seat plays the same messages at the same times (but for those that listen to others, or take
    turns).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field, replace
from itertools import zip_longest
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from router.core.balance import RoomLimits
from router.core.conditioning.listen import ListenConditioner, ListenSettings
from router.core.engine import HARMONY, TEMPO, Engine, Listens, Plan
from router.core.events import Found, Lost, Message, PressureSample, Route, Sample
from router.core.midi import CLOCK, CONTINUE, DRUM_CHANNEL, SONG_POSITION, START, STOP
from router.core.music import Music
from router.core.timers import earliest
from router.core.units import NANOSECONDS
from router.devices.descriptions import MidiPort
from router.live.channels import assign, shared, used
from router.room.lead import Leading
from router.room.room import ANYBODY, KEY, SCALE, TURNS, Room, RoomPlan
from router.room.turns import TurnPlan
from router.testing import MILLISECOND
from tests.random_chains import INPUTS, LIMITS, MUSIC, PROGRESSIONS, movement, parts
from tests.state_machine import bomb

FADER, HOLD = 20, 67
EAR = "ear"
KEYS = ((0x90, 55, 80), (0x90, 59, 80), (0xB0, HOLD, 80), (0xB0, FADER, 40))
"""What the keyboard says."""
TOGETHER = MidiPort("*Synth*")
FAR_AWAY = RoomLimits(10**9, 10**9)
"""Limits that nobody meets."""


@dataclass(frozen=True)
class Bomb:
    """A rule that breaks: at which seat, in which part, after how many notes, and how."""

    seat: int
    part: int
    fuse: int
    way: str


@dataclass(frozen=True)
class Session:
    """All that is drawn. ``happens``: milliseconds later, how punctual, what, at which seat, and with what."""

    plans: tuple[Plan, ...]
    seats: tuple[int, ...]  # the plan of each
    room: RoomPlan
    bombs: tuple[Bomb, ...]
    happens: tuple[tuple[int, bool, str, int, int], ...]
    target: int
    still: int | None = None
    """A seat at which nothing happens."""


OF_THE_ROOM = frozenset({"key", "keyboard lost", "clock", "tap"})


# --- what is drawn ------------------------------------------------------------------------------------------------


@st.composite
def plans(draw: Any) -> Plan:
    made = [draw(parts(number))[0] for number in range(1, draw(st.integers(2, 3)))]
    listens = {}
    if draw(st.integers(0, 3)) == 0:  # its last part answers others
        made[-1] = replace(made[-1], sources=(EAR, f"{EAR}.phrase"))
        listens[EAR] = Listens(
            draw(st.sampled_from([ANYBODY, "seat 0", "seat 1"])), draw(st.sampled_from([None, "part 1"]))
        )
    if draw(st.booleans()):
        made[0] = replace(made[0], route=Route("out", DRUM_CHANNEL))
    inputs = {
        **INPUTS,
        EAR: lambda voice, alarm: ListenConditioner(EAR, ListenSettings(300 * MILLISECOND), voice, alarm),
    }
    return Plan(
        draw(MUSIC),
        draw(LIMITS),
        inputs,
        tuple(made),
        draw(PROGRESSIONS),
        draw(st.sampled_from([frozenset(), frozenset({TEMPO}), frozenset({TEMPO, HARMONY})])),
        listens,
    )


ROOMS = st.builds(
    RoomPlan,
    MUSIC,
    st.sets(st.sampled_from([TEMPO, KEY, SCALE])).map(frozenset),
    PROGRESSIONS.filter(lambda progression: progression.advance is None and progression.follow is None),
    st.sampled_from([None, Leading(hold=HOLD), Leading(chord=True, key=True)]),
    st.just(TurnPlan(NANOSECONDS // 2, NANOSECONDS, 2 * NANOSECONDS)),
    st.one_of(
        st.just(RoomLimits()),
        st.builds(RoomLimits, st.integers(1, 6), st.just(1600)),
        st.builds(RoomLimits, st.just(32), st.integers(1, 300)),
    ),
    st.just({FADER: "seat 0"}),
    st.dictionaries(st.sampled_from(["seat 0", "seat 1"]), st.sampled_from([0.0, 0.3, 1.0])),
)
HAPPENS = st.tuples(
    st.sampled_from([0, 1, 20, 130, 130, 400]),
    st.sampled_from([True, True, True, False]),
    st.sampled_from(
        [
            *["together"] * 4,
            *["press"] * 6,
            "release",
            "release",
            "level",
            "swap",
            "lose",
            "find",
            "stop",
            "leave",
            "loudness",
            *sorted(OF_THE_ROOM),
        ]
    ),
    st.integers(0, 15),
    st.integers(0, 3),
)
BOMBS = st.builds(
    Bomb,
    st.integers(0, 3),
    st.integers(0, 1),
    st.integers(1, 4),
    st.sampled_from(["note_on", "wake", "junk", "half", "let_go"]),
)


@st.composite
def sessions(draw: Any) -> Session:
    pool = tuple(draw(st.lists(plans(), min_size=2, max_size=3)))
    count = draw(st.sampled_from([2, 2, 3, 3, 4, 6, 16]))
    first = draw(st.integers(0, len(pool) - 1))
    return Session(
        pool,
        tuple((first + seat) % len(pool) for seat in range(count)),
        draw(ROOMS),
        tuple(draw(st.lists(BOMBS, max_size=2))),
        tuple(draw(st.lists(HAPPENS, min_size=20, max_size=40))),
        draw(st.integers(0, count - 1)),
    )


# --- a room at work -----------------------------------------------------------------------------------------------


@dataclass
class Child:
    """A seat as ``router.live.seat`` has it, without devices:
    what it plays is kept, and is told to the room when it has been sent.
    """

    game: Game
    name: str
    plan: Plan
    engine: Engine = field(init=False)
    outputs: dict[str, MidiPort] = field(init=False)
    here: bool = False
    alone: bool = True  # whether all that it has played so far is its own
    told: list[tuple[int, str, dict[str, Any]]] = field(default_factory=list)

    def begin(self, plan: Plan) -> None:
        game = self.game
        self.plan = game.fitted(self, plan)
        self.alone &= independent(plan)
        self.engine = Engine(self.plan, self._observe, game.room.balance.share(self.name, self._give_way))
        self.here = True
        game.share_routes()
        game.send(self, self.engine.start(game.now))
        game.room.join(self.name, self, game.now)
        self.give(PressureSample("cheek", 0.0))

    def end(self) -> None:
        game = self.game
        game.send(self, self.engine.stop(game.now))
        assert not game.on[self.name], "something is left on after a stop"
        assert self.engine.next_deadline() is None, "somebody still waits after a stop"

    def leave(self) -> None:
        self.end()
        self.here = False
        self.game.room.leave(self.name, self.game.now)
        self.game.share_routes()

    def give(self, sample: Sample) -> None:
        self.game.send(self, self.engine.handle(sample, self.game.now))

    def wake(self) -> None:
        self.game.send(self, self.engine.wake(self.game.now))

    def _give_way(self, now: int) -> None:
        self.game.send(self, self.engine.give_way(now))

    def _observe(self, now: int, event: str, fields: dict[str, Any]) -> None:
        assert event != "fault" or fields["rule"] == "bomb", fields
        self.game.efforts += event == "press"
        self.told.append((now, event, fields))

    # What the room says (``router.room.room.Member``).

    def follow(self, music: Music, now: int) -> None:
        self.game.send(self, self.engine.follow(music, now))

    def hear(self, sample: Sample, now: int) -> None:
        self.game.send(self, self.engine.handle(sample, now))

    def turn(self, mine: bool, now: int) -> None:
        self.engine.turn(mine, now)

    def level(self, level: float, now: int) -> None:
        self.game.send(self, self.engine.set_level(level, now))


class Game:
    """A session in its room. ``apart``: each seat has a port of its own."""

    def __init__(self, session: Session, limits: RoomLimits, *, apart: bool) -> None:
        self.session, self.apart = session, apart
        self.now = 1
        self.room = Room(replace(session.room, limits=limits), self.now, lambda *_: None)
        self.limits = limits
        self.on: dict[str, dict[tuple[str, int, int], int]] = defaultdict(
            dict
        )  # by seat: velocities by port, channel, note
        self.played: dict[str, list[tuple[int, Message]]] = defaultdict(list)
        self.efforts = 0
        self.children = [Child(self, f"seat {seat}", session.plans[plan]) for seat, plan in enumerate(session.seats)]
        for seat, child in enumerate(self.children):
            child.outputs = {"out": MidiPort(f"Port {seat}") if apart else TOGETHER}
        for seat, child in enumerate(self.children):
            child.begin(self._with_bombs(seat, child.plan))
            self.pass_on()

    def _with_bombs(self, seat: int, plan: Plan) -> Plan:
        made = list(plan.parts)
        for each in self.session.bombs:
            if each.seat == seat != self.session.still and each.part < len(made):
                part = made[each.part]
                made[each.part] = replace(part, rules=(*part.rules, bomb(each.fuse, each.way)))
        return replace(plan, parts=tuple(made))

    def fitted(self, child: Child, plan: Plan) -> Plan:
        """The plan on channels that nobody else plays on, as far as there are any."""
        others = [other for other in self.children if other.here and other is not child]
        taken = [one for other in others for one in used(other.plan, other.outputs, other.name)]
        return assign(plan, child.outputs, taken=taken).plan

    def share_routes(self) -> None:
        """Everybody knows which channels are not its own alone."""
        here = {child.name: child for child in self.children if child.here}
        routes = shared({name: (child.plan, child.outputs) for name, child in here.items()})
        for name, child in here.items():
            self.send(child, child.engine.share_routes(routes[name], self.now))

    # --- what is played -------------------------------------------------------------------------------------------

    def send(self, child: Child, messages: Any) -> None:
        limits, mine = child.plan.limits, self.on[child.name]
        for message in messages:
            self.played[child.name].append((self.now, message))
            output, data = message
            port, kind, channel = child.outputs[output].pattern, data[0] & 0xF0, data[0] & 0x0F
            assert all(0 <= byte <= 127 for byte in data[1:])
            if kind == 0x90:
                wire = (port, channel, data[1])
                assert wire not in mine, "a note-on for a note that is on"
                assert 1 <= data[2] <= limits.velocity
                mine[wire] = data[2]
                assert len(mine) <= limits.notes_at_once
                assert sum(map(len, self.on.values())) <= self.limits.notes_at_once, "too many notes in the room"
                loud = sum(velocity for on in self.on.values() for velocity in on.values())
                assert loud <= self.limits.velocity_sum, "too loud together"
            elif kind == 0x80:
                assert (port, channel, data[1]) in mine, "a note-off for a note that is not on"
                del mine[port, channel, data[1]]
            elif kind == 0xB0:
                assert data[1] not in (7, 11) or data[2] <= limits.volume
                if data[1] >= 120:
                    cut = [on for name, on in self.on.items() if any(wire[:2] == (port, channel) for wire in on)]
                    assert not cut, "silencing cuts a note"

    def pass_on(self) -> None:
        """The room hears what was played, and those that listen play what comes of it."""
        for _ in range(50):
            if not any(child.told for child in self.children):
                return
            for child in self.children:
                told, child.told = child.told, []
                for now, event, fields in told:
                    self.room.heard(child.name, event, fields, now)
        raise AssertionError("they keep each other going")

    def agrees(self) -> None:
        loud = [velocity for on in self.on.values() for velocity in on.values()]
        counted = (self.room.balance.notes, self.room.balance.velocity)
        assert counted == (len(loud), sum(loud)), "the balance counts what does not sound"
        for child in self.children:
            assert len(child.engine.sounding) == len(self.on[child.name])

    # --- what happens ---------------------------------------------------------------------------------------------

    def play(self) -> None:
        for later, on_time, what, anyone, which in self.session.happens:
            until = self.now + later * MILLISECOND
            if on_time:
                self.go_on(until)
            self.now = until
            self._room_wakes()
            seat = anyone % len(self.children)
            if what == "together":
                for each, child in enumerate(self.children):
                    if each != self.session.still:
                        self._happens("press", child, (which + each) % 4)
            elif what in OF_THE_ROOM or seat != self.session.still:
                self._happens(what, self.children[seat], which)
            self.pass_on()
            self.agrees()
        self.go_on(self.now)
        for child in self.children:
            if child.here:
                child.leave()
            self.pass_on()
        self.agrees()
        assert not any(self.on.values()), "something is left on at the end"
        assert all(child.engine.next_deadline() is None for child in self.children)
        assert (self.room.balance.notes, self.room.balance.velocity) == (0, 0)

    def go_on(self, until: int) -> None:
        """The room's deadlines come first, then those of the seats, each at its time."""
        for _ in range(100_000):
            due = earliest((self.room.deadline(), *(child.engine.next_deadline() for child in self.children)))
            if due is None or due > until:
                return
            self.now = max(self.now, due)
            self._room_wakes()
            for child in self.children:
                deadline = child.engine.next_deadline()
                if deadline is not None and deadline <= self.now:
                    child.wake()
            self.pass_on()
        raise AssertionError("somebody asks to be woken without end")

    def _room_wakes(self) -> None:
        due = self.room.deadline()
        if due is not None and due <= self.now:
            self.room.wake(self.now)

    def _happens(self, what: str, child: Child, which: int) -> None:
        room, now = self.room, self.now
        match what:
            case "key":
                room.key(KEYS[which], now)
            case "keyboard lost":
                room.keyboard_lost(now)
            case "clock":
                for data in ([START], *[[CLOCK]] * 6, ([SONG_POSITION, which, 0], [CONTINUE], [STOP], [CLOCK])[which]):
                    until = self.now + 20 * MILLISECOND
                    self.go_on(until)
                    self.now = until
                    self._room_wakes()
                    room.clock(data, self.now)
            case "tap":
                room.tap(now)
            case "leave" if child.here:
                child.leave()
            case "loudness":
                room.set_level(child.name, (0.0, 0.2, 0.7, 1.0)[which], now)
            case "swap" | "leave":
                if child.here:
                    child.end()
                child.begin(self.session.plans[which % len(self.session.plans)])
            case _ if not child.here:
                pass
            case "stop":
                child.end()
                self.send(child, child.engine.start(now))
            case "lose":
                child.give(Lost((*sorted(INPUTS), EAR)[(which + len(self.session.happens)) % (len(INPUTS) + 1)]))
            case "find":
                child.give(Found("pad"))
            case "press" | "release" | "level":
                source = child.plan.parts[which % len(child.plan.parts)].sources[0]
                if source == EAR:
                    source = "pad"
                child.give(movement(what, which, source))


def independent(plan: Plan) -> bool:
    """Whether a child with this profile plays by itself."""
    return not plan.listens and all(rule.name != TURNS for part in plan.parts for rule in part.rules)


def play(session: Session) -> None:
    """One session, three times: see the module's docstring."""
    game = Game(session, session.room.limits, apart=False)
    game.play()
    PLAYED.append(sum(message.data[0] & 0xF0 == 0x90 for sent in game.played.values() for _, message in sent))
    with_it, without = (Game(each, FAR_AWAY, apart=True) for each in (session, replace(session, still=session.target)))
    with_it.play()
    without.play()
    for seat, child in enumerate(without.children):
        if seat != session.target and child.alone:
            with_, without_ = with_it.played[child.name], without.played[child.name]
            differs = next((pair for pair in zip_longest(with_, without_) if pair[0] != pair[1]), None)
            assert differs is None, f"what happened at one seat changed {child.name}: {differs}"
            COMPARED.append(len(without.played[child.name]))


PLAYED: list[int] = []
"""How many notes each session had in its room, for whoever asks whether it played at all."""
COMPARED: list[int] = []
"""How many messages each seat had that was compared with itself without what happened at another."""


def run(examples: int, *, shrink: bool = True) -> None:
    """Plays so many sessions; the first that fails is raised, made as short as it can be if ``shrink``."""
    chosen = settings(
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink) if shrink else (Phase.generate,),
    )
    chosen(given(sessions())(play))()


def main() -> None:
    parser = argparse.ArgumentParser(
        description="Play random rooms and see that nothing is left on and nobody disturbs another."
    )
    parser.add_argument("--examples", type=int, default=500, help="how many sessions (default 500)")
    wanted = parser.parse_args().examples
    began = time.monotonic()
    for done in range(0, wanted, 100):
        run(min(100, wanted - done))
        sys.stderr.write(
            f"{len(PLAYED)} sessions, {sum(PLAYED)} notes, {len(COMPARED)} seats compared ({sum(COMPARED)} messages),"
            f" {time.monotonic() - began:.0f} s, no failure\n"
        )


if __name__ == "__main__":
    main()
