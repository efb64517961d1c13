"""The beat of a room on virtual time: taps, a clock that trembles, a clock that goes; and the clock that goes out."""

from __future__ import annotations

import math
import random
import statistics
from fractions import Fraction
from itertools import pairwise

import pytest

from router.core.music import Music, TimeSignature
from router.core.units import NANOSECONDS
from router.room.beat import KEPT, Beat, ClockOut
from router.testing import MILLISECOND, Observed
from tests.benchmarks import beat as benchmark

START, CONTINUE, STOP, CLOCK = 0xFA, 0xFB, 0xFC, 0xF8


def tapped(*times: float, beat: Beat | None = None) -> Beat:
    beat = beat or Beat(Music(tempo=Fraction(100)))
    for when in times:
        beat.tap(round(when * MILLISECOND))
    return beat


def on_the_beat(beat: Beat, now: float) -> float:
    """How far from a beat this moment is, in milliseconds."""
    position = beat.position(round(now * MILLISECOND))
    return abs(float((position - round(position)) * beat.quarter)) / MILLISECOND


# --- taps -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "times",
    [
        (0, 500, 1000, 1500),
        (0, 500, 1000, 2000, 2500),  # one was forgotten
        (0, 500, 1000, 1060, 1500, 2000),  # one was double
        (0, 500, 1000, 1300, 1500, 2000),  # one was beside it
    ],
)
def test_taps_give_tempo_and_phase(times):
    beat = tapped(*times)
    assert beat.music.tempo == 120
    assert on_the_beat(beat, times[-1]) < 1e-5


def test_two_taps_are_not_yet_a_beat():
    assert tapped(0, 500).music == Music(tempo=Fraction(100))


def test_unsteady_taps_give_their_mean_and_the_last_is_on_the_beat():
    beat = tapped(0, 510, 990, 1505, 1995, 2500)
    assert abs(beat.music.tempo - 120) < 1
    assert on_the_beat(beat, 2500) < 1e-5


def test_the_first_tap_after_a_pause_begins_a_bar_and_another_tempo_is_taken():
    beat = tapped(0, 500, 1000, 1500)
    tapped(9130, 9930, 10730, beat=beat)
    assert beat.music.tempo == 75
    assert beat.position(round(10730 * MILLISECOND)) % 4 == 2


def test_another_tempo_in_the_middle_is_taken_after_two_intervals():
    beat = tapped(0, 500, 1000, 1500, 2200, 2900)
    assert abs(beat.music.tempo - Fraction(60_000, 700)) < Fraction(1, 100)


def test_taps_in_six_eight_are_dotted_quarters_two_to_a_bar():
    """Half a second from tap to tap: 120 dotted quarters are 180 quarters a minute, and a bar
    of three lasts a second.
    """
    beat = Beat(Music(time_signature=TimeSignature(6, 8)))
    for tap in (0, 500, 1000, 1500):
        beat.tap(round((1000 + tap) * MILLISECOND))
    assert beat.music.tempo == 180
    assert abs(beat.position(2500 * MILLISECOND) - beat.position(2000 * MILLISECOND) - Fraction(3, 2)) < 1e-6
    assert beat.position(2500 * MILLISECOND) % Fraction(3, 2) < 1e-6
    assert abs(beat.position(2500 * MILLISECOND) % 3 - Fraction(3, 2)) < 1e-6  # the fourth tap: the second beat


@pytest.mark.parametrize("signature", [TimeSignature(4, 4), TimeSignature(6, 8), TimeSignature(7, 8)], ids=str)
def test_no_beat_comes_twice_under_taps(signature):
    chance = random.Random(1)
    beat, now = Beat(Music(time_signature=signature)), 0
    for _ in range(2000):
        now += round(chance.choice((500, 510, 490, 700, 60, 1000, 5000)) * MILLISECOND * chance.uniform(0.95, 1.05))
        before = beat.position(now)
        beat.tap(now)
        come = before // signature.beat * signature.beat
        assert beat.position(now) >= come
        if beat.position(now) < before:
            assert beat.position(now) > come


@pytest.mark.parametrize(("sd", "taps", "most"), [(20, 4, 1.2), (20, 8, 1.1), (30, 8, 1.3), (40, 8, 1.8)])
def test_hands_that_tremble_are_followed_nearly_as_well_as_can_be(sd, taps, most):
    """Taps off by 20 to 40 ms at 100 bpm (our choice):
    beside the standard error of the mean of the intervals that count.
    """
    errors = [benchmark.tapped(sd, taps, seed) for seed in range(300)]
    assert errors.count(None) <= 3
    rms = math.sqrt(statistics.mean(error * error for error in errors if error is not None))
    assert rms < most * sd * math.sqrt(2) / min(KEPT, taps - 1) / 600


# --- a clock comes in -------------------------------------------------------------------------------------------


def clocked(beat: Beat, times: list[int]) -> list[int]:
    return [now for now in times if beat.hear([CLOCK], now)]


def steady(bpm: float, beats: int, since: int = NANOSECONDS) -> list[int]:
    return [since + round(i * 60 * NANOSECONDS / bpm / 24) for i in range(24 * beats + 1)]


@pytest.mark.parametrize("bpm", [60, 97.3, 120, 180])
@pytest.mark.parametrize("kind", ["uniform", "normal"])
def test_a_clock_that_trembles_is_followed(bpm, kind):
    """Tempo after four beats, and how far beats are off after that;
    a normal jitter of 3 ms needs six beats for fast tempos.
    """
    errors, after, off = [], [], []
    for seed in range(10):
        chance = random.Random(seed)
        beat = Beat(Music(tempo=Fraction(100)))
        beat.hear([START], 0)
        true = steady(bpm, 24)
        heard = [t + round((chance.uniform(-3, 3) if kind == "uniform" else chance.gauss(0, 3)) * 1e6) for t in true]
        for index, now in enumerate(sorted(heard)):
            beat.hear([CLOCK], now)
            if index == 96:
                errors.append(abs(float(beat.music.tempo) / bpm - 1))
            if index >= 144 and index % 24 == 0:
                after.append(abs(float(beat.music.tempo) / bpm - 1))
                off.append(float((beat.position(true[index]) - Fraction(index, 24)) * beat.quarter) / MILLISECOND)
    assert statistics.median(errors) < 0.001
    assert statistics.quantiles(after, n=10)[8] < 0.001
    assert statistics.pstdev(off) < 1.0


@pytest.mark.parametrize(("bpm", "kind"), [(180, "sd 3 ms"), (120, "sd 3 ms"), (180, "3 ms each way")])
def test_the_tempo_after_four_beats_is_as_near_as_least_squares_can_be(bpm, kind):
    """Of 97 ticks that tremble by a standard deviation s the slope has the standard error s / sqrt(97
    (97 * 97 - 1) / 12).
    """
    errors = [benchmark.followed(bpm, kind, seed)[0] for seed in range(60)]
    possible = benchmark.JITTER[kind][1] / math.sqrt(97 * (97 * 97 - 1) / 12) / (60_000 / bpm / 24)
    assert math.sqrt(statistics.mean(error * error for error in errors)) < 1.2 * possible
    within = benchmark.bound(bpm, benchmark.JITTER[kind][1])
    assert sum(error <= 0.001 for error in errors) / 60 > within - 3 * math.sqrt(within * (1 - within) / 60) - 0.01


@pytest.mark.parametrize("ends", [60, 100, 125, 180])
def test_a_jump_is_followed_within_two_beats(ends):
    chance = random.Random(2)
    beat = Beat(Music(tempo=Fraction(100)))
    first = steady(120, 16)
    second = steady(ends, 2, first[-1])
    clocked(beat, sorted(t + round(chance.uniform(-1, 1) * 1e6) for t in [*first, *second[1:]]))
    assert abs(float(beat.music.tempo) / ends - 1) < 0.02


def test_start_begins_a_bar_and_continue_goes_on_where_the_song_position_says():
    beat = Beat(Music())
    beat.hear([START], 5)
    clocked(beat, steady(120, 4))
    assert abs(beat.position(NANOSECONDS)) < Fraction(1, 1000)
    beat.hear([STOP], 4 * NANOSECONDS)
    beat.hear([0xF2, 10, 1], 4 * NANOSECONDS)  # 138 sixteenths
    beat.hear([CONTINUE], 4 * NANOSECONDS)
    clocked(beat, steady(120, 1, 4 * NANOSECONDS + MILLISECOND))
    assert abs(beat.position(4 * NANOSECONDS + MILLISECOND) - Fraction(138, 4)) < Fraction(1, 100)


def test_a_lost_clock_is_said_once_and_the_beat_goes_on():
    log = Observed()
    beat = Beat(Music(), log)
    clocked(beat, steady(140, 8))
    before = beat.music
    deadline = beat.deadline()
    assert deadline is not None
    beat.wake(deadline - 1)
    assert beat.clocked
    beat.wake(deadline)
    assert not beat.clocked
    assert beat.deadline() is None
    assert beat.music == before
    assert abs(float(before.tempo) - 140) < 0.01
    clocked(beat, steady(140, 2, deadline + NANOSECONDS))
    assert [event for _, event, _ in log.lines] == ["lost", "found"]


def test_a_steady_clock_changes_the_music_no_more():
    beat = Beat(Music())
    assert [now for now in clocked(beat, steady(133, 60)) if now > 4 * NANOSECONDS] == []


def test_one_tick_that_is_held_up_bends_nothing():
    beat = Beat(Music())
    times = steady(120, 20)
    times[24 * 16 + 6] += 60 * MILLISECOND
    clocked(beat, sorted(times))
    assert abs(float(beat.music.tempo) / 120 - 1) < 0.001


# --- the clock goes out -----------------------------------------------------------------------------------------


def sent(out: ClockOut, until: int) -> list[tuple[int, bytes]]:
    found = []
    while (now := out.deadline()) <= until:
        found += [(now, data) for data in out.wake(now)]
    return found


def test_ticks_do_not_drift_in_an_hour():
    music = Music(tempo=Fraction(977, 7), origin=12345)
    out = ClockOut(music, 12345)
    ticks = sent(out, 3600 * NANOSECONDS + 12345)
    step = 60 * NANOSECONDS * 7 / Fraction(977) / 24
    assert all(data == b"\xf8" for _, data in ticks)
    assert all(0 <= now - 12345 - index * step < 1 for index, (now, _) in enumerate(ticks))
    assert len(ticks) == 3600 * NANOSECONDS // step + 1


def test_start_comes_before_the_first_tick_of_a_bar():
    out = ClockOut(Music(tempo=Fraction(60)), 0)
    out.start()
    messages = sent(out, 5 * NANOSECONDS)
    place = [data for _, data in messages].index(b"\xfa")
    assert place == 96
    assert messages[place + 1] == (4 * NANOSECONDS, b"\xf8")
    assert messages[place][0] < 4 * NANOSECONDS - MILLISECOND


def test_who_runs_is_led_to_another_place():
    out = ClockOut(Music(tempo=Fraction(60)), 0)
    out.resume()
    sent(out, NANOSECONDS)
    assert out.follow(Music(tempo=Fraction(61), origin=MILLISECOND), NANOSECONDS) == []
    assert out.follow(Music(tempo=Fraction(60), origin=-9 * NANOSECONDS), NANOSECONDS) == [b"\xfc"]
    messages = [data for _, data in sent(out, 2 * NANOSECONDS)]
    place = messages.index(b"\xfb")
    position = messages[place - 1][1] | messages[place - 1][2] << 7
    assert messages[place - 1][0] == 0xF2
    assert position == 41  # ten quarters and one sixteenth: the first tick after it is there


def test_missed_ticks_are_made_up_for_and_after_a_long_hold_up_the_place_is_told():
    out = ClockOut(Music(tempo=Fraction(60)), 0)
    out.resume()
    sent(out, NANOSECONDS)
    assert out.wake(NANOSECONDS + 250 * MILLISECOND) == [b"\xf8"] * 6
    assert out.wake(4 * NANOSECONDS + 1)[0] == b"\xfc"
    assert not out.running


def test_a_beat_that_moves_a_little_loses_no_tick():
    out, now, ticks = ClockOut(Music(tempo=Fraction(120)), 0), 0, []
    chance = random.Random(3)
    for _ in range(200):
        now += chance.randrange(1, 300 * MILLISECOND)
        ticks += sent(out, now)
        assert out.follow(Music(tempo=Fraction(120), origin=chance.randrange(-MILLISECOND, MILLISECOND)), now) == []
    times = [when for when, _ in ticks]
    assert all(one < two for one, two in pairwise(times))
    assert abs(len(ticks) - now * 48 // NANOSECONDS) <= 2


@pytest.mark.parametrize(("signature", "clocks"), [(TimeSignature(6, 8), 72), (TimeSignature(7, 8), 84)], ids=str)
def test_start_waits_for_the_bar_of_any_time_signature(signature, clocks):
    out = ClockOut(Music(tempo=Fraction(120), time_signature=signature), 0)
    out.start()
    messages = [message[0] for _, message in sent(out, 4 * NANOSECONDS)]
    assert messages.index(START) == clocks  # after the ticks of one bar, from the one at 0 on
