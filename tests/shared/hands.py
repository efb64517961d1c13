"""A simulated hand that plays a song it knows: a press for each note, with a hand's timing."""

from __future__ import annotations

import math
import random

from router.core.song import Song

APART = 0.08
"""Seconds at least from a release to the next press: a switch has one contact."""


def plays(
    song: Song, seed: int, *, deviation: float = 0.03, tempo: float = 1.0, wander: float = 0.0, begins: float = 1.0
) -> list[tuple[float, bool]]:
    """When a switch is pressed and released, in seconds, for each note of the melody.

    ``deviation``: of each press from where it should be, a standard deviation in seconds. ``tempo``: in proportion to
    the written one. ``wander``: of the tempo from note to note, the standard deviation of its logarithm. Notes are held
    for nine tenths of their length, more or less.
    """
    chance = random.Random(seed)
    quarter = 60 / float(song.tempos[0].tempo) / tempo
    steps, now, places = song.tune.steps, begins, []
    for i, step in enumerate(steps):
        places.append(now)
        if i + 1 < len(steps):
            quarter *= math.exp(chance.gauss(0, wander))
            now += float(steps[i + 1].at - step.at) * quarter
    presses = sorted(place + chance.gauss(0, deviation) for place in places)
    found = []
    for i, (step, press) in enumerate(zip(steps, presses, strict=True)):
        held = float(step.end - step.at) * quarter * min(1.0, max(0.75, chance.gauss(0.9, 0.05)))
        if i + 1 < len(steps):
            after = presses[i + 1] - press
            held = min(held, max(after - APART, 0.6 * after))
        found += [(press, True), (press + held, False)]
    return found
