"""Say why profiles are refused, however many and however broken: bounded, and with a count of the rest."""

from __future__ import annotations

from collections.abc import Sequence

from router.core.units import NANOSECONDS
from router.files.diagnostics import Problem

FILES, LETTERS = 5, 8_000
"""Files of one refusal whose problems are told, and letters in all; ``router check`` tells the rest."""

NAMES = 20
"""Files of one refusal that are named after those."""

AT_ONCE, EVERY = 30, 5 * NANOSECONDS
"""Refusals that are told in the log one after another, and how long after each one more may be. Our choice: a day's
mistakes of one therapist are all told, and ten thousand broken files are some kilobytes."""


def refusal_in_words(problems: Sequence[Problem], *, lines: bool = True) -> str:
    """Return what is wrong with some files, as a text of bounded length that says how much it leaves out.

    ``lines``: whether the lines themselves are shown.
    """
    files = dict.fromkeys(problem.file for problem in problems)
    told = {*[*files][:FILES]}
    texts: list[str] = []
    letters = 0
    for problem in problems:
        text = str(problem) if lines else problem.without_line
        if problem.file not in told or (texts and letters + len(text) > LETTERS):
            continue
        texts.append(text[:LETTERS])
        letters += len(text)
    if left := len(problems) - len(texts):
        others = [name for name in files if name not in told]
        names = [name.rpartition("/")[2] for name in others[:NAMES]]
        more = f", and {len(others) - NAMES} more files" if len(others) > NAMES else ""
        among = f", in {', '.join(names)}{more}" if others else ""
        texts.append(f"{left} more problem{'s' if left > 1 else ''}{among}. router check tells them all.")
    return "\n\n".join(texts)


class Sparing:
    """Counts what is told in the log of one seat: so much at once, then now and then.

    ``unsaid``: how many were not told yet.
    """

    def __init__(self) -> None:
        self.unsaid = 0
        self._free_at: list[int] = []  # when each that was told no longer counts

    def may_tell(self, now: int) -> bool:
        """True if one more may be told, and is counted so; else it is counted as not told."""
        self._free_at = [at for at in self._free_at if at > now]
        if len(self._free_at) >= AT_ONCE:
            self.unsaid += 1
            return False
        self._free_at.append((self._free_at[-1] if self._free_at else now) + EVERY)
        return True

    def deadline(self) -> int | None:
        """When the count of what was not told may be told; None if there is none."""
        return self._free_at[0] if self.unsaid else None

    def take(self, now: int) -> int:
        """Return how many were not told, if that may be told now; they then count as told."""
        if not self.unsaid or now < self._free_at[0]:
            return 0
        unsaid, self.unsaid = self.unsaid, 0
        return unsaid
