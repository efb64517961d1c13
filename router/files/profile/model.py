"""A checked profile, as the rest of the program sees it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from router.core.engine import Plan
from router.core.song import Song
from router.devices.descriptions import Device, OutputDevice
from router.files.diagnostics import Problem


@dataclass(frozen=True, slots=True)
class Profile:
    """Everything for one child. ``types``, ``devices``: by input name; ``outputs``: by output name.

    ``warnings``: what may not be meant, although it can be played. ``units``: what each pressure is written in, for
    whoever reads its values. ``goals``: their weights, by name. ``songs``: by name; ``song_files``: what their files
    hold, by the name that is written.
    """

    path: Path
    child: str
    about: str
    plan: Plan
    types: dict[str, str]
    devices: dict[str, Device]
    outputs: dict[str, OutputDevice]
    units: dict[str, str]
    goals: dict[str, float]
    songs: Mapping[str, Song] = field(default_factory=dict)
    song_files: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    warnings: tuple[Problem, ...] = ()
