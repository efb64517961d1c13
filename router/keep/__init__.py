"""All that a family takes home of a session: a MIDI file, a score and a sound file, made from its log, on request.

What each part keeps:

* ``played``: what was played, from session logs. Kept: each note that sounded, with the log's own times; nobody's name.
* ``rhythm``: the beat that was played to, and the place of each note in it. Kept: halves or thirds in a beat, not both.
* ``score``, ``musicxml``: bars, note values and spelling; as MusicXML. Kept: each bar is full, in every part and voice.
* ``midi``, ``sound``: a MIDI file with a track for each part of each seat; a sound file. Kept: to the millisecond.

Nothing here is imported by the daemon.
"""
