"""Switches, pressure and MIDI keys: what counts as an effort, when, and what must not.

Every case plays a real conditioner in an engine on virtual time and reads the log.
"""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from router.core.conditioning.background import SETTLE
from router.core.conditioning.base import Conditioner
from router.core.conditioning.midi import MidiConditioner, MidiSettings
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Plan
from router.core.events import Found, Level, Lost, MidiSample, Press, PressureSample, Release, SwitchSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.testing import MILLISECOND, VirtualTime


def player(name, make) -> VirtualTime:
    return VirtualTime(Plan(Music(), Limits(), {name: make}, ()))


def gestures(played: VirtualTime) -> list[tuple[float, str]]:
    """Presses and releases, with their times in milliseconds."""
    return [(when / MILLISECOND, event) for when, event, _ in played.log.named("press", "release")]


def switch(debounce=0, accept=0, names=("pad",)) -> VirtualTime:
    settings = SwitchSettings(debounce * MILLISECOND, accept * MILLISECOND)

    def made(name):
        return lambda voice, alarm: SwitchConditioner(name, settings, voice, alarm)

    return VirtualTime(Plan(Music(), Limits(), {name: made(name) for name in names}, ()))


def contacts(played: VirtualTime, *edges: tuple[float, bool], name="pad", until=5000) -> list[tuple[float, str]]:
    for when, pressed in edges:
        played.give(round(when * MILLISECOND), SwitchSample(name, pressed))
    played.go_on(until * MILLISECOND)
    return gestures(played)


# --- switches: acceptance -----------------------------------------------------------------------------------------
# Cases S1 to S4 follow from the slow-keys filter of the X server (xkb/xkbAccessX.c), times in milliseconds.


def test_slow_keys_released_too_early_is_rejected():
    assert contacts(switch(accept=300), (0, True), (299, False)) == []  # S1


def test_slow_keys_is_heard_when_the_time_is_over_and_not_at_the_edge():
    assert contacts(switch(accept=300), (0, True), (500, False)) == [(300, "press"), (500, "release")]  # S2


def test_slow_keys_times_do_not_add_up():
    edges = [(0, True), (200, False), (250, True), (600, False)]
    assert contacts(switch(accept=300), *edges) == [(550, "press"), (600, "release")]  # S3


def test_slow_keys_each_switch_has_a_timer_of_its_own():
    """The X server has one pending key; here each switch has its own timer, so both are heard (S4)."""
    played = switch(accept=300, names=("a", "b"))
    played.give(0, SwitchSample("a", True))
    played.give(100 * MILLISECOND, SwitchSample("b", True))
    played.go_on(600 * MILLISECOND)
    assert gestures(played) == [(300, "press"), (400, "press")]


def test_acceptance_delay_adds_exactly_its_setting():
    for accept in (1, 80, 1000):
        assert contacts(switch(accept=accept), (7, True))[0] == (7 + accept, "press")


# --- switches: debounce -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("debounce", [0, 30, 1000])
def test_debounce_adds_nothing_to_the_first_edge(debounce):
    assert contacts(switch(debounce), (12.5, True))[0] == (12.5, "press")


def test_a_tap_shorter_than_debounce_is_heard():
    """It lasts as long as debounce: the end is believed when the contact has had its time to settle."""
    assert contacts(switch(30), (100, True), (105, False)) == [(100, "press"), (130, "release")]


def test_two_taps_one_after_the_other():
    edges = [(0, True), (40, False), (80, True), (120, False)]
    assert contacts(switch(30), *edges) == [(0, "press"), (40, "release"), (80, "press"), (120, "release")]


def test_a_press_within_the_quiet_time_of_a_release_waits_for_its_end_only():
    edges = [(0, True), (40, False), (60, True), (200, False)]
    assert contacts(switch(30), *edges) == [(0, "press"), (40, "release"), (70, "press"), (200, "release")]


def test_bouncing_contacts_give_one_press_each():
    """Hundreds of presses, each edge followed by 1 to 20 ms of bouncing:
    one press and one release for each, none late.
    """
    random = Random(1)
    played, now, expected = switch(30), 0.0, []
    for _ in range(400):
        for pressed in (True, False):
            now += random.uniform(60, 900)
            expected.append((pytest.approx(now), "press" if pressed else "release"))
            burst, contact = now + random.uniform(1, 20), pressed
            edge = now
            while edge < burst:
                played.give(round(edge * MILLISECOND), SwitchSample("pad", contact))
                contact = not contact
                edge += random.uniform(0.05, 3)
            played.give(round(burst * MILLISECOND), SwitchSample("pad", pressed))
    played.go_on(round(now * MILLISECOND) + NANOSECONDS)
    assert gestures(played) == expected


def test_a_late_wake_up_does_not_make_the_next_press_wait():
    """The loop is held up after a tap; the next press comes long after the quiet time and is heard at once."""
    played = switch(30)
    played.give(0, SwitchSample("pad", True))
    played.give_late(20 * MILLISECOND, SwitchSample("pad", False))
    played.give_late(95 * MILLISECOND, SwitchSample("pad", True))
    played.give_late(110 * MILLISECOND, SwitchSample("pad", False))
    played.go_on(NANOSECONDS)
    assert gestures(played) == [(0, "press"), (95, "release"), (95, "press"), (125, "release")]


def test_debounce_and_acceptance_together():
    """A chattering contact that is held is accepted once, counted from its first edge; one that is not held, never."""
    edges = [(0, True), (3, False), (5, True), (9, False), (11, True), (500, False), (503, True), (505, False)]
    assert contacts(switch(30, 80), *edges) == [(80, "press"), (500, "release")]
    assert contacts(switch(30, 80), (0, True), (3, False), (5, True), (40, False)) == []
    # Opened within the quiet time and closed again at its end: held anew from there.
    assert contacts(switch(30, 80), (0, True), (20, False), (40, True), (200, False)) == [
        (140, "press"),
        (200, "release"),
    ]


def test_the_same_contact_told_twice_is_one_press():
    """Key repeat and a device that repeats its state make no note."""
    edges = [(0, True), (10, True), (400, True), (500, False), (600, False)]
    assert contacts(switch(0), *edges) == [(0, "press"), (500, "release")]


@pytest.mark.parametrize(("debounce", "accept"), [(0, 0), (30, 0), (30, 80)])
def test_a_lost_switch_is_released_and_forgotten(debounce, accept):
    played = switch(debounce, accept)
    played.give(0, SwitchSample("pad", True))
    played.give(100 * MILLISECOND, Lost("pad"))
    played.give(110 * MILLISECOND, Lost("pad"))
    played.give(120 * MILLISECOND, Found("pad"))
    played.give(200 * MILLISECOND, SwitchSample("pad", True))
    played.give(300 * MILLISECOND, SwitchSample("pad", False))
    played.go_on(NANOSECONDS)
    expected = [(accept, "press"), (100, "release"), (200 + accept, "press"), (300, "release")]
    assert gestures(played) == expected
    assert played.engine.next_deadline() is None


def test_a_switch_lost_while_it_waits_gives_nothing():
    played = switch(30, 80)
    played.give(0, SwitchSample("pad", True))
    played.give(50 * MILLISECOND, Lost("pad"))
    played.go_on(NANOSECONDS)
    assert gestures(played) == []


@given(
    st.lists(st.tuples(st.integers(0, 90), st.booleans()), max_size=60),
    st.sampled_from([0, 10, 30]),
    st.sampled_from([0, 25, 80]),
)
def test_presses_and_releases_alternate_and_match_the_contact_at_last(steps, debounce, accept):
    played, now = switch(debounce, accept), 0
    for later, pressed in steps:
        now += later
        played.give(now * MILLISECOND, SwitchSample("pad", pressed))
    played.go_on((now + 1000) * MILLISECOND)
    events = [event for _, event in gestures(played)]
    assert events == ["press", "release"] * (len(events) // 2) + ["press"] * (len(events) % 2)
    assert bool(len(events) % 2) == bool(steps and steps[-1][1])
    assert sum(pressed for _, pressed in steps) == 0 or accept or "press" in events  # an effort is heard


# --- pressure -----------------------------------------------------------------------------------------------------

SIDE = Side(on=100, off=60, full=1100)


def pressure(**settings) -> VirtualTime:
    chosen = PressureSettings(**{"above": SIDE, "below": SIDE, "track": None, **settings})
    return player("cheek", lambda voice, alarm: PressureConditioner("cheek", chosen, voice, alarm))


def blow(played: VirtualTime, *samples: tuple[float, float], until=None) -> list[tuple[float, str]]:
    for when, pascal in samples:
        played.give(round(when * MILLISECOND), PressureSample("cheek", pascal))
    played.go_on((until or samples[-1][0] + 1000) * MILLISECOND)
    return gestures(played)


def conditioner(played: VirtualTime) -> PressureConditioner:
    found: Conditioner = played.engine._inputs["cheek"]
    assert isinstance(found, PressureConditioner)
    return found


def test_between_the_thresholds_nothing_changes():
    steps = [(0, 0), (10, 99), (20, 100), (30, 61), (40, 99), (50, 60), (60, 59.9), (70, 99), (80, 0)]
    assert blow(pressure(), *steps) == [(20, "press"), (60, "release")]


def test_noise_at_a_threshold_makes_one_press():
    random = Random(2)
    noisy = [(step, 100 + random.uniform(-35, 35)) for step in range(1000)]
    assert [event for _, event in blow(pressure(), *noisy, (1001, 0))] == ["press", "release"]


def test_puff_and_sip_are_two_sources():
    played = pressure()
    blow(played, (0, 0), (10, 300), (20, 0), (30, -300), (40, 0))
    assert [(fields["input"], event) for _, event, fields in played.log.named("press", "release")] == [
        ("cheek.above", "press"),
        ("cheek.above", "release"),
        ("cheek.below", "press"),
        ("cheek.below", "release"),
    ]


def test_an_effort_shorter_than_acceptance_is_none_and_a_longer_one_comes_as_much_later():
    """A syllable of 120 ms and an effort; the strength of the effort is the most that it has reached by then."""
    played = pressure(accept=200 * MILLISECOND)
    syllable = [(0, 0), (10, 400), (130, 0)]
    effort = [(1000, 150), (1100, 600), (1300, 300), (1400, 0)]
    assert blow(played, *syllable, *effort) == [(1200, "press"), (1400, "release")]
    assert [(when / MILLISECOND, fields["by"]) for when, _, fields in played.log.named("reject")] == [(130, "accept")]
    assert [fields["strength"] for _, _, fields in played.log.named("press")] == [0.5]


def test_acceptance_met_exactly_is_a_press_and_one_nanosecond_less_is_none():
    for length, heard in ((200 * MILLISECOND, 1), (200 * MILLISECOND - 1, 0)):
        played = pressure(accept=200 * MILLISECOND)
        for when, pascal in ((0, 0.0), (MILLISECOND, 400.0), (MILLISECOND + length, 0.0)):
            played.give(when, PressureSample("cheek", pascal))
        played.go_on(NANOSECONDS)
        assert len(played.log.named("press")) == len(played.log.named("release")) == heard


def test_a_peak_is_waited_for_no_longer_than_the_longer_of_both_times():
    peak = pressure(accept=50 * MILLISECOND, from_peak=True, over=100 * MILLISECOND)
    assert blow(peak, (0, 0), (10, 400), (90, 0), (500, 400), (540, 0)) == [(90, "press"), (170, "release")]
    assert blow(peak, (2000, 400), (2300, 0))[2:] == [(2100, "press"), (2300, "release")]


def test_from_a_puff_straight_into_a_sip():
    played = pressure()
    assert blow(played, (0, 300), (10, -300), (20, 0)) == [
        (0, "press"),
        (10, "release"),
        (10, "press"),
        (20, "release"),
    ]


@pytest.mark.parametrize(
    ("samples", "strength"),
    [
        ([(0, 0), (10, 100)], 0.4),  # rises 10 Pa a ms: after 50 ms it would be 600 Pa, 0.5 of the way; see below
        ([(0, 100)], 0.0),  # the first sample of all: how fast it rose cannot be known
        ([(0, 0), (10, 1100)], 1.0),
        ([(0, 0), (1000, 100)], 0.005),
    ],
)
def test_strength_by_rise(samples, strength):
    played = pressure(over=50 * MILLISECOND) if strength != 0.4 else pressure(over=40 * MILLISECOND)
    blow(played, *samples)
    ((_, _, fields),) = played.log.named("press")
    assert fields["strength"] == pytest.approx(strength, abs=1e-4)


def test_strength_by_peak_waits_for_it():
    played = pressure(from_peak=True, over=50 * MILLISECOND)
    assert blow(played, (0, 0), (10, 150), (30, 600), (55, 200), (200, 0)) == [(60, "press"), (200, "release")]
    assert played.log.named("press")[0][2]["strength"] == 0.5


def test_an_effort_over_before_its_peak_was_asked_for_is_heard():
    played = pressure(from_peak=True, over=50 * MILLISECOND)
    assert blow(played, (0, 0), (10, 600), (30, 0)) == [(30, "press"), (50, "release")]  # as long as it was
    assert played.log.named("press")[0][2]["strength"] == 0.5
    assert blow(played, (2000, 0), (2010, 150), (2100, 0))[2:] == [(2060, "press"), (2100, "release")]


def test_a_sensor_lost_in_an_effort_is_released():
    played = pressure()
    blow(played, (0, 0), (10, 300))
    played.give(2 * NANOSECONDS, Lost("cheek"))
    assert gestures(played) == [(10, "press"), (2000, "release")]


def test_a_sensor_lost_before_the_peak_gives_nothing():
    played = pressure(from_peak=True, over=50 * MILLISECOND)
    played.give(0, PressureSample("cheek", 300))
    played.give(10 * MILLISECOND, Lost("cheek"))
    played.go_on(NANOSECONDS)
    assert gestures(played) == []
    assert played.engine.next_deadline() is None


def test_readings_that_are_no_numbers_are_left_out():
    steps = [(0, 0), (10, math.nan), (20, math.inf), (30, 300), (40, -math.inf), (50, 0)]
    assert blow(pressure(), *steps) == [(30, "press"), (50, "release")]


def test_rest_is_the_median_of_the_first_half_second():
    played = pressure(track=20 * NANOSECONDS)
    random = Random(3)
    for step in range(50):
        played.give(step * 10 * MILLISECOND, PressureSample("cheek", 500 + random.uniform(-5, 5) + 400 * (step == 20)))
    assert conditioner(played).rest is None
    assert blow(played, (SETTLE // MILLISECOND, 500), (700, 700), (800, 500)) == [(700, "press"), (800, "release")]
    assert conditioner(played).rest == pytest.approx(500, abs=3)


def test_after_a_loss_rest_is_looked_for_again():
    played = pressure(track=20 * NANOSECONDS)
    blow(played, (0, 0), (600, 0), until=700)
    played.give(NANOSECONDS, Lost("cheek"))
    assert conditioner(played).rest is None
    assert blow(played, (2000, 900), (2600, 900), (2700, 1100), (2800, 900)) == [(2700, "press"), (2800, "release")]


def test_rest_follows_slow_drift_without_a_press():
    """A sensor that drifts by ten times the threshold over ten minutes makes no note, and an effort on top is heard."""
    played = pressure(track=20 * NANOSECONDS)
    for step in range(6001):
        played.give(step * 100 * MILLISECOND, PressureSample("cheek", step / 6))
    assert gestures(played) == []
    played.give(600_100 * MILLISECOND, PressureSample("cheek", 1000 + 200))
    assert [event for _, event in gestures(played)] == ["press"]


def test_rest_never_follows_an_effort():
    played = pressure(track=NANOSECONDS)
    blow(played, *((step * 10, 0) for step in range(60)), until=600)
    before = conditioner(played).rest
    blow(played, *((600 + step * 10, 150) for step in range(3000)))
    assert conditioner(played).rest == before
    assert [event for _, event in gestures(played)] == ["press"]


def test_rest_follows_with_its_time_constant():
    """A step within the thresholds is followed as 1 - exp(-t / track), whatever the rate of the samples."""
    for rate in (10, 100, 1000):
        played = pressure(track=20 * NANOSECONDS, rhythm=False)
        known = 60  # seconds; a rest level that is new follows faster
        blow(played, *((step * 1000 / rate, 0) for step in range(known * rate)), until=known * 1000)
        start = (known * rate - 1) * 1000 / rate
        blow(played, *((start + step * 1000 / rate, 50) for step in range(1, 20 * rate + 1)), until=90_000)
        assert conditioner(played).rest == pytest.approx(50 * -math.expm1(-1), rel=0.01)


def test_a_pull_to_the_side_that_nobody_asked_for_does_not_become_rest():
    """Only puffs are asked for; a sip of two seconds, far below rest, must not make the return to rest a puff."""
    played = pressure(below=None, track=20 * NANOSECONDS)
    still = [(step * 10, 0) for step in range(100)]
    sip = [(1000 + step * 10, -3000) for step in range(200)]
    back = [(3000 + step * 10, 0) for step in range(100)]
    assert blow(played, *still, *sip, *back) == []
    assert blow(played, (5000, 150), (5100, 0)) == [(5000, "press"), (5100, "release")]


def heard_levels(made: Conditioner, samples) -> list[Level]:
    return [g for now, sample in samples for g in made.handle(sample, now) if isinstance(g, Level)]


def test_levels_from_rest_to_full():
    settings = PressureSettings(SIDE, SIDE, track=None, levels=frozenset({"cheek.above"}))
    made = PressureConditioner("cheek", settings, iter(range(99)).__next__, Alarm(Timers(), 0))
    samples = [(now, PressureSample("cheek", pascal)) for now, pascal in enumerate((0, 60, 580, 580, 1100, 9999, -500))]
    levels = heard_levels(made, samples)
    assert levels == [Level("cheek.above", value) for value in (0.5, 1.0, 0.0)]
    made.handle(PressureSample("cheek", 580), 99)
    assert Level("cheek.above", 0.0) in list(made.lost(100))


# --- MIDI ---------------------------------------------------------------------------------------------------------


def keys(**settings) -> MidiConditioner:
    return MidiConditioner("keys", MidiSettings(**settings), iter(range(1, 99)).__next__, Alarm(Timers(), 0))


def sent(made: MidiConditioner, *messages: tuple[int, ...]) -> list:
    return [gesture for data in messages for gesture in made.handle(MidiSample("keys", data), 0)]


def test_a_rise_between_two_samples_of_one_moment_adds_nothing_to_the_strength():
    """Of a slow sensor whose lines came together: how fast it rises cannot be known."""
    settings = PressureSettings(above=Side(on=100, off=60, full=300), track=None, over=60 * MILLISECOND)
    made = PressureConditioner("cheek", settings, iter(range(99)).__next__, Alarm(Timers(), 0))
    begun, heard = 7_777_777_777, []
    for later, pascal in ((0, 0.0), (250, 0.0), (500, 0.0), (500, 200.0)):
        heard += made.handle(PressureSample("cheek", pascal), begun + later * MILLISECOND)
    assert heard == [Press("cheek.above", 0, 0.5)]


def test_a_note_on_with_velocity_zero_is_a_note_off():
    """MIDI 1.0."""
    for off in ((0x90, 60, 0), (0x80, 60, 64)):
        assert sent(keys(), (0x90, 60, 127), off) == [Press("keys", 1, 1.0, pitch=60), Release("keys", 1)]


def test_strays_are_left_out_and_a_second_note_on_is_struck_again():
    made = keys()
    assert sent(made, (0x80, 60, 0), (0x90, 61, 0)) == []
    assert sent(made, (0x90, 60, 127), (0x90, 60, 127)) == [
        Press("keys", 1, 1.0, pitch=60),
        Release("keys", 1),
        Press("keys", 2, 1.0, pitch=60),
    ]


def test_channels_and_keys_that_do_not_count():
    made = keys(channel=2, lowest=60, highest=61)
    assert sent(made, (0x90, 60, 9), (0x91, 59, 9), (0x91, 62, 9), (0xC1, 5), (0xF8,), (0xE1, 0, 64)) == []
    assert len(sent(made, (0x91, 60, 9), (0x91, 61, 9))) == 2


@pytest.mark.parametrize("number", [120, 123, 124, 125, 126, 127])
def test_mode_messages_release_their_channel(number):
    """All sound off, all notes off, and omni, mono and poly, which act as all notes off (MIDI 1.0)."""
    made = keys()
    sent(made, (0x90, 60, 64), (0x90, 64, 64), (0x91, 60, 64))
    assert sent(made, (0xB0, number, 0)) == [Release("keys", 1), Release("keys", 2)]
    assert sent(made, (0xB0, 121, 0), (0xB0, 122, 0)) == []
    assert list(made.lost(0)) == [Release("keys", 3)]


def test_controllers_are_levels_where_somebody_listens():
    made = keys(levels=frozenset({"keys.cc1"}))
    assert sent(made, (0xB0, 1, 0), (0xB0, 1, 127), (0xB0, 1, 127), (0xB0, 2, 50)) == [Level("keys.cc1", 1.0)]
    assert list(made.lost(0)) == [Level("keys.cc1", 0.0)]
    assert list(made.lost(0)) == []
    assert sent(made, (0xB0, 1, 127)) == [Level("keys.cc1", 1.0)]


# --- the contract -------------------------------------------------------------------------------------------------


def test_a_conditioner_of_nothing():
    """The base says what must be written, and that time alone brings nothing about."""
    bare = Conditioner("bare", iter(range(9)).__next__, Alarm(Timers(), 0))
    assert bare.wake(0, None) == ()
    with pytest.raises(NotImplementedError):
        bare.handle(SwitchSample("bare", True), 0)
    with pytest.raises(NotImplementedError):
        bare.lost(0)
