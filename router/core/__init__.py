"""The core: no I/O, no clock, nothing of a third party.

What each part keeps:

* ``events``: what travels. Kept: frozen; no event carries a time.
* ``timers``: one heap of absolute deadlines. Kept: equal deadlines come in the order in which they were set.
* ``music``, ``midi``, ``units``: tables and arithmetic. Kept: exact (fractions) until a value leaves for the wire.
* ``conditioning``: samples to gestures, one file a kind of input. Kept: presses and releases alternate; after
  ``lost`` nothing is pressed; told of another input's press (``hears``), it presses nothing itself.
* ``rules``: one file a rule; ``contract.py`` beside them is the contract, ``__init__.py`` the explicit list.
  Kept: what a rule began ends with its cause, or when it is let go; rules never import each other.
* ``accompaniment``: when a rule of the band begins, plays and ends. Kept: each note's end is known when it begins;
  what is missed is left out; it ends on a bar line, or at once.
* ``strokes``: patterns as a drummer types them. Kept: a pattern begins with a bar, whatever its length.
* ``harmony``: the current chord, for all parts. Kept: it sounds nothing and ends nothing; a late
  wake-up goes on to where the music is by then.
* ``ledger``: voices in, MIDI out. Kept: each note-on is followed by its note-off, no stray note-off, no limit
  exceeded.
* ``engine``: the straight line. Kept: a fault in a rule costs that rule only.
* ``conditioning.drift``: whether the thresholds still fit the child. Kept: it tells, and follows only within the
  profile's bounds and clear of rest.
* ``recognition``: which chord some notes are; ``Played``: which keys of a keyboard belong together. Kept: the same
  notes over the same bass always have the same name; nothing is made up.
* ``conditioning.listen``: what others play, as presses and phrases. Kept: two that play one note are both heard,
  and it ends with the last.
* ``balance``: the limits over the room: a share for each seat. Kept: what is counted is what sounds; the newest
  effort is heard, and nobody's only note is taken by another.
"""
