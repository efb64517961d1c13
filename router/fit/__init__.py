"""From a recording to settings: numbers that hear a child's efforts and nothing else, with their reasons.

``recording`` makes stretches of rest and efforts of samples and marks; ``bursts`` finds what nobody asked for;
``pressures``, ``switches`` and ``pointers`` hold the numbers of each kind of input and the estimators they come from;
``result`` holds a fit's results.
"""

from __future__ import annotations

from router.core.conditioning.base import Conditioner
from router.core.conditioning.listen import ListenConditioner
from router.core.conditioning.pointer import PointerConditioner
from router.core.conditioning.pressure import PressureConditioner
from router.core.conditioning.switch import SwitchConditioner
from router.fit.pointers import pointer
from router.fit.pressures import applied, pressure
from router.fit.recording import FitError, Recording, Stretch, record
from router.fit.result import Fact, Figure, Fit, Heard, Judged, Setting
from router.fit.switches import switch

__all__ = [
    "Fact",
    "Figure",
    "Fit",
    "FitError",
    "Heard",
    "Judged",
    "Recording",
    "Setting",
    "Stretch",
    "applied",
    "fit",
    "pointer",
    "pressure",
    "record",
    "switch",
]


def fit(recording: Recording, conditioner: Conditioner) -> Fit:
    """Fit the settings of an input, which is conditioned by ``conditioner`` now, to the recording.

    Raises:
        FitError: nothing can be fitted.
    """
    if isinstance(conditioner, PressureConditioner):
        return pressure(recording, conditioner.settings)
    if isinstance(conditioner, SwitchConditioner):
        return switch(recording, conditioner)
    if isinstance(conditioner, PointerConditioner):
        return pointer(recording, conditioner)
    if isinstance(conditioner, ListenConditioner):
        raise FitError("a listen input has nothing to fit", "It hears what others play, and no movement.")
    raise FitError("a MIDI input has nothing to fit", "Every key counts as it is; lowest and highest choose the keys.")
