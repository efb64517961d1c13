"""a. From an input event that is readable to MIDI that was sent, through five rules with limits, ledger and logs on.

Someone writes an event of 24 bytes into the pipe of one player after another, 12 ms apart: a press or a release, which
each give one message. The delay is from just before the event is written to when ``send_message`` has returned.
"""

from __future__ import annotations

import random

from router.system import clock

from .figures import QUANTILES, Result, Target, ratio
from .live import before_others, may_have_priority, profile, wait_until, world

APART = 12_000_000
"""Nanoseconds between two events: of one player some 36 ms, so that no limit is met
and no note is too short to end at once.
"""
NAMES = {"router": "router, five rules", "bare": "bare: epoll, send_message", "script": "script with mido"}


def measure(quick: bool) -> Result:
    result = Result("a", "a. Reaction: from readable to sent, µs", list(QUANTILES), unit="µs")
    for fifo in (False, True) if may_have_priority() else (False,):
        delays = _run(100 if quick else 1500, fifo)
        how = ", SCHED_FIFO" if fifo else ""
        found = {name: result.add(NAMES[name] + how, values) for name, values in delays.items()}
        ours, floor, script = found["router"], found["bare"], found["script"]
        for quantile in ("p50", "p99"):
            what = f"{quantile} as a multiple of the floor's{how}"
            result.targets.append(Target(what, 1.5, ratio(ours, floor, quantile), "times"))
        result.targets.append(
            Target(f"p50 as a multiple of the script's{how}", 1.0, ratio(ours, script, "p50"), "times")
        )
        result.remarks.append(f"Beyond the floor at the median{how}: {ours['p50'] - floor['p50']:.0f} µs.")
    return result


def _run(taps: int, fifo: bool) -> dict[str, list[float]]:
    """The delays of so many presses and releases of each player, in microseconds."""
    chance = random.Random("reaction")
    with world() as here:
        players = here.players(tuple(NAMES), profile(5), fifo=fifo)
        at = clock.now() + 500_000_000
        with before_others(fifo):
            for _ in range(2 * taps):
                for player in players.values():
                    at += APART + chance.randrange(500_000)
                    wait_until(at)
                    player.tap()
        delays = {}
        for name, player in players.items():
            sent, ended = player.ended()
            assert len(sent) == taps, f"{name} sent {len(sent)} notes for {taps} presses"
            assert len(ended) >= taps, f"{name} ended {len(ended)} notes of {taps}"
            pairs = [*zip(player.written, sent, strict=True), *zip(player.lifted, ended, strict=False)]
            delays[name] = [(done - began) / 1000 for began, done in pairs]
        return delays
