"""Former words of profiles and configurations, and the words of the trade that stand in their place.

A file that was written before is not read as if nothing had happened: what it says now is told, with its place.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from types import MappingProxyType

SETTINGS: Mapping[str, Sequence[str]] = MappingProxyType(
    {
        "again": ("allow_repeats",),
        "apart": ("spacing", "delay"),
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

VALUES: Mapping[tuple[str, str], str] = MappingProxyType(
    {
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
