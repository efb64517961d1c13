"""All that a family takes home of a session, made from its log on request: a MIDI file, a score, a sound, a page.

What each part keeps:

* ``played``: what was played, from session logs. Kept: each note that sounded, with the log's own times; nobody's name.
* ``rhythm``: the beat that was played to, and the place of each note in it. Kept: halves or thirds in a beat, not both.
* ``score``, ``musicxml``: bars, note values and spelling; as MusicXML. Kept: each bar is full, in every part and voice.
* ``midi``, ``sound``: a MIDI file with a track for each part of each seat; a sound file. Kept: to the millisecond.
* ``engraving``, ``family_page``: the score's picture, and a page with it and the sound. Kept: nothing is fetched, and
  nothing says who played but what the family writes.

Nothing here is imported by the daemon.
"""
