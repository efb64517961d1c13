"""Reminders: in the order of rank, then time, then setting; each at most once a pass; none is lost."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.system import agenda as agenda_module
from router.system.agenda import AFTER_A_FAULT, AT_ONCE, LONGEST_REST, Agenda, Rank


class Rung:
    """What rang, in order, and the faults."""

    def __init__(self):
        self.rang, self.faults = [], []
        self.agenda = Agenda(self.faults.append)

    def make(self, name, rank=Rank.REST, then=lambda _now: None):
        def call(now):
            self.rang.append(name)
            then(now)

        return self.agenda.reminder(call, rank)

    def ring(self, now):
        self.rang.clear()
        self.agenda.ring(now)
        return list(self.rang)


@pytest.fixture
def all_():
    return Rung()


def test_the_music_comes_first_then_the_earlier_then_what_was_set_first(all_):
    for name, rank, at in (
        ("page", Rank.REST, 1),
        ("second seat", Rank.SEAT, 5),
        ("first seat", Rank.SEAT, 3),
        ("third seat", Rank.SEAT, 5),
        ("room", Rank.ROOM, 9),
        ("later", Rank.ROOM, 11),
    ):
        all_.make(name, rank).set(at)
    assert all_.agenda.next() == 1
    assert all_.ring(10) == ["room", "first seat", "second seat", "third seat", "page"]
    assert all_.agenda.next() == 11


def test_what_is_not_due_is_not_called(all_):
    all_.make("early").set(10)
    assert all_.ring(9) == []
    assert all_.ring(10) == ["early"]
    assert all_.ring(11) == []
    assert all_.agenda.next() is None


def test_setting_again_moves_it_and_clearing_ends_it(all_):
    moved, cleared = all_.make("moved"), all_.make("cleared")
    moved.set(5)
    cleared.set(5)
    moved.set(20)
    cleared.clear()
    assert (all_.agenda.next(), moved.at, cleared.at) == (20, 20, None)
    assert all_.ring(10) == []
    moved.soon()
    moved.set(30)
    assert all_.ring(20) == []
    assert all_.ring(30) == ["moved"]


def test_what_a_call_asks_for_rings_in_the_same_pass_but_nothing_rings_twice_in_one(all_):
    seat = all_.make("seat", Rank.SEAT, lambda _now: seat.soon())  # as one that is in a flood
    room = all_.make("room", Rank.ROOM, lambda _now: seat.soon())
    page = all_.make("page", Rank.REST, lambda _now: room.soon())
    room.soon()
    page.soon()
    assert all_.ring(1) == ["room", "seat", "page"]
    assert all_.agenda.next() == AT_ONCE
    assert all_.ring(2) == ["room", "seat"]
    assert all_.ring(3) == ["seat"]


def test_a_pass_may_go_on_at_a_later_time(all_):
    """As after a tick of our clock that was waited for: what the children play on that beat is due, too."""
    all_.make("tick", Rank.CLOCK, lambda _now: all_.agenda.later(10)).set(8)
    heard = []
    seat = all_.agenda.reminder(heard.append, Rank.SEAT)
    seat.set(10)
    assert all_.ring(8) == ["tick"]
    assert heard == [10]


def test_a_call_that_raises_costs_itself_only_and_comes_again_after_ever_longer_rests(all_):
    def bad(_now):
        raise ValueError("bad")

    broken, good = all_.make("broken", Rank.SEAT, bad), all_.make("good", Rank.SEAT)
    broken.set(1)
    good.set(1)
    assert all_.ring(1) == ["broken", "good"]
    rests, now = [], 1
    for _ in range(12):
        rests.append(broken.at - now)
        now = broken.at
        assert all_.ring(now) == ["broken"]
    assert rests[:3] == [AFTER_A_FAULT, 2 * AFTER_A_FAULT, 4 * AFTER_A_FAULT]
    assert rests[-1] == LONGEST_REST
    assert len(all_.faults) == 13
    broken.call = lambda _now: None
    all_.ring(broken.at)
    assert broken.at is None


def test_for_want_of_memory_no_reminder_is_lost(all_, monkeypatch):
    def short(*_):
        raise MemoryError

    late, soon = all_.make("late"), all_.make("soon")
    with monkeypatch.context() as patch:
        patch.setattr(agenda_module.heapq, "heappush", short)
        late.set(10)
        soon.soon()
        assert all_.agenda.next() == AT_ONCE  # until there is some
        assert all_.ring(1) == ["soon"]
        assert all_.agenda.next() == AT_ONCE
    assert all_.agenda.next() == 10
    assert all_.ring(10) == ["late"]


@given(
    st.lists(st.tuples(st.sampled_from(["set", "soon", "clear", "ring"]), st.integers(0, 9), st.integers(0, 50))),
)
def test_it_does_what_the_simplest_model_does(steps):
    """Against a dict of what is set: what is due rings, once, in order; ``next`` is its earliest."""
    rung = Rung()
    reminders = [rung.make(number, Rank(number % len(Rank))) for number in range(10)]
    model: dict[int, tuple[int, int]] = {}
    now = 0
    for order, (step, number, at) in enumerate(steps):
        if step == "set":
            if model.get(number, (-1, 0))[0] != now + at + 1:
                model[number] = (now + at + 1, order)
            reminders[number].set(now + at + 1)
        elif step == "soon":
            if model.get(number, (-1, 0))[0] != AT_ONCE:
                model[number] = (AT_ONCE, order)
            reminders[number].soon()
        elif step == "clear":
            model.pop(number, None)
            reminders[number].clear()
        else:
            now += at
            due = [name for name, (when, _) in model.items() if when <= now]
            assert sorted(rung.ring(now)) == sorted(due)
            assert [name % len(Rank) for name in rung.rang] == sorted(name % len(Rank) for name in due)
            for name in due:
                del model[name]
    assert {number: reminder.at for number, reminder in enumerate(reminders) if reminder.at is not None} == {
        number: when for number, (when, _) in model.items()
    }
    earliest = min((when for when, _ in model.values()), default=None)
    assert rung.agenda.next() in (earliest, AT_ONCE)  # what was cleared may cost a pass in which nothing rings
