"""Channels of seats: own ones, free ones, shared ones;
that nothing of a profile falls together, and that a stop cuts nobody else.
"""

from __future__ import annotations

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.engine import PartPlan, Plan
from router.core.events import Route
from router.core.ledger import Limits
from router.core.midi import DRUM_CHANNEL
from router.core.music import Music
from router.devices.descriptions import Instrument, MidiPort
from router.live import channels
from router.live.channels import CHANNELS, Taken, assign, may_be_same, shared, used

SYNTH = MidiPort("*Synth*")


def plan(*routes: tuple[str, int]) -> Plan:
    parts = tuple(PartPlan(f"part {n}", ("pad",), (), Route(*route)) for n, route in enumerate(routes))
    return Plan(Music(), Limits(), {}, parts)


def on(*numbers: int) -> Plan:
    return plan(*(("synth", number) for number in numbers))


def channels_of(assigned) -> list[int]:
    return [part.route.channel for part in assigned.plan.parts]


def taken(*numbers: int, device=SYNTH, whose: str = 'seat "door"') -> list[Taken]:
    return [Taken(device, number, whose) for number in numbers]


def test_the_example_of_the_module():
    assert doctest.testmod(channels).failed == 0
    assert doctest.testmod(channels).attempted > 5


# --- where nothing is said ----------------------------------------------------------------------------------------


def test_alone_everything_stays_as_in_the_profile():
    here = on(3, 1, 16, 10, 1)
    assert assign(here, {"synth": SYNTH}).plan == here


def test_what_another_plays_on_moves_to_the_lowest_free_one_and_the_rest_stays():
    got = assign(on(1, 2, 4, 1), {"synth": SYNTH}, taken=taken(1, 3))
    assert channels_of(got) == [5, 2, 4, 5]
    assert got.moved == {Route("synth", 1): Route("synth", 5)}
    assert got.warnings == ()


def test_drums_stay_drums_and_nothing_else_gets_there():
    got = assign(on(10, 9), {"synth": SYNTH}, taken=taken(10, 9, *range(1, 9), 11))
    assert channels_of(got) == [10, 12]
    got = assign(on(10, 9), {"synth": SYNTH}, own=[10, 4])
    assert channels_of(got) == [10, 4]


def test_where_none_is_free_it_is_shared_and_that_is_said():
    got = assign(on(7), {"synth": SYNTH}, taken=taken(*range(1, 17)) + taken(7, whose="the keyboard"))
    assert channels_of(got) == [7]
    assert got.warnings == (
        'channel 7 of output "synth" is shared with seat "door" and the keyboard: one sound and one volume for both',
    )


def test_channels_of_another_output_are_nobodys_concern():
    assert channels_of(assign(on(1), {"synth": SYNTH}, taken=taken(1, device=MidiPort("*Piano*")))) == [1]
    assert channels_of(assign(on(1), {"synth": Instrument()}, taken=taken(1))) == [1]
    assert channels_of(assign(on(1), {"synth": Instrument()}, taken=taken(1, device=Instrument()))) == [2]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (MidiPort("*Synth*"), MidiPort("*synth*"), True),
        (MidiPort("*"), MidiPort("Piano"), True),
        (MidiPort("Grand Piano"), MidiPort("*piano"), True),
        (MidiPort("[abc]*"), MidiPort("[abc]*"), True),
        (MidiPort("A"), MidiPort("A", active_sensing=True), True),
        (MidiPort("Left"), MidiPort("Right"), False),
        (MidiPort("*"), Instrument(), False),
        (Instrument(), Instrument(gain=0.5), False),
    ],
)
def test_what_may_be_the_same_output(one, other, same):
    assert may_be_same(one, other) is may_be_same(other, one) is same


def test_a_channel_that_the_configuration_gives_to_another_seat_is_left_alone():
    """It may play there tomorrow, and nothing that plays is moved then."""
    assert channels_of(assign(on(1, 2), {"synth": SYNTH}, reserved=[1, 3])) == [4, 2]


def test_two_outputs_that_may_be_one_port_do_not_fall_together():
    outputs = {"a": MidiPort("*Synth*"), "b": MidiPort("*"), "c": MidiPort("Piano")}
    got = assign(plan(("a", 1), ("b", 2), ("c", 1), ("b", 1)), outputs, taken=taken(1, device=MidiPort("Big Synth")))
    assert channels_of(got) == [3, 2, 1, 3]


# --- a seat with channels of its own ------------------------------------------------------------------------------


def test_the_channels_of_a_profile_go_onto_those_of_the_seat_from_the_lowest():
    got = assign(on(7, 2, 10, 7), {"synth": SYNTH}, own=[5, 6], taken=taken(1, 2, 3))
    assert channels_of(got) == [6, 5, 10, 6]
    assert got.warnings == ()


def test_too_few_of_them_is_said_and_the_rest_goes_where_it_is_free():
    got = assign(on(1, 2, 3, 5), {"synth": SYNTH}, own=[5, 6], taken=taken(3))
    assert channels_of(got) == [5, 6, 1, 2]
    (warning,) = got.warnings
    assert warning.startswith("the profile plays on channels 1, 2, 3, 5 and the seat has 2 of its own (5, 6):")
    assert warning.endswith(": channel 3 is played on 1, channel 5 is played on 2")


def test_an_own_channel_that_another_plays_on_is_kept_and_said():
    got = assign(on(1), {"synth": SYNTH}, own=[4], taken=taken(4, whose="the keyboard"))
    assert channels_of(got) == [4]
    assert got.warnings == (
        'channel 4 of output "synth" is shared with the keyboard: one sound and one volume for both',
    )


def test_where_all_are_taken_two_parts_of_one_profile_still_do_not_fall_together():
    """Found by chance: parts on 1, 2, 3 and 16 at a seat with the channels 1 and 16, beside five
    that hold all fifteen.
    """
    got = assign(on(1, 2, 3, 16), {"synth": SYNTH}, own=[1, 16], taken=taken(*CHANNELS))
    assert channels_of(got) == [1, 16, 3, 2]
    assert [warning[: warning.index(" ", 8)] for warning in got.warnings] == [
        "channel 1",
        "channel 16",
        "channel 3",
        "channel 2",
        "the profile",
    ]
    assert got.warnings[3] == (
        'channel 2 of output "synth" is shared with seat "door": one sound and one volume for both'
    )


def test_a_part_of_ours_is_shared_with_only_where_no_channel_is_left():
    outputs = {"a": MidiPort("*Synth*"), "b": MidiPort("*")}
    crowded = plan(*(("a", number) for number in CHANNELS), ("b", 2))
    piano = taken(2, device=MidiPort("Piano"), whose='seat "window"')  # which b may mean, and a does not
    got = assign(crowded, outputs, taken=piano)
    assert channels_of(got) == [*CHANNELS, 2], "with its namesake, as in the profile"
    got = assign(crowded, outputs, own=[3], taken=piano)  # sixteen that may be on one port, each by itself
    assert len(set(channels_of(got))) == 15
    assert [warning for warning in got.warnings if "another part of this profile" in warning] == [
        'channel 16 of output "a" is shared with another part of this profile: one sound and one volume for both',
    ]


# --- whatever the room ----------------------------------------------------------------------------------------------

PORTS = st.sampled_from([MidiPort("*"), MidiPort("*Synth*"), MidiPort("Big Synth"), MidiPort("Piano"), Instrument()])
PROFILES = st.tuples(
    st.lists(st.tuples(st.sampled_from("ab"), st.integers(1, 16)), min_size=1, max_size=6),
    st.fixed_dictionaries({"a": PORTS, "b": PORTS}),
    st.lists(st.integers(1, 16), max_size=4, unique=True),
)


@given(st.lists(PROFILES, min_size=1, max_size=6))
def test_seats_that_come_one_after_another_get_in_nobodys_way(profiles):
    """Each assigned beside those that play: no two on one channel of what may be one port, unless a warning says so."""
    seats: dict[str, tuple[Plan, dict]] = {}
    others: list[Taken] = []
    warned = False
    for number, (routes, outputs, own) in enumerate(profiles):
        wanted = plan(*routes)
        got = assign(wanted, outputs, own, others)
        warned |= bool(got.warnings)
        before = [part.route for part in wanted.parts]
        after = [part.route for part in got.plan.parts]
        for old, new in zip(before, after, strict=True):
            assert old.output == new.output
            assert (old.channel == DRUM_CHANNEL) == (new.channel == DRUM_CHANNEL)
            assert new == got.moved.get(old, old)
            clash = any(one.channel == new.channel and may_be_same(one.device, outputs[new.output]) for one in others)
            assert not clash or new.channel == DRUM_CHANNEL or got.warnings
        for old, new in zip(before, after, strict=True):
            for old2, new2 in zip(before, after, strict=True):
                if may_be_same(outputs[old.output], outputs[old2.output]):
                    assert old.channel == old2.channel or new.channel != new2.channel, "two parts fell together"
        assert replace_routes(got.plan) == replace_routes(wanted), "only channels change"
        again = assign(wanted, outputs, own, others)
        assert again == got
        seats[f"seat {number}"] = (got.plan, outputs)
        others += used(got.plan, outputs, f"seat {number}")
    found = shared(seats)
    if not warned:
        assert all(route.channel == DRUM_CHANNEL for routes in found.values() for route in routes)
    for name, routes in found.items():
        mine, outputs = seats[name]
        for route in {part.route for part in mine.parts}:
            heard = [
                other
                for other, (theirs, devices) in seats.items()
                for part in theirs.parts
                if other != name
                and part.route.channel == route.channel
                and may_be_same(devices[part.route.output], outputs[route.output])
            ]
            assert (route in routes) == bool(heard)


def replace_routes(made: Plan) -> list[tuple]:
    return [(part.name, part.sources, part.rules, part.program) for part in made.parts]


@given(st.sets(st.sampled_from(CHANNELS)), st.integers(1, 16).filter(lambda one: one != DRUM_CHANNEL))
def test_the_free_one_is_the_lowest(others, wanted):
    (got,) = channels_of(assign(on(wanted), {"synth": SYNTH}, taken=taken(*others)))
    free = [channel for channel in CHANNELS if channel not in others]
    assert got == (wanted if wanted in free or not free else free[0])


def test_the_keyboard_may_be_what_a_channel_is_shared_with():
    drums = {"window": (on(10, 1), {"synth": SYNTH})}
    assert shared(drums, taken(10, whose="the keyboard")) == {"window": frozenset({Route("synth", 10)})}
    assert shared(drums) == {"window": frozenset()}
