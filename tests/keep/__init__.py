"""What is kept of a session: MIDI file, sound, score, page."""
