"""The 1-euro filter against published vectors and the authors' package; zones, dwell, and heads that tremble."""

from __future__ import annotations

import math
from random import Random

import OneEuroFilter
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from router.core.conditioning.pointer import DROPOUT, OneEuro, PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Plan
from router.core.events import Found, Level, Lost, PointerSample, SwitchSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, VirtualTime
from tests.benchmarks import pointer as benchmark

# --- the filter ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cutoff", "period", "alpha"),
    [(1, 0.01, 0.0591173974), (1, 1 / 60, 0.0947930501), (1, 1 / 120, 0.0497547262), (0.5, 0.01, 0.0304590280)],
)
def test_alpha(cutoff, period, alpha):
    """Worked from alpha = 1 / (1 + tau / Te), tau = 1 / (2 pi fc): Casiez, Roussel, Vogel, CHI 2012."""
    assert OneEuro.alpha(cutoff, period) == pytest.approx(alpha, abs=1e-10)


# Vectors run with the authors' package OneEuroFilter 0.2.1 and with a second implementation; start at 1 s.
VECTORS = {
    "A": (
        100,
        1.0,
        0.0,
        [0, 1, 1, 1, 1, 1],
        [0, 0.059117397442, 0.114739928203, 0.167074199707, 0.216314605282, 0.262644046231],
    ),
    "B": (
        100,
        1.0,
        0.1,
        [0, 1, 1, 1, 1, 1],
        [0, 0.090889594104, 0.196578859780, 0.305797325161, 0.410457991352, 0.505685860780],
    ),
    "C": (
        60,
        1.0,
        0.007,
        [0, 10, 20, 30, 40, 50],
        [0, 1.277131841063, 4.659918515544, 10.732770752077, 19.349442234401, 29.774256209812],
    ),
}


@pytest.mark.parametrize("name", VECTORS)
def test_filter_vectors(name):
    rate, cutoff, beta, values, expected = VECTORS[name]
    smooth = OneEuro(cutoff, beta)
    # Nanoseconds are whole: at 60 Hz the period is rounded by less than 1e-9 of it.
    got = [smooth(value, NANOSECONDS + round(i * NANOSECONDS / rate)) for i, value in enumerate(values)]
    assert got == pytest.approx(expected, abs=1e-6 if rate == 60 else 1e-9)


@given(
    st.floats(0.1, 10),
    st.floats(0, 5),
    st.lists(st.tuples(st.floats(0, 1), st.integers(1, 60)), min_size=1, max_size=80),
)
@example(1.0, 0.007, [(10.0 * i, 8) for i in range(100)])
def test_filter_against_the_authors_package(cutoff, beta, samples):
    """From 1 s on: the package takes a time of exactly 0 for none. Times in 1/512 s, which floats say exactly.

    The example is vector C at 64 a second, to its last digit: 1 s / 60 rounds, 1/64 s does not.
    """
    ours, theirs, now = OneEuro(cutoff, beta), OneEuroFilter.OneEuroFilter(100, cutoff, beta), 512
    for value, later in samples:
        now += later
        expected = theirs(value, now / 512)
        assert ours(value, now * NANOSECONDS // 512) == pytest.approx(expected, abs=1e-9)


def test_time_that_stands_still_changes_nothing():
    smooth = OneEuro(1.0, 0.0)
    assert smooth(0.25, 5) == 0.25
    assert smooth(0.9, 5) == 0.25
    assert smooth(0.9, 4) == 0.25


# --- zones --------------------------------------------------------------------------------------------------------


def head(smooth=None, levels=frozenset(), pointer=None, **grid) -> VirtualTime:
    """A pointer and a switch beside it; everything that is not asked for is off."""
    plain = {"dwell": 200 * MILLISECOND, "hysteresis": 0.1, "grace_time": 0}
    chosen = PointerSettings(ZoneGrid(**{**plain, **grid}), smooth, 0.02, levels, **(pointer or {}))
    make = {
        "head": lambda voice, alarm: PointerConditioner("head", chosen, voice, alarm),
        "pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm),
    }
    return VirtualTime(Plan(Music(), Limits(), make, ()))


def look(played: VirtualTime, *places: tuple[float, float, float]) -> list[tuple[float, str, int | None]]:
    """Places (milliseconds, x, y); what came of them, zones counted from 1 as in the log."""
    for when, x, y in places:
        played.give(round(when * MILLISECOND), PointerSample("head", x, y))
    played.go_on(played.now + 400 * MILLISECOND)
    return [
        (when / MILLISECOND, event, fields.get("zone"))
        for when, event, fields in played.log.named("press", "release")
        if fields["input"] == "head"
    ]


def faults(played: VirtualTime) -> list[tuple[float, str]]:
    return [(when / MILLISECOND, fields["error"]) for when, _, fields in played.log.named("fault")]


def strengths(played: VirtualTime) -> list[float]:
    return [fields["strength"] for _, _, fields in played.log.named("press")]


def test_zones_are_counted_as_one_reads():
    corners = [(0, 0, 0), (1000, 1, 0), (2000, 0, 1), (3000, 1, 1)]
    played = head(columns=3, rows=2)
    assert [zone for _, event, zone in look(played, *corners) if event == "press"] == [1, 3, 4, 6]
    assert ZoneGrid(3, 2).zones == 6


def test_staying_is_a_press_and_leaving_its_release():
    assert look(head(), (0, 0.1, 0.5), (500, 0.9, 0.5)) == [
        (200, "press", 1),
        (500, "release", None),
        (700, "press", 4),
    ]


def test_passing_through_is_no_press():
    places = [(step * 30, step / 20, 0.5) for step in range(20)]
    assert look(head(), *places) == [(680, "press", 4)]  # out of zone 3 and its hysteresis at 0.8, at 480 ms


def test_leaving_and_coming_back_begins_the_dwell_anew():
    assert look(head(), (0, 0.1, 0.5), (150, 0.4, 0.5), (160, 0.1, 0.5)) == [(360, "press", 1)]


def test_no_dwell_is_a_press_at_once():
    assert look(head(dwell=0), (5, 0.1, 0.5))[0] == (5, "press", 1)


@pytest.mark.parametrize("tremor", [2.0, 4.0, 8.0])
def test_tremor_at_a_border_does_not_flutter(tremor):
    """Sines of 2 and 4 Hz, where most head tremors lie (JNNP 42:705, 1979), and 8 Hz,
    within the hysteresis: one press.
    """
    places = [(t * 10, 0.25 + 0.02 * math.sin(2 * math.pi * tremor * t / 100), 0.5) for t in range(1000)]
    assert [event for _, event, _ in look(head(hysteresis=0.1), *places)] == ["press"]
    without = [event for _, event, _ in look(head(hysteresis=0.0, dwell=0), *places)]
    assert len(without) > 10  # the hysteresis is what does it


def test_the_filter_quiets_tremor_larger_than_the_margin():
    """4 Hz through a first-order low-pass of 1 Hz is about a quarter (worked: 0.243)."""
    places = [(t * 10, 0.25 + 0.08 * math.sin(2 * math.pi * 4 * t / 100), 0.5) for t in range(1000)]
    smoothed = [event for _, event, _ in look(head(smooth=1.0), *places)]
    assert smoothed == ["press"]
    assert len(look(head(dwell=0), *places)) > 10


def test_places_outside_are_at_the_edge_and_no_numbers_are_left_out():
    places = [(0, -3, 9), (10, math.nan, 0.5), (20, 0.5, math.inf), (150, 0, 9)]
    assert look(head(rows=2), *places) == [(200, "press", 5)]


def test_a_lost_pointer_is_released_and_forgotten():
    played = head(smooth=1.0)
    look(played, (0, 0.1, 0.5))
    played.give(NANOSECONDS, Lost("head"))
    played.give(NANOSECONDS + 1, Found("head"))
    assert look(played, (2000, 0.9, 0.5))[1:] == [(1000, "release", None), (2200, "press", 4)]
    played.give(3 * NANOSECONDS, Lost("head"))
    assert played.engine.next_deadline() is None


def test_a_pointer_lost_while_it_dwells_gives_nothing():
    played = head()
    played.give(0, PointerSample("head", 0.1, 0.5))
    played.give(100 * MILLISECOND, Lost("head"))
    assert look(played) == []


def test_levels_follow_the_place():
    chosen = PointerSettings(ZoneGrid(), None, levels=frozenset({"head.y"}))
    made = PointerConditioner("head", chosen, iter(range(9)).__next__, Alarm(Timers(), 0))
    samples = [(0.1, 0.0), (0.2, 0.5), (0.3, 0.5), (0.3, 2.0)]
    heard = [g for now, place in enumerate(samples) for g in made.handle(PointerSample("head", *place), now)]
    assert heard == [Level("head.y", 0.5), Level("head.y", 1.0)]
    assert list(made.lost(9)) == [Level("head.y", 0.0)]
    assert list(made.lost(9)) == []


@given(st.lists(st.tuples(st.integers(0, 300), st.floats(0, 1), st.floats(0, 1)), max_size=50))
def test_presses_and_releases_alternate(steps):
    now, places = 0, []
    for later, x, y in steps:
        now += later
        places.append((now, x, y))
    events = [event for _, event, _ in look(head(columns=2, rows=2, dwell=100 * MILLISECOND), *places)]
    assert events == ["press", "release"] * (len(events) // 2) + ["press"] * (len(events) % 2)
    assert bool(len(events) % 2) == bool(steps)  # the last place is stayed in


def test_a_steady_head_with_noise_is_one_press():
    random = Random(4)
    places = [(t * 10, 0.5 + random.gauss(0, 0.01), 0.4 + random.gauss(0, 0.01)) for t in range(2000)]
    assert [event for _, event, _ in look(head(columns=2, rows=2, smooth=1.0), *places)] == ["press"]


# --- grace time ---------------------------------------------------------------------------------------------------

GRACE_TIME = {"grace_time": 100 * MILLISECOND}


def test_a_short_excursion_does_not_begin_the_dwell_anew():
    assert look(head(**GRACE_TIME), (0, 0.1, 0.5), (150, 0.4, 0.5), (180, 0.1, 0.5)) == [(200, "press", 1)]


def test_a_short_excursion_does_not_end_a_press():
    assert look(head(**GRACE_TIME), (0, 0.1, 0.5), (300, 0.4, 0.5), (399, 0.1, 0.5)) == [(200, "press", 1)]


def test_a_dwell_that_is_over_during_an_excursion_plays_on_coming_back():
    assert look(head(**GRACE_TIME), (0, 0.1, 0.5), (190, 0.4, 0.5), (240, 0.1, 0.5)) == [(240, "press", 1)]


def test_a_dwell_that_is_over_during_leaving_plays_nothing():
    assert look(head(**GRACE_TIME), (0, 0.1, 0.5), (190, 0.4, 0.5)) == [(390, "press", 2)]


def test_forgiving_delays_the_release_and_not_the_next_press():
    assert look(head(**GRACE_TIME), (0, 0.1, 0.5), (500, 0.9, 0.5)) == [
        (200, "press", 1),
        (600, "release", None),
        (700, "press", 4),
    ]


def test_an_excursion_through_several_zones_counts_from_its_beginning():
    """Gone at 500 ms and in zone 4 from 550 ms: zone 1 ends at 600 ms, zone 4 plays at 750 ms."""
    places = [(0, 0.1, 0.5), (500, 0.4, 0.5), (550, 0.9, 0.5), (590, 0.8, 0.5)]
    assert look(head(**GRACE_TIME), *places) == [(200, "press", 1), (600, "release", None), (750, "press", 4)]


def test_a_dwell_shorter_than_forgiving_plays_as_soon_as_the_zone_is_left():
    played = look(head(dwell=50 * MILLISECOND, **GRACE_TIME), (0, 0.1, 0.5), (500, 0.9, 0.5))
    assert played == [(50, "press", 1), (600, "release", None), (600, "press", 4)]


# --- rest, gain, centre, strength ---------------------------------------------------------------------------------


def test_a_rest_zone_never_plays():
    places = [(0, 0.5, 0.5), (1000, 0.9, 0.5), (2000, 0.5, 0.5)]
    played = look(head(columns=3, rest=frozenset({1})), *places)
    assert played == [(1200, "press", 3), (2000, "release", None)]


def test_gain_enlarges_about_the_centre_and_stops_at_the_edge():
    levels = frozenset({"head.x", "head.y"})
    chosen = PointerSettings(ZoneGrid(), None, levels=levels, gain=4.0)
    made = PointerConditioner("head", chosen, iter(range(9)).__next__, Alarm(Timers(), 0))
    given_at = {
        now: list(made.handle(PointerSample("head", *place), now)) for now, place in enumerate([(0.6, 0.5), (0.7, 0.3)])
    }
    assert given_at[0] == [Level("head.x", pytest.approx(0.9)), Level("head.y", 0.5)]
    assert given_at[1] == [Level("head.x", 1.0), Level("head.y", 0.0)]


def test_a_press_of_another_input_makes_the_present_place_the_centre():
    played = head(columns=3, pointer={"centred_by": "pad"})
    look(played, (0, 0.1, 0.5))
    played.give(1000 * MILLISECOND, SwitchSample("pad", True))
    played.give(1010 * MILLISECOND, SwitchSample("pad", False))
    assert look(played, (1500, 0.12, 0.5), (2000, 0.4, 0.5)) == [
        (200, "press", 1),
        (1000, "release", None),
        (1200, "press", 2),  # the middle; and still there at 0.12
        (2000, "release", None),
        (2200, "press", 3),
    ]


def test_the_centre_is_the_mean_of_a_tremor():
    """A 4 Hz tremor cancels out over its period, whenever the switch is pressed."""
    played = head(columns=5, rows=1, pointer={"centred_by": "pad"}, levels=frozenset({"head.x"}))
    for i in range(130):
        played.give(i * 8 * MILLISECOND, PointerSample("head", 0.3 + 0.05 * math.sin(2 * math.pi * 4 * i * 0.008), 0.5))
    played.give(played.now, SwitchSample("pad", True))
    conditioner = played.engine._inputs["head"]
    assert conditioner._centre[0] == pytest.approx(0.3, abs=0.005)


def test_centring_without_a_pointer_is_nothing():
    played = head(pointer={"centred_by": "pad"})
    played.give(5, SwitchSample("pad", True))
    assert look(played, (10, 0.1, 0.5)) == [(210, "press", 1)]


def test_a_device_that_was_lost_has_the_middle_as_its_centre_again():
    played = head(columns=3, pointer={"centred_by": "pad"})
    look(played, (0, 0.1, 0.5))
    played.give(1000 * MILLISECOND, SwitchSample("pad", True))
    played.give(1100 * MILLISECOND, Lost("head"))
    assert look(played, (2000, 0.1, 0.5))[-1] == (2200, "press", 1)


def test_strength_is_how_fast_the_head_came():
    """0.1 of the width every 50 ms is 2 widths a second; crossing in 250 ms is full, so 2 is half. Then a quarter."""
    fast = [(1000 + 50 * i, 0.1 + 0.1 * i, 0.5) for i in range(9)]
    slow = [(3000 + 50 * i, 0.9 - 0.05 * i, 0.5) for i in range(17)]
    played = head(columns=2, pointer={"full_speed": 250 * MILLISECOND})
    look(played, (0, 0.1, 0.5), *fast, *slow)
    assert strengths(played) == [0.5, pytest.approx(0.5), pytest.approx(0.25)]


def test_strength_of_a_device_that_was_silent_and_of_a_leap():
    played = head(columns=3, pointer={"full_speed": NANOSECONDS})
    look(played, (0, 0.5, 0.5), (3000, 0.9, 0.5), (6000, 0.0, 0.5))
    assert strengths(played) == [0.5, 1.0, 1.0]  # nothing was travelled before the first


def test_without_crossing_every_strength_is_in_the_middle():
    played = head()
    look(played, (0, 0.1, 0.5), (500, 0.9, 0.5))
    assert strengths(played) == [0.5, 0.5]


# --- a device that says nothing while nothing changes -------------------------------------------------------------


def test_the_smoothed_place_arrives_though_the_device_is_silent():
    """A joystick tells its last place once; without another sample the filter must still come there."""
    played = head(smooth=0.5, dwell=400 * MILLISECOND)
    assert look(played, (0, 0.1, 0.5), (1000, 0.9, 0.5))[:2] == [(400, "press", 1), (1050, "release", None)]
    played.go_on(10 * NANOSECONDS)
    assert [zone for _, event, zone in look(played) if event == "press"] == [1, 4]
    assert played.engine.next_deadline() is None  # and then there is peace


def test_a_late_loop_settles_in_the_same_place():
    punctual, late = (head(smooth=0.5, levels=frozenset({"head.x"})) for _ in range(2))
    for played in (punctual, late):
        played.give(0, PointerSample("head", 0.1, 0.5))
        played.give(100 * MILLISECOND, PointerSample("head", 0.9, 0.5))
    punctual.go_on(NANOSECONDS)
    late.wake_late(NANOSECONDS)
    place = [played.engine._inputs["head"]._last_level[0] for played in (punctual, late)]
    assert place[0] == place[1] > 0.7


# --- tracking lost ------------------------------------------------------------------------------------------------


def test_a_tracker_that_falls_silent_is_released_told_once_and_comes_back():
    played = head(pointer={"lost_after": 500 * MILLISECOND})
    places = [(t, 0.1, 0.5) for t in range(0, 1000, 100)] + [(3000 + t, 0.1, 0.5) for t in range(0, 1000, 100)]
    assert look(played, *places) == [
        (200, "press", 1),
        (1400, "release", None),
        (3300, "press", 1),  # after a loss the dwell is at least as long as a dropout
    ]
    played.go_on(9 * NANOSECONDS)
    assert faults(played) == [(1400, "tracking lost: it sends nothing"), (4400, "tracking lost: it sends nothing")]


def test_no_place_for_a_moment_is_left_out():
    nan = [(300 + t, math.nan, math.nan) for t in range(0, 250, 20)]
    assert look(head(), (0, 0.1, 0.5), *nan, (560, 0.1, 0.5)) == [(200, "press", 1)]


def test_a_dwell_that_is_over_while_nobody_knows_where_waits_until_it_is_known():
    assert look(head(), (0, 0.1, 0.5), (150, math.nan, 0.5), (300, 0.1, 0.5)) == [(300, "press", 1)]
    assert look(head(), (0, 0.1, 0.5), (150, math.nan, 0.5), (300, 0.9, 0.5)) == [(500, "press", 4)]


def test_no_place_for_longer_is_lost_and_told_once():
    nan = [(300 + t, math.nan, 0.5) for t in range(0, 3000, 20)]
    played = head()
    assert look(played, (0, 0.1, 0.5), *nan, (3400, 0.1, 0.5)) == [
        (200, "press", 1),
        (300 + DROPOUT / MILLISECOND, "release", None),
        (3700, "press", 1),
    ]
    assert faults(played) == [(600, "tracking lost: what it sends is no place")]


def test_one_wild_leap_is_left_out():
    played = head(pointer={"jump": 0.4})
    assert look(played, (0, 0.1, 0.5), (300, 0.9, 0.5), (320, 0.1, 0.5), (800, 0.1, 0.5)) == [(200, "press", 1)]
    assert faults(played) == []


def test_a_leap_that_stays_is_lost_and_found_there():
    played = head(pointer={"jump": 0.4})
    assert look(played, (0, 0.1, 0.5), *((300 + t, 0.9, 0.5) for t in range(0, 900, 20))) == [
        (200, "press", 1),
        (600, "release", None),
        (900, "press", 4),  # taken anew at 600 ms, and dwells for DROPOUT at least
    ]
    assert faults(played) == [(600, "tracking lost: it jumps farther than a head moves")]


def test_a_tracker_that_leaps_about_plays_nothing_and_is_told_of_once():
    played = head(dwell=0, pointer={"jump": 0.4})
    leaps = [(100 + 20 * i, (0.9, 0.1)[i // 16 % 2], 0.5) for i in range(500)]  # to the other side every 320 ms
    steady = [(10_100 + 20 * i, 0.1, 0.5) for i in range(50)]
    heard = look(played, (0, 0.1, 0.5), *leaps, *steady)
    assert heard == [(0, "press", 1), (400, "release", None), (10_620, "press", 1)]
    assert faults(played) == [(400, "tracking lost: it jumps farther than a head moves")]


def test_levels_go_to_rest_when_tracking_is_lost():
    played = head(levels=frozenset({"head.x"}), pointer={"lost_after": 500 * MILLISECOND})
    look(played, (0, 0.1, 0.5))
    played.go_on(NANOSECONDS)
    assert played.engine._inputs["head"]._last_level == [0.0, 0.0]


# --- anything at all ----------------------------------------------------------------------------------------------

WHERE = st.one_of(st.floats(-0.5, 1.5), st.sampled_from([math.nan, math.inf]))
HAPPENING = st.one_of(
    st.builds(PointerSample, st.just("head"), WHERE, WHERE),
    st.builds(SwitchSample, st.just("pad"), st.booleans()),
    st.sampled_from([Lost("head"), Found("head")]),
)
MAYBE = st.sampled_from([None, 0.3])


@given(
    st.lists(st.tuples(st.integers(0, 700), HAPPENING), max_size=60),
    st.builds(
        PointerSettings,
        st.builds(
            ZoneGrid,
            columns=st.integers(1, 4),
            rows=st.integers(1, 3),
            hysteresis=st.floats(0, 0.45),
            dwell=st.integers(0, 400).map(lambda ms: ms * MILLISECOND),
            grace_time=st.integers(0, 300).map(lambda ms: ms * MILLISECOND),
            rest=st.frozensets(st.integers(0, 5), max_size=3),
        ),
        min_cutoff=st.sampled_from([None, 0.5, 5.0]),
        beta=st.floats(0, 10),
        levels=st.just(frozenset({"head.x"})),
        gain=st.floats(0.1, 20),
        centred_by=st.sampled_from([None, "pad"]),
        full_speed=st.sampled_from([None, NANOSECONDS]),
        lost_after=st.sampled_from([None, 400 * MILLISECOND]),
        jump=MAYBE,
    ),
)
def test_whatever_happens(steps, settings):
    """Presses and releases alternate, each release ends its press, rest zones rest, and what is lost holds nothing."""
    make = {
        "head": lambda voice, alarm: PointerConditioner("head", settings, voice, alarm),
        "pad": lambda voice, alarm: SwitchConditioner("pad", SwitchSettings(), voice, alarm),
    }
    played = VirtualTime(Plan(Music(), Limits(), make, ()))

    def heard() -> list[tuple[str, dict]]:
        return [(event, f) for _, event, f in played.log.named("press", "release") if f["input"] == "head"]

    for later, sample in steps:
        played.give(played.now + later * MILLISECOND, sample)
        assert [event for event, _ in heard()] == (["press", "release"] * len(steps))[: len(heard())]
        if sample == Lost("head"):
            assert not heard() or heard()[-1][0] == "release"
    played.go_on(played.now + 3600 * NANOSECONDS)
    for event, fields in heard():
        if event == "press":
            assert 1 <= fields["zone"] <= settings.grid.zones
            assert fields["zone"] - 1 not in settings.grid.rest
            assert 0 <= fields["strength"] <= 1
    held = bool(heard()) and heard()[-1][0] == "press"
    if settings.lost_after is not None:
        assert not held
    played.give(played.now, Lost("head"))
    assert not heard() or heard()[-1][0] == "release"
    assert played.engine.next_deadline() is None


# --- simulated heads ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", benchmark.HEADS)
@pytest.mark.parametrize("seed", range(3))
def test_as_recommended_every_place_is_heard_and_no_other(name, seed):
    """Heads with ordinary tremor, writhing or jerks: a small run of ``python -m tests.benchmarks.pointer``."""
    settings = benchmark.RECOMMENDED
    heard = benchmark.session(
        benchmark.HEADS[name], benchmark.ORDINARY, f"{name} {seed}", 32 * NANOSECONDS, settings.grid
    )
    result = benchmark.play(settings, heard)
    assert (result.meant, result.heard, result.false, result.again) == (8, 8, 0, 0)


def test_the_benchmark_would_see_a_worse_setting():
    """Without hysteresis, filter, dwell and grace time, the same heads play what they do not mean."""
    head = benchmark.HEADS["tremor"]
    heard = benchmark.session(head, benchmark.LARGE, "worse", 30 * NANOSECONDS, benchmark.BARE.grid)
    result = benchmark.play(benchmark.with_grid(benchmark.BARE, dwell=0), heard)
    assert result.false > 5
    assert result.again > 5
