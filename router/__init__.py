"""A real-time MIDI router for children who play music with one or two movements."""

__version__ = "0.1.0"
