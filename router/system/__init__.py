"""The operating system's clock, timers, waiting and files.

What each part keeps:

* ``loop``: the only sleeper. Kept: absolute deadlines through one timerfd; no millisecond rounding, no periodic
  wake-up.
* ``beneath``: opens a file beneath a folder and nothing else. Kept: looking and opening are one step: nothing that
  is exchanged meanwhile leads out.
* ``realtime``: real-time priority and locked memory. Kept: the loop first, our other threads after all that sounds;
  what is refused is said with the remedy.
"""
