"""The heap of deadlines against the plainest model there is: a dict."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.timers import Alarm, Timers, earliest

OPERATIONS = st.lists(
    st.tuples(st.sampled_from(["set", "cancel", "hand over", "pop"]), st.integers(0, 5), st.integers(0, 20)),
    max_size=400,
)


@given(OPERATIONS)
def test_against_a_dict(operations):
    timers, model, order = Timers(), {}, 0
    for what, key, when in operations:
        if what == "set":
            order += 1
            timers.set(key, when)
            model[key] = (when, order)
        elif what == "cancel":
            timers.cancel(key)
            model.pop(key, None)
        elif what == "hand over":
            to = when % 6
            timers.hand_over(key, to)
            handed = model.pop(key, None)
            model.pop(to, None)
            if handed is not None:
                model[to] = handed
        else:
            due = min((k for k in model if model[k][0] <= when), key=model.get, default=None)
            assert timers.pop(when) == due
            model.pop(due, None)
        assert len(timers) == len(model)
        assert timers.next() == min((w for w, _ in model.values()), default=None)


def test_equal_deadlines_come_in_the_order_in_which_they_were_set():
    timers = Timers()
    for key in "cab":
        timers.set(key, 5)
    timers.set("c", 5)  # set again: now the last
    assert [timers.pop(5) for _ in range(4)] == ["a", "b", "c", None]


def test_nothing_is_due_before_its_time():
    timers = Timers()
    timers.set("a", 10)
    assert timers.pop(9) is None
    assert timers.pop(10) == "a"
    assert timers.next() is None


def test_a_deadline_that_is_moved_for_ever_takes_no_more_room():
    timers = Timers()
    timers.set("still", 10**9)
    for when in range(10_000):
        timers.set("moved", when)
    assert len(timers._heap) < 100
    assert timers.pop(10**9) == "moved"
    assert timers.pop(10**9) == "still"


def test_an_alarm_belongs_to_its_owner():
    timers = Timers()
    one, two = Alarm(timers, 1), Alarm(timers, 2)
    one.at(5, "tag")
    two.at(5, "tag")
    one.at(6)
    one.cancel("tag")
    two.cancel("unknown")
    assert [timers.pop(9) for _ in range(3)] == [(2, "tag"), (1, None), None]


@pytest.mark.parametrize(
    ("times", "first"),
    [([], None), ([None, None], None), ([7], 7), ([None, 7, None, 3, 5], 3), ([0, None, 1], 0), ([-1, 0], -1)],
)
def test_the_earliest_of_deadlines_that_may_not_be_wanted(times, first):
    assert earliest(iter(times)) == first
