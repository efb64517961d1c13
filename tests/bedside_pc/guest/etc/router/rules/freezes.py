"""Wait for ever in each note, so that no signal ends it: as a library does that waits for a device which has died.

Example::

    rules:
      - note: {pitch: A4}
      - freezes: {}
"""

import signal
import time
from typing import ClassVar

from router.core.contract import Kind, Rule


class Freezes(Rule):
    """See the module's docstring."""

    name = "freezes"
    takes = Kind.NOTES
    gives = Kind.NOTES
    settings: ClassVar = {"type": "object", "additionalProperties": False, "properties": {}}

    def note_on(self, note, now):
        """Never come back."""
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGALRM})  # which would interrupt it
        while True:
            time.sleep(60)
