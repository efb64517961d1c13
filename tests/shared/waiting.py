"""Waiting for what is expected: nothing sleeps for as long as it might take."""

import time

WAIT = 60.0
"""Seconds for something to happen that takes one or two."""


def until(true, seconds=WAIT, what="", every=0.02):
    """Wait until it is true, and return what it gave. ``what``: what should have happened, or a call that says it."""
    deadline = time.monotonic() + seconds
    while not (result := true()):
        assert time.monotonic() < deadline, (what() if callable(what) else what) or "it did not happen"
        time.sleep(every)
    return result
