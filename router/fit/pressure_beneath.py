"""The ground beneath the efforts of a pressure recording, found before any threshold is tried.

Drift, steps of rest, spikes.
"""

from __future__ import annotations

from dataclasses import replace

from router.core.conditioning.pressure import PressureSettings
from router.core.units import NANOSECONDS
from router.fit.estimates import quantile
from router.fit.pressure_rest import Rest
from router.fit.pressure_samples import Samples, Sizes
from router.fit.pressure_trials import Trial, holds
from router.fit.recording import Recording
from router.fit.result import SURE, Setting

LAG = 0.04
"""The share of an ordinary effort that rest may lie behind its drift. Our choice, as the bounds that follow."""
QUICKEST = 3 * NANOSECONDS
FLAT = (3 * NANOSECONDS // 2, 8 * NANOSECONDS)
"""The bounds of the time after which a level as still as rest is the new rest."""
HELD, LONGER = 1.4, 6 * NANOSECONDS // 10
"""How much longer it is than an effort is held: by this factor, and by this time."""
SOONEST, FAR_LONGER = 10 * NANOSECONDS, 6
"""An effort may last so long at least, and so many times the longest of the recording."""


def beneath_efforts(
    samples: Samples, recording: Recording, settings: PressureSettings, sizes: Sizes
) -> tuple[PressureSettings, list[Setting]]:
    """Find how quickly rest must be followed; return the settings with it, and what changed."""
    found: list[Setting] = []
    if settings.track is not None:
        slope, low, high = Rest(samples, recording).drift()
        drift, sure = abs(slope) / 60, low * high > 0 and slope != 0
        wanted = round(LAG * min(sizes.values()) / drift * NANOSECONDS) if sure else settings.track
        track = max(QUICKEST, min(settings.track, wanted))
        if track < 0.8 * settings.track:
            why = "rest drifts by {} a minute, and is followed so closely that it lags by little"
            figure = ((60 * drift, "pressure"),)
            found.append(Setting(("zero", "track"), track, "time", why, figure, track, track, SURE, settings.track))
            settings = replace(settings, track=track)
    return settings, found


def by_length(trial: Trial, settings: PressureSettings) -> list[Setting]:
    """Find what depends on how long efforts are held."""
    found = [_flat(trial, settings.flat)] if settings.flat else []
    return found if settings.longest is None else [*found, _longest(trial, settings.longest)]


def _flat(trial: Trial, before: int) -> Setting:
    """Find after how long a level as still as rest is the new rest: longer than efforts are held."""
    held = quantile(holds(trial) or [float(before)], 0.95)
    value = float(round(max(FLAT[0], min(FLAT[1], HELD * held + LONGER)), -8))
    why = "efforts are held for up to {}; a pressure that is as still as rest for longer is the new rest"
    return Setting(("zero", "flat"), value, "time", why, ((held, "time"),), value, value, SURE, before)


def _longest(trial: Trial, before: int) -> Setting:
    """Find after how long an effort is no effort, but a tube that was put on again: far longer than any was held."""
    held = max(holds(trial), default=float(before))
    value = float(round(min(max(SOONEST, FAR_LONGER * held), max(before, SOONEST)), -9))
    why = "efforts are held for up to {}; one that is held far longer is released, and taken for the new rest"
    return Setting(("longest",), value, "time", why, ((held, "time"),), value, value, SURE, before)


def outvoted(width: int, before: int) -> Setting:
    """Say over what time a running median is taken, and why."""
    why = "readings leap far away for a moment, as from a bad contact; the others within this time outvote them"
    if not width:
        why = "no reading leaps away, so none needs to wait for others"
    return Setting(("spikes",), width, "time", why, (), width, width, SURE, before)
