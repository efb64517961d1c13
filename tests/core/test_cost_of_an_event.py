"""How much work an event is: counted in lines of Python, not in time, so that it is the same on any machine.

A change that makes an event cost much more fails here and names what it made dearer. One that makes it much cheaper
fails too: then the number is set anew, so that what was won is kept. Between Python 3.11 and 3.13 the counts differ by
4 % at most.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import router
from router.core.conditioning.pointer import PointerConditioner, PointerSettings, ZoneGrid
from router.core.conditioning.pressure import PressureConditioner, PressureSettings, Side
from router.core.conditioning.switch import SwitchConditioner, SwitchSettings
from router.core.engine import Engine, PartPlan, Plan, RulePlan
from router.core.events import PointerSample, PressureSample, Route, SwitchSample
from router.core.ledger import Limits
from router.core.music import Music
from router.core.rules import RULES
from router.core.units import NANOSECONDS

LINES = {
    "a press through five rules": 346,
    "a release through five rules": 214,
    "a press among 64 parts": 346,
    "a switch that says the same again": 28,
    "a pressure at rest": 63,
    "a pointer that stays": 99,
}
"""Lines run in the router for one event of each kind."""

MORE = 1.3
"""So many times as many are too many; a change that doubles the work of an event is far above it."""
LESS = 0.7

HERE = str(Path(router.__file__).parent)
FIVE = (
    ("sequence", {"degrees": [1, 2, 3, 5], "octave": 4, "end": "loop"}),
    ("transpose", {"semitones": 0, "octaves": 1, "steps": 0}),
    ("scale_lock", {"to": "scale", "direction": "nearest"}),
    (
        "velocity",
        {"from": "strength", "low": 40, "high": 90, "curve": "linear", "fast": 300_000_000, "slow": NANOSECONDS},
    ),
    ("release", {"when": "released", "fade": 0}),
)


def lines(work: Callable[[], object]) -> int:
    """How many lines of the router's files are run."""
    count = 0

    def line(_frame, event, _argument):
        nonlocal count
        count += event == "line"
        return line

    before = sys.gettrace()
    sys.settrace(lambda frame, _event, _argument: line if frame.f_code.co_filename.startswith(HERE) else None)
    try:
        work()
    finally:
        sys.settrace(before)
    return count


def engine(parts: int = 1) -> Engine:
    """An engine with so many parts, a switch and five rules each;
    and a pressure sensor and a pointer that nobody hears.
    """
    inputs = {
        f"pad{n}": lambda voice, alarm, n=n: SwitchConditioner(
            f"pad{n}", SwitchSettings(debounce=30_000_000), voice, alarm
        )
        for n in range(parts)
    }
    side = Side(on=100.0, off=60.0, full=500.0)
    inputs["cheek"] = lambda voice, alarm: PressureConditioner("cheek", PressureSettings(above=side), voice, alarm)
    grid = PointerSettings(grid=ZoneGrid(columns=4, rows=2))
    inputs["head"] = lambda voice, alarm: PointerConditioner("head", grid, voice, alarm)
    rules = tuple(
        RulePlan(name, lambda context, name=name, settings=settings: RULES[name](settings, context))
        for name, settings in FIVE
    )
    plans = tuple(PartPlan(f"tune{n}", (f"pad{n}",), rules, Route("out", n % 9 + 1)) for n in range(parts))
    made = Engine(Plan(Music(), Limits(), inputs, plans), lambda _now, _event, _fields: None)
    made.start(0)
    return made


def settled(sample: Callable[[int], object], every: int, count: int = 400) -> int:
    """The lines of the median of so many samples, after as many that let the input settle."""
    played = engine()
    now, costs = 0, []
    for number in range(2 * count):
        now += every
        costs.append(lines(lambda: played.handle(sample(number), now)))  # noqa: B023 - used up at once
    return sorted(costs[count:])[count // 2]


def taps(parts: int = 1) -> tuple[int, int]:
    """The lines of a press and of a release, after some others."""
    played, now, last = engine(parts), 0, (0, 0)
    down, up = SwitchSample(f"pad{parts // 2}", True), SwitchSample(f"pad{parts // 2}", False)
    for _ in range(6):
        messages: list[object] = []
        now += NANOSECONDS // 2
        press = lines(lambda: messages.extend(played.handle(down, now)))  # noqa: B023 - as above
        now += NANOSECONDS // 2
        release = lines(lambda: messages.extend(played.handle(up, now)))  # noqa: B023 - as above
        assert len(messages) == 2, "each gives one message"
        last = press, release
    return last


def counts() -> dict[str, int]:
    press, release = taps()
    return {
        "a press through five rules": press,
        "a release through five rules": release,
        "a press among 64 parts": taps(64)[0],
        "a switch that says the same again": settled(lambda _n: SwitchSample("pad0", False), 10_000_000),
        "a pressure at rest": settled(lambda n: PressureSample("cheek", 40.0 + n % 3), 1_000_000),
        "a pointer that stays": settled(lambda n: PointerSample("head", 0.12 + 0.001 * (n % 3), 0.2), 16_666_667),
    }


def test_an_event_costs_what_it_did():
    found = counts()
    dearer = {what: f"{found[what]} lines, {was} before" for what, was in LINES.items() if found[what] > MORE * was}
    assert not dearer
    cheaper = {what: f"{found[what]} lines, {was} before" for what, was in LINES.items() if found[what] < LESS * was}
    assert not cheaper, "well done: set the numbers anew"


def test_what_others_play_costs_nothing():
    found = counts()
    assert found["a press among 64 parts"] == found["a press through five rules"]


def test_a_rule_that_does_twice_the_work_is_noticed(monkeypatch):
    before = taps()[0]
    once = RULES["transpose"].note_on

    def over_and_over(self, note, now):
        for _ in range(before):
            given = once(self, note, now)
        return given

    monkeypatch.setattr(RULES["transpose"], "note_on", over_and_over)
    assert taps()[0] > MORE * before


if __name__ == "__main__":
    sys.stdout.write(f"{sys.version} {counts()}\n")
