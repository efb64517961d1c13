"""What rooms in the tests are made of."""

from __future__ import annotations

from router.core.engine import TEMPO
from router.room.room import KEY, SCALE

SAYS = frozenset({TEMPO, KEY, SCALE})
"""All that a room may set by itself."""
