"""Plays when it is this child's turn; out of turn it is softer, or silent.

Children at several seats whose profiles have this rule take turns: the turn passes on after each phrase, when nobody
takes it, and when it has lasted long enough (``turns`` in the configuration of the PC). With only one such seat it is
always its turn. What sounds when a turn ends runs to its own end. After a rule that plays notes, each note is judged
when it begins, even of an arpeggio that runs on; before it, each effort is, so that with ``silent`` a tune does not go
on by an effort out of turn.

Example::

    rules:
      - sequence: {degrees: [1, 2, 3, 5]}
      - turns: {otherwise: softer}
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

from router.rule import Context, Events, Kind, NoteOff, NoteOn, Press, Rule

_SOFTER = 0.5
"""How hard a note begins out of turn, as a share of what it would be. Our choice: to be heard, and to be told from a
turn."""


class TurnsRule(Rule):
    """The rule ``turns``; the module's docstring is its manual."""

    name = "turns"
    takes = Kind.NOTES | Kind.GESTURES
    settings: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "otherwise": {
                "enum": ["softer", "silent"],
                "default": "softer",
                "description": "what becomes of an effort out of turn",
            },
        },
    }

    def __init__(self, settings: Mapping[str, Any], context: Context) -> None:
        super().__init__(settings, context)
        self._silent = settings["otherwise"] == "silent"
        self._begun: dict[int, bool] = {}  # the voices that are held, and whether each began in this child's turn

    @property
    def _mine(self) -> bool:
        mine: bool = self.context.shared.get("turn", True)
        return mine

    def press(self, press: Press, now: int) -> Events:
        if self._mine:
            return (press,)
        return () if self._silent else (replace(press, strength=press.strength * _SOFTER),)

    def note_on(self, note: NoteOn, now: int) -> Events:
        mine = self._mine if note.instead is None else self._begun.get(note.instead, self._mine)
        self._begun[note.voice] = mine
        if mine:
            return (note,)
        if self._silent:
            return ()
        velocity = max(1, round(note.velocity * _SOFTER))
        return (replace(note, velocity=velocity, strength=note.strength * _SOFTER),)

    def note_off(self, off: NoteOff, now: int) -> Events:
        self._begun.pop(off.voice, None)
        return (off,)

    def let_go(self, now: int) -> Events:
        self._begun.clear()
        return ()
