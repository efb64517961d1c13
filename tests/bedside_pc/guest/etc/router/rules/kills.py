"""End the router a second after it has begun, at nobody's turn: as a thread of a library does that crashes.

Example::

    rules:
      - note: {pitch: A4}
      - kills: {}
"""

import os
import threading
from typing import ClassVar

from router.core.contract import Kind, Rule


class Kills(Rule):
    """See the module's docstring."""

    name = "kills"
    takes = Kind.NOTES
    gives = Kind.NOTES
    settings: ClassVar = {"type": "object", "additionalProperties": False, "properties": {}}

    def __init__(self, settings, context):
        super().__init__(settings, context)
        threading.Timer(1, os.abort).start()
