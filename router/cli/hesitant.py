"""A simulated child that knows a song and plays it with one switch: slower than it is written, and with pauses.

Before each line she waits, as one who breathes; once in the middle of a line she stops for long, and goes on. The times
are the same each time.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from fractions import Fraction

from router.core.units import NANOSECONDS
from router.devices.inputs.base import Stamped
from router.files.profile import Profile
from router.offline import simulate

SEED = 3
BEGINS = NANOSECONDS
"""When she plays the first note."""
SLOWER = Fraction(5, 4)
"""How much longer than written each note takes her."""
JITTER = 0.06
"""Standard deviation of her presses, in seconds."""
BREATH = (0.4, 1.2)
"""How long she waits before a line, in seconds."""
STOPS = 3.0
"""How long she stops in the middle of the line that is in the middle of the song, in seconds."""
HELD = 0.8
"""The share of each note for which she holds it."""


def hesitant(loaded: Profile, name: str, until: int) -> Iterator[Stamped]:
    """Samples of one switch of a profile with a song, until a time in nanoseconds, or until its end."""
    song = next(iter(loaded.songs.values()))
    rng = random.Random(SEED)  # noqa: S311 - a simulation, not a secret
    steps = song.tune.steps
    lines = {phrase.first for phrase in song.phrases[1:]}
    middle = song.phrases[len(song.phrases) // 2]
    stops = (middle.first + middle.after) // 2
    found: list[simulate.Effort] = []
    at = float(BEGINS)
    for index, step in enumerate(steps):
        if index in lines:
            at += rng.uniform(*BREATH) * NANOSECONDS
        if index == stops:
            at += STOPS * NANOSECONDS
        after = steps[index + 1].at if index + 1 < len(steps) else step.end
        lasts = float((after - step.at) * 60 * SLOWER / song.tempo(step.at)) * NANOSECONDS
        pressed = int(at + max(-0.1, min(0.1, rng.gauss(0, JITTER))) * NANOSECONDS)
        if pressed + lasts > until:
            break
        found.append(simulate.Effort(pressed, int(lasts * HELD)))
        at += lasts
    return simulate.switch(name, found, rng)
