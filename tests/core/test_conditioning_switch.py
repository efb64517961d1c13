"""Switches beyond bounce: release time, lock-out, stuck and inverted switches, double and long presses.

Times are milliseconds. The cases B1 to B4 and R1 follow from the bounce-keys and repeat-keys filters of the X server
(xkb/xkbAccessX.c); where ours differs, the case says so and why.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Plan
from router.core.events import Found, Lost, SwitchSample
from router.core.ledger import Limits
from router.core.music import Music
from router.testing import MILLISECOND, VirtualTime

ALL = frozenset({"pad.double", "pad.long"})


def switch(*names: str, sources: frozenset[str] = frozenset(), **settings) -> VirtualTime:
    """Switches on virtual time; settings in milliseconds, or yes and no."""
    chosen = SwitchSettings(sources=sources)
    for key, value in settings.items():
        chosen = replace(chosen, **{key: value if isinstance(value, bool) else value * MILLISECOND})

    def make(name):
        return lambda voice, alarm: SwitchConditioner(name, chosen, voice, alarm)

    return VirtualTime(Plan(Music(), Limits(), {name: make(name) for name in names or ("pad",)}, ()))


def press(played: VirtualTime, *holds: tuple[float, float], name: str = "pad") -> None:
    for down, up in holds:
        played.give(round(down * MILLISECOND), SwitchSample(name, True))
        played.give(round(up * MILLISECOND), SwitchSample(name, False))


def heard(played: VirtualTime, until: float = 10_000) -> list[tuple[float, str, str]]:
    """Presses and releases: when, which, of what."""
    played.go_on(round(until * MILLISECOND))
    return [(t / MILLISECOND, event, f["input"]) for t, event, f in played.log.named("press", "release")]


def presses(played: VirtualTime, until: float = 10_000) -> list[float]:
    return [when for when, event, _ in heard(played, until) if event == "press"]


# --- lock-out -----------------------------------------------------------------------------------------------------


def test_b1_a_press_too_soon_is_refused_and_so_is_its_release():
    played = switch(lockout=300)
    press(played, (0, 100), (350, 380))
    assert heard(played) == [(0, "press", "pad"), (100, "release", "pad")]
    assert [(t / MILLISECOND, f) for t, _, f in played.log.named("reject")] == [
        (350, {"input": "pad", "by": "lockout"})
    ]


def test_b2_a_press_after_the_time_counts():
    played = switch(lockout=300)
    press(played, (0, 100), (401, 450))
    assert presses(played) == [0, 401]


def test_b3_the_time_runs_from_the_last_release_that_counted():
    """The X server counts from any release: the press at 500 would be refused,
    and trembling would lock out for ever.
    """
    played = switch(lockout=300)
    press(played, (0, 100), (350, 380), (500, 550), (860, 900))
    assert presses(played) == [0, 500, 860]


def test_trembling_never_locks_out():
    played = switch(lockout=300)
    press(played, *((at, at + 60) for at in range(0, 10_000, 120)))
    assert len(presses(played, 11_000)) == pytest.approx(10_000 / 360, abs=1)  # 60 held, 300 locked, then the next edge


def test_b4_each_switch_has_a_lock_out_of_its_own():
    played = switch("a", "b", lockout=300)
    press(played, (0, 100), name="a")
    press(played, (150, 200), name="b")
    press(played, (250, 300), name="a")
    assert heard(played) == [
        (0, "press", "a"),
        (100, "release", "a"),
        (150, "press", "b"),
        (200, "release", "b"),
    ]


def test_double_strike_delay_can_be_half_a_second_and_more():
    """EN 301 549 clause 5.8: adjustable to at least 0.5 s; refused inside it, accepted after it."""
    played = switch(lockout=500)
    press(played, (0, 100), (599, 650), (1150, 1200))
    assert presses(played) == [0, 1150]


def test_r1_holding_repeats_nothing():
    """EN 301 549 clause 5.7 asks that key repeat can be turned off; here it never is on."""
    played = switch()
    played.give(0, SwitchSample("pad", True))
    for repeat in range(660, 1000, 40):  # the X server's defaults
        played.give(repeat * MILLISECOND, SwitchSample("pad", True))
    played.give(1000 * MILLISECOND, SwitchSample("pad", False))
    assert heard(played) == [(0, "press", "pad"), (1000, "release", "pad")]


# --- acceptance and release ---------------------------------------------------------------------------------------


def test_a_press_too_short_is_told_as_rejected():
    played = switch(accept=300)
    press(played, (0, 299))
    assert heard(played) == []
    assert [(t / MILLISECOND, f) for t, _, f in played.log.named("reject")] == [(299, {"input": "pad", "by": "accept"})]


def test_a_hand_that_shakes_off_for_a_moment_goes_on_with_its_press():
    played = switch(release=120)
    press(played, (0, 400), (450, 800), (910, 1500))
    assert heard(played) == [(0, "press", "pad"), (1620, "release", "pad")]


def test_a_release_that_lasts_counts_after_its_time():
    played = switch(release=120)
    press(played, (0, 400), (530, 800))
    assert heard(played) == [
        (0, "press", "pad"),
        (520, "release", "pad"),
        (530, "press", "pad"),
        (920, "release", "pad"),
    ]


def test_lock_out_begins_when_the_release_counts():
    played = switch(release=100, lockout=200)
    press(played, (0, 300), (590, 620), (610, 700))
    assert presses(played) == [0, 610]


# --- stuck, inverted ----------------------------------------------------------------------------------------------


def test_a_stuck_switch_is_let_go_said_and_heard_again_once_it_opens():
    played = switch(longest=5000)
    played.give(0, SwitchSample("pad", True))
    played.go_on(20_000 * MILLISECOND)
    assert heard(played, 20_000) == [(0, "press", "pad"), (5000, "release", "pad")]
    ((when, _, fields),) = played.log.named("fault")
    assert (when / MILLISECOND, fields["input"]) == (5000, "pad")
    assert "stuck" in fields["error"]
    played.give(21_000 * MILLISECOND, SwitchSample("pad", False))
    press(played, (22_000, 22_100))
    assert presses(played, 30_000) == [0, 22_000]


def test_an_inverted_switch():
    played = switch(inverted=True)
    played.give(0, SwitchSample("pad", True))
    played.give(1000 * MILLISECOND, SwitchSample("pad", False))
    played.give(1500 * MILLISECOND, SwitchSample("pad", True))
    assert heard(played) == [(1000, "press", "pad"), (1500, "release", "pad")]


def test_an_inverted_switch_that_is_lost_and_found_is_not_pressed():
    played = switch(inverted=True)
    played.give(0, SwitchSample("pad", False))
    played.give(500 * MILLISECOND, Lost("pad"))
    played.give(900 * MILLISECOND, Found("pad"))
    played.give(1000 * MILLISECOND, SwitchSample("pad", True))
    assert heard(played) == [(0, "press", "pad"), (500, "release", "pad")]


# --- double and long ----------------------------------------------------------------------------------------------


def test_double_and_long_come_beside_the_plain_press_and_delay_nothing():
    played = switch(sources=ALL)
    press(played, (0, 100), (300, 400))
    press(played, (2000, 3500))
    assert heard(played) == [
        (0, "press", "pad"),
        (100, "release", "pad"),
        (300, "press", "pad"),
        (300, "press", "pad.double"),
        (400, "release", "pad"),
        (400, "release", "pad.double"),
        (2000, "press", "pad"),
        (3000, "press", "pad.long"),
        (3500, "release", "pad"),
        (3500, "release", "pad.long"),
    ]


def test_three_quick_presses_are_one_double_and_one_more():
    played = switch(sources=ALL)
    press(played, (0, 100), (300, 400), (600, 700))
    assert [source for _, event, source in heard(played) if event == "press"] == ["pad", "pad", "pad.double", "pad"]


def test_nobody_listens_and_nothing_is_told():
    played = switch()
    press(played, (0, 100), (300, 400), (2000, 3500))
    assert {source for _, _, source in heard(played)} == {"pad"}


def test_told_apart_a_single_press_waits_and_keeps_its_length():
    played = switch(sources=ALL, exclusive=True)
    press(played, (0, 250))
    assert heard(played) == [(650, "press", "pad"), (900, "release", "pad")]


def test_told_apart_a_double_press_is_nothing_else():
    played = switch(sources=ALL, exclusive=True)
    press(played, (0, 100), (300, 2500))
    assert heard(played) == [(300, "press", "pad.double"), (2500, "release", "pad.double")]


def test_told_apart_a_long_press_is_nothing_else():
    played = switch(sources=ALL, exclusive=True)
    press(played, (0, 1700))
    assert heard(played) == [(1000, "press", "pad.long"), (1700, "release", "pad.long")]


def test_told_apart_from_long_only_a_single_press_waits_for_its_release():
    played = switch(sources=frozenset({"pad.long"}), exclusive=True)
    press(played, (0, 250))
    assert heard(played) == [(250, "press", "pad"), (500, "release", "pad")]


# --- many presses -------------------------------------------------------------------------------------------------


def test_a_thousand_presses_with_bounce_and_tremor_are_a_thousand():
    """Contact bounce of 1 to 20 ms at every edge, and a hand that shakes off for up to 60 ms while it holds."""
    random, at = Random(5), 0.0
    played = switch(debounce=30, release=80, lockout=120)
    for _ in range(1000):
        at += random.uniform(400, 900)
        held = random.uniform(250, 700)
        shake = at + random.uniform(80, 120)
        for edge, closed in ((at, True), (shake, False), (shake + random.uniform(30, 60), True), (at + held, False)):
            bounce, until = edge, edge + random.uniform(1, 20)
            while bounce < until:
                played.give(round(bounce * MILLISECOND), SwitchSample("pad", closed))
                played.give(round((bounce + 0.3) * MILLISECOND), SwitchSample("pad", not closed))
                bounce += random.uniform(0.5, 3)
            played.give(round(bounce * MILLISECOND), SwitchSample("pad", closed))
        at += held
    assert len(presses(played, at + 1000)) == 1000


def test_a_press_that_ended_in_time_is_not_called_stuck_later():
    played = switch(longest=5000)
    press(played, (100, 600), (2000, 6900))
    assert heard(played, 20_000)[-1] == (6900, "release", "pad")
    assert played.log.named("fault") == []
    assert played.engine.next_deadline() is None


@given(
    edges=st.lists(st.tuples(st.integers(0, 700), st.booleans(), st.sampled_from("aaaaaaalf")), max_size=50),
    debounce=st.sampled_from([0, 30]),
    accept=st.sampled_from([0, 80]),
    release=st.sampled_from([0, 100]),
    lockout=st.sampled_from([0, 250]),
    longest=st.sampled_from([0, 1500]),
    exclusive=st.booleans(),
    inverted=st.booleans(),
)
def test_whatever_comes_presses_and_releases_alternate_and_end(edges, **settings):
    played, now = switch(sources=ALL, **settings), 0
    for later, contact, what in edges:
        now += later
        sample = {"a": SwitchSample("pad", contact), "l": Lost("pad"), "f": Found("pad")}[what]
        played.give(now * MILLISECOND, sample)
    played.give((now + 1) * MILLISECOND, Lost("pad"))
    told = heard(played, now + 20_000)
    for source in ("pad", "pad.double", "pad.long"):
        events = [event for _, event, name in told if name == source]
        assert events == ["press", "release"] * (len(events) // 2)
    assert played.engine.next_deadline() is None
