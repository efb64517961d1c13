"""The library partitura, imported without what it does beside: a second reader of MusicXML.

Where FluidSynth is there, its import would fetch sounds from the network; and what it is made of warns.
"""

from __future__ import annotations

import sys
import warnings

there = sys.modules.get("fluidsynth")
sys.modules["fluidsynth"] = None  # type: ignore[assignment]  # as if it were not installed
with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import partitura
del sys.modules["fluidsynth"]
if there is not None:
    sys.modules["fluidsynth"] = there

__all__ = ["partitura"]
