"""The tests, in the rooms of ``router/``; ``house`` holds what is true of all of it, ``shared`` what tests share.

The modules beside this one are commands: ``python -m tests.NAME --help``.
"""
