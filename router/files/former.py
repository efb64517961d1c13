"""Former words of profiles and configurations, and the words of the trade that stand in their place.

A file that was written before is not read as if nothing had happened: what it says now is told, with its place.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from fractions import Fraction
from types import MappingProxyType

SETTINGS: Mapping[str, Sequence[str]] = MappingProxyType(
    {
        "again": ("allow_repeats",),
        "apart": ("spacing", "delay"),
        "beats": ("time_signature",),
        "crossing": ("full_speed",),
        "forgive": ("grace_time",),
        "freeze": ("hold",),
        "margin": ("hysteresis",),
        "most": ("longest_wait", "longest_turn"),
        "motif": ("chime",),
        "renew": ("restrike_after",),
        "spread": ("position",),
        "tell_apart": ("exclusive",),
        "voicing": ("voice_leading",),
        "way": ("direction",),
    }
)
"""Former names of settings; where two groups called two things by one word, each has its own name now."""


def _ratio(percent: int) -> str:
    """The swing that was written as a share of two steps, in small numbers: "2:1" for 66 and 67."""
    long = Fraction(percent, 100 - percent).limit_denominator(5)
    return f"{long.numerator}:{long.denominator}"


VALUES: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        **{("swing", f"{percent} %"): _ratio(percent) for percent in range(50, 76)},
        **{("time_signature", str(quarters)): f"{quarters}/4" for quarters in range(1, 17)},
        ("end", "turn back"): "back and forth",
        ("kind", "fifth"): "open fifth",
        ("voice_leading", "nearest"): "smooth",
    }
)
"""By a setting's name of today and a former value: the value of today."""


def setting(name: str, known: Container[str]) -> str | None:
    """Today's name of a setting, if ``name`` is a former one of one of these."""
    return next((new for new in SETTINGS.get(name, ()) if new in known), None)


def value(name: str, text: str) -> str | None:
    """Today's word for a former value of a setting, which has its name of today."""
    return VALUES.get((name, " ".join(text.split())))
