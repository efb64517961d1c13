"""The service on the small PC by the bed: all that it needs around the loop.

What each part keeps:

* ``service``, ``service_status``: the daemon with all these parts around it; what it says of it. Kept: each part that
  cannot be had costs itself only; what is said of refused profiles is bounded, with a count of the rest.
* ``served_seat``: a seat as the service keeps it, and a profile fitted to it. Kept: what plays already is not moved.
* ``actions``: what is asked by a button, a program or the socket. Kept: each request is answered once.
* ``profile_folder``, ``checking``: a profile folder: noticed, checked, offered. Kept: a file is named after its
  child, so records and requests go by one name; the loop never touches the disk; what was checked is what is kept,
  byte for byte; each request gets one answer.
* ``configuration_file``: the PC's configuration, read at the start and again. Kept: a wrong file changes nothing; the
  last good one holds.
* ``arrivals``: when a file that is being put there is finished. Kept: pure; a file that stalls keeps another one
  waiting for at most two seconds.
* ``memory``: what plays, for the next start. Kept: after a power cut there is the old one or the new one, on a full
  disk the new one, and never another child's; nothing found there is trusted, and a proven text that does not match
  its file's name counts as missing.
* ``deaths``: how often the router has died lately, and what is left out because of it. Kept: setting a clock changes
  no count; an orderly stop and a power cut are no deaths; what is suspected stays so until it is changed.
* ``lock``: one router for one configuration. Kept: the kernel releases it with the process; the second router is
  told which one has it.
* ``hush``: ends what was left on, from another process: at the service's next start, or as soon as ``router run
  PROFILE`` has ended. Kept: never longer than its time limit; it needs nothing of the router but the record.
* ``control``, ``control_request``, ``control_socket``, ``control_client``: the control socket's server, what may be
  asked, the socket's file, and who asks. Kept: it never waits; whatever a client sends costs that client
  only; each user has a quota; panic is done for anybody, however many are connected; no request runs code or names
  a file.
* ``buttons``: switches of the room, programs that choose a child. Kept: a button counts once it was held for its
  time.
"""
