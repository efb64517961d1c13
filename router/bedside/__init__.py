"""What a small PC by the bed needs around the loop.

What each part keeps:

* ``service``: all that a small PC needs around a daemon. Kept: each part that cannot be had costs itself only.
* ``profile_folder``, ``checking``: a profile folder: noticed, checked, offered. Kept: a file is called as its
  child, so records and requests go by one name; the loop never touches the disk; what was checked is what is kept,
  byte for byte; whoever asked gets one answer.
* ``refusals``: what is told of refused profiles. Kept: bounded, however many and however broken, with a count of
  the rest.
* ``arrivals``: when a file that is being put there is finished. Kept: pure; nobody's stall keeps another file
  waiting for more than two seconds.
* ``memory``: what plays, for the next start. Kept: after a power cut there is the old one or the new one, on a full
  disk the new one, and never another child's; nothing found there is trusted.
* ``deaths``: how often the router has died lately, and what is left out because of it. Kept: no clock that is set
  changes a count; a stop in order and a power cut are no deaths; what is suspected stays so until it is changed.
* ``proven``: the profiles that have played for a minute, for when a newer one kills the router. Kept: a text that
  is not what its name says is missing.
* ``lock``: one router for one configuration. Kept: the kernel gives it back with the process; who comes second is
  told who has it.
* ``hush``: ends what was left on, from another process: at the service's next start, or as soon as ``router run
  PROFILE`` has ended. Kept: never longer than its time limit; it needs nothing of the router but the record.
* ``control``: the control socket, and its client. Kept: it never waits; whatever a client sends costs that client
  only; each user has a quota; panic is done whoever asks, however many are connected; nothing that can be asked
  runs code or names a file.
* ``buttons``: switches of the room, programs that choose a child. Kept: a button counts once it was held for its
  time.
"""
