"""The error of a song's file, in the words of the person who has brought it."""

from __future__ import annotations


class SongError(Exception):
    """A song that cannot be used: ``what`` is wrong, and in ``hint`` what to do; line and column from 1 if known.

    ``may_pass``: the file may be right, and pass when it is tried again on a PC that is less busy.
    """

    def __init__(
        self, what: str, hint: str, line: int | None = None, column: int | None = None, *, may_pass: bool = False
    ) -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint
        self.line = line
        self.column = column
        self.may_pass = may_pass

    def __str__(self) -> str:
        at = "" if self.line is None else f" (line {self.line})"
        return f"{self.what}{at}. {self.hint}"
