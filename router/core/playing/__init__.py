"""A song at work: where it is, who moves it, and who follows.

    transport   where a song is, and how far it may go
    player      the notes of some parts, as a transport goes on
    role        what the ways of playing have in common
    stepped     her part, effort by effort: note, phrase, bar, section
    her_tempo   a tempo that follows the efforts
    started     her part from one effort: start
    in_time     her part while she presses, in a song that runs: now
    band        the parts that follow
    tune        a melody or a phrase by itself, for the rule ``choice``
    chords      the song's chord where it is, for the harmony

Each keeps the contract of a rule (``router.core.contract``): the rule ``song`` passes on what they give.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from router.core.contract import Context
from router.core.playing.band import Band
from router.core.playing.in_time import InTime
from router.core.playing.role import Role
from router.core.playing.started import Started
from router.core.playing.stepped import Stepped

__all__ = ["song_role"]

ROLES: Mapping[str, type[Role]] = {"now": InTime, "start": Started}
"""The roles by what a press plays; all others go on step by step."""


def song_role(settings: Mapping[str, Any], context: Context) -> Role:
    """The role that the settings of the rule ``song`` ask for."""
    press = settings.get("press")
    if press is None:
        return Band(settings, context)
    return ROLES.get(press, Stepped)(settings, context)
