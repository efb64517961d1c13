"""Outputs: where MIDI messages go. One file for each kind."""
