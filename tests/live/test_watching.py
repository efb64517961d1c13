"""What a seat shows to whoever watches, on virtual time: real profiles, real conditioning, simulated children."""

from __future__ import annotations

import pytest

from router.core.engine import Engine
from router.core.events import Found, Lost, Mark, PressureSample, SwitchSample
from router.core.units import NANOSECONDS
from router.files import profile
from router.live.watching import EVENTS
from tests.shared.watched import Seat


def test_a_pressure_with_its_rest_level_and_thresholds():
    seat = Seat("lark")  # a sensor in Pa; the thresholds are in inches of water
    frames = seat.frames(20)
    first, last = frames[0]["inputs"]["cheek"], frames[-1]["inputs"]["cheek"]
    assert first["now"] is None
    assert first["heard"] is None
    assert first["rest"] is None
    assert last["unit"] == "inH2O"
    assert last["above"] == {"on": 0.5, "off": 0.3, "full": 3.0}
    assert "below" not in last
    assert last["presses"] > 5
    rests = [frame["inputs"]["cheek"]["rest"] for frame in frames[50:]]
    assert max(rests) - min(rests) < 0.3  # follows what is underneath, and no effort
    spread = [frame["inputs"]["cheek"] for frame in frames[50:]]
    assert all(shown["low"] <= shown["now"] <= shown["high"] for shown in spread)
    assert any(shown["low"] < shown["high"] for shown in spread)
    told = [happened for frame in frames for happened in frame["events"]]
    assert sum(happened["event"] == "press" for happened in told) == last["presses"]
    pressed = [bool(shown["pressed"]) for shown in spread]
    assert any(pressed)
    assert not all(pressed)
    assert {source for shown in spread for source in shown["pressed"]} == {"cheek.above"}
    assert all(0 <= happened["ago"] <= 0.04 for happened in told)


def test_a_pointer_with_its_zones():
    seat = Seat("pipit")
    frames = seat.frames(20)
    shown = [frame["inputs"]["head"] for frame in frames]
    assert shown[0]["place"] is None
    grid = seat.engine.inputs["head"].settings.grid
    assert {(one["columns"], one["rows"]) for one in shown} == {(grid.columns, grid.rows)}
    zones = {one["zone"] for one in shown}
    assert len(zones) > 3
    for one in shown:
        if one["zone"] is not None:  # the pointer is in the zone that plays, or not far from its border
            x, y = one["place"]
            row, column = divmod(one["zone"] - 1, grid.columns)
            assert -0.6 < x * grid.columns - column < 1.6
            assert -0.6 < y * grid.rows - row < 1.6


def test_a_tap_between_two_frames_is_seen():
    seat = Seat("wren")
    seat.frame(0)
    seat.hear(SwitchSample("finger", pressed=False), 1_000_000)
    for at, pressed in ((10_000_000, True), (300_000_000, False)):
        seat.hear(SwitchSample("finger", pressed=pressed), at)
    shown = seat.frame(400_000_000)["inputs"]["finger"]
    assert (shown["now"], shown["low"], shown["high"]) == (False, False, True)
    shown = seat.frame(440_000_000)["inputs"]["finger"]
    assert (shown["now"], shown["low"], shown["high"]) == (False, False, False)
    assert shown["heard"] == 0.14


def test_whoever_begins_to_watch_sees_what_is_held_and_nothing_that_is_over():
    seat = Seat("wren")
    for at, pressed in enumerate((True, False, True)):
        seat.hear(SwitchSample("finger", pressed=pressed), at * NANOSECONDS)
    frame = seat.frame(10 * NANOSECONDS)
    assert frame["events"] == []
    shown = frame["inputs"]["finger"]
    assert shown["pressed"] == ["finger"]
    assert shown["presses"] == 2
    assert (shown["now"], shown["low"], shown["high"]) == (True, True, True)
    assert shown["heard"] == 8.0


def test_nothing_is_kept_when_nobody_watches_any_more():
    seat = Seat("lark")
    seat.frame(0)
    for at in range(100):  # the last of them long after the last frame
        seat.hear(PressureSample("cheek", float(at)), at * NANOSECONDS // 10)
    assert seat.watching._extremes == {"cheek": (0.0, 10.0)}
    assert seat.frame(10 * NANOSECONDS)["inputs"]["cheek"]["low"] == pytest.approx(99.0 / 249.089, abs=1e-4)


def test_however_much_comes_in_only_so_much_is_kept():
    seat = Seat("wren")
    seat.frame(0)
    for number in range(1000):
        seat.hear(Mark(f"{number}"), 1)
        seat.hear(SwitchSample("finger", pressed=False), 1)
    frame = seat.frame(2)
    assert len(frame["events"]) == EVENTS
    assert frame["missed"] == 1000 - EVENTS
    assert frame["events"][-1]["fields"] == {"text": "999"}
    assert seat.frame(3)["missed"] == 0


def test_a_device_that_goes_and_a_reading_that_is_none():
    seat = Seat("lark")
    seat.frame(0)
    seat.hear(PressureSample("cheek", 5.0), 1)
    seat.hear(PressureSample("cheek", float("nan")), 2)
    shown = seat.frame(3)["inputs"]["cheek"]
    assert shown["there"] is True
    assert shown["now"] is None
    seat.hear(Lost("cheek"), 4)
    frame = seat.frame(5)
    assert frame["inputs"]["cheek"]["there"] is False
    assert [happened["event"] for happened in frame["events"]] == ["lost"]
    seat.hear(Found("cheek"), 6)
    assert seat.frame(7)["inputs"]["cheek"]["there"] is True


def test_another_profile_begins_anew():
    seat = Seat("wren")
    seat.hear(SwitchSample("finger", pressed=True), 0)
    seat.hear(SwitchSample("finger", pressed=False), NANOSECONDS)
    assert seat.frame(NANOSECONDS)["inputs"]["finger"]["presses"] == 1
    other = profile.load(profile.find("lark"))
    seat.watching.plays(other, Engine(other.plan).inputs)
    seat.last.clear()
    frame = seat.frame(2 * NANOSECONDS)
    assert frame["child"] == "lark"
    assert [*frame["inputs"]] == ["cheek"]
    assert frame["inputs"]["cheek"]["presses"] == 0
