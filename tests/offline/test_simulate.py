"""Simulated children do what they mean to do, the same for the same seed,
and the shipped profiles hear exactly that.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import neurokit2
import numpy as np
import pytest

from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.engine import Engine
from router.core.events import Lost, Mark, MidiSample, Press, PressureSample, Release, SensorFault, SwitchSample
from router.core.timers import Alarm, Timers
from router.core.units import NANOSECONDS
from router.files import profile
from router.offline import simulate
from router.offline.player import Tally, play
from tests.benchmarks import hands, hearing
from tests.benchmarks.scores import Score

MINUTE = 60 * NANOSECONDS
SEEDS = range(5)


def heard(child: str, samples) -> Tally:
    loaded = profile.load(profile.find(child))
    tally = Tally()
    play(Engine(loaded.plan, tally), samples, loaded.plan.limits.note_length, {})
    return tally


def test_the_same_seed_is_the_same_child():
    def child(seed):
        rng = random.Random(seed)
        return list(
            simulate.together(
                simulate.switch("pad", simulate.efforts(rng, MINUTE, every=2, length=0.5), rng),
                simulate.pressure("cheek", simulate.bursts(rng, MINUTE), MINUTE, rng, low=100, high=1000),
                simulate.pointer("head", [simulate.Visit(0, 0.1, 0.9)], MINUTE, rng),
            )
        )

    assert child(4) == child(4)
    assert child(4) != child(5)
    assert all(first[0] <= second[0] for first, second in itertools.pairwise(child(4)))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bouncing_switch_is_heard_as_often_as_it_is_pressed(seed):
    rng = random.Random(seed)
    presses = simulate.efforts(rng, MINUTE, every=1.2, length=0.6)
    samples = list(simulate.switch("finger", presses, rng))
    edges = [sample for _t, sample in samples if sample == SwitchSample("finger", True)]
    assert len(edges) > 2 * len(presses) > 60  # it does bounce
    assert heard("wren", samples).presses == {"finger": len(presses)}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cheek_is_heard_as_often_as_it_pushes_over_drift_breath_and_noise(seed):
    rng = random.Random(seed)
    pushes = simulate.efforts(rng, 5 * MINUTE, every=2, length=0.6)
    on, full = 124.544455, 747.26673  # 0.5 and 3 inH2O, conventional (NIST SP 811)
    samples = simulate.pressure("cheek", pushes, 5 * MINUTE, rng, low=1.4 * on, high=full)
    tally = heard("lark", samples)
    assert tally.presses == {"cheek.above": len(pushes)}
    assert tally.notes == {"tune": len(pushes)}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cheek_at_rest_is_heard_as_nothing(seed):
    samples = simulate.pressure("cheek", [], 5 * MINUTE, random.Random(seed), low=100, high=1000)
    assert heard("lark", samples).presses == {}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_trembling_head_is_heard_once_for_each_place_it_visits(seed):
    rng = random.Random(seed)
    zones = [4, 5, 6, 2, 1, 0, 4, 0, 1, 2, 3, 7, 6, 5]
    visits = [
        simulate.Visit(i * 2 * NANOSECONDS, (zone % 4 + 0.5) / 4, (zone // 4 + 0.5) / 2) for i, zone in enumerate(zones)
    ]
    said = []
    loaded = profile.load(profile.find("pipit"))
    engine = Engine(loaded.plan, lambda _now, event, fields: said.append((event, fields)))
    play(engine, simulate.pointer("head", visits, 28 * NANOSECONDS, rng), 0, {})
    assert [fields["zone"] - 1 for event, fields in said if event == "press"] == zones


@pytest.mark.parametrize("seed", SEEDS)
def test_every_suck_of_every_burst_is_counted(seed):
    """The recipe: 2.1 Hz, 14 cmH2O, bursts of 6 to 12 (sources in simulate.py), released at half of the threshold."""
    rng = random.Random(seed)
    sucks = simulate.bursts(rng, 5 * MINUTE)
    _rate, height = simulate.SUCKING
    on = height / 4
    numbers = itertools.count(1)
    settings = PressureSettings(below=Side(on=on, off=on / 2, full=height))
    conditioner = PressureConditioner("mouth", settings, numbers.__next__, Alarm(Timers(), 0))
    child = simulate.Pressure(rise=0.06)
    samples = simulate.pressure("mouth", sucks, 5 * MINUTE, rng, low=-height / 2, high=-height, child=child)
    ends = sum(isinstance(gesture, Release) for t, sample in samples for gesture in conditioner.handle(sample, t))
    assert ends == len(sucks) > 100


def test_bursts_are_as_published():
    """6 to 12 sucks at 2.1 Hz (Zimmerman et al. 2020; Martens et al. 2020)."""
    sucks = simulate.bursts(random.Random(1), 20 * MINUTE)
    gaps = [later.start - earlier.start for earlier, later in itertools.pairwise(sucks)]
    pauses = [i for i, gap in enumerate(gaps) if gap > NANOSECONDS]
    lengths = [later - earlier for earlier, later in itertools.pairwise(pauses)]
    assert set(lengths) <= set(range(6, 13))
    assert max(lengths) - min(lengths) > 3
    within = [gap / NANOSECONDS for gap in gaps if gap < NANOSECONDS]
    assert 1 / float(np.mean(within)) == pytest.approx(2.1, rel=1e-6)


def test_rest_breathes_26_times_a_minute_and_drifts_and_trembles_as_said():
    """26 a minute is the median at two years (Fleming et al. 2011); by Fourier transform."""
    child = simulate.Pressure(drift=0)
    samples = simulate.pressure("cheek", [], 5 * MINUTE, random.Random(2), low=1, high=2, child=child)
    pascal = np.array([sample.pascal for _t, sample in samples])
    assert len(pascal) == 5 * 60 * child.rate
    spectrum = np.abs(np.fft.rfft(pascal - pascal.mean()))
    assert np.argmax(spectrum) / 5 == pytest.approx(26, abs=0.2)
    assert pascal.mean() == pytest.approx(child.rest, abs=1)
    assert np.ptp(pascal) < child.breath + 3 * child.noise


def test_a_head_trembles_at_2_and_4_hertz():
    """J. Neurol. Neurosurg. Psychiatry 42:705, 1979;
    slow sway at 0.45 Hz lies within Neilson's 0.3 to 0.6 Hz (1974).
    """
    samples = simulate.pointer("head", [simulate.Visit(0, 0.5, 0.5)], MINUTE, random.Random(3))
    x = np.array([sample.x for _t, sample in samples])
    spectrum = np.abs(np.fft.rfft(x - x.mean()))
    strongest = sorted(np.argsort(spectrum)[-3:] / 60)
    assert strongest == pytest.approx([0.45, 2, 4], abs=0.02)
    assert np.ptp(x) < 0.06


def test_a_pointer_never_leaves_the_screen():
    visits = [simulate.Visit(0, 0, 1), simulate.Visit(2 * NANOSECONDS, 1, 0)]
    for _t, sample in simulate.pointer("head", visits, 4 * NANOSECONDS, random.Random(3)):
        assert 0 <= sample.x <= 1
        assert 0 <= sample.y <= 1


def test_a_keyboard_presses_and_lets_go_of_each_key():
    efforts = [simulate.Effort(0, 3 * NANOSECONDS, 1.0), simulate.Effort(NANOSECONDS, NANOSECONDS, 0.5)]
    assert list(simulate.keyboard("keys", zip(efforts, (60, 64), strict=True), channel=2)) == [
        (0, MidiSample("keys", (0x91, 60, 127))),
        (NANOSECONDS, MidiSample("keys", (0x91, 64, 64))),
        (2 * NANOSECONDS, MidiSample("keys", (0x81, 64, 64))),
        (3 * NANOSECONDS, MidiSample("keys", (0x81, 60, 64))),
    ]


def test_suction_is_below_rest():
    push = simulate.Effort(NANOSECONDS, NANOSECONDS, 1.0)
    child = simulate.Pressure(drift=0, breath=0, noise=0)
    samples = simulate.pressure("mouth", [push], 3 * NANOSECONDS, random.Random(1), low=-50, high=-200, child=child)
    held = [sample for t, sample in samples if 1.5 * NANOSECONDS < t < 1.9 * NANOSECONDS]
    assert set(held) == {PressureSample("mouth", child.rest - 200)}


# --- children drawn at random -------------------------------------------------------------------------------------

FAMILIES_AND_TIERS = list(itertools.product(simulate.FAMILIES, simulate.TIERS))


@pytest.mark.parametrize(("family", "tier"), FAMILIES_AND_TIERS)
def test_a_drawn_child_is_what_its_family_and_tier_say(family, tier):
    """Background from crest to trough, drift and frequencies within what ``draw`` documents, over many children."""
    shares, rates = [], set()
    for seed in range(40):
        child = simulate.draw(family, tier, random.Random(seed))
        shares.append(child.background / child.effort)
        rates.add(child.rate)
        assert abs(child.drift) <= simulate.TIERS[tier].drift
        assert 0.2 <= child.frequency <= 1.0
        assert child.sides == {"breathing": (1, -1), "sucking": (-1,)}.get(family, (1,))
    low, high = simulate.TIERS[tier].background
    assert low <= min(shares) < low + 0.3 * (high - low)
    assert high - 0.3 * (high - low) < max(shares) <= high
    assert min(rates) == 50
    assert max(rates) == 1000


@pytest.mark.parametrize(("family", "tier"), FAMILIES_AND_TIERS)
def test_a_session_is_its_efforts_over_its_background(family, tier):
    """Without efforts, drift and noise only the background is left, of the size that was drawn;
    the ideal is the efforts alone.
    """
    rng = random.Random(f"{family} {tier} 3")
    child = replace(simulate.draw(family, tier, rng), rate=100, noise=0.0, drift=0.0, step=0.0, offset=0.0)
    session = simulate.session(child, 60, rng)
    pascal = np.array([sample.pascal for _t, sample in session.samples])
    ideal = np.array([value for _t, value in session.ideal])
    assert [t for t, _value in session.ideal] == [t for t, _sample in session.samples]
    size = np.percentile(pascal - ideal, 99) - np.percentile(pascal - ideal, 1)
    assert size == pytest.approx(child.background, rel=0.35)
    assert len(session.efforts) >= 5
    for effort in session.efforts:
        inside = ideal[[effort.start <= t <= effort.end for t, _value in session.ideal]]
        sign = 1 if effort.side == "above" else -1
        assert max(sign * inside) == pytest.approx(effort.peak, rel=0.35)  # it may sag or waver
        assert 0.5 * child.effort < effort.peak < 1.5 * child.effort
    outside = [all(not e.start <= t <= e.end for e in session.efforts) for t, _value in session.ideal]
    assert not ideal[outside].any()


def test_the_same_seed_draws_the_same_session():
    first, second = (
        simulate.session(simulate.draw("ventilated", "hard", rng), 20, rng)
        for rng in (random.Random(8), random.Random(8))
    )
    assert first == second


def test_a_guided_session_is_marked_as_somebody_who_watches_would():
    for family in simulate.FAMILIES:
        rng = random.Random(4)
        session = simulate.session(simulate.draw(family, "ordinary", rng), 75, rng, guided=25)
        marks = [(t, sample.text) for t, sample in session.samples if isinstance(sample, Mark)]
        assert marks[:2] == [(NANOSECONDS, "rest"), (25 * NANOSECONDS, "end")]
        efforts = [t for t, text in marks if text == "effort"]
        starts = [effort.start for effort in session.efforts]
        assert all(min(abs(t - start) for start in starts) <= NANOSECONDS // 2 for t in efforts)
        assert all(min(abs(t - start) for start in starts) <= NANOSECONDS // 2 for t in efforts)
        assert (len(efforts) == len(starts)) is (family != "sucking")
        assert min(starts) > 25 * NANOSECONDS


def test_there_are_no_other_families_and_faults():
    with pytest.raises(ValueError, match="family"):
        simulate.draw("singing", "hard", random.Random(1))
    with pytest.raises(ValueError, match="fault"):
        list(simulate.failing([], "bored", 0, 1))


def test_writhing_is_nothing_above_2_hertz():
    """Peak at 0.3 to 0.6 Hz, nothing above 2 to 3 Hz (Neilson 1974); by Fourier transform."""
    rng = random.Random(9)
    child = replace(simulate.draw("writhing", "hard", rng), rate=100, noise=0.0, drift=0.0, step=0.0, pause=(999, 999))
    pascal = np.array([sample.pascal for _t, sample in simulate.session(child, 200, rng).samples])
    spectrum = np.abs(np.fft.rfft(pascal - pascal.mean())) ** 2
    frequency = np.fft.rfftfreq(len(pascal), 0.01)
    assert 0.15 < frequency[np.argmax(spectrum)] < 0.8
    assert spectrum[frequency > 2.5].sum() < 0.001 * spectrum.sum()


def still(seconds: float = 30.0):
    """A child who makes efforts over a small background, and the thresholds for it."""
    rng = random.Random(12)
    child = replace(
        simulate.draw("ventilated", "ordinary", rng), rate=100, offset=400.0, drift=0.0, step=0.0, noise=2.0
    )
    on = 0.5 * child.effort
    settings = PressureSettings(above=Side(on, 0.6 * on, child.effort), ends=(-5000.0, 3999.0))
    return simulate.session(child, seconds, rng), settings


@pytest.mark.parametrize("fault", simulate.FAULTS)
def test_a_failing_sensor_is_let_go_and_said_and_heard_again(fault):
    """Whatever a sensor does, nothing stays pressed for more than a few seconds, and efforts after it are heard."""
    session, settings = still(60.0)
    begin, end = 20 * NANOSECONDS, 32 * NANOSECONDS
    numbers = itertools.count(1)
    conditioner = PressureConditioner("cheek", settings, numbers.__next__, Alarm(Timers(), 0))
    said = []
    for t, sample in simulate.failing(session.samples, fault, begin, end):
        if isinstance(sample, Lost):
            said += [(t, gesture) for gesture in conditioner.lost(t)]
        elif isinstance(sample, PressureSample):
            said += [(t, gesture) for gesture in conditioner.handle(sample, t)]
    faults = [gesture for _t, gesture in said if isinstance(gesture, SensorFault)]
    assert (fault == "unplugged") is not bool(faults) or fault == "tube off"
    pressed = [t for t, gesture in said if isinstance(gesture, Press) and begin + 6 * NANOSECONDS < t < end]
    assert pressed == []
    after = [effort for effort in session.efforts if effort.start > end + 3 * NANOSECONDS]
    presses = [t for t, gesture in said if isinstance(gesture, Press)]
    heard = [any(effort.start <= t <= effort.end for t in presses) for effort in after]
    assert sum(heard) >= len(after) - 1 > 2


def test_ten_thousand_presses_a_tenth_of_them():
    """Contact bounce of 1 to 20 ms after each edge, and fingers that tremble off and on: exactly one press each."""
    meant, heard = hands.switches(1000)
    assert meant == heard == 1000


@pytest.mark.parametrize(("family", "tier"), [*FAMILIES_AND_TIERS, *itertools.product(hearing.IN_TIME, simulate.TIERS)])
def test_children_are_heard_and_nothing_else(family, tier):
    """A small part of the benchmark: fitted on one session, scored on another, held to the same floors."""
    found = Score()
    for seed in range(2 if tier == "hard" else 1):
        found.add(hearing.heard(hearing.case(f"{family}, {tier}", seed)))
    assert found.refused == 0
    assert found.share >= hearing.FLOORS[tier]
    assert found.false_a_minute <= hearing.MOST_FALSE
    assert found.delay <= hearing.MOST_DELAY


def test_breathing_of_another_simulator_plays_nothing_and_hides_no_effort():
    """A second opinion: NeuroKit2's respiration, made from breath cycles (Noto et al., 2018;
    from memory), with pushes on top.
    """
    for seed in SEEDS:
        breath = neurokit2.rsp_simulate(
            duration=120, sampling_rate=100, respiratory_rate=22, method="breathmetrics", random_state=seed
        )
        size, efforts = 300.0, [range(start, start + 120) for start in range(2500, 11500, 450)]
        pascal = 0.5 * size * breath / np.ptp(breath)
        for effort in efforts:
            pascal[effort.start : effort.stop] += size * np.sin(np.linspace(0, np.pi, 120)) ** 0.5
        numbers = itertools.count(1)
        settings = PressureSettings(above=Side(0.55 * size, 0.33 * size, size))
        conditioner = PressureConditioner("cheek", settings, numbers.__next__, Alarm(Timers(), 0))
        presses = [
            i
            for i, value in enumerate(pascal)
            for gesture in conditioner.handle(PressureSample("cheek", float(value)), i * NANOSECONDS // 100)
            if isinstance(gesture, Press)
        ]
        assert len(presses) == len(efforts)
        assert all(press in effort for press, effort in zip(presses, efforts, strict=True))
