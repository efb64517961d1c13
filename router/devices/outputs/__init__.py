"""Outputs: where music goes. One file for each kind."""

from __future__ import annotations

from router.devices.descriptions import MidiPort, OutputDevice
from router.devices.outputs.base import Output, OutputError
from router.devices.outputs.instrument import InstrumentOutput
from router.devices.outputs.midi_port import MidiPortOutput

__all__ = ["Output", "OutputError", "open_output"]


def open_output(name: str, device: OutputDevice, client: str = "router") -> Output:
    """Open what a profile's output ``name`` describes, live; ``client`` is what other MIDI programs see us as.

    Raises:
        OutputError: it cannot be opened; the text says what to do.
    """
    if isinstance(device, MidiPort):
        return MidiPortOutput(name, device, client)
    return InstrumentOutput(device)
