"""The simulated child to try measuring out on: whoever waits for long meets no seam."""

import itertools
import math

import pytest

from router.cli import simulated
from router.core.units import NANOSECONDS
from router.files import profile
from router.offline import simulate

POINTER = simulate.Pointer()


@pytest.mark.parametrize(("name", "kind"), [("lark", "pressure"), ("siskin", "pressure"), (None, "pointer")])
def test_the_same_comes_again_without_a_jump(name, kind):
    """A jump of rest in the middle of a measurement would be taken for what the child did."""
    names = [name] if name else sorted(file.stem for file in profile.shipped().glob("*.yaml"))
    loaded, source = next(
        (loaded, source)
        for loaded in map(profile.load, map(profile.find, names))
        for source, its_kind in loaded.types.items()
        if its_kind == kind
    )
    samples = list(
        itertools.takewhile(lambda each: each[0] < 700 * NANOSECONDS, simulated.child(loaded, source, lambda: 0))
    )
    values = [sample.pascal if kind == "pressure" else sample.x for _, sample in samples]
    steps = [abs(after - before) for before, after in itertools.pairwise(values)]
    seam = simulated.SECONDS * len(samples) // 700
    aside = len(samples) // 100
    assert max(steps[seam - aside : seam + aside]) <= max(steps[: seam - aside])
    means = [sum(values[at : at + aside]) / aside for at in range(0, len(values) - aside, aside)]
    moves = [abs(after - before) for before, after in itertools.pairwise(means)]
    # Where it turns back, a swing of the head may come twice to the same side: so much in the mean of seven seconds.
    swing = 2 * POINTER.sway / (math.pi * POINTER.sway_frequency) / 7 if kind == "pointer" else 0.0
    assert max(moves[40:46]) <= 1.5 * max(moves[:40]) + swing, "rest jumps"
