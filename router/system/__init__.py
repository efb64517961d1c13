"""The operating system's clock, timers, waiting and files.

What each part keeps:

* ``loop``: the only sleeper. Kept: absolute deadlines through one timerfd; no millisecond rounding, no periodic
  wake-up.
* ``agenda``: what the loop does by time: reminders, on one heap. Kept: a pass calls what is due, the music first, and
  nothing else; each at most once; what raises costs itself only; want of memory loses none.
* ``files``: whole files, and a file beneath a folder. Kept: a file is whole or not there; looking beneath a folder and
  opening are one step: nothing that is exchanged meanwhile leads out.
* ``realtime``: real-time priority and locked memory. Kept: the loop first, our other threads after all that sounds;
  what is refused is said with the remedy.
"""
