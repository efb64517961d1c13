"""Simulated children as they come: each family is what it says, and the same for the same seed."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import numpy as np
import pytest

from router.core.events import Mark, PressureSample, SwitchSample
from router.core.units import NANOSECONDS
from router.offline import simulate
from router.offline.simulate import CHILDREN, FINGERS, HEADS
from router.offline.simulate.bodies import bouts
from router.offline.simulate.breaths import WAVES, BreathRhythm, background, spontaneous, suctions, ventilator
from router.offline.simulate.pulls import TIRING
from router.offline.simulate.sensors import Sensor, arrivals, leaked, reading
from tests.benchmarks import open_signals

CM_H2O = 98.0665
RATE = 40


def a_session(family, seed=1, seconds=60.0, guided=0.0, **changed):
    rng = random.Random(f"{family} {seed}")
    child = CHILDREN[family].draw(rng)
    child = replace(child, sensor=replace(child.sensor, rate=RATE), **changed)
    return child, simulate.sit(child, seconds, rng, guided=guided)


@pytest.mark.parametrize("family", CHILDREN)
def test_a_session_is_as_meant_and_the_same_for_the_same_seed(family):
    child, session = a_session(family, guided=20.0)
    assert session == a_session(family, guided=20.0)[1]
    times = [t for t, _sample in session.samples]
    assert times == sorted(times)
    samples = [(t, sample) for t, sample in session.samples if isinstance(sample, PressureSample)]
    assert len(samples) == 60 * RATE
    assert [t for t, _value in session.ideal] == [t for t, _sample in samples]
    marks = [(t, sample.text) for t, sample in session.samples if isinstance(sample, Mark)]
    assert marks[:2] == [(NANOSECONDS, "rest"), (20 * NANOSECONDS, "end")]
    late = [t - effort.start for (t, _text), effort in zip(marks[2:], session.efforts, strict=True)]
    assert len(late) >= 5
    assert all(0 <= t <= 0.5 * NANOSECONDS for t in late)
    for effort in session.efforts:
        assert effort.start > 20 * NANOSECONDS
        assert 0.3 * child.muscle.size < effort.peak < 1.8 * child.muscle.size
        inside = [value for t, value in session.ideal if effort.start <= t <= effort.end]
        sign = 1 if effort.side == "above" else -1
        if not child.sensor.leak:
            assert max(sign * value for value in inside) == pytest.approx(effort.peak, rel=0.3)  # it trembles and sags


@pytest.mark.parametrize(
    ("family", "low", "high"),
    [
        ("gentle", 0.9, 1.6),
        ("ventilator", 0.8, 1.2),
        ("irregular", 0.8, 1.2),
        ("hard puffs", 0.3, 0.5),
        ("quiet", 0, 0.25),
    ],
)
def test_a_rhythm_is_as_large_beside_an_effort_as_its_family_says(family, low, high):
    shares = []
    for seed in range(60):
        child = CHILDREN[family].draw(random.Random(seed))
        shares.append(child.rhythm.height / child.muscle.size)
        assert 1 / 60 * 12 <= child.rhythm.frequency <= 1.0  # 12 to 60 a minute
        assert 0.98 * CM_H2O <= child.muscle.size <= 10 * CM_H2O
    assert low <= min(shares) < low + 0.15 * (high - low) + 1e-9
    assert high - 0.15 * (high - low) < max(shares) <= high


@pytest.mark.parametrize("wave", WAVES)
def test_a_wave_reaches_from_crest_to_trough_what_was_asked(wave):
    rng = random.Random(wave)
    times = [i / 100 for i in range(6000)]
    rhythm = BreathRhythm(wave, 200.0, 0.4, inspiration=0.8, constant=0.3)
    values = background(times, rhythm, rng)
    assert np.percentile(values, 99) - np.percentile(values, 1) == pytest.approx(200, rel=0.15)
    spectrum = np.abs(np.fft.rfft(np.array(values) - np.mean(values)))
    strongest = np.argmax(spectrum) / 60
    assert 0.15 < strongest < 0.8 if wave == "writhing" else strongest == pytest.approx(0.4, abs=0.02)


def test_a_lung_empties_by_its_time_constant():
    """exp(-t / RC): after one RC 37 % is left."""
    rhythm = BreathRhythm("pressure-controlled volume", 100.0, 0.2, inspiration=1.0, constant=0.5)
    times = [i / 1000 for i in range(10_000)]
    values = background(times, rhythm, random.Random(3))
    top = int(np.argmax(values[:5000]))
    assert values[top + 500] / values[top] == pytest.approx(np.exp(-1), rel=0.06)  # the tube's low-pass adds a little
    assert values[top + 1500] / values[top] == pytest.approx(np.exp(-3), rel=0.15)


def test_sighs_are_larger_pauses_are_still_and_suction_interrupts():
    rng = random.Random(5)
    rhythm = ventilator(WAVES[1], 100.0, rng, irregular=0.0, sighs=2.0, pauses=2.0, suctions=1.0)
    times = [i / 100 for i in range(30_000)]
    spans = suctions(rhythm, 300, rng)
    assert all(6 <= end - start <= 15 for start, end in spans)
    assert spans
    values = np.array(background(times, rhythm, rng, spans))
    tops = [max(values[i : i + 500]) for i in range(0, len(values), 500)]
    assert sum(top > 150 for top in tops) >= 3
    still = [i for i in range(0, len(values) - 300, 50) if np.ptp(values[i : i + 300]) < 10]
    assert still


def test_breathing_is_12_to_44_a_minute():
    """Fleming et al., Lancet 377:1011, 2011."""
    rates = [60 * spontaneous(1.0, random.Random(seed)).frequency for seed in range(200)]
    assert 12 <= min(rates) < 14
    assert 42 < max(rates) <= 44


@pytest.mark.parametrize(("kind", "low", "high"), [("cough", 2.4, 4.6), ("speech", 2.5, 7.5), ("crying", 0.5, 1.3)])
def test_bouts_have_the_pulses_a_second_that_are_published(kind, low, high):
    """Coughs 2.5 to 4 a second, syllables of 80 to 160 ms, cries about one a second (sources in bodies.py)."""
    found = bouts(((kind, 4.0),), 600, 100.0, random.Random(kind))
    assert 20 <= len(found) <= 60
    rates = []
    for bout in found:
        begins = [pulse.start for pulse in bout.pulses if pulse.size > 0]
        gaps = [later - earlier for earlier, later in itertools.pairwise(begins)]
        rates += [1 / gap for gap in gaps if gap < (2.0 if kind == "crying" else 0.4)]
        assert bout.start <= min(begins)
        assert max(begins) < bout.end
        if kind == "speech":
            assert all(0.08 <= 1.0 * (pulse.rise + pulse.hold + 4 * pulse.decay) <= 0.16 for pulse in bout.pulses)
    assert low < min(rates)
    assert max(rates) < high


def test_nobody_plays_while_coughing():
    for family in ("coughing", "spasms", "slipping", "crying", "irregular"):
        _child, session = a_session(family, seconds=120)
        assert session.unmeant
        for start, end, _kind in session.unmeant:
            assert not any(effort.start < end and start < effort.end for effort in session.efforts)


def test_a_tube_that_slipped_off_feels_nothing_and_rests_elsewhere_afterwards():
    for seed in range(3):
        child = CHILDREN["slipping"].draw(random.Random(seed))
        quiet = replace(child.sensor, noise=0.0, drift=0.0, step=0.0, rate=100)
        child = replace(child, sensor=quiet, muscle=replace(child.muscle, pause=(999.0, 999.0)))
        session = simulate.sit(child, 120.0, random.Random(seed))
        (start, end, kind), *_ = session.unmeant
        pascal = {t: sample.pascal for t, sample in session.samples}
        off = [value for t, value in pascal.items() if start + NANOSECONDS < t < end - 2 * NANOSECONDS]
        before = [value for t, value in pascal.items() if t < start]
        after = [value for t, value in pascal.items() if end < t < end + 3 * NANOSECONDS]
        assert kind == "slip"
        assert max(off) - min(off) < 0.01
        assert min(before) > off[0] + 0.2 * child.muscle.size
        assert min(after) > off[0] + 0.2 * child.muscle.size


def test_nobody_makes_a_recording_with_a_tube_that_slipped_off_or_during_suction():
    for family in ("slipping", "irregular"):
        for seed in range(3):
            assert not a_session(family, seed, 75.0, guided=25.0)[1].unmeant
    assert a_session("coughing", 1, 75.0, guided=25.0)[1].unmeant


def test_who_tires_fades_to_40_percent_in_four_minutes():
    child, session = a_session("tiring", seconds=TIRING)
    assert child.seconds == 240
    first, last = (np.mean([one.peak for one in some]) for some in (session.efforts[:8], session.efforts[-8:]))
    assert last / first == pytest.approx(0.45, abs=0.12)  # the last eight are not the very last moment


def test_a_held_pressure_leaks_away_by_the_time_constant():
    times = [i / 1000 for i in range(5000)]
    held = [100.0 if t >= 1 else 0.0 for t in times]
    found = leaked(held, times, 2.0)
    assert found[1000] == pytest.approx(100, rel=0.01)
    assert found[3000] == pytest.approx(100 * np.exp(-1), rel=0.01)
    assert leaked(held, times, 0.0) == held


def test_sensors_are_coarse_and_spiky_and_late_as_said():
    rng = random.Random(7)
    coarse = CHILDREN["eight bits"].draw(rng)
    values = reading(coarse.sensor, [i * 0.1 for i in range(2000)], coarse.muscle.size, rng)
    steps = {round((b - a) / coarse.sensor.step) for a, b in itertools.pairwise(sorted(set(values)))}
    assert steps == {1}
    assert 6 <= coarse.muscle.size / coarse.sensor.step <= 13
    spiky = Sensor(100, 1.0, spikes=12.0)
    far = [value for value in reading(spiky, [0.0] * 60_000, 50.0, rng) if abs(value) > 100]
    assert 80 <= len(far) <= 160  # ten minutes
    taken, read = arrivals(Sensor(100, 1.0, jitter=0.3, batch=4), 20, rng)
    late = [read_at / 1e9 - t for t, read_at in zip(taken, read, strict=True)]
    assert len(taken) == 2000
    assert min(late) >= 0
    assert 0.01 < np.mean(late) < 0.03
    assert read == sorted(read)
    assert CHILDREN["slow"].draw(rng).sensor.rate == 20


def test_where_there_are_two_sides_one_may_begin_before_the_other_has_ended():
    overlaps = 0
    for seed in range(6):
        _child, session = a_session("hard puffs", seed, 120.0)
        for earlier, later in itertools.pairwise(session.efforts):
            if later.start < earlier.end:
                overlaps += 1
                assert earlier.side != later.side
    assert overlaps > 5


def test_efforts_rise_within_50_to_300_ms_and_vary():
    rises, sizes = [], []
    for seed in range(30):
        child = CHILDREN["puffs"].draw(random.Random(seed))
        rises.append(sum(child.muscle.rise) / 2)
        sizes.append(child.muscle.spread)
    assert 0.04 < min(rises) < 0.09
    assert 0.25 < max(rises) < 0.32
    assert min(sizes) > 0.07
    assert max(sizes) < 0.23


# --- fingers and heads -------------------------------------------------------------------------------------------


def closed(samples):
    """The times in which the contact is closed, in seconds, bounce left out."""
    found, since, last = [], None, False
    for t, sample in samples:
        if isinstance(sample, SwitchSample) and sample.pressed is not last:
            if sample.pressed:
                since = t
            elif t - since > 8_000_000:
                found.append((since / 1e9, t / 1e9))
            last = sample.pressed
    return found


@pytest.mark.parametrize("family", FINGERS)
def test_a_finger_is_as_meant_and_the_same_for_the_same_seed(family):
    def drawn(seed):
        rng = random.Random(f"{family} {seed}")
        return simulate.press_switch(FINGERS[family](rng), 75, rng, guided=20.0)

    session = drawn(1)
    assert session == drawn(1)
    assert session != drawn(2)
    times = [t for t, _sample in session.samples]
    assert times == sorted(times)
    marks = [t for t, sample in session.samples if isinstance(sample, Mark) and sample.text == "effort"]
    late = [t - effort.start for t, effort in zip(marks, session.efforts, strict=True)]
    assert len(late) >= 6
    assert all(0 <= t <= NANOSECONDS // 2 for t in late)
    assert session.efforts[0].start > 20 * NANOSECONDS
    edges = [sample.pressed for _t, sample in session.samples if isinstance(sample, SwitchSample)]
    assert edges[::2] == [True] * (len(edges) // 2)
    assert edges[1::2] == [False] * (len(edges) // 2)


def test_fingers_drag_double_tremble_and_rest_as_their_names_say():
    bare = simulate.Finger((0.4, 0.4), (2.0, 2.0), bounce=0.0)

    def touches(finger):
        session = simulate.press_switch(finger, 120, random.Random(3))
        return session, closed(session.samples)

    session, found = touches(bare)
    assert len(found) == len(session.efforts)
    session, found = touches(replace(bare, doubles=1.0))
    gaps = [later[0] - earlier[1] for earlier, later in itertools.pairwise(found)]
    assert len(found) == 2 * len(session.efforts)
    assert all(0.08 <= gap <= 0.3 for gap in gaps[::2])
    session, found = touches(replace(bare, drags=1.0, drag=0.45))
    ends = [effort.end / 1e9 for effort in session.efforts]
    dragged = [one for one in found if not any(abs(one[1] - end) < 1e-6 for end in ends)]
    assert len(dragged) > len(ends)
    assert all(any(begin - end > 0 and last - end < 0.45 for end in ends) for begin, last in dragged)
    session, found = touches(replace(bare, tremor=1.0, tremor_frequency=5.0, off=0.4))
    assert len(found) >= 2 * len(session.efforts)
    session, found = touches(replace(bare, rests=3.0))
    assert [kind for *_, kind in session.unmeant].count("rest") == sum(last - begin > 2.9 for begin, last in found) > 0


@pytest.mark.parametrize("family", HEADS)
def test_a_head_goes_where_it_means_to_and_not_only_there(family):
    rng = random.Random(family)
    head = HEADS[family](rng)
    visits = [simulate.Visit(i * 4 * NANOSECONDS, 0.2 + 0.6 * (i % 2), 0.5) for i in range(30)]
    samples = [sample for _t, sample in simulate.look(head, visits, 120 * NANOSECONDS, rng)]
    x = np.array([sample.x for sample in samples])
    assert len(x) == 120 * 60
    assert 0 <= x.min() <= x.max() <= 1
    stays = [x[i * 240 + 120 : i * 240 + 239] for i in range(30)]
    assert np.mean([np.median(stay) for stay in stays[::2]]) == pytest.approx(0.2, abs=0.05)
    assert np.mean([np.median(stay) for stay in stays[1::2]]) == pytest.approx(0.8, abs=0.05)
    wanders = np.ptp([np.median(stay) for stay in stays[::2]])
    shakes = np.mean([np.std(stay) for stay in stays])
    assert wanders > 0.02 if family in {"drifting head", "writhing head"} else shakes > 0.002


def test_breathing_of_another_generator_lies_under_the_efforts_as_large_as_said():
    child, guided, session = open_signals.sessions("generated breath, large", random.Random(5), 75.0, 25.0, 60.0)
    under = [sample.pascal - value for (_t, sample), (_s, value) in zip(session.samples, session.ideal, strict=True)]
    tops = [max(part) - min(part) for part in np.array_split(np.array(under), 10)]
    assert 0.7 * child.muscle.size < np.median(tops) < 2.0 * child.muscle.size
    assert len(guided.efforts) >= 5
    assert guided.ideal != session.ideal
