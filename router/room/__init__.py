"""The beat, harmony and turns that children who play together share. As pure as the core.

What each part keeps:

* ``room``: joins beat, harmony, turns and who hears whom. Kept: a member's time never
  goes back; what a seat plays only because it heard another is heard by nobody.
* ``beat``, ``lead``, ``tonality``: the beat of a room (fixed, taps, MIDI clock in and out); the chord and the key
  that a keyboard leads with. Kept: a beat that has come does not come again; nothing changes while nobody plays; no
  bytes raise anything.
* ``turns``: whose turn it is. Kept: nobody is put before who waits: again within (n - 1) *
  (``wait`` + ``longest_turn``); no deadline while nobody plays.
* ``thru``: the ledger of a keyboard whose messages go on as they are. Kept: whatever is lost on its cable, no note
  sounds longer than ``note_length``, under a pedal either.
"""
