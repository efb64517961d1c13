"""The limits over the room, with real engines:
who gives way, that every effort is heard, and that nothing is counted twice or lost.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.balance import NOTES, VELOCITY, Balance, RoomLimits
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Engine, PartPlan, Plan
from router.core.events import NoteOn, Route, SwitchSample
from router.core.ledger import Ledger, Limits
from router.core.music import Music
from router.core.rules import RULES
from router.core.timers import Timers
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, Observed, plan_rule

WIDE = Limits(velocity=127, notes_at_once=1000, note_length=10**18, notes_per_second=1000, shortest_note=0)
HERE = Route("out", 1)


class Books:
    """Ledgers that share a room, and what is on by their messages, in the order in which they are sent."""

    def __init__(self, limits: RoomLimits, *names: str) -> None:
        self.balance = Balance(limits)
        self.now = 0
        self.sent: list[tuple[str, int, int]] = []  # seat, note, velocity; 0: its end
        self.on: dict[str, dict[int, int]] = {name: {} for name in names}
        self.logs = {name: Observed() for name in names}
        self.told: list[tuple[str, tuple[str, int]]] = []
        self.books = {name: self._book(name) for name in names}

    def _book(self, name: str) -> Ledger:
        share = self.balance.share(name, lambda now: self.send(name, self.books[name].give_way(now)))
        return Ledger(WIDE, Timers(), self.logs[name], share, lambda voice, _now: self.told.append((name, voice)))

    def strike(self, name: str, note: int, velocity: int = 50) -> None:
        self.now += 1
        voice = note  # one of its own for each note
        self.send(name, self.books[name].note_on("p", HERE, NoteOn(voice, note, velocity), self.now))
        self.agrees()

    def end(self, name: str, note: int) -> None:
        self.now += 1
        self.send(name, self.books[name].note_off("p", note, self.now))
        self.agrees()

    def stop(self, name: str) -> None:
        self.now += 1
        self.send(name, [m for m in self.books[name].all_off(self.now) if m.data[0] & 0xF0 == 0x80])
        self.agrees()

    def send(self, name: str, messages) -> None:
        for _output, (status, note, velocity) in messages:
            if status & 0xF0 == 0x90:
                assert note not in self.on[name]
                self.on[name][note] = velocity
            else:
                del self.on[name][note]  # a stray note-off would raise
            self.sent.append((name, note, velocity))
            limits = self.balance.limits
            assert sum(map(len, self.on.values())) <= limits.notes_at_once
            assert sum(sum(notes.values()) for notes in self.on.values()) <= limits.velocity_sum

    def agrees(self) -> None:
        sounding = [velocity for notes in self.on.values() for velocity in notes.values()]
        assert (self.balance.notes, self.balance.velocity) == (len(sounding), sum(sounding))
        assert self.balance.notes == sum(len(book.sounding) for book in self.books.values())

    def notes(self) -> dict[str, list[int]]:
        return {name: list(notes) for name, notes in self.on.items()}


# --- who gives way ------------------------------------------------------------------------------------------------


def test_who_holds_most_notes_ends_its_oldest_before_the_new_one_begins():
    room = Books(RoomLimits(notes_at_once=4), "a", "b", "c")
    for note in (60, 61, 62):
        room.strike("a", note)
    room.strike("b", 70)
    room.strike("c", 80)
    assert room.sent[-2:] == [("a", 60, 0), ("c", 80, 50)]
    assert room.notes() == {"a": [61, 62], "b": [70], "c": [80]}
    assert [fields["limit"] for _, _, fields in room.logs["a"].named("limit")] == [NOTES]
    assert room.told == [("a", ("p", 60))], "its rules hear of it"


def test_who_holds_most_itself_ends_its_own_oldest():
    room = Books(RoomLimits(notes_at_once=3), "a", "b")
    for note in (60, 61):
        room.strike("a", note)
    room.strike("b", 70)
    room.strike("a", 62)
    assert room.notes() == {"a": [61, 62], "b": [70]}
    assert room.told == [("a", ("p", 60))]


def test_of_two_that_hold_as_many_the_asking_one_gives_way_and_else_the_oldest_note():
    room = Books(RoomLimits(notes_at_once=4), "a", "b", "c")
    for name, note in (("b", 70), ("a", 60), ("a", 61), ("b", 71)):
        room.strike(name, note)
    room.strike("a", 62)
    assert room.notes() == {"a": [61, 62], "b": [70, 71], "c": []}
    room.strike("c", 80)
    assert room.notes() == {"a": [61, 62], "b": [71], "c": [80]}, "70 is the oldest of those of a and b"


def test_the_velocity_sum_takes_as_many_notes_as_it_needs_from_the_loudest():
    room = Books(RoomLimits(velocity_sum=200), "a", "b")
    for note in (60, 61, 62):
        room.strike("a", note, 40)
    room.strike("b", 70, 60)
    room.strike("b", 71, 90)  # 120 and 60 and 90: a gives 60, then b holds more than a or as much
    assert [(name, note) for name, note, velocity in room.sent if not velocity] == [("a", 60), ("a", 61)]
    assert [fields["limit"] for _, _, fields in room.logs["a"].named("limit")] == [VELOCITY, VELOCITY]


def test_a_note_that_alone_is_louder_than_all_may_be_is_softened_and_heard():
    room = Books(RoomLimits(velocity_sum=50), "a", "b")
    room.strike("a", 60, 50)
    room.strike("b", 70, 127)
    assert room.on == {"a": {}, "b": {70: 50}}


def test_striking_again_needs_no_more_room_than_the_difference():
    room = Books(RoomLimits(notes_at_once=2, velocity_sum=100), "a", "b")
    room.strike("a", 60, 50)
    room.strike("b", 70, 50)
    room.strike("b", 70, 50)
    assert room.notes() == {"a": [60], "b": [70]}
    room.strike("b", 70, 51)
    assert room.on == {"a": {}, "b": {70: 51}}


def test_a_seat_that_does_not_give_way_costs_nobody_a_note():
    """Its ledger is another's business; the note is heard, and the next in line is asked."""
    balance = Balance(RoomLimits(notes_at_once=3))
    stubborn = balance.share("stubborn", lambda _now: None)
    for _ in range(2):
        stubborn.began(50)
    given = []
    willing = balance.share("willing", lambda now: (given.append(now), willing.ended(50)))
    willing.began(50)
    asking = balance.share("asking", lambda _now: None)
    assert asking.full(50) == NOTES
    assert asking.make_way(NOTES, 7)
    assert given == [7]
    willing.began(50)
    willing.give_way = lambda _now: None
    assert not asking.make_way(NOTES, 8), "nobody gives way, and it does not ask for ever"


def test_what_a_lost_share_still_says_counts_no_more():
    balance = Balance(RoomLimits())
    old = balance.share("a", lambda _now: None)
    old.began(50)
    new = balance.share("a", lambda _now: None)
    assert (balance.notes, balance.velocity) == (0, 0)
    new.began(20)
    old.ended(50)
    assert (balance.notes, balance.velocity) == (1, 20)
    balance.give_back("a")
    balance.give_back("a")
    assert (balance.notes, balance.velocity) == (0, 0)


def test_without_a_room_there_is_no_limit_of_one():
    book = Ledger(WIDE, Timers(), Observed())
    assert all(book.note_on("p", HERE, NoteOn(note, note, 127), note) for note in range(128))
    assert len(book.sounding) == 128
    assert book.give_way(200) == []


def test_a_seat_that_plays_nothing_has_nothing_to_give_way():
    room = Books(RoomLimits(4, 200), "a", "b")
    room.strike("b", 60)
    assert room.books["a"].give_way(room.now) == []
    assert room.on == {"a": {}, "b": {60: 50}}


# --- fairness -----------------------------------------------------------------------------------------------------

STRIKES = st.lists(
    st.tuples(st.integers(0, 4), st.sampled_from(["on", "on", "on", "off", "stop"]), st.integers(60, 66), st.integers(1, 90)),
    max_size=150,
)  # fmt: skip


@given(STRIKES, st.integers(1, 12), st.integers(1, 700))
def test_every_effort_is_heard_whatever_the_others_do(strikes, at_once, velocity_sum):
    names = "abcde"
    room = Books(RoomLimits(at_once, velocity_sum), *names)
    for seat, what, note, velocity in strikes:
        name = names[seat]
        if what == "on":
            room.strike(name, note, velocity)
            assert room.sent[-1][:2] == (name, note)
            assert room.on[name][note] == min(velocity, velocity_sum)
        elif what == "off":
            room.end(name, note)
        else:
            room.stop(name)
    for name in names:
        room.stop(name)
    assert (room.balance.notes, room.balance.velocity) == (0, 0)


@given(STRIKES)
def test_nobodys_only_note_is_taken_by_another_where_the_limit_is_wide_enough(strikes):
    """As many notes as seats, or (seats + 1) times the loudest: the argument stands in the module."""
    names = "abcde"
    for limits in (RoomLimits(len(names), 10**6), RoomLimits(10**6, (len(names) + 1) * 90)):
        room = Books(limits, *names)
        for seat, what, note, velocity in strikes:
            name = names[seat]
            before = room.notes()
            if what == "on":
                room.strike(name, note, velocity)
            elif what == "off":
                room.end(name, note)
            for other in names:
                if other != name and before[other]:
                    assert room.on[other], "its only note was taken"


def test_a_seat_that_plays_without_end_does_not_silence_a_slow_one():
    room = Books(RoomLimits(notes_at_once=4), "fast", "slow")
    heard = 0
    for turn in range(200):
        if turn % 10 == 0:
            room.end("slow", 40)
            room.strike("slow", 40)
        room.strike("fast", 60 + turn % 12)
        heard += 40 in room.on["slow"]
    assert heard == 200


def test_the_softest_seat_is_heard_beside_the_loudest():
    room = Books(RoomLimits(velocity_sum=270), "loud", "soft")
    room.strike("soft", 40, 5)
    for note in range(60, 80):
        room.strike("loud", note, 127)
    assert room.on["soft"] == {40: 5}
    assert room.on["loud"] == {78: 127, 79: 127}


# --- through engines ----------------------------------------------------------------------------------------------


class Players:
    """Engines that share a room; what they send, in the order in which it is sent."""

    def __init__(self, limits: RoomLimits, *names: str, rules: tuple[tuple[str, dict], ...]) -> None:
        self.balance = Balance(limits)
        self.sent: list[tuple[str, tuple[int, ...]]] = []
        self.log = {name: Observed() for name in names}
        self.rules = tuple(plan_rule(RULES[name], written) for name, written in rules)
        self.engines = {name: self._engine(name) for name in names}

    def _engine(self, name: str) -> Engine:
        part = PartPlan("tune", ("pad",), self.rules, HERE)
        inputs = {"pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm)}
        share = self.balance.share(name, lambda now: self.send(name, self.engines[name].give_way(now)))
        engine = Engine(Plan(Music(), Limits(), inputs, (part,)), self.log[name], share)
        engine.start(0)
        return engine

    def send(self, name: str, messages) -> None:
        self.sent += [(name, message.data) for message in messages]

    def press(self, name: str, now: int, *, down: bool = True) -> None:
        self.send(name, self.engines[name].handle(SwitchSample("pad", down), now * MILLISECOND))

    def wake(self, until: int) -> None:
        for name, engine in self.engines.items():
            while (due := engine.next_deadline()) is not None and due <= until * MILLISECOND:
                self.send(name, engine.wake(due))


def test_a_latch_that_gave_way_is_off_so_the_next_press_is_heard():
    room = Players(RoomLimits(notes_at_once=1), "a", "b", rules=(("latch", {}), ("note", {"degree": 1})))
    room.press("a", 10)
    room.press("a", 100, down=False)
    room.press("b", 200)
    assert [(name, data[0]) for name, data in room.sent] == [("a", 0x90), ("a", 0x80), ("b", 0x90)]
    room.wake(300)
    room.press("a", 400)
    assert room.sent[-1][0] == "a"
    assert room.sent[-1][1][0] == 0x90, "it was not spent on switching off"
    assert room.engines["a"].sounding
    assert not room.engines["b"].sounding


def test_the_asking_seats_own_latch_that_gave_way_is_off_too():
    """Two latches of one child: the older one ends for the newer, and its next press begins it anew."""
    balance = Balance(RoomLimits(notes_at_once=1))
    latch = (plan_rule(RULES["latch"], {}), plan_rule(RULES["note"], {"degree": 1}))
    parts = tuple(
        PartPlan(f"part {pad}", (pad,), latch, Route("out", channel)) for channel, pad in ((1, "x"), (2, "y"))
    )
    inputs = {
        "x": lambda voice, alarm: SwitchConditioner("x", SwitchSettings(), voice, alarm),
        "y": lambda voice, alarm: SwitchConditioner("y", SwitchSettings(), voice, alarm),
    }
    engine = Engine(Plan(Music(), Limits(), inputs, parts), None, balance.share("a", lambda _now: None))
    engine.start(0)
    sounding = []
    for time, pad in enumerate(("x", "y", "x")):
        engine.handle(SwitchSample(pad, True), time * NANOSECONDS)
        engine.handle(SwitchSample(pad, False), time * NANOSECONDS + NANOSECONDS // 2)
        sounding.append([channel for _, channel, _ in engine.sounding])
    assert sounding == [[1], [2], [1]]
    assert engine.next_deadline() is not None
    engine.stop(10 * NANOSECONDS)
    assert engine.next_deadline() is None
    assert (balance.notes, balance.velocity) == (0, 0)


def test_stopping_before_the_rules_were_told_leaves_nobody_waiting():
    room = Players(RoomLimits(notes_at_once=1), "a", "b", rules=(("latch", {}), ("note", {"degree": 1})))
    room.press("a", 10)
    room.press("b", 20)
    assert room.engines["a"].next_deadline() == 20 * MILLISECOND
    room.engines["a"].stop(20 * MILLISECOND)
    assert room.engines["a"].next_deadline() is None


def test_an_engine_without_a_share_plays_as_before():
    alone = Players(RoomLimits(), "a", rules=(("note", {"degree": 1}),))
    alone.press("a", 10)
    plain = Engine(alone.engines["a"]._plan)
    plain.start(0)
    assert [message.data for message in plain.handle(SwitchSample("pad", True), 10 * MILLISECOND)] == [
        data for _, data in alone.sent
    ]
    assert plain.give_way(20 * MILLISECOND) == []


@pytest.mark.parametrize("seats", [2, 16])
def test_nobody_is_asked_below_the_limit(seats, monkeypatch):
    """What a note costs does not depend on how many play: at the limit alone the seats are gone through."""
    names = [f"seat {number}" for number in range(seats)]
    room = Books(RoomLimits(notes_at_once=seats, velocity_sum=10**6), *names)
    asked = []
    monkeypatch.setattr(Balance, "make_way", lambda *_: asked.append(1) or False)
    for name in names:
        room.strike(name, 60)
        room.strike(name, 60)
    assert not asked
    assert [len(notes) for notes in room.on.values()] == [1] * seats
    share = room.balance.share("another", lambda _now: None)
    assert share.full(1) == NOTES
    assert not share.make_way(NOTES, room.now)
    assert asked
