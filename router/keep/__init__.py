"""All that a family takes home of a session: a MIDI file and a sound file, made from its log, on request.

What each part keeps:

* ``played``: what was played, from session logs. Kept: each note that sounded, with the log's own times; nobody's name.
* ``midi``, ``sound``: a MIDI file with a track for each part of each seat; a sound file. Kept: to the millisecond.

Nothing here is imported by the daemon.
"""
