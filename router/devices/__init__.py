"""Sensors, switches, keyboards, synths: found by name, read and played.

What each part keeps:

* ``names``: devices and ports by name. Kept: a name is printed by ``as_yaml``, ``shown``, ``pasted`` or ``as_json``
  only: nothing of it steers a terminal.
* ``line_pattern``: the expression that finds a number in a sensor's line, matched by RE2. Kept: whatever is
  accepted, a line of 256 bytes takes less than 1 ms; Python's matcher never sees a profile's expression.
* ``inputs``, ``outputs``: one file a kind of device. Kept: ``read`` never waits; driver threads stamp, append and
  poke, nothing else.
* ``inputs.kernel_devices``: which kernel input devices are there, and what they have. Kept: no event is read.
* ``plugged``, ``ports``: news of devices (inotify) and of MIDI ports (ALSA's announcements, JACK's callbacks).
  Kept: nobody asks again and again whether something is there.
* ``outputs.sounding_notes``, ``bedside.sounding``: what sounds, in memory that outlives the process. Kept: stored
  before it is sent, cleared after; no system call.
* ``inputs.shared``: which device is whose; each open once, whoever listens. Kept: nobody's coming, going or failing
  takes an event from another; nobody gets a device in a way that leaves another seat without one.
* ``outputs.shared``: ports that are open once for all seats. Kept: what has failed, or has gone, is never given to
  anybody again.
"""
