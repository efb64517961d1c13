"""The facts of a pressure recording besides its thresholds: noise, drift, rhythm, and how efforts go and change."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from statistics import median

from router.core.units import NANOSECONDS
from router.fit.estimates import slope, spread
from router.fit.pressure_rest import Rest
from router.fit.pressure_trials import Hump, Trial, shape
from router.fit.recording import Recording
from router.fit.result import Fact, Figure

TIRES = 0.05
"""Share of the ordinary effort a minute; a smaller decline is not worth a remark."""


def facts_of(
    trial: Trial, efforts: Mapping[str, Sequence[Hump]], recording: Recording, rest: Rest
) -> tuple[list[Fact], list[str]]:
    """The measures taken on the way, and remarks on a child that tires."""
    facts: list[Fact] = []
    calm = [value for t, value in zip(trial.times, trial.beyond, strict=True) if recording.at_rest(t)]
    if len(calm) > 2:
        noise = spread([after - before for before, after in itertools.pairwise(calm)]) / math.sqrt(2)
        facts.append(
            Fact(
                "rest",
                "noise of {} (standard deviation), drift of {} a minute ({} to {})",
                ((noise, "pressure"), *((value, "pressure") for value in rest.drift())),
            )
        )
    if rhythm := rest.rhythm:
        facts.append(
            Fact(
                "rhythm",
                "something repeats every {} and is {} from crest to trough; it is taken out",
                ((rhythm[0], "time"), (rhythm[1], "pressure")),
            )
        )
    tiring: list[str] = []
    for side in trial.sides:
        humps = efforts[side]
        if not humps:
            continue
        ordinary = median(hump.size for hump in humps)
        shapes = [form for hump in humps if (form := shape(trial, side, hump))]
        figures: list[Figure] = [
            (ordinary, "pressure"),
            *((median(form[place] for form in shapes), "time") for place in (0, 1) if shapes),
        ]
        says = "ordinarily {}, risen within {}, held for {}" if shapes else "ordinarily {}"
        facts.append(Fact(f"efforts {side}", says, tuple(figures)))
        if len(humps) >= 5:
            change, low, high = slope([hump.top / (60 * NANOSECONDS) for hump in humps], [hump.size for hump in humps])
            says, figures = f"no sign of it in {len(humps)} efforts", []
            if low * high > 0:
                says = "efforts change by {} a minute ({} to {})"
                figures = [(value / ordinary, "share") for value in (change, low, high)]
            facts.append(Fact(f"tiring {side}", says, tuple(figures)))
            if high < 0 and change < -TIRES * ordinary:
                tiring.append(
                    f"efforts shrink by {-100 * change / ordinary:.0f} % a minute: the child tires, so short turns, and"
                    " fit again when it is rested"
                )
    return facts, tiring
