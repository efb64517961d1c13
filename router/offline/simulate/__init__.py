"""Simulated children: samples as their movements would give, from a seed, so that the same seed gives the same child.

Each source gives the samples of one input, in time order; ``together`` joins several. What a child *means* to do is a
list of efforts (or visits of places); bounce, tremor, breath, drift and noise are laid over it. So what should be heard
is known beforehand, and a test can hold the router to it.

The numbers describe published measurements, for trying the router out. They are never a target for a child.

* ``movements``: what the demo and the examples play: efforts in a list, and a switch, a sensor, a head or a keyboard
that does them.
* ``tiers``: children at a pressure sensor, drawn from a family and a tier: how large the background is beside an
effort.
* ``children``: families of children as they come, with what bodies, beds and sensors do, and marks by a helper's hand.
Made of
  ``breaths`` (rhythms), ``pulls`` (efforts), ``bodies`` (what nobody meant) and ``sensors``.
* ``fingers``, ``heads``: fingers on a switch that drag, double, tremble and rest; heads that drift, writhe, jerk and
tremble.
* ``failing``: sensors that fail.
"""

from router.offline.simulate.children import CHILDREN, Child, Family, sit
from router.offline.simulate.failing import FAULTS, failing
from router.offline.simulate.fingers import FINGERS, Finger, press_switch
from router.offline.simulate.heads import HEADS, Head, look
from router.offline.simulate.movements import (
    CM_H2O,
    IN_H2O,
    SUCKING,
    Effort,
    Hands,
    Pointer,
    Pressure,
    Struck,
    Switch,
    Visit,
    bursts,
    efforts,
    keyboard,
    pianist,
    pointer,
    pressure,
    switch,
    together,
)
from router.offline.simulate.tiers import FAMILIES, TIERS, Meant, PressureChild, SimulatedSession, Tier, draw, session

__all__ = [
    "CHILDREN",
    "CM_H2O",
    "FAMILIES",
    "FAULTS",
    "FINGERS",
    "HEADS",
    "IN_H2O",
    "SUCKING",
    "TIERS",
    "Child",
    "Effort",
    "Family",
    "Finger",
    "Hands",
    "Head",
    "Meant",
    "Pointer",
    "Pressure",
    "PressureChild",
    "SimulatedSession",
    "Struck",
    "Switch",
    "Tier",
    "Visit",
    "bursts",
    "draw",
    "efforts",
    "failing",
    "keyboard",
    "look",
    "pianist",
    "pointer",
    "press_switch",
    "pressure",
    "session",
    "sit",
    "switch",
    "together",
]
