"""The whole engine under random hands, against a plain model of what should sound.

    python -m tests.state_machine --examples 20000

Hypothesis makes up profiles (chains of rules, limits, channels that parts share) and sessions: switches, pressures,
places and keys, deadlines served on time and late, lost inputs, other keys, swaps to other profiles, stops. After every
step:

  * the messages alone say what is on: a note-off for a note that is not on, or a note-on for one that is, is a failure;
  * it agrees with the engine's own account, and no limit is exceeded: velocity, volume, notes at once, notes in any
    second, the length of a note;
  * four parts are simple enough for a model that knows only the inputs: a switch on one note, a switch that must be
    held, a latch, and keys that play themselves. With wide limits exactly their notes are on; with narrow ones no
    others;
  * when everybody lets go, everything ends in a moment, unless a rule sustains on purpose.

After the last step the engine stops: nothing is on, and nothing comes however long one waits.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import deque
from typing import ClassVar

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.contract import Kind, Rule
from router.core.engine import Engine, PartPlan, Plan, RulePlan
from router.core.events import (
    Found,
    Lost,
    MidiSample,
    NoteOff,
    NoteOn,
    PointerSample,
    PressureSample,
    Route,
    SwitchSample,
)
from router.core.ledger import Limits
from router.core.music import SCALES, Music
from router.core.rules import RULES
from router.core.units import NANOSECONDS, beats_per_minute
from router.testing import MILLISECOND, plan_rule

STEPS = 40
"""Steps of a session."""

HELD = 80 * MILLISECOND
"""The acceptance time of the switch that must be held."""

WIDE = Limits(velocity=90, volume=80, notes_at_once=1000, note_length=9 * NANOSECONDS, notes_per_second=100_000)
LATCH, PLAIN, SLOW, OWN = 13, 14, 15, 16
"""The channels of the four simple parts; nobody else plays there."""

REST = 3 * NANOSECONDS
"""So long after the last effort nothing is on: longer than any release time here, shorter than the longest note."""

LEVELS = frozenset({"cheek.above", "head.x", "keys.cc1"})
SIDE = Side(on=100, off=60, full=1100)
INPUTS = {
    "plain": lambda voice, alarm: SwitchConditioner("plain", SwitchSettings(), voice, alarm),
    "latch": lambda voice, alarm: SwitchConditioner("latch", SwitchSettings(), voice, alarm),
    "slow": lambda voice, alarm: SwitchConditioner("slow", SwitchSettings(accept=HELD), voice, alarm),
    "pad": lambda voice, alarm: SwitchConditioner(
        "pad", SwitchSettings(30 * MILLISECOND, 50 * MILLISECOND), voice, alarm
    ),
    "cheek": lambda voice, alarm: PressureConditioner(
        "cheek", PressureSettings(SIDE, SIDE, track=None, levels=LEVELS), voice, alarm
    ),
    "jaw": lambda voice, alarm: PressureConditioner(
        "jaw", PressureSettings(SIDE, None, track=5 * NANOSECONDS, from_peak=True), voice, alarm
    ),
    "head": lambda voice, alarm: PointerConditioner(
        "head", PointerSettings(ZoneGrid(2, 2, 0.1, 100 * MILLISECOND), 1.0, 0.02, LEVELS), voice, alarm
    ),
    "keys": lambda voice, alarm: MidiConditioner("keys", MidiSettings(levels=LEVELS), voice, alarm),
}


class Bomb(Rule):
    """Works a few times, begins voices of its own, and breaks in one way or another."""

    name, takes, settings = "bomb", Kind.GESTURES | Kind.NOTES, {}

    def __init__(self, chosen, context):
        super().__init__(chosen, context)
        self.fuse, self.way = chosen["fuse"], chosen["way"]
        self.mine: dict[int, list[int]] = {}  # the voices begun for each voice that came

    def note_on(self, note, now):
        self.fuse -= 1
        if self.fuse == 0:
            if self.way == "wake":
                self.context.alarm.at(now + 10 * MILLISECOND)
            elif self.way == "junk":
                return [note, None]
            elif self.way == "half":
                return self.half()
        own = self.context.new_voice()
        self.mine.setdefault(note.voice, []).append(own)
        return [note, NoteOn(own, note.pitch)]

    def note_off(self, off, now):
        return [off, *map(NoteOff, self.mine.pop(off.voice, ()))]

    def half(self):
        yield NoteOn(self.context.new_voice(), 1)
        raise RuntimeError("half way")

    def wake(self, now, tag):
        raise RuntimeError("woken")

    def let_go(self, now):
        self.context.alarm.cancel()
        if self.way == "let_go":
            raise RuntimeError("letting go")
        mine, self.mine = self.mine, {}
        return [NoteOff(voice) for voices in mine.values() for voice in voices]


def bomb(fuse: int, way: str) -> RulePlan:
    return RulePlan("bomb", lambda context: Bomb({"fuse": fuse, "way": way}, context), "bomb")


SUSTAINS = "sustains"
"""The place, as the log would tell it, of a rule that keeps a note on purpose after its effort has ended."""


def one(name: str, place: str = "", **written: st.SearchStrategy) -> st.SearchStrategy[RulePlan]:
    return st.builds(lambda **chosen: plan_rule(RULES[name], chosen, place), **written)


DEGREES = st.lists(st.integers(1, 12), min_size=1, max_size=4)
TO_NOTES = st.one_of(
    one("note"),
    one("note", degree=st.integers(1, 12), octave=st.integers(3, 5)),
    one("sequence", degrees=DEGREES),
    one("sequence", degrees=DEGREES, restart_after=st.just("300 ms")),
)
OF_NOTES = st.one_of(
    one(
        "chord", kind=st.sampled_from(["triad", "seventh", "open fifth", "octave", "add9"]), inversion=st.integers(0, 4)
    ),
    one("scale_lock"),
    one("velocity", **{"from": st.just("strength"), "high": st.just(127)}),
    one("release", when=st.just("released")),
    one("release", SUSTAINS, when=st.just("next")),
    one("release", when=st.just("after"), time=st.sampled_from(["0 ms", "70 ms", "1 s"])),
    one(
        "arpeggio",
        order=st.sampled_from(["up", "down", "up and down", "as played"]),
        rate=st.sampled_from(["1/8", "1/16", "1/4 triplet", "1/64"]),
        octaves=st.integers(1, 3),
        gate=st.sampled_from(["0 %", "10 %", "80 %", "100 %"]),
    ),
)
BOMBS = st.builds(bomb, st.integers(1, 4), st.sampled_from(["junk", "half", "wake", "let_go"]))
CHAINS = st.builds(
    lambda control, latch, to_notes, first, bombs, then: (*control, *latch, to_notes, *first, *bombs, *then),
    st.lists(
        one("control", controller=st.sampled_from([7, 11, 1, 64]), every=st.sampled_from(["0 ms", "40 ms"])), max_size=1
    ),
    st.lists(one("latch", SUSTAINS), max_size=1),
    TO_NOTES,
    st.lists(OF_NOTES, max_size=2),
    st.lists(BOMBS, max_size=1),
    st.lists(OF_NOTES, max_size=1),
)
SOURCES = st.sampled_from(
    [
        ("pad", "plain"),
        ("plain", "slow", "keys"),
        ("cheek.above", "cheek.below"),
        ("jaw.above", "pad"),
        ("keys", "keys.cc1"),
        ("keys", "cheek.above", "head.x"),
    ]
)
VIEWS = st.builds(lambda zones, notes: (zones, *notes), one("zones", degrees=DEGREES), st.lists(OF_NOTES, max_size=2))
PARTS = st.builds(
    lambda which, channel: (*which, Route("out", channel)),
    st.one_of(st.tuples(SOURCES, CHAINS), st.tuples(SOURCES, CHAINS), st.tuples(st.just(("head", "pad")), VIEWS)),
    st.sampled_from([1, 1, 2]),
)
LIMITS = st.one_of(
    st.just(WIDE),
    st.builds(
        Limits,
        velocity=st.sampled_from([1, 50, 127]),
        volume=st.sampled_from([1, 90]),
        notes_at_once=st.integers(1, 5),
        note_length=st.sampled_from([50 * MILLISECOND, NANOSECONDS]),
        notes_per_second=st.integers(1, 12),
    ),
)
MUSIC = st.builds(
    Music,
    st.integers(0, 11),
    st.sampled_from([SCALES["major"], SCALES["minor pentatonic"], SCALES["chromatic"]]),
    st.sampled_from([beats_per_minute("90 bpm"), beats_per_minute("400 bpm")]),
)


def simple(name: str, source: str, channel: int, *rules: RulePlan) -> PartPlan:
    return PartPlan(name, (source,), rules, Route("out", channel))


SIMPLE = (
    simple("plain", "plain", PLAIN, plan_rule(RULES["note"], {"pitch": 60})),
    simple("slow", "slow", SLOW, plan_rule(RULES["note"], {"pitch": 60})),
    simple("latch", "latch", LATCH, plan_rule(RULES["latch"]), plan_rule(RULES["note"], {"pitch": 60})),
    simple("own", "keys", OWN, plan_rule(RULES["note"])),
)
PLANS = st.builds(
    lambda music, limits, parts: Plan(
        music,
        limits,
        INPUTS,
        (*SIMPLE, *(PartPlan(f"part {n}", s, r, route) for n, (s, r, route) in enumerate(parts))),
    ),
    MUSIC,
    LIMITS,
    st.lists(PARTS, max_size=3),
)


class Session(RuleBasedStateMachine):
    """One engine after another, what the messages say is on, and what the inputs alone say should be."""

    played: ClassVar[int] = 0
    """Sessions so far, for whoever watches."""

    @initialize(plan=PLANS)
    def begin(self, plan: Plan) -> None:
        self.now = 1
        self.behind = False  # deadlines may have gone by that the engine has not been told of
        self.on: dict[tuple[int, int], int] = {}  # channel and note -> since when
        self.struck: deque[int] = deque()
        self.down: dict[str, int] = {}  # a simple switch -> since when it counts
        self.accepted: int | None = None  # when the switch that must be held was heard
        self.latched: int | None = None  # when the latch was switched on
        self.latch_heard = 0  # notes of the latch on the wire
        self.efforts = self.heard = 0  # of the switch that must be held: expected, and on the wire
        self.keys: dict[tuple[int, int], int] = {}  # channel and key -> since when
        self.make(plan)

    def make(self, plan: Plan) -> None:
        self.plan, self.engine = plan, Engine(plan)
        self.struck.clear()  # each engine counts for itself
        self.efforts = self.heard = 0
        self.sustains = any(step.place == SUSTAINS for part in plan.parts for step in part.rules)
        self.hear(self.engine.start(self.now))

    # --- what happens ---------------------------------------------------------------------------------------------

    @rule(name=st.sampled_from(["plain", "plain", "slow", "slow", "latch", "pad"]), pressed=st.booleans())
    def switch(self, name: str, pressed: bool) -> None:
        self.served()
        heard, latching = self.latch_heard, name == "latch" and pressed and "latch" not in self.down
        if latching:
            ended = self.latched is not None and self.now - self.latched >= self.plan.limits.note_length
            self.latched = self.now if self.latched is None or ended else None  # what the limit has ended is off
        if name != "pad":
            if not pressed:
                self.down.pop(name, None)
            else:
                self.down.setdefault(name, self.now)
            if name == "slow" and not pressed:
                self.accepted = None
        self.give(SwitchSample(name, pressed))
        if latching and self.latch_heard == heard:
            self.latched = None  # a limit has refused its note: it is off, so that the next press is heard

    @rule(
        names=st.lists(st.sampled_from(["plain", "slow", "latch", "pad"]), min_size=1, max_size=2, unique=True),
        held=st.sampled_from([5, 60, 120, 500]),
    )
    def tap(self, names: list[str], held: int) -> None:
        for name in names:
            self.switch(name, True)
        self.time_goes_by(held)
        for name in names:
            self.switch(name, False)

    @rule(name=st.sampled_from(["cheek", "jaw"]), pascals=st.lists(st.sampled_from([0.0, 300.0, 900.0]), max_size=3))
    def breathe(self, name: str, pascals: list[float]) -> None:
        for pascal in [0.0, *pascals, 0.0]:
            self.press(name, pascal)
            self.time_goes_by(80)

    @rule(
        name=st.sampled_from(["cheek", "jaw"]), pascal=st.sampled_from([0.0, 70.0, 110.0, 600.0, 2000.0, -90.0, -300.0])
    )
    def press(self, name: str, pascal: float) -> None:
        self.give(PressureSample(name, pascal))

    @rule(x=st.sampled_from([0.0, 0.2, 0.48, 0.52, 0.9]), y=st.sampled_from([0.1, 0.51, 0.8]))
    def point(self, x: float, y: float) -> None:
        self.give(PointerSample("head", x, y))

    @rule(
        channel=st.integers(0, 1),
        key=st.integers(58, 62),
        velocity=st.sampled_from([0, 0, 1, 64, 127]),
        off=st.booleans(),
    )
    def key(self, channel: int, key: int, velocity: int, off: bool) -> None:
        if off or velocity == 0:
            self.keys.pop((channel, key), None)
        else:
            self.keys[channel, key] = self.now
            for other, since in self.keys.items():  # struck again for whoever still sounds it
                if other[1] == key and self.now - since < self.plan.limits.note_length:
                    self.keys[other] = self.now
        self.give(MidiSample("keys", ((0x80 if off else 0x90) | channel, key, velocity)))

    @rule(number=st.sampled_from([1, 1, 123]), value=st.sampled_from([0, 64, 127]))
    def controller(self, number: int, value: int) -> None:
        if number == 123:
            self.keys = {key: since for key, since in self.keys.items() if key[0] != 0}
        self.give(MidiSample("keys", (0xB0, number, value)))

    @rule(later=st.sampled_from([0, 1, 20, 80, 130, 400, 1000, 3500]))
    def time_goes_by(self, later: int) -> None:
        """Every deadline is served at its own time."""
        until = self.now + later * MILLISECOND
        for _ in range(20_000):
            deadline = self.engine.next_deadline()
            if deadline is None or deadline > until:
                break
            self.now = max(self.now, deadline)
            self.hear(self.engine.wake(self.now))
        else:
            raise AssertionError("the engine asks to be woken without end")
        self.now = until
        self.served()

    @rule(later=st.sampled_from([1, 20, 130, 700, 3500]))
    def held_up(self, later: int) -> None:
        """Nobody serves the deadlines for a while; the next step finds them all due."""
        self.now += later * MILLISECOND
        self.hear(self.engine.wake(self.now))

    @rule(later=st.sampled_from([1, 20, 130, 700]))
    def held_up_until_the_next_sample(self, later: int) -> None:
        self.now += later * MILLISECOND
        self.behind = True

    @rule()
    def everybody_lets_go(self) -> None:
        for name in ("plain", "slow", "pad"):
            self.switch(name, False)
        for name in ("cheek", "jaw"):
            self.give(PressureSample(name, 0.0))
        # Where rest is learned, it may have been taken while somebody pulled: then 0 Pa is an effort, for a while.
        rest = self.engine.inputs["jaw"].rest
        if rest is not None:
            self.give(PressureSample("jaw", rest))
        self.keys.clear()
        for channel in (0, 1):
            self.give(MidiSample("keys", (0xB0 | channel, 123, 0)))
        self.lose("head")  # a pointer is always somewhere
        self.time_goes_by(REST // MILLISECOND)
        assert self.sustains or set(self.on) <= {(LATCH, 60)}, "everybody has let go and something goes on"

    def lose(self, name: str) -> None:
        self.served()
        self.down.pop(name, None)
        if name == "slow":
            self.accepted = None
        if name == "latch":
            self.latched = None
        if name == "keys":
            self.keys.clear()
        self.give(Lost(name))

    @rule(
        what=st.one_of(
            st.tuples(st.just("lose"), st.sampled_from(sorted(INPUTS))),
            st.tuples(st.just("find"), st.sampled_from(sorted(INPUTS))),
            st.tuples(st.just("follow"), MUSIC),
            st.tuples(st.just("stop"), st.none()),
            st.tuples(st.just("swap"), PLANS),
        )
    )
    def upset(self, what: tuple) -> None:
        match what:
            case ("lose", name):
                self.lose(name)
            case ("find", name):
                self.give(Found(name))
            case ("follow", music):
                self.hear(self.engine.follow(music, self.now), early=1)  # what was due before comes in the old music
            case ("stop", _):
                self.silence()
            case ("swap", plan):
                self.silence()
                self.make(plan)

    # --- what must hold -------------------------------------------------------------------------------------------

    def give(self, sample) -> None:
        self.served()
        self.hear(self.engine.handle(sample, self.now))

    def served(self) -> None:
        """By now the engine has been told of the present time, or is told with the next sample."""
        if self.accepted is None and "slow" in self.down and self.now >= self.down["slow"] + HELD:
            self.accepted = self.now
            self.efforts += 1

    def hear(self, messages, early: int = 0) -> None:
        """``early``: so much earlier, in nanoseconds, a note may have been struck than it was given."""
        self.served()
        limits = self.plan.limits
        for output, data in messages:
            assert output == "out"
            status, channel, first, second = data[0] & 0xF0, (data[0] & 0x0F) + 1, data[1], data[2]
            assert all(isinstance(byte, int) and 0 <= byte <= 127 for byte in data[1:])
            if status == 0x90:
                assert (channel, first) not in self.on, "a note-on for a note that is on"
                assert 1 <= second <= limits.velocity
                self.on[channel, first] = self.now
                self.heard += channel == SLOW
                self.latch_heard += channel == LATCH
                self.struck.append(self.now - early)
                assert len(self.on) <= limits.notes_at_once
            elif status == 0x80:
                assert (channel, first) in self.on, "a note-off for a note that is not on"
                since = self.on.pop((channel, first))
                # Whatever ended it, it is off, and the next press is heard; but it may be the one before, ended by this
                # press.
                if channel == LATCH and self.latched is not None and self.latched <= since:
                    self.latched = None
            else:
                assert status == 0xB0
                assert first < 120 or second == 0
                assert first not in (7, 11) or second <= limits.volume
        self.behind = False
        while self.struck and self.struck[0] <= self.now - NANOSECONDS:
            self.struck.popleft()
        assert len(self.struck) <= limits.notes_per_second
        assert all(self.now - since < limits.note_length for since in self.on.values()), "a note is too long"

    def silence(self) -> None:
        messages = self.engine.stop(self.now)
        self.down.clear()
        self.keys.clear()
        self.accepted = self.latched = None
        self.hear(messages)
        assert not self.on, "something is left on after a stop"
        assert [data[1] for _, data in messages[-3:]] == [64, 123, 120]
        assert self.engine.next_deadline() is None, "somebody still waits after a stop"

    @invariant()
    def the_engine_agrees(self) -> None:
        assert {(channel, note) for _, channel, note in self.engine.sounding} == set(self.on)

    @invariant()
    def nothing_is_overdue(self) -> None:
        deadline = self.engine.next_deadline()
        assert self.behind or deadline is None or deadline > self.now

    @invariant()
    def the_simple_parts_sound_as_the_inputs_say(self) -> None:
        if self.behind:
            return
        limits = self.plan.limits
        length, wide = limits.note_length, limits is WIDE
        expected: set[tuple[int, int]] = set()
        if "plain" in self.down and (not wide or self.now - self.down["plain"] < length):
            expected.add((PLAIN, 60))
        if self.accepted is not None and (not wide or self.now - self.accepted < length):
            expected.add((SLOW, 60))
        if self.latched is not None and (not wide or self.now - self.latched < length):
            expected.add((LATCH, 60))
        for (_, key), since in self.keys.items():  # both channels of the keyboard play on one
            if not wide or self.now - since < length:
                expected.add((OWN, key))
        sounding = {wire for wire in self.on if wire[0] >= LATCH}
        lingering = {wire for wire in sounding if self.now < self.on[wire] + limits.shortest_note}
        assert sounding - lingering <= expected
        assert not wide or expected <= sounding
        assert not wide or self.heard == self.efforts, "an effort was held long enough and not heard, or the other way"

    def teardown(self) -> None:
        type(self).played += 1
        if hasattr(self, "engine"):
            self.silence()
            self.now += 100 * NANOSECONDS
            assert self.engine.wake(self.now) == []


def run(examples: int) -> None:
    """Plays so many sessions; the first that fails is made as short as it can be and raised."""
    chosen = settings(
        max_examples=examples,
        stateful_step_count=STEPS,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(Session, settings=chosen)


def main() -> None:
    parser = argparse.ArgumentParser(description="Play random sessions against a model of what should sound.")
    parser.add_argument("--examples", type=int, default=2000, help="how many sessions (default 2000)")
    wanted = parser.parse_args().examples
    began = time.monotonic()
    while Session.played < wanted:
        run(min(1000, wanted - Session.played))
        took = time.monotonic() - began
        sys.stderr.write(f"{Session.played} sessions of up to {STEPS} steps, {took:.0f} s, no failure\n")


if __name__ == "__main__":
    main()
