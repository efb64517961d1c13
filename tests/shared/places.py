"""Where things are in the checkout."""

from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
ROOT = TESTS.parent
"""The checkout."""

GOLDEN_PROFILES = TESTS / "golden" / "profiles"
GOLDEN_CONFIGURATIONS = TESTS / "golden" / "configuration"
"""Files, and what is said of each, word for word."""

GOLDEN_MUSIC = TESTS / "golden" / "music"
"""What each shipped profile plays, note for note."""

GOLDEN_BAND = TESTS / "golden" / "band"
"""Scores of the bands that are shipped."""

TIMELINES = TESTS / "timelines"
"""Events in, MIDI text out."""
