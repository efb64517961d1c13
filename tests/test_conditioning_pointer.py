"""The 1-euro filter against published vectors and the authors' package; zones, dwell and tremor at a border."""

from __future__ import annotations

import math
from random import Random

import OneEuroFilter
import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.conditioning.pointer import Grid, OneEuro, PointerConditioner, PointerSettings
from router.engine import Plan
from router.events import Found, Level, Lost, PointerSample
from router.ledger import Limits
from router.music import Music
from router.testing import MILLISECOND, VirtualTime
from router.timers import Alarm, Timers
from router.units import NANOSECONDS

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


def test_the_sixty_hertz_vector_to_its_last_digit():
    """The same with a rate that whole nanoseconds can say: 1 s / 60 rounds, 1/64 s does not."""
    smooth, theirs = OneEuro(1.0, 0.007), OneEuroFilter.OneEuroFilter(64, 1.0, 0.007)
    for i in range(100):
        now = NANOSECONDS + i * NANOSECONDS // 64
        assert smooth(10.0 * i, now) == pytest.approx(theirs(10.0 * i, now / NANOSECONDS), abs=1e-9)


@given(
    st.floats(0.1, 10),
    st.floats(0, 5),
    st.lists(st.tuples(st.floats(0, 1), st.integers(1, 60)), min_size=1, max_size=80),
)
def test_filter_against_the_authors_package(cutoff, beta, samples):
    """From 1 s on: the package takes a time of exactly 0 for none. Times in 1/512 s, which floats say exactly."""
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


def head(smooth=None, levels=frozenset(), **grid) -> VirtualTime:
    plain = {"dwell": 200 * MILLISECOND, "margin": 0.1, "forgive": 0}
    chosen = PointerSettings(Grid(**{**plain, **grid}), smooth, 0.02, levels)
    make = {"head": lambda voice, alarm: PointerConditioner("head", chosen, voice, alarm)}
    return VirtualTime(Plan(Music(), Limits(), make, ()))


def look(played: VirtualTime, *places: tuple[float, float, float]) -> list[tuple[float, str, int | None]]:
    """Places (milliseconds, x, y); what came of them, zones counted from 1 as in the log."""
    for when, x, y in places:
        played.give(round(when * MILLISECOND), PointerSample("head", x, y))
    played.go_on(played.now + 400 * MILLISECOND)
    return [(w / MILLISECOND, event, fields.get("zone")) for w, event, fields in played.log.named("press", "release")]


def test_zones_are_counted_as_one_reads():
    corners = [(0, 0, 0), (1000, 1, 0), (2000, 0, 1), (3000, 1, 1)]
    played = head(columns=3, rows=2)
    assert [zone for _, event, zone in look(played, *corners) if event == "press"] == [1, 3, 4, 6]
    assert Grid(3, 2).zones == 6


def test_staying_is_a_press_and_leaving_its_release():
    assert look(head(), (0, 0.1, 0.5), (500, 0.9, 0.5)) == [
        (200, "press", 1),
        (500, "release", None),
        (700, "press", 4),
    ]


def test_passing_through_is_no_press():
    places = [(step * 30, step / 20, 0.5) for step in range(20)]
    assert look(head(), *places) == [(680, "press", 4)]  # out of zone 3 and its margin at 0.8, at 480 ms


def test_leaving_and_coming_back_begins_the_dwell_anew():
    assert look(head(), (0, 0.1, 0.5), (150, 0.4, 0.5), (160, 0.1, 0.5)) == [(360, "press", 1)]


def test_no_dwell_is_a_press_at_once():
    assert look(head(dwell=0), (5, 0.1, 0.5))[0] == (5, "press", 1)


@pytest.mark.parametrize("tremor", [2.0, 4.0, 8.0])
def test_tremor_at_a_border_does_not_flutter(tremor):
    """Sines of 2 and 4 Hz, where most head tremors lie (JNNP 42:705, 1979), and 8 Hz, within the margin: one press."""
    places = [(t * 10, 0.25 + 0.02 * math.sin(2 * math.pi * tremor * t / 100), 0.5) for t in range(1000)]
    assert [event for _, event, _ in look(head(margin=0.1), *places)] == ["press"]
    without = [event for _, event, _ in look(head(margin=0.0, dwell=0), *places)]
    assert len(without) > 10  # the margin is what does it


def test_the_filter_quiets_tremor_larger_than_the_margin():
    """4 Hz through a first-order low-pass of 1 Hz is about a quarter (worked: 0.243)."""
    places = [(t * 10, 0.25 + 0.08 * math.sin(2 * math.pi * 4 * t / 100), 0.5) for t in range(1000)]
    smoothed = [event for _, event, _ in look(head(smooth=1.0), *places)]
    assert smoothed == ["press"]
    assert len(look(head(dwell=0), *places)) > 10


def test_places_outside_are_at_the_edge_and_no_numbers_are_left_out():
    places = [(0, -3, 9), (10, math.nan, 0.5), (20, 0.5, math.inf), (300, 0, 9)]
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
    chosen = PointerSettings(Grid(), None, levels=frozenset({"head.y"}))
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
