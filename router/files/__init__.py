"""Profiles and configurations: read, checked, and told what is wrong in them.

What each part keeps:

* ``profile``: YAML with positions, schema, meaning, plan. Kept: every problem in one run, one message a mistake, each
  value read once, no traceback for any bytes.
* ``plugins``: the rules of packages and of the administrator's folder. Kept: what is wrong with one costs that one;
  only what a profile names is imported; nothing is read that others could have written.
* ``proofs``: which rules of others were proven here. Kept: a proof holds for one file's digest and one version, and
  counts only where nobody else could have written it.
* ``trying``: a rule of others imported first in a process of its own. Kept: a file that hangs, ends its process or
  fills the memory costs its own rule; silence is no consent.
* ``configuration``: one PC's folders, seats, buttons and limits, read and checked like a profile; ``room.py`` what
  its children share. Kept: nothing lies where it would be lost; no limit of a profile above the PC's; two seats
  never get one channel, and no clock can follow itself.
* ``profile.doubts``: warnings: what can be played and is probably not meant. Kept: no profile that can be played is
  refused for them.
* ``wrapping``: what a profile comes in when it was copied: web page, mail, fence, word processor. Kept: told once;
  each sign stays at its place, so the rest is checked in the same run.
* ``loading``: the bytes of a file, its tree, what is built of it. Kept: an ordinary file of bounded size, or a reason.
* ``former``: what settings and values were called before. Kept: each is answered by today's word, with its place.
* ``foreign``: names of notes, keys, scales and chords in other languages, for hints. Kept: what it offers can be
  written.
* ``pseudonym``: whether a pseudonym or a remark says who a child is. Kept: ordinary words, and what people write of
  music, stay free; nothing that seems to is kept before somebody said that it does not.
* ``edit``: single values changed in a profile's text. Kept: every other letter stays.
"""
