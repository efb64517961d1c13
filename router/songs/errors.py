"""The one mistake that the readers of songs know: a song that cannot be used, and what would help."""

from __future__ import annotations


class SongError(Exception):
    """A song cannot be used: ``what`` is wrong and a ``hint`` at what helps, as a message has them.

    ``line`` and ``column`` count from 1, in the song's own text; None in files that have no lines.
    """

    def __init__(self, what: str, hint: str = "", line: int | None = None, column: int | None = None) -> None:
        super().__init__(what)
        self.what, self.hint, self.line, self.column = what, hint, line, column
