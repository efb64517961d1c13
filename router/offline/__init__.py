"""Playing without a daemon, in time that is only counted.

What each part keeps:

* ``simulate``: simulated children. Kept: seeded; each parameter names its source.
* ``together``, ``picture``: several seats and their room on virtual time; who played what, as a drawing (SVG).
  Kept: every deadline at its own time, the room's first; each note once, readable in grey, nothing is fetched.
"""
