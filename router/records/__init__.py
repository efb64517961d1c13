"""Session logs and recordings: written, kept, and read again.

What each part keeps:

* ``recorder``, ``session_log``, ``session_files``: writes session logs and recordings; their lines; their files as they
  grow on the disk. Kept: never blocks the loop; each second is safe on the disk;
  what is missing is counted and said in the file; a disk that failed is tried again. One thread loop does all of it.
* ``record_files``: the folder of records, and reading them. Kept: damage costs its second, and is said.
* ``retention``: how long records are kept, the wastebasket, and whether the clock stands still while the PC is off.
  Kept: nothing is moved or deleted because a clock says so: a date counts once, after ten minutes in which it
  agreed with the monotonic clock.
"""
