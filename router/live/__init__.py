"""The seats in one loop, with their devices.

What each part keeps:

* ``budget``: the time that rules of others may take. Kept: no rule that can be interrupted stops the music for
  longer than 250 ms, and none does it twice; where one cannot, the process ends within seconds and says which.
* ``attached``: devices and outputs as they come and go. Kept: each costs itself only; each failure is said once.
* ``flood``: what a seat's devices have said and it has not played yet. Kept: bounded; thinned to where things are
  now, so nothing is left on; a seat in a flood comes after the others and takes 2 ms of a pass at most.
* ``seat``: one child's profile as one engine, with its devices and outputs. Kept: before another profile plays
  every note of the one before has ended; what both need stays open.
* ``seat_events``: what a seat's engine observes, until everybody is told. Kept: told once, in order, after the music.
* ``daemon``, ``surroundings``: the seats in one loop. Kept: the music first, then the rest; who has nothing to do is
  not asked (``system/agenda.py``); the watchdog is fed after a whole pass.
* ``worker``: work that may wait, done by one thread. Kept: a thread that hangs is left behind, at most four; each
  job is told once.
* ``turn``: whose turn it is, in memory that outlives the process: a seat, and a rule of others. Kept: one store of
  a byte a turn; what is found there is not trusted.
* ``status``: what the daemon says of itself. Kept: times say how long ago, so no clock that is set makes them
  wrong.
* ``watching``: what a seat shows to whoever watches. Kept: bounded while somebody watches; one comparison a sample
  while nobody does.
* ``chime``: a few notes that tell the room what happened. Kept: on a channel that no part plays on, never above the
  child's limit.
* ``channels``: which MIDI channels a seat plays on. Kept: what already plays is never moved; drums stay drums.
* ``room_ports``: the room's own keyboard and its clocks. Kept: the keyboard's notes go on at once and within the
  limits of ``thru.py``, and end with it; a tick of our clock is never early, and nothing in a pass comes before it.
"""
